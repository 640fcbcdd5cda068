"""Sheets to cast are cut down to their use, and made alike where that costs little metal."""

from __future__ import annotations

import numpy as np
import pytest

from pipemetal.layout.castable import _cut_down, _Kind, _kind, alike
from pipemetal.layout.casts import CastWidth
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.reasons import cannot_cast
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


def test_no_number_of_sheets_is_too_many() -> None:
    """Promised: no blank is left that a sheet could serve. Each of these fills a sheet of its own."""
    castable = Castable(max_width_mm=400.0, max_length_mm=1000.0)
    blanks = tuple(Blank(f"B{k:03d}", "body", "A", 960.0, 360.0, 1.0, 1.0, 0.05) for k in range(230))
    problem = LayoutProblem(blanks, (), castable, 1.0)
    plan = solve(problem, iterations=1)
    assert not plan.unplaced
    assert len(plan.new_sheets) == 230
    assert verify(problem, plan) == ()


def test_a_limit_of_sheets_is_named_with_its_setting() -> None:
    castable = Castable(max_width_mm=400.0, max_length_mm=1000.0, max_sheets=3)
    blanks = tuple(Blank(f"B{k:03d}", "body", "A", 960.0, 360.0, 1.0, 1.0, 0.05) for k in range(5))
    plan = solve(LayoutProblem(blanks, (), castable, 1.0), iterations=1)
    assert len(plan.new_sheets) == 3
    assert {str(u.reason) for u in plan.unplaced} == {"all 3 sheets that may be cast are in use: raise max_sheets"}


@pytest.mark.parametrize("seed", range(6))
def test_what_can_be_cast_is_served_and_what_cannot_says_why(seed: int) -> None:
    """Walls about both limits and tapers about the steepest: the answer given for a blank is what the search does with it."""
    rng = np.random.default_rng(seed)
    castable = Castable(
        max_width_mm=400.0,
        max_length_mm=1500.0,
        min_thickness_mm=0.6,
        max_thickness_mm=2.0,
        max_section_mm2=2200.0,
    )
    blanks = []
    for k in range(40):
        length, wall = (
            float(rng.uniform(100.0, 1480.0)),
            float(rng.choice([rng.uniform(0.5, 0.7), rng.uniform(1.2, 2.1)])),
        )
        fall = float(rng.uniform(-0.1, 0.3)) * length / 1000.0
        blanks.append(
            Blank(f"B{k:02d}", "body", "A", length, float(rng.uniform(50.0, 360.0)), wall, max(wall - fall, 0.1), 0.03)
        )
    problem = LayoutProblem(tuple(blanks), (), castable, 1.0)
    plan = solve(problem, seconds=0.0, iterations=None)
    expected = {b.id for b in blanks if cannot_cast(b, castable) is None}
    assert {p.blank for p in plan.placements} == expected
    assert 0 < len(expected) < len(blanks)
    assert verify(problem, plan) == ()


def test_a_blank_that_tapers_too_much_says_its_taper_and_the_limit() -> None:
    """0.8 mm less over 1 m, 0.1 of it given by the tolerance at either end: 0.6 mm/m where 0.15 may be cast."""
    why = cannot_cast(Blank("B", "body", "A", 1000.0, 200.0, 1.6, 0.8, 0.1), CASTABLE)
    assert str(why) == "it tapers by 0.60 mm/m at least, more than the 0.15 mm/m that may be cast"


def test_sheets_of_one_profile_and_two_widths_are_not_cast_alike() -> None:
    """Joined as the narrow one, blanks of the wide one would stand over its edge."""
    castable = Castable(
        min_width_mm=500.0,
        max_width_mm=800.0,
        max_length_mm=3000.0,
        widths=(CastWidth(800.0, 3000.0), CastWidth(500.0, 3000.0)),
    )
    level = np.array([[1.0, 1.0]])
    kinds = [
        _Kind(
            (k,),
            (0.0, 2000.0, 0.0, wide - 40.0),
            LayoutRoll(f"N{k}", "A", 3000.0, wide, 15.0, (0.0, 3000.0), level),
            1.0,
        )
        for k, wide in enumerate((500.0, 800.0, 500.0))
    ]
    found = alike(kinds, castable, 1e9)
    assert sorted(kind.members for kind in found) == [(0, 2), (1,)]


def test_sheets_of_one_profile_and_several_widths_hold_what_lies_on_them() -> None:
    """A wide and a narrow sheet, else alike: made equal, what lies on the wide one once stood over the edge of both."""
    castable = Castable(widths=(CastWidth(600.0, 3000.0), CastWidth(800.0, 3000.0)), max_width_mm=800.0)
    sheets = []
    for k, (width, used) in enumerate(((600.0, 600.0), (800.0, 790.0))):
        roll = LayoutRoll(f"N{k}", "A", 3000.0, width, castable.trim_mm, (0.0, 3000.0), np.array([[1.0, 1.0]]))
        sheets.append(_kind((k,), (0.0, 2900.0, 0.0, used), roll, castable))
    for kind in alike(sheets, castable, 0.5):
        _, width, _, y0 = _cut_down(kind.use, castable, kind.roll)
        assert y0 <= kind.use[2] and kind.use[3] <= y0 + width
