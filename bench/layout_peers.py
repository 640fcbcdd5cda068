"""The layout beside general solvers on the same input in the same run: `python bench/layout_peers.py [--quick]`.

CP-SAT states the whole problem, thickness included. rectpack and packingsolver cannot state the thickness rule: beside them the
rule is dropped for all. Strips: published zero-waste sets, Hopper & Turton 2001 (C) and Burke, Kendall & Whitwell 2004 (N),
turning allowed. packingsolver needs Python 3.12 and takes whole numbers: it runs in an environment of its own beside the
project's, made where a python3.12 or newer is found, with sizes in tenths of a millimetre, and is passed over where none is.
"""

from __future__ import annotations

import csv
import functools
import json
import math
import os
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import numpy as np
from ortools.sat.python import cp_model

from pipemetal.layout.jsonform import problem_from_dict
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.proof import _lay
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.shelf import piece_of
from pipemetal.layout.solve import solve
from pipemetal.layout.totals import size_on_sheet
from pipemetal.layout.windows import find_slots, sheet_table

DATA = Path(__file__).parents[1] / "tests" / "data" / "layout"
# file, strip width, least height
STRIPS = (
    ("hopper2001a_C1_1", 20.0, 20.0),
    ("hopper2001a_C4_1", 60.0, 60.0),
    ("hopper2001a_C6_1", 80.0, 120.0),
    ("hopper2001a_C7_1", 160.0, 240.0),
    ("burke2004_BKW6", 50.0, 100.0),
    ("burke2004_BKW10", 70.0, 150.0),
    ("burke2004_BKW12", 100.0, 300.0),
)
PACKING = "packingsolver==0.1.1233"
PACKING_HOME = Path(__file__).parents[1] / ".venv-packing"
OPENED = SolverSettings(objective="opened")


def by_alloy(problem: LayoutProblem) -> list[LayoutProblem]:
    """The problem's parts, one for each alloy."""
    return [
        LayoutProblem(
            tuple(b for b in problem.blanks if b.alloy == a), tuple(r for r in problem.rolls if r.alloy == a), None, 0.0
        )
        for a in sorted({b.alloy for b in problem.blanks})
    ]


def cp_sat_m2(part: LayoutProblem, seconds: float) -> float | None:
    """Whole sheets that CP-SAT opens in so many seconds, m2; None where it finds no plan."""
    model = cp_model.CpModel()
    opened = [model.new_bool_var(r.id) for r in part.rolls]
    for who in _lay(model, part.blanks, part.rolls, part.kerf_mm, opened):
        model.add_exactly_one(who)
    model.minimize(sum(int(r.net_area_mm2()) * z for r, z in zip(part.rolls, opened, strict=True)))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    status = solver.solve(model)
    return solver.objective_value / 1e6 if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else None


def rectpack_m2(part: LayoutProblem) -> float | None:
    """Whole sheets that rectpack opens, best of its ways and sheets from small to large or large to small, m2."""
    import rectpack

    best: float | None = None
    sorts = (rectpack.SORT_AREA, rectpack.SORT_LSIDE, rectpack.SORT_SSIDE)
    for how in (rectpack.MaxRectsBssf, rectpack.MaxRectsBl, rectpack.SkylineMwfWm, rectpack.GuillotineBssfSas):
        for sort in sorts:
            for falling in (False, True):
                packer = rectpack.newPacker(pack_algo=how, sort_algo=sort, rotation=False)
                for b in part.blanks:
                    packer.add_rect(b.length_mm, b.width_mm)
                sheets = sorted(part.rolls, key=LayoutRoll.net_area_mm2, reverse=falling)
                for r in sheets:
                    packer.add_bin(r.length_mm - 2 * r.trim_mm, r.width_mm - 2 * r.trim_mm)
                packer.pack()
                if sum(len(b) for b in packer) == len(part.blanks):
                    area = sum(b.width * b.height for b in packer if len(b)) / 1e6
                    best = area if best is None else min(best, area)
    return best


