"""Figures of the layout room: metal opened and consumed on the instances, bounds, faults, compile time.

    python bench/layout_bench.py [--quick] [instance.json ...]

Without files: n61 and n488 of tests/data/layout. Larger ones (n976, n1952) are named on the command line.
"""

from __future__ import annotations

import argparse
import csv
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipemetal.layout.bound import lower_bound
from pipemetal.layout.jsonform import problem_from_dict
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify

DATA = Path(__file__).parents[1] / "tests" / "data" / "layout"
# Targets in m2 within seconds of run time: (objective, feet may turn) -> (seconds, target).
TARGETS = {
    ("n61", "opened", False): (5, 17.452),
    ("n61", "consumed", False): (10, 14.07),
    ("n488", "opened", False): (30, 66.5),
    ("n488", "consumed", False): (20, 53.0),
    ("n976", "consumed", False): (20, 67.5),
    ("n976", "consumed", True): (30, 64.5),
    ("n1952", "consumed", False): (30, 128.0),
}
# Two-dimensional bin packing, no turning: bins of the best known plan.
# Berkey & Wang 1987 (classes 1, 3, 5), Martello & Vigo 1998 (classes 7, 9), 100 items, first instance of each.
BINS = {
    "berkey1987_Class_01.2bp_100_1": (10.0, 28),
    "berkey1987_Class_03.2bp_100_1": (40.0, 19),
    "berkey1987_Class_05.2bp_100_1": (100.0, 24),
    "martello1998_Class_07.2bp_100_1": (100.0, 27),
    "martello1998_Class_09.2bp_100_1": (100.0, 71),
}


def turnable(problem: LayoutProblem) -> LayoutProblem:
    """The problem with sectors free to lie either way (the stored files let none turn)."""
    return replace(problem, blanks=tuple(replace(b, turns_deg=(0, 180)) if b.sector else b for b in problem.blanks))


def unsure(problem: LayoutProblem) -> LayoutProblem:
    """The problem as if its rolls were gauged at a dozen places: an error of 0.012 mm everywhere, and 95 % wanted."""
    rolls = tuple(
        replace(r, error_mm=np.full(r.thickness_mm.shape, 0.012), error_reach_mm=(350.0, 250.0)) for r in problem.rolls
    )
    return replace(problem, rolls=rolls, certainty=0.95)


def report(name: str, problem: LayoutProblem, objective: str, seconds: float, target: float, note: str) -> LayoutPlan:
    begun = time.perf_counter()
    plan = solve(problem, seconds=seconds, settings=SolverSettings(objective=objective))
    took = time.perf_counter() - begun
    metal = (plan.opened_mm2 if objective == "opened" else plan.consumed_mm2) / 1e6
    verdict = "reached" if metal <= target + 5e-4 and not plan.unplaced else "missed"
    faults = len(verify(problem, plan))
    print(
        f"{name:6} {objective:8} {note:11} {took:5.1f} s  {metal:8.3f} m2  target {target:7.3f} {verdict:7}"
        f"  use {plan.utilisation:.3f}  left {len(plan.unplaced)}  faults {faults}  moves {plan.iterations}"
    )
    return plan


def until_all_placed(name: str, problem: LayoutProblem) -> None:
    begun, done = time.perf_counter(), [0.0]

    def watch(_: float, message: str) -> None:
        if message.startswith("0 ") and not done[0]:
            done[0] = time.perf_counter() - begun

    solve(problem, seconds=8.0, progress=watch, should_stop=lambda: bool(done[0]))
    print(f"{name:6} all placed after {done[0]:.1f} s" if done[0] else f"{name:6} not all placed in 8 s")


def bins(seconds: float) -> None:
    for name, (side, best) in BINS.items():
        rows = csv.DictReader((DATA / "strips" / f"{name}_items.csv").read_text(encoding="utf-8").splitlines())
        blanks = tuple(
            Blank(f"B{k}", "body", "A", float(r["WIDTH"]), float(r["HEIGHT"]), 1.0, 1.0, 0.1)
            for k, r in enumerate(rows)
        )
        flat = np.array([[1.0, 1.0]])
        rolls = tuple(LayoutRoll(f"R{k}", "A", side, side, 0.0, (0.0, side), flat) for k in range(best + 6))
        problem = LayoutProblem(blanks, rolls)
        plan = solve(problem, seconds=seconds, settings=SolverSettings(objective="opened"))
        used = round(plan.opened_mm2 / side**2)
        faults = len(verify(problem, plan))
        print(f"{name:32} {used} bins, best known {best}, left {len(plan.unplaced)}, faults {faults}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a third of the time, no bins")
    parser.add_argument("files", nargs="*", type=Path)
    options = parser.parse_args()
    files = options.files or [DATA / "n61.json", DATA / "n488.json"]
    share = 1.0 / 3.0 if options.quick else 1.0
    problems = {f.stem: problem_from_dict(json.loads(f.read_text(encoding="utf-8"))) for f in files}
    begun = time.perf_counter()
    solve(next(iter(problems.values())), iterations=20)
    print(f"first call, compiled or read from the cache: {time.perf_counter() - begun:.1f} s")
    for name, problem in problems.items():
        for (instance, objective, turned), (seconds, target) in TARGETS.items():
            if instance == name:
                given = turnable(problem) if turned else problem
                report(name, given, objective, seconds * share, target, "feet turn" if turned else "")
                report(name, unsure(given), objective, seconds * share, target, "95 % sure")
        if len(problem.blanks) > 1000:
            until_all_placed(name, problem)
        begun = time.perf_counter()
        bound = lower_bound(problem, seconds=10.0 * share)
        took = time.perf_counter() - begun
        print(f"{name:6} no plan can open less than {bound.value_mm2 / 1e6:.3f} m2 ({bound.method}, {took:.1f} s)")
    if not options.quick:
        bins(10.0)


if __name__ == "__main__":
    main()
