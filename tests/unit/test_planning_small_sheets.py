"""A sheet of too little metal is cast along with another where one push gives both, checked apart; else it stays and is told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, LayoutProblem
from pipemetal.layout.totals import totals_of
from pipemetal.layout.verify import verify
from pipemetal.planning.equipment import OwnedSettings
from pipemetal.planning.plan import unless_at_fault
from pipemetal.planning.settings import SheetSettings, ShopSettings
from pipemetal.planning.sheets_to_cast import castable_for
from pipemetal.planning.small_sheets import small_sheets_joined

SHOP = ShopSettings(owned=OwnedSettings("s 250 x 400"), sheets=SheetSettings(least_width_mm=300.0))
DENSITY = {"A": 10.0}


def laid(small_mm: float, other_mm: float, small_length_mm: float = 1000.0) -> tuple[LayoutProblem, LayoutPlan]:
    walls = {"S": (small_mm, small_length_mm), "L": (other_mm, 3000.0)}
    blanks = tuple(Blank(f"b{n}", "body", "A", long - 60.0, 300.0, t, t, 0.06) for n, (t, long) in walls.items())
    sheets = tuple(NewSheet(n, "A", long, 400.0, t, t, 15.0) for n, (t, long) in walls.items())
    placements = tuple(Placement(f"b{n}", n, 15.0, 15.0) for n in walls)
    problem = LayoutProblem(blanks, (), castable_for(blanks, SHOP), 1.0)
    totals = totals_of(problem, placements, sheets)
    bound = totals.blank_area_mm2
    gap = 100.0 * (totals.consumed_mm2 / bound - 1.0)
    plan = LayoutPlan(
        placements, (), sheets, totals.opened_mm2, totals.consumed_mm2, totals.utilisation, bound, gap, 0, 0
    )
    assert verify(problem, plan) == ()
    return problem, plan


@pytest.mark.parametrize("apart_mm", [0.0, 0.05, 0.1])
def test_a_small_sheet_goes_with_a_neighbour_of_nearly_its_thickness(apart_mm: float) -> None:
    problem, plan = laid(0.6, 0.6 + apart_mm)
    found = small_sheets_joined(problem, plan, SHOP, DENSITY)
    assert len(found.new_sheets) == 1 and verify(problem, found) == ()
    assert {p.blank for p in found.placements} == {"bS", "bL"}


@pytest.mark.parametrize(("small_mm", "other_mm", "long_mm"), [(0.6, 1.4, 1000.0), (1.4, 1.4, 1000.0)])
def test_what_no_push_gives_or_is_large_enough_stays_apart(small_mm: float, other_mm: float, long_mm: float) -> None:
    problem, plan = laid(small_mm, other_mm, long_mm)
    assert small_sheets_joined(problem, plan, SHOP, DENSITY) == plan
    free = replace(SHOP, habits=replace(SHOP.habits, least_charge_kg=0.0))
    assert small_sheets_joined(problem, plan, free, DENSITY) == plan


def test_a_step_that_leaves_a_fault_gives_way_to_the_layout_before_it() -> None:
    problem, plan = laid(0.6, 0.6)

    def narrowed(_: LayoutProblem, before: LayoutPlan) -> LayoutPlan:
        return replace(before, new_sheets=tuple(replace(s, width_mm=200.0) for s in before.new_sheets))

    assert unless_at_fault(problem, plan, narrowed) is plan
    joined = unless_at_fault(problem, plan, lambda p, before: small_sheets_joined(p, before, SHOP, DENSITY))
    assert len(joined.new_sheets) == 1