@functools.cache
def packing_python() -> str | None:
    """A Python with packingsolver, in an environment beside the project's, made once; None where no Python is new enough."""
    inside = PACKING_HOME / "bin" / "python"
    if inside.exists():
        return str(inside)
    pyenv = sorted((Path.home() / ".pyenv" / "versions").glob("3.1[2-9].*/bin/python"))
    found = [p for name in ("python3.12", "python3.13", "python3.14") if (p := shutil.which(name))] + [
        str(p) for p in pyenv
    ]
    for python in found:
        made = (
            [python, "-m", "venv", str(PACKING_HOME)],
            [str(inside), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", PACKING],
        )
        if all(subprocess.run(command, capture_output=True, check=False).returncode == 0 for command in made):
            return str(inside)
        shutil.rmtree(PACKING_HOME, ignore_errors=True)
    return None


def packingsolver_says(question: dict[str, object], answer: str) -> float | None:
    """What packingsolver gives for a question of `packing_child.py`; None where it is not there or does not get all in."""
    python = packing_python()
    if python is None:
        return None
    child = Path(__file__).with_name("packing_child.py")
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYENV_VERSION")}
    done = subprocess.run(
        [python, str(child)], input=json.dumps(question), capture_output=True, text=True, env=clean, check=True
    )
    value = json.loads(done.stdout.strip().splitlines()[-1])[answer]
    return None if value is None else float(value)


def rolls_that_serve(part: LayoutProblem) -> list[list[int]]:
    """For each blank the rolls that hold its thickness somewhere."""
    pieces = [piece_of(b, i) for i, b in enumerate(part.blanks)]
    starts, _ = find_slots(pieces, sheet_table(part.rolls), part.kerf_mm)
    count = np.diff(starts).reshape(len(pieces), len(part.rolls))
    return [[int(s) for s in np.flatnonzero(row)] for row in count]


def packingsolver_m2(part: LayoutProblem, seconds: float, serve: list[list[int]] | None = None) -> float | None:
    """Whole sheets that packingsolver uses, m2; blanks rounded up and sheets down to tenths of a millimetre.

    `serve`: for each blank the rolls that it may come from, anywhere on them.
    """
    items = [(math.ceil(b.length_mm * 10), math.ceil(b.width_mm * 10)) for b in part.blanks]
    bins = [(int(10 * (r.length_mm - 2 * r.trim_mm)), int(10 * (r.width_mm - 2 * r.trim_mm))) for r in part.rolls]
    asked = {"items": items, "bins": bins, "turning": False, "seconds": seconds, "serve": serve}
    area = packingsolver_says(asked, "area")
    return None if area is None else area / 1e8


def without_thickness(part: LayoutProblem) -> LayoutProblem:
    """The same blanks and rolls with one thickness everywhere."""
    blanks = tuple(replace(b, mouth_thickness_mm=1.0, top_thickness_mm=1.0) for b in part.blanks)
    flat = np.ones((1, 2))
    rolls = tuple(replace(r, stations_mm=(0.0, r.length_mm), thickness_mm=flat) for r in part.rolls)
    return replace(part, blanks=blanks, rolls=rolls)


def strip_blanks(name: str, scale: float) -> tuple[Blank, ...]:
    """The rectangles of a strip set as blanks that may be turned."""
    rows = csv.DictReader((DATA / "strips" / f"{name}_items.csv").read_text(encoding="utf-8").splitlines())
    return tuple(
        Blank(f"B{k}", "body", "A", float(r["HEIGHT"]) * scale, float(r["WIDTH"]) * scale, 1.0, 1.0, 0.1, (0, 90))
        for k, r in enumerate(rows)
    )


def strip_height(name: str, width: float, least: float, seconds: float) -> float:
    """Height of the strip that holds all rectangles: a first plan, then strips one unit shorter while they are filled."""
    begun, scale = time.perf_counter(), 6000.0 / least
    blanks = strip_blanks(name, scale)
    size = {b.id: b for b in blanks}
    length, best = 1.2 * least * scale, float("inf")
    while length >= least * scale - 1e-3 and (left := seconds - (time.perf_counter() - begun)) > 0.2:
        strip = LayoutRoll("R", "A", length, width * scale, 0.0, (0.0, length), np.ones((1, 2)))
        filled = [False]

        def watch(_: float, message: str, filled: list[bool] = filled) -> None:
            filled[0] = message.startswith("0 ")

        first = best == float("inf")
        plan = solve(
            LayoutProblem(blanks, (strip,)),
            seconds=0.25 * left if first else left,
            progress=watch,
            should_stop=lambda first=first, filled=filled: not first and filled[0],
        )
        if plan.unplaced:
            continue
        ends = [(p.x_mm, p.x_mm + size_on_sheet(size[p.blank], p.turn_deg)[0]) for p in plan.placements]
        best = (max(high for _, high in ends) - min(low for low, _ in ends)) / scale
        length = (np.ceil(best - 1e-6) - 1.0) * scale + 1e-6
    return best


def spyrrow_height(name: str, width: float, seconds: float) -> float:
    """Height of the strip that spyrrow, which nests any outline, packs the same rectangles into, turning allowed."""
    import spyrrow

    items = []
    for blank in strip_blanks(name, 1.0):
        w, h = blank.width_mm, blank.length_mm
        outline = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h), (0.0, 0.0)]
        items.append(spyrrow.Item(blank.id, outline, demand=1, allowed_orientations=[0.0, 90.0]))
    config = spyrrow.StripPackingConfig(total_computation_time=max(int(seconds), 1), num_workers=2, seed=1)
    return float(spyrrow.StripPackingInstance(name, strip_height=width, items=items).solve(config).width)


