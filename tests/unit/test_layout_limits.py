"""A layout keeps the time that was asked for, and what is too large is refused before anything is begun."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest

from pipemetal.errors import LayoutError
from pipemetal.layout import castable as castable_module
from pipemetal.layout import search as search_module
from pipemetal.layout import spending as spending_module
from pipemetal.layout.limits import MOST_BLANKS, check_size, least_seconds
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.reasons import MOST_LOOKED_FOR
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify


def blanks(count: int) -> tuple[Blank, ...]:
    sizes = itertools.cycle([(420.0, 130.0), (260.0, 90.0), (610.0, 210.0), (120.0, 60.0)])
    return tuple(
        Blank(f"B{k}", "body", "A", *size, 1.0, 1.0, 0.1) for k, size in zip(range(count), sizes, strict=False)
    )


def rolls(count: int) -> tuple[LayoutRoll, ...]:
    return tuple(
        LayoutRoll(f"R{k}", "A", 3000.0, 800.0, 15.0, (0.0, 3000.0), np.array([[1.0, 1.0]])) for k in range(count)
    )


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[float]]:
    """A clock of our own: it goes on by a tenth of a second each time that somebody looks."""
    now = [0.0]

    def look() -> float:
        now[0] += 0.1
        return now[0]

    for module in (spending_module, search_module):
        monkeypatch.setattr(module.time, "perf_counter", look)
    yield now


@pytest.mark.parametrize("seconds", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("cast", [False, True])
def test_when_the_time_is_gone_nothing_more_is_begun(clock: list[float], seconds: float, cast: bool) -> None:
    problem = LayoutProblem(blanks(60), rolls(1 if cast else 4), Castable() if cast else None, 1.0)
    plan = solve(problem, seconds=seconds)
    # by this clock a look costs 0.1 s; the few looks that end it are all that may come after
    assert clock[0] <= 1.2 * seconds + 2.0
    assert verify(problem, plan) == ()
    assert len(plan.placements) == 60


def test_only_one_first_plan_where_it_is_late(monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    original = search_module.build
    monkeypatch.setattr(search_module, "build", lambda *a: made.append(1) or original(*a))
    problem = LayoutProblem(blanks(20), rolls(2), None, 1.0)
    solve(problem, seconds=0.0)
    late = len(made)
    made.clear()
    solve(problem, iterations=1)
    assert (late, len(made)) == (2, 12)  # two searches of one alloy


def test_late_sheets_are_chosen_with_few_trials(monkeypatch: pytest.MonkeyPatch) -> None:
    trials = []
    original = castable_module._trial
    monkeypatch.setattr(castable_module, "_trial", lambda *a: trials.append(len(a[0])) or original(*a))
    problem = LayoutProblem(blanks(1500), (), Castable(), 1.0)
    plan = solve(problem, seconds=0.0)
    assert len(plan.placements) == 1500, "late is no reason to serve nobody"
    assert max(trials) <= castable_module.MOST_IN_A_TRIAL
    assert len(trials) <= len(plan.new_sheets) * 2 * (castable_module.FEW_PROFILES + 4)


def test_no_haste_leaves_a_blank_that_a_sheet_could_serve() -> None:
    """Walls of every thickness, few of each, so that few profiles cannot serve them all."""
    walls = np.linspace(0.5, 3.0, 26)
    several = tuple(
        Blank(f"B{k}", "body", "A", 4900.0 if k % 5 == 0 else 300.0, 200.0, wall, wall - 0.1, 0.02 * wall)
        for k, wall in enumerate(map(float, walls))
    )
    problem = LayoutProblem(several, (), Castable(), 1.0)
    unhurried = {p.blank for p in solve(problem, iterations=1).placements}
    assert unhurried == {p.blank for p in solve(problem, seconds=0.0).placements}
    assert len(unhurried) > 15


def test_what_is_too_large_is_refused_with_the_limit() -> None:
    many = LayoutProblem(blanks(MOST_BLANKS + 1), ())
    with pytest.raises(LayoutError, match=f"blanks are too many for one layout.*{MOST_BLANKS}"):
        solve(many, seconds=5.0)
    with pytest.raises(LayoutError, match="times rolls of their alloy are too many"):
        solve(LayoutProblem(blanks(10_000), rolls(1001)), iterations=1)


def test_too_little_time_is_refused_with_the_least() -> None:
    problem = LayoutProblem(blanks(10_000), rolls(100))
    least = least_seconds(problem)
    with pytest.raises(LayoutError, match=rf"seconds is too little for 10000 blanks.*{least:.0f} or more"):
        check_size(problem, 1.0)
    check_size(problem, least)
    check_size(problem, None)


def test_of_many_without_a_place_the_nearest_roll_is_looked_for_on_none() -> None:
    problem = LayoutProblem(blanks(1000), rolls(1), None, 1.0)
    plan = solve(problem, iterations=1)
    assert len(plan.unplaced) > MOST_LOOKED_FOR
    assert {u.nearest_roll for u in plan.unplaced} == {None}
    assert {str(u.reason) for u in plan.unplaced} == {"no roll of alloy A has room for it in its thickness"}
    assert verify(problem, plan) == ()


def test_of_few_without_a_place_each_is_named_with_its_nearest_roll() -> None:
    plan = solve(LayoutProblem(blanks(100), rolls(1), None, 1.0), iterations=1)
    assert 0 < len(plan.unplaced) <= MOST_LOOKED_FOR
    assert None not in {u.nearest_roll for u in plan.unplaced}
