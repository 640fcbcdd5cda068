"""A sheet of a plan that was cast and measured, as a roll: its field by readings, its push known, planing taken off."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from pipemetal.planning.planing import LEAST_PLANED
from pipemetal.plans.record import NewSheet
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll

__all__ = ["hung_sheet", "planing_of", "taken_off_mm"]

READ_PLACES = 3
"""Decimals to which readings in mm are compared."""


def planing_of(sheet: NewSheet, readings: Sequence[Reading], most_mm: float) -> float:
    """What to plane off a sheet that was measured as cast, so that it becomes as thick as it was meant: mm, by the gauge's steps.

    Half of what was planned at least, `most_mm` at most; a sheet that is not planed stays as it is.

    >>> sheet = NewSheet("N1", "A", 2000.0, 500.0, thickness_start_mm=1.0, thickness_end_mm=0.8, planing_mm=0.2)
    >>> [planing_of(sheet, [Reading(1000.0, 250.0, t)], 0.4) for t in (1.0, 1.05, 1.17, 1.5)]
    [0.1, 0.15, 0.27, 0.4]
    """
    if sheet.planing_mm <= 0.0 or not readings:
        return sheet.planing_mm
    slope = (sheet.thickness_end_mm - sheet.thickness_start_mm) / sheet.length_mm
    over = median(r.thickness_mm - sheet.thickness_start_mm - slope * r.x_mm for r in readings)
    return round(min(max(over, LEAST_PLANED * sheet.planing_mm), max(most_mm, sheet.planing_mm)), 2)


def taken_off_mm(as_cast: Sequence[tuple[float, float]], planed: Sequence[Reading]) -> float:
    """What was to be planed off when a sheet was hung, mm: by how much its readings (along, thickness) are more than those of its
    roll, the same everywhere; 0 where the two are not of one measuring.

    >>> taken_off_mm([(100.0, 1.32), (900.0, 1.22)], [Reading(100.0, 50.0, 1.2), Reading(900.0, 50.0, 1.1)])
    0.12
    """
    if not planed or [x for x, _ in as_cast] != [r.x_mm for r in planed]:
        return 0.0
    off = {round(t - r.thickness_mm, READ_PLACES) for (_, t), r in zip(as_cast, planed, strict=True)}
    return max(off.pop(), 0.0) if len(off) == 1 else 0.0


def hung_sheet(
    sheet: NewSheet, readings: Sequence[Reading], trim_mm: float, name: str = "", planing_mm: float | None = None
) -> Roll:
    """A sheet of a plan as a roll, by readings of it as cast; called as the sheet where no name is given.

    `trim_mm`: where the plan does not say it. `planing_mm`: what is planed off, as planned where it is not said. The field is
    that of the planed sheet. Errors: SheetError.

    >>> sheet = NewSheet("N1", "A", 2000.0, 500.0, thickness_start_mm=1.0, thickness_end_mm=0.8, planing_mm=0.2)
    >>> read = [Reading(x, y, 1.25 - 1e-4 * x) for x in (50.0, 1000.0, 1950.0) for y in (50.0, 450.0)]
    >>> round(float(hung_sheet(sheet, read, 15.0).field.at(1000.0, 250.0)), 2)
    0.95
    """
    off = sheet.planing_mm if planing_mm is None else planing_mm
    planed = [Reading(r.x_mm, r.y_mm, r.thickness_mm - off) for r in readings]
    ends = [[sheet.thickness_start_mm, sheet.thickness_end_mm]] * 2
    pushed = ThicknessField.from_grid([0.0, sheet.length_mm], ends, width_mm=sheet.width_mm)
    field = fit_field(planed, sheet.length_mm, sheet.width_mm, expected=pushed)
    trim = trim_mm if sheet.trim_mm is None else sheet.trim_mm
    return Roll(name or sheet.id, sheet.alloy, sheet.length_mm, sheet.width_mm, trim, field)
