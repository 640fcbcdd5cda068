"""The sheets of a plan's record as the printing room draws them: nothing is worked out anew, paper says what the plan says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from pipemetal.layout.plan import Placement
from pipemetal.layout.verify import shape_on_sheet
from pipemetal.planning.cuts import Cut, CutRoll, GaugeMark, in_pencil
from pipemetal.plans import record
from pipemetal.plans.by_hand import blank_of
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Remnant, Roll

__all__ = ["drawn_sheets"]

UNKNOWN_MM: Final = (1.0, 1.0)
"""Both ends of a roll in a plan that was made before thicknesses were written."""


def drawn_sheets(plan: record.Plan, rack: Mapping[str, Roll] | None = None) -> tuple[CutRoll, ...]:
    """Every roll and sheet to cast, with its cuts in the order of marking out.

    `rack`: rolls that hang there now; their fields are taken where the record has none.
    """
    marks = tuple(
        GaugeMark(k, r.roll, r.x_mm, r.y_mm)
        for k, r in enumerate(plan.chances.gauge_next if plan.chances else (), start=1)
        if r.cut
    )
    wanted = plan.chances.certainty if plan.chances else 0.0
    return tuple(_drawn(sheet, rack or {}, wanted, marks) for sheet in plan.sheets if sheet.cuts and sheet.length_mm)


def _drawn(sheet: record.CutSheet, rack: Mapping[str, Roll], wanted: float, marks: tuple[GaugeMark, ...]) -> CutRoll:
    roll = _roll(sheet, rack)
    return CutRoll(
        roll,
        isinstance(sheet, record.NewSheet),
        tuple(_cut(row, sheet.alloy, wanted) for row in sheet.cuts),
        tuple(Remnant(row.id, roll, row.corners_mm) for row in sheet.remnants if row.corners_mm),
        sheet.mass_kg,
        sheet.remnants_kg,
        sheet.kerf_kg,
        tuple(mark for mark in marks if mark.roll == sheet.id),
    )


def _roll(sheet: record.CutSheet, rack: Mapping[str, Roll]) -> Roll:
    if sheet.thickness is None and sheet.id in rack:
        return rack[sheet.id]
    stations: tuple[float, ...] = (0.0, sheet.length_mm)
    lines: tuple[tuple[float, ...], ...]
    if sheet.thickness is not None:
        stations, lines = sheet.thickness.stations_mm, sheet.thickness.lines_mm
    elif isinstance(sheet, record.NewSheet):
        lines = ((sheet.thickness_start_mm, sheet.thickness_end_mm),) * 2
    else:
        lines = (UNKNOWN_MM,) * 2
    return Roll(
        sheet.id,
        sheet.alloy,
        sheet.length_mm,
        sheet.width_mm,
        sheet.trim_mm or 0.0,
        ThicknessField.from_grid(stations, lines, width_mm=sheet.width_mm),
        outline=sheet.outline_mm,
        no_go=sheet.no_go_mm or (),
        place=sheet.place,
        parent=sheet.parent,
    )


def _cut(row: record.Cut, alloy: str, wanted: float) -> Cut:
    blank = blank_of(row, alloy)
    if row.sector is None and row.corners_mm:
        corners = row.corners_mm
    else:
        place = Placement(row.blank, "", row.x_mm, row.y_mm, row.turn_deg)
        corners = tuple((float(a), float(b)) for a, b in shape_on_sheet(blank, place).exterior.coords[:-1])
    return Cut(
        row.number,
        replace(blank, turns_deg=row.turns_deg),
        row.pipe,
        row.rank,
        row.note,
        Placement(row.blank, "", row.x_mm, row.y_mm, row.turn_deg),
        corners,
        row.actual_mouth_mm,
        row.actual_top_mm,
        row.mass_kg,
        row.mouth_at_small_arc,
        row.chance,
        in_pencil(row.chance, wanted),
    )
