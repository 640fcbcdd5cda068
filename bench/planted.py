"""Layout problems with a planted perfect solution: `python bench/planted.py [--seconds N] [blanks ...]`; `--help` for the rest.

Sheets with realistic thickness fields are cut up by random straight cuts; what each piece wants is read off the field with
noise inside its tolerance, and decoy rolls are hung beside the true ones. The planted plan uses all of its sheets' net area, so
metal used over that area is metal used over the least possible.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from pipemetal.layout.bound import area_bound_mm2
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.totals import totals_of
from pipemetal.layout.verify import verify

KERF_MM = 1.0
TRIM_MM = 15.0
ALLOYS = "ABCD"


def random_roll(rng: np.random.Generator, name: str) -> LayoutRoll:
    """A roll as a cast gives it: thinning along, a little bowed along and across."""
    length, width = float(rng.integers(30, 50) * 100), float(rng.integers(60, 100) * 10)
    start, taper = float(rng.uniform(0.7, 1.7)), float(rng.uniform(0.085, 0.14))
    stations = np.linspace(0.0, length, 11)
    along, across = stations / length, np.linspace(-1.0, 1.0, 3)[:, None]
    bow, edge = float(rng.normal(0.0, 0.01)), float(abs(rng.normal(0.0, 0.008)))
    grid = start - taper * stations / 1000.0 + bow * 4.0 * along * (1.0 - along) - edge * across**2
    return LayoutRoll(name, "A", length, width, TRIM_MM, tuple(float(s) for s in stations), np.maximum(grid, 0.2))


Box = tuple[float, float, float, float]


def cut_up(rng: np.random.Generator, box: Box, pieces: int) -> list[Box]:
    """A rectangle cut by random straight cuts, each leaving a kerf."""
    boxes = [box]
    while len(boxes) < pieces:
        boxes.sort(key=lambda b: (b[2] - b[0]) * (b[3] - b[1]))
        x0, y0, x1, y1 = boxes.pop()
        share = float(rng.uniform(0.25, 0.75))
        # long pieces first: bodies are longer than wide
        if (x1 - x0) > float(rng.uniform(2.0, 5.0)) * (y1 - y0):
            at = x0 + share * (x1 - x0 - KERF_MM)
            boxes += [(x0, y0, at, y1), (at + KERF_MM, y0, x1, y1)]
        else:
            at = y0 + share * (y1 - y0 - KERF_MM)
            boxes += [(x0, y0, x1, at), (x0, at + KERF_MM, x1, y1)]
    return boxes


def cut_by_depth(rng: np.random.Generator, box: Box, depth: int) -> list[Box]:
    """A rectangle cut `depth` times over, along and across in turn, each time into two to four: fewer cuts by chance."""
    boxes = [box]
    along = bool(rng.integers(2))
    for _ in range(depth):
        parts: list[Box] = []
        for x0, y0, x1, y1 in boxes:
            side = x1 - x0 if along else y1 - y0
            count = min(int(rng.integers(1, 5)), int(side // (240.0 if along else 60.0)))
            if count < 2:
                parts.append((x0, y0, x1, y1))
                continue
            shares = rng.dirichlet(np.full(count, 4.0))
            shares = 0.5 / count + 0.5 * shares
            at = x0 if along else y0
            for share in shares:
                size = share * (side - (count - 1) * KERF_MM)
                parts.append((at, y0, at + size, y1) if along else (x0, at, x1, at + size))
                at += size + KERF_MM
        boxes, along = parts, not along
    return boxes


def planted(
    blanks: int, seed: int = 0, decoys: float = 0.5, *, tightness: float = 1.0, depths: bool = False, alloys: int = 1
) -> tuple[LayoutProblem, LayoutPlan]:
    """A problem of about so many blanks and the plan that was planted in it.

    `tightness`: share of the usual tolerance; `depths`: cut by guillotine cuts of two to five depths, not by halving the largest;
    `alloys`: how many, in turn by sheet.
    """
    rng = np.random.default_rng(seed)
    sheets = max(1, round(blanks / 18))
    rolls: list[LayoutRoll] = []
    wanted: list[Blank] = []
    placements: list[Placement] = []
    while len(wanted) < blanks:
        s = len(rolls)
        roll = replace(random_roll(rng, f"R{s:03d}"), alloy=ALLOYS[s % alloys])
        rolls.append(roll)
        net = (TRIM_MM, TRIM_MM, roll.length_mm - TRIM_MM, roll.width_mm - TRIM_MM)
        if depths:
            boxes = cut_by_depth(rng, net, int(rng.integers(2, 6)))
        else:
            boxes = cut_up(rng, net, blanks // sheets + (s < blanks % sheets))
        for k, box in enumerate(boxes):
            wanted.append(blank_at(rng, f"B{s:03d}-{k:03d}", roll, box, tightness))
            placements.append(Placement(wanted[-1].id, roll.id, box[0], box[1]))
    count = len(rolls)
    rolls += [replace(random_roll(rng, f"D{k:03d}"), alloy=ALLOYS[k % alloys]) for k in range(round(decoys * count))]
    order = rng.permutation(len(wanted))
    problem = LayoutProblem(tuple(wanted[i] for i in order), tuple(rolls), None, KERF_MM)
    t = totals_of(problem, placements, ())
    bound = area_bound_mm2(problem.blanks)
    gap = 100.0 * (t.consumed_mm2 / bound - 1.0)
    areas = (t.opened_mm2, t.consumed_mm2, t.utilisation, bound, gap)
    return problem, LayoutPlan(tuple(placements), (), (), *areas, 0, 0)


def blank_at(rng: np.random.Generator, name: str, roll: LayoutRoll, box: Box, tightness: float) -> Blank:
    """What a piece cut there wants: the metal under it, moved within its tolerance."""
    x0, y0, x1, y1 = box
    xs, ys = np.linspace(x0, x1, 41), np.linspace(y0, y1, 9)
    lines = np.linspace(0.0, roll.width_mm, roll.thickness_mm.shape[0])
    by_line = np.array([np.interp(xs, roll.stations_mm, line) for line in roll.thickness_mm])
    field = np.array([np.interp(ys, lines, by_line[:, i]) for i in range(len(xs))])
    mouth, top = float(field[0].mean()), float(field[-1].mean())
    usual = tightness * (0.05 + 0.03 * mouth / 1.1)
    off = float(np.abs(field - np.linspace(mouth, top, len(xs))[:, None]).max())
    room = max(usual - off, 0.0)
    shift = float(rng.uniform(-0.6, 0.6)) * room
    tolerance = max(usual, 1.05 * off + 1e-4)
    return Blank(name, "body", roll.alloy, x1 - x0, y1 - y0, mouth + shift, top + shift, tolerance)


def run(blanks: int, seed: int, options: argparse.Namespace) -> None:
    """Lay one problem and print what it takes over the planted least."""
    alloys = max(options.alloys, 4 if blanks > 5000 else 1)
    problem, plan = planted(blanks, seed, tightness=options.tightness, depths=options.depths, alloys=alloys)
    faults = verify(problem, plan)
    assert not faults, faults[:3]
    begun, complete = time.perf_counter(), [0.0]

    def watch(_: float, message: str) -> None:
        if message.startswith("0 ") and not complete[0]:
            complete[0] = time.perf_counter() - begun

    seconds = options.seconds * (3.0 if blanks > 5000 else 1.0)
    settings = SolverSettings(objective=options.objective)
    worked = time.process_time()
    found = solve(problem, seconds=seconds, iterations=options.iterations, seed=seed, progress=watch, settings=settings)
    took, worked = time.perf_counter() - begun, time.process_time() - worked
    kind = f"tolerances x {options.tightness:g}, {'depths' if options.depths else 'halved'}, alloys {alloys}"
    used, over, opened = found.consumed_mm2, found.consumed_mm2 / plan.consumed_mm2, found.opened_mm2 / plan.opened_mm2
    print(
        f"planted {len(problem.blanks):5d} blanks, seed {seed}, {kind}, {options.objective}: {took:5.1f} s "
        f"({worked:.0f} s worked, {found.iterations} moves)  consumed {used / 1e6:.3f} m2, {over:.4f} of the least; "
        f"opened {opened:.4f}  complete after {complete[0]:.1f} s  left {len(found.unplaced)}  "
        f"faults {len(verify(problem, found))}",
        flush=True,
    )


def main() -> None:
    """Print metal used over the planted least, and when the first complete plan stood."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("blanks", type=int, nargs="*", default=[100, 300, 1000, 2000, 10_000])
    parser.add_argument("--seconds", type=float, default=20.0, help="three times that for more than 5,000 blanks")
    parser.add_argument("--iterations", type=int, help="moves instead of seconds")
    parser.add_argument("--seeds", type=int, nargs="*", default=[0])
    parser.add_argument("--tightness", type=float, default=1.0, help="tolerances, as a share of the usual")
    parser.add_argument("--depths", action="store_true", help="cut by straight cuts of two to five depths")
    parser.add_argument(
        "--alloys", type=int, default=1, choices=(1, 2, 3, 4), help="four at least from 5,000 blanks on"
    )
    parser.add_argument("--objective", choices=("consumed", "opened"), default="consumed")
    options = parser.parse_args()
    solve(planted(20, 5)[0], iterations=20)
    for blanks in options.blanks:
        for seed in options.seeds:
            run(blanks, seed, options)


if __name__ == "__main__":
    main()
