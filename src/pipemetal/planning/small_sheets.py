"""Sheets that take too little metal to be pushed alone: cast as the end of another sheet, where one straight push gives both."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

from pipemetal.layout.plan import LayoutPlan, NewSheet
from pipemetal.layout.problem import LayoutProblem
from pipemetal.layout.totals import totals_of
from pipemetal.layout.verify import verify
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_order

__all__ = ["small_sheets_joined"]


def small_sheets_joined(
    problem: LayoutProblem, layout: LayoutPlan, settings: ShopSettings, density_g_cm3: Mapping[str, float]
) -> LayoutPlan:
    """The plan with every sheet under the least charge that can be cast along with another of its alloy and width.

    What is laid together has passed the independent check; a sheet that goes with none stays, and the plan says so.
    """
    least_kg = settings.habits.least_charge_kg
    for name in [s.id for s in layout.new_sheets if _cast_kg(s, settings, density_g_cm3) < least_kg]:
        layout = _joined_to_one(problem, layout, name) or layout
    return layout


def _joined_to_one(problem: LayoutProblem, layout: LayoutPlan, name: str) -> LayoutPlan | None:
    """The plan with a sheet cast along with the one that is nearest to it in thickness; None where none serves."""
    small = next((s for s in layout.new_sheets if s.id == name), None)
    if small is None:
        return None
    kind, middle = (small.alloy, small.width_mm), _middle_mm(small)
    others = [s for s in layout.new_sheets if s.id != name and (s.alloy, s.width_mm) == kind]
    others.sort(key=lambda s: abs(_middle_mm(s) - middle))
    tried = (_joined(problem, layout, first, then) for o in others for first, then in ((o, small), (small, o)))
    return next((found for found in tried if found is not None), None)


def _cast_kg(sheet: NewSheet, settings: ShopSettings, density_g_cm3: Mapping[str, float]) -> float:
    return sheet_order(sheet, settings).mass_kg(density_g_cm3[sheet.alloy], finished=False)


def _middle_mm(sheet: NewSheet) -> float:
    return 0.5 * (sheet.thickness_start_mm + sheet.thickness_end_mm)


def _joined(problem: LayoutProblem, layout: LayoutPlan, first: NewSheet, then: NewSheet) -> LayoutPlan | None:
    """One sheet for two, `then` after `first`; None where no straight profile serves the blanks of both."""
    castable = problem.castable
    if castable is None:
        return None
    shift = first.length_mm - 2.0 * first.trim_mm + problem.kerf_mm
    least = shift + then.length_mm
    steps = math.ceil((least - castable.min_length_mm) / castable.length_step_mm - 1e-9)
    length = castable.min_length_mm + max(steps, 0) * castable.length_step_mm
    placements = tuple(
        replace(p, roll=first.id, x_mm=p.x_mm + (shift if p.roll == then.id else 0.0))
        if p.roll in (first.id, then.id)
        else p
        for p in layout.placements
    )
    others = tuple(s for s in layout.new_sheets if s.id not in (first.id, then.id))
    for start, end in _profiles(first, then, length):
        sheet = replace(first, length_mm=length, thickness_start_mm=start, thickness_end_mm=end)
        sheets = (*others, sheet)
        totals = totals_of(problem, placements, sheets)
        gap = 100.0 * (totals.consumed_mm2 / layout.lower_bound_mm2 - 1.0) if layout.lower_bound_mm2 > 0.0 else 0.0
        found = replace(
            layout,
            placements=placements,
            new_sheets=sheets,
            opened_mm2=totals.opened_mm2,
            consumed_mm2=totals.consumed_mm2,
            utilisation=totals.utilisation,
            gap_percent=gap,
        )
        if not verify(problem, found):
            return found
    return None


def _profiles(first: NewSheet, then: NewSheet, length_mm: float) -> Iterator[tuple[float, float]]:
    """Straight profiles over both: each one's own drawn on, from end to end, and level in the middle."""
    slopes = [(s.thickness_end_mm - s.thickness_start_mm) / s.length_mm for s in (first, then)]
    ends = first.thickness_start_mm, then.thickness_end_mm
    starts = (ends[0], ends[1] - slopes[1] * length_mm)
    middle = 0.5 * (_middle_mm(first) + _middle_mm(then))
    found = [(start, start + slope * length_mm) for start, slope in zip(starts, slopes, strict=True)]
    found += [ends, (middle, middle)]
    for (a, b), (c, d) in itertools.pairwise(found[:3]):
        found.append((0.5 * (a + c), 0.5 * (b + d)))
    yield from found