def main() -> None:
    """Print ours beside theirs."""
    share = 0.2 if "--quick" in sys.argv else 1.0
    named = [f"{n} {metadata.version(n)}" for n in ("ortools", "rectpack", "spyrrow")]
    named.append(PACKING.replace("==", " ") if packing_python() else "packingsolver not run (no Python 3.12 here)")
    print("peers: " + ", ".join(named))
    n61, n488 = (
        problem_from_dict(json.loads((DATA / f"{n}.json").read_text(encoding="utf-8"))) for n in ("n61", "n488")
    )
    solve(n61, iterations=20)
    for name, part in [("n61", n61), *((f"n488 {p.blanks[0].alloy}", p) for p in by_alloy(n488))]:
        seconds = 20.0 * share
        ours = solve(part, seconds=seconds, settings=OPENED).opened_mm2 / 1e6
        theirs = cp_sat_m2(part, seconds)
        packed = packingsolver_m2(part, seconds, rolls_that_serve(part))
        print(
            f"{name:8} opened in {seconds:.0f} s: {ours:.3f} m2, CP-SAT {theirs and round(theirs, 3)} m2, packingsolver with the "
            f"rolls of each blank but any place on them {packed and round(packed, 3)} m2"
        )
        flat, begun = without_thickness(part), time.perf_counter()
        theirs = rectpack_m2(flat)
        took = time.perf_counter() - begun
        packed = packingsolver_m2(flat, 15.0 * share)
        ours = solve(flat, seconds=15.0 * share, settings=OPENED).opened_mm2 / 1e6
        print(
            f"{name:8} no thickness, {15 * share:.0f} s each: {ours:.3f} m2, packingsolver {packed and round(packed, 3)} m2, "
            f"rectpack {theirs and round(theirs, 3)} m2 ({took:.1f} s)"
        )
    for strip, width, least in STRIPS:
        ours = strip_height(strip, width, least, 10.0 * share)
        theirs = spyrrow_height(strip, width, 10.0 * share)
        items = [(round(b.width_mm), round(b.length_mm)) for b in strip_blanks(strip, 1.0)]
        asked = {"items": items, "strip_width": round(width), "turning": True, "seconds": 10.0 * share}
        packed = packingsolver_says(asked, "height")
        print(
            f"{strip:18} strip in {10 * share:.0f} s: {ours:6.1f}, least {least:.0f}, "
            f"packingsolver {packed}, spyrrow {theirs:.1f}"
        )


if __name__ == "__main__":
    main()
