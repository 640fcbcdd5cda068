"""Sheets to cast are cut down to their use, and made alike where that costs little metal."""

from __future__ import annotations

from pipemetal.layout.problem import Blank, Castable, LayoutProblem
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify

CASTABLE = Castable(max_width_mm=800.0, max_length_mm=3000.0, width_step_mm=10.0, length_step_mm=20.0)
BLANKS = tuple(Blank(f"B{k:03d}", "body", "A", 900.0 - 3 * k, 240.0 - k, 1.0, 0.95, 0.05) for k in range(40))
PROBLEM = LayoutProblem(BLANKS, (), CASTABLE, 1.0)


def kinds(share: float) -> tuple[int, int, float]:
    plan = solve(PROBLEM, iterations=300, seed=1, settings=SolverSettings(equal_sheets_share=share))
    assert not plan.unplaced
    assert verify(PROBLEM, plan) == ()
    sizes = {(s.length_mm, s.width_mm, round(s.thickness_start_mm, 6)) for s in plan.new_sheets}
    return len(sizes), len(plan.new_sheets), sum(s.length_mm * s.width_mm for s in plan.new_sheets)


def test_sheets_of_one_profile_are_cast_alike_where_it_costs_little() -> None:
    own, count, least_area = kinds(0.0)
    alike, same_count, area = kinds(0.05)
    assert count == same_count > 2
    assert alike < own
    assert area <= least_area * 1.05**2
