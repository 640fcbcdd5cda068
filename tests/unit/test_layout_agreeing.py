"""Sheets that blanks with agreeing sides fill to the last millimetre are found and settled before the search."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.layout.budget import budget_of
from pipemetal.layout.hand import ByHand
from pipemetal.layout.part import open_searches, parts_of, settle_filled
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.search import Fees, SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify

KERF_MM, TRIM_MM = 1.0, 15.0


def tapered(name: str, length_mm: float, width_mm: float, thick_mm: float, thin_mm: float) -> LayoutRoll:
    return LayoutRoll(name, "A", length_mm, width_mm, TRIM_MM, (0.0, length_mm), np.array([[thick_mm, thin_mm]]))


def cut_from(roll: LayoutRoll, rng: np.random.Generator, deep: int, tolerance_mm: float) -> list[Blank]:
    """A roll cut up by straight cuts along and across in turn; each piece wants the metal that it has."""
    x1, y1 = roll.length_mm - TRIM_MM, roll.width_mm - TRIM_MM
    boxes = [(TRIM_MM, TRIM_MM, x1, y1)]
    for depth in range(deep):
        parts = []
        for a, b, c, d in boxes:
            along = (depth % 2 == 0) if c - a > 150.0 else False
            at = rng.uniform(0.3, 0.7)
            if along:
                cut = a + at * (c - a)
                parts += [(a, b, cut, d), (cut + KERF_MM, b, c, d)]
            else:
                cut = b + at * (d - b)
                parts += [(a, b, c, cut), (a, cut + KERF_MM, c, d)]
        boxes = parts
    thick, thin = (float(t) for t in roll.thickness_mm[0])

    def metal(x: float) -> float:
        return thick + (thin - thick) * x / roll.length_mm

    return [
        Blank(f"{roll.id}-{k}", "body", "A", c - a, d - b, metal(a), metal(c), tolerance_mm)
        for k, (a, b, c, d) in enumerate(boxes)
    ]


def perfect(seed: int, deep: int, tolerance_mm: float, decimals: int | None = None) -> LayoutProblem:
    """Four rolls cut up without any rest, and two decoys of the same metal beside them."""
    rng = np.random.default_rng(seed)
    blanks: list[Blank] = []
    rolls: list[LayoutRoll] = []
    for k in range(6):
        thick = rng.uniform(0.8, 1.5)
        length = float(rng.integers(26, 42) * 100)
        roll = tapered(f"R{k}", length, float(rng.integers(60, 90) * 10), thick, thick - length * 8e-5)
        rolls.append(roll)
        if k < 4:
            blanks += cut_from(roll, rng, deep, tolerance_mm)
    if decimals is not None:
        step = 10**decimals
        blanks = [
            Blank(
                b.id,
                b.kind,
                b.alloy,
                np.floor(b.length_mm * step) / step,
                np.floor(b.width_mm * step) / step,
                b.mouth_thickness_mm,
                b.top_thickness_mm,
                b.tolerance_mm,
            )
            for b in blanks
        ]
    order = rng.permutation(len(blanks))
    return LayoutProblem(tuple(blanks[i] for i in order), tuple(rolls), None, KERF_MM)


def filled_of(problem: LayoutProblem) -> int:
    """How many blanks are settled on full sheets."""
    settings = SolverSettings()
    (part,) = parts_of(problem, settings, ByHand(), Fees())
    budget = budget_of(None, 100, None, None)
    open_searches(part, problem, settings, 0, budget, 1)
    settle_filled(part, problem, settings, 0, budget, 1.0)
    return len(part.settled)


def laid(problem: LayoutProblem) -> LayoutPlan:
    plan = solve(problem, iterations=200)
    assert verify(problem, plan) == ()
    assert not plan.unplaced
    return plan


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("deep", "tolerance_mm"), [(3, 0.08), (4, 0.03), (5, 0.05)])
def test_what_leaves_no_rest_is_laid_without_a_rest(seed: int, deep: int, tolerance_mm: float) -> None:
    problem = perfect(seed, deep, tolerance_mm)
    least = sum(r.net_area_mm2() for r in problem.rolls[:4])
    assert laid(problem).consumed_mm2 == pytest.approx(least, rel=1e-9)


@pytest.mark.parametrize("straight", [False, True])
def test_sizes_rounded_down_to_hundredths_agree_too(straight: bool) -> None:
    problem = perfect(3, 4, 0.05, decimals=2)
    least = sum(r.net_area_mm2() for r in problem.rolls[:4])
    assert laid(problem).consumed_mm2 < 1.001 * least


def test_the_thick_end_lies_where_the_metal_is_thick() -> None:
    roll = tapered("R", 2030.0, 530.0, 1.2, 0.8)
    thick = Blank("thick", "body", "A", 1200.0, 500.0, 1.19, 0.97, 0.03)
    thin = Blank("thin", "body", "A", 799.0, 500.0, 0.96, 0.80, 0.03)
    plan = laid(LayoutProblem((thin, thick), (roll,), None, KERF_MM))
    assert {p.blank: p.x_mm for p in plan.placements} == pytest.approx({"thick": 15.0, "thin": 1216.0})


def trap(castable: bool, groups: int) -> LayoutProblem:
    """Four blanks fill a roll that one more needs; another roll serves the four nearly as well."""
    rolls: list[LayoutRoll] = []
    blanks: list[Blank] = []
    for k in range(groups):
        thick = 1.0 + 0.4 * k
        first = tapered(f"first {k}", 2031.0, 632.0, thick, thick)
        rolls += [first, tapered(f"second {k}", 2050.0, 640.0, thick + 0.1, thick + 0.1)]
        blanks += [Blank(f"{k}-{n}", "body", "A", 1000.0, 300.5, thick + 0.05, thick + 0.05, 0.06) for n in range(4)]
        blanks.append(Blank(f"only {k}", "body", "A", 990.0, 290.0, thick - 0.02, thick - 0.02, 0.03))
    return LayoutProblem(tuple(blanks), tuple(rolls), Castable() if castable else None, KERF_MM)


@pytest.mark.parametrize("groups", [1, 2])
@pytest.mark.parametrize("castable", [False, True])
def test_a_filled_sheet_gives_way_where_another_blank_would_ask_for_more_metal(castable: bool, groups: int) -> None:
    problem = trap(castable, groups)
    plan = solve(problem, iterations=2000)
    assert verify(problem, plan) == ()
    assert not plan.unplaced
    assert not plan.new_sheets


def test_parts_that_may_be_worked_are_not_laid_for_the_sake_of_a_full_sheet() -> None:
    problem = trap(False, 1)
    worked = tuple(replace(b, worked_mm=0.02) for b in problem.blanks)
    assert filled_of(replace(problem, blanks=worked)) == 0
    assert filled_of(problem) > 0


def test_what_is_pinned_or_barred_leaves_the_other_sheets_full() -> None:
    problem = perfect(2, 4, 0.05)
    free = solve(problem, iterations=200)
    barred = next(p for p in free.placements if p.roll == "R0")
    plan = solve(problem, iterations=200, hand=ByHand(barred=((barred.blank, "R5"),)))
    assert verify(problem, plan) == ()
    assert plan.opened_mm2 < 1.35 * free.opened_mm2


def test_three_alike_fill_their_sheet_to_the_last_digit() -> None:
    three = tuple(Blank(f"b{k}", "body", "A", 313.6, 130.3, 1.0, 1.0, 0.05) for k in range(3))
    rolls = (tapered("R0", 343.6, 420.9, 1.0, 1.0), tapered("R1", 1581.0, 548.0, 1.0, 1.0))
    assert {p.roll for p in laid(LayoutProblem(three, rolls)).placements} == {"R0"}


def test_the_same_whatever_the_budget_and_again() -> None:
    problem = perfect(1, 4, 0.03)
    assert laid(problem).placements == laid(problem).placements == solve(problem, iterations=900).placements
