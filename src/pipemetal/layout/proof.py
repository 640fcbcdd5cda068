"""The exact finish for small jobs: proves that no plan opens less metal, or gives the best bound found in time.

Every blank is laid on one sheet at an x of its windows, no two overlap, and the whole area of the sheets opened is least. Sizes
are rounded down and windows outwards to tenths of a millimetre, so every true plan is also a plan of this model: its bound
holds for all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipemetal.errors import LayoutError
from pipemetal.layout.bound import Bound, lower_bound, merged_windows
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.shelf import piece_of
from pipemetal.layout.solve import solve
from pipemetal.layout.windows import find_slots, sheet_table

__all__ = ["MOST_BLANKS", "Proof", "finish", "prove"]

MOST_BLANKS = 90
TENTHS = 10.0


@dataclass(frozen=True)
class Proof:
    """The bound, whether it is proven to be reached within rounding by some set of rolls, and that set (else empty)."""

    bound: Bound
    proven: bool
    rolls: tuple[str, ...]


def finish(
    problem: LayoutProblem, plan: LayoutPlan, *, seconds: float = 10.0, settings: SolverSettings | None = None
) -> tuple[LayoutPlan, Proof]:
    """Proves the plan, and where a smaller set of rolls is found lays the blanks on that set alone.

    Returns the better plan and the proof. The rolls of the proof hold sizes rounded down by up to 0.1 mm, so the second
    plan may fail by a hair; then the first one stays.
    """
    proof = prove(problem, plan.opened_mm2, seconds=seconds)
    if not proof.rolls or plan.opened_mm2 <= proof.bound.value_mm2 + 1.0 * len(proof.rolls):
        return plan, proof
    fewer = replace(problem, rolls=tuple(r for r in problem.rolls if r.id in proof.rolls))
    again = solve(fewer, seconds=0.3 * seconds, seed=plan.seed, settings=settings)
    if again.unplaced or again.opened_mm2 >= plan.opened_mm2:
        return plan, proof
    return again, proof


def prove(problem: LayoutProblem, opened_mm2: float, *, seconds: float = 10.0, workers: int = 2) -> Proof:
    """A lower bound on the metal opened, alloy by alloy: exact search for up to 90 blanks, `lower_bound` for more.

    Arguments: `opened_mm2`: what the plan at hand opens; nothing dearer is looked at. The method says "proven" where
    every alloy's search came to its end: then no plan opens less than the value.
    Raises: LayoutError where the solver (OR-tools CP-SAT, the extra `exact`) is not installed, or where sheets may be cast.
    Sources: the solver's search is exact; Perron & Furnon, OR-tools, CP-SAT.
    """
    try:
        from ortools.sat.python import cp_model
    except ImportError:
        raise LayoutError(
            "needs the solver of the extra 'exact'", field="prove", allowed="pip install 'pipemetal[exact]'"
        ) from None
    if problem.castable is not None:
        raise LayoutError("is for a given rack; here sheets may be cast", field="prove")
    total, proven, searched = 0.0, True, False
    rolls_used: list[str] = []
    for alloy in sorted({b.alloy for b in problem.blanks}):
        mine = tuple(b for b in problem.blanks if b.alloy == alloy)
        rolls = tuple(r for r in problem.rolls if r.alloy == alloy)
        part = LayoutProblem(mine, rolls, None, problem.kerf_mm)
        share = seconds * len(mine) / len(problem.blanks)
        if len(mine) > MOST_BLANKS or not rolls:
            proven = False
            total += lower_bound(part, seconds=share).value_mm2
            continue
        searched = True
        value, used = _searched(cp_model, part, opened_mm2, share, workers)
        if not used:
            value = max(value, lower_bound(part, seconds=2.0).value_mm2)
        proven = proven and bool(used)
        rolls_used += used
        total += value
    method = "proven by exact search" if proven else "exact search, not finished" if searched else "linear programme"
    return Proof(Bound(total, method, "opened"), proven, tuple(rolls_used) if proven else ())


def _searched(cp: Any, part: LayoutProblem, most_mm2: float, seconds: float, workers: int) -> tuple[float, list[str]]:
    """Bound of one alloy, and the rolls that reach it where the search came to its end."""
    model = cp.CpModel()
    opened = [model.new_bool_var(f"open {r.id}") for r in part.rolls]
    chosen = _lay(model, part.blanks, part.rolls, part.kerf_mm, opened)
    for who in chosen:
        model.add_exactly_one(who)
    areas = [math.floor(r.net_area_mm2()) for r in part.rolls]
    cost = sum(a * z for a, z in zip(areas, opened, strict=True))
    model.add(cost <= math.ceil(most_mm2))
    model.minimize(cost)
    solver = cp.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = 1
    status = solver.solve(model)
    used = [r.id for r, z in zip(part.rolls, opened, strict=True) if status == cp.OPTIMAL and solver.value(z)]
    return max(float(solver.best_objective_bound), 0.0), used


def _lay(
    model: Any, blanks: Sequence[Blank], rolls: Sequence[LayoutRoll], kerf: float, opened: Sequence[Any]
) -> list[list[Any]]:
    """Adds the boxes of every blank on every sheet that it fits, and what holds on a sheet; the choices of each blank."""
    starts, rows = find_slots([piece_of(b, k) for k, b in enumerate(blanks)], sheet_table(rolls), kerf)
    chosen: list[list[Any]] = [[] for _ in blanks]
    for s, roll in enumerate(rolls):
        spans_x, spans_y, heights, lies = [], [], [], []
        low_y = math.floor(roll.trim_mm * TENTHS)
        width = math.ceil((roll.width_mm - 2.0 * roll.trim_mm + kerf) * TENTHS) + 1
        for i, blank in enumerate(blanks):
            mine = rows[starts[i * len(rolls) + s] : starts[i * len(rolls) + s + 1]]
            for k, (windows, dx, dy) in enumerate(_by_size(mine)):
                here = model.new_bool_var(f"{i} {s} {k}")
                chosen[i].append(here)
                lies.append((here, blank))
                model.add_implication(here, opened[s])
                if blank.sector is not None or blank.outline is not None:
                    continue  # true shapes may interlock: only their area is sure
                x = model.new_int_var_from_domain(_domain(windows), f"x {i} {s} {k}")
                y = model.new_int_var(low_y, low_y + width - dy, f"y {i} {s} {k}")
                spans_x.append(model.new_optional_fixed_size_interval_var(x, dx, here, f"ix {i} {s} {k}"))
                spans_y.append(model.new_optional_fixed_size_interval_var(y, dy, here, f"iy {i} {s} {k}"))
                heights.append(dy)
        if spans_x:
            model.add_no_overlap_2d(spans_x, spans_y)
            model.add_cumulative(spans_x, heights, width)
        model.add(
            sum(math.floor(b.area_mm2()) * here for here, b in lies) <= math.ceil(roll.net_area_mm2()) * opened[s]
        )
    return chosen


def _by_size(rows: Any) -> list[tuple[list[tuple[float, float]], int, int]]:
    """Windows of one blank on one sheet by the size (tenths of mm, rounded down) that it takes there."""
    sizes: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for low, high, dx, dy in merged_windows(rows):
        sizes.setdefault((math.floor(dx * TENTHS), math.floor(dy * TENTHS)), []).append((low, high))
    return [(spans, dx, dy) for (dx, dy), spans in sorted(sizes.items())]


def _domain(windows: Sequence[tuple[float, float]]) -> Any:
    from ortools.sat.python import cp_model

    ends = [[math.floor(low * TENTHS), math.ceil(high * TENTHS)] for low, high in windows]
    return cp_model.Domain.from_intervals(ends)
