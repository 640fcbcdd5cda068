"""A sheet of a plan that was cast and measured, as a roll: its field by readings, its push known, planing taken off."""

from __future__ import annotations

from collections.abc import Sequence

from pipemetal.plans.record import NewSheet
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll

__all__ = ["hung_sheet"]


def hung_sheet(sheet: NewSheet, readings: Sequence[Reading], trim_mm: float, name: str = "") -> Roll:
    """A sheet of a plan as a roll, by readings of it as cast; called as the sheet where no name is given.

    `trim_mm`: where the plan does not say it. The field is that of the planed sheet. Errors: SheetError.

    >>> sheet = NewSheet("N1", "A", 2000.0, 500.0, thickness_start_mm=1.0, thickness_end_mm=0.8, planing_mm=0.2)
    >>> read = [Reading(x, y, 1.25 - 1e-4 * x) for x in (50.0, 1000.0, 1950.0) for y in (50.0, 450.0)]
    >>> round(float(hung_sheet(sheet, read, 15.0).field.at(1000.0, 250.0)), 2)
    0.95
    """
    planed = [Reading(r.x_mm, r.y_mm, r.thickness_mm - sheet.planing_mm) for r in readings]
    ends = [[sheet.thickness_start_mm, sheet.thickness_end_mm]] * 2
    pushed = ThicknessField.from_grid([0.0, sheet.length_mm], ends, width_mm=sheet.width_mm)
    field = fit_field(planed, sheet.length_mm, sheet.width_mm, expected=pushed)
    trim = trim_mm if sheet.trim_mm is None else sheet.trim_mm
    return Roll(name or sheet.id, sheet.alloy, sheet.length_mm, sheet.width_mm, trim, field)
