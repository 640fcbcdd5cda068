"""A plan changed by hand: what is pinned stays, what is barred keeps away, the rest is laid around it."""

from __future__ import annotations

import numpy as np
import pytest

from pipemetal.errors import LayoutError
from pipemetal.layout.cutting import straight_cuts
from pipemetal.layout.hand import ByHand, moved, swapped, with_sheets_as_rolls
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.shelf import piece_of
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify


def roll(name: str, start: float = 1.1, end: float = 0.9) -> LayoutRoll:
    return LayoutRoll(name, "A", 3000.0, 600.0, 15.0, (0.0, 3000.0), np.array([[start, end]]))


def rank(count: int = 24, turns: tuple[int, ...] = (0,)) -> tuple[Blank, ...]:
    return tuple(
        Blank(f"B{k:02d}", "body", "A", 700.0 - 17 * k, 190.0 - 4 * k, 1.0, 0.98, 0.07, turns) for k in range(count)
    )


PROBLEM = LayoutProblem(rank(), (roll("R1"), roll("R2"), roll("R3", 1.3, 1.1)), None, 1.0)


def place_of(plan: LayoutPlan, blank: str) -> Placement:
    return next(p for p in plan.placements if p.blank == blank)


def test_a_pinned_blank_stays_and_the_rest_is_laid_around_it() -> None:
    first = solve(PROBLEM, iterations=300, seed=1)
    here = place_of(first, "B00")
    there = Placement("B00", here.roll, here.x_mm + 40.0, 200.0)
    plan = solve(PROBLEM, iterations=300, seed=1, hand=ByHand(pinned=(there,), start=first))
    assert place_of(plan, "B00") == there
    assert not plan.unplaced
    assert verify(PROBLEM, plan) == ()


def test_a_whole_plan_pinned_comes_back_as_it_is() -> None:
    first = solve(PROBLEM, iterations=300, seed=2)
    again = solve(PROBLEM, iterations=100, seed=9, hand=ByHand(pinned=first.placements))
    assert set(again.placements) == set(first.placements)


def test_a_blank_barred_from_a_roll_keeps_away_from_it() -> None:
    first = solve(PROBLEM, iterations=300, seed=3)
    barred = tuple((p.blank, p.roll) for p in first.placements[:6])
    plan = solve(PROBLEM, iterations=300, seed=3, hand=ByHand(barred=barred))
    assert not {(p.blank, p.roll) for p in plan.placements} & set(barred)
    assert verify(PROBLEM, plan) == ()


def test_going_on_from_a_plan_is_never_worse() -> None:
    first = solve(PROBLEM, iterations=400, seed=4)
    again = solve(PROBLEM, iterations=5, seed=77, hand=ByHand(start=first))
    assert len(again.unplaced) <= len(first.unplaced)
    assert again.consumed_mm2 <= first.consumed_mm2 * 1.03


def test_moving_and_swapping_by_hand_tell_what_is_wrong() -> None:
    plan = solve(PROBLEM, iterations=200, seed=5)
    outside = moved(PROBLEM, plan, "B03", "R3", 2950.0, 15.0, 0)
    assert {"edge", "thickness"} & {f.kind for f in verify(PROBLEM, outside)}
    a, b = place_of(plan, "B01"), place_of(plan, "B02")
    both = swapped(PROBLEM, plan, "B01", "B02")
    assert (place_of(both, "B01").x_mm, place_of(both, "B02").x_mm) == (b.x_mm, a.x_mm)
    assert swapped(PROBLEM, both, "B01", "B02").consumed_mm2 == pytest.approx(plan.consumed_mm2)


def test_hands_are_told_what_cannot_be() -> None:
    plan = solve(PROBLEM, iterations=50, seed=5)
    with pytest.raises(LayoutError, match="blank"):
        moved(PROBLEM, plan, "nobody", "R1", 0.0, 0.0, 0)
    with pytest.raises(LayoutError, match="roll"):
        moved(PROBLEM, plan, "B01", "R9", 0.0, 0.0, 0)
    with pytest.raises(LayoutError, match="turn"):
        moved(PROBLEM, plan, "B01", "R1", 20.0, 20.0, 90)
    with pytest.raises(LayoutError, match="nobody"):
        swapped(PROBLEM, plan, "nobody", "B01")
    with pytest.raises(LayoutError, match="pinned"):
        solve(PROBLEM, iterations=5, hand=ByHand(pinned=(Placement("B00", "R3", 15.0, 15.0),)))


def test_sheets_to_cast_can_be_pinned_as_rolls() -> None:
    problem = LayoutProblem(rank(10), (), Castable(max_width_mm=700.0, max_length_mm=3000.0), 1.0)
    plan = solve(problem, iterations=200, seed=1)
    assert plan.new_sheets
    settled = with_sheets_as_rolls(problem, plan)
    again = solve(settled, iterations=100, hand=ByHand(pinned=plan.placements[:3], start=plan))
    assert verify(settled, again) == ()
    assert not again.unplaced


def test_straight_cuts_only_frees_every_box() -> None:
    plan = solve(PROBLEM, iterations=600, seed=1, settings=SolverSettings(straight_cuts_only=True))
    assert not plan.unplaced
    assert all(cuts.straight for cuts in straight_cuts(PROBLEM, plan))
    assert verify(PROBLEM, plan) == ()


def test_blanks_that_lie_within_each_other_are_no_place_to_start_from() -> None:
    """A bundle of feet interlocks; its blanks alone, told as boxes, would lie over each other."""
    ring = Sector(300.0, 100.0, 60.0)
    size = ring.box_mm()
    blanks = [Blank(n, "foot", "A", *size, 1.0, 1.0, 0.1, (0, 180), sector=ring) for n in "abc"]
    places = (Placement("a", "R", 20.0, 20.0), Placement("b", "R", 60.0, 20.0, 180), Placement("c", "R", 700.0, 20.0))
    start = LayoutPlan(places, (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    roll = LayoutRoll("R", "A", 1200.0, 600.0, 15.0, (0.0, 1200.0), np.full((1, 2), 1.0))
    found = ByHand(start=start).places([piece_of(b, k) for k, b in enumerate(blanks)], [roll], blanks)
    assert set(found) == {2}
