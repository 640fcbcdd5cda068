"""Sheets that still have to be cast: turned so that their thick end comes first, and thicker by what planing takes off."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import PlanError
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem
from pipemetal.planning.equipment import OwnedSled, OwnedTable, carrying_table
from pipemetal.planning.settings import ShopSettings
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll

__all__ = ["SheetOrder", "as_rolls", "castable_for", "sheet_order", "sheet_orders", "thick_end_first"]

HALF_TURN = {0: 180, 180: 0, 90: 270, 270: 90}


SPARE_MM: Final = 10.0
"""So much longer than its blank and trims a sheet for one blank may be: lengths go in steps."""


def castable_for(blanks: Iterable[Blank], settings: ShopSettings) -> Castable:
    """What may be cast: within the usual charge, and above it only as far as the largest blank of a width asks for.

    >>> from pipemetal.planning.equipment import OwnedSettings
    >>> from pipemetal.planning.habits import HabitSettings
    >>> usual = replace(ShopSettings(), habits=HabitSettings(usual_scoops=3), owned=OwnedSettings("s 250 x 900"))
    >>> large = Blank("C1", "body", "A", 4000.0, 800.0, 1.2, 1.1, 0.06)
    >>> [round(castable_for(held, usual).widths[0].max_section_mm2) for held in ((), (large,))]
    [1883, 5009]
    """
    castable, by_width = settings.castable(), {sled.width_mm: sled for sled in settings.sleds}
    most = {width: settings.section_mm2(sled, settings.most_charge_kg) for width, sled in by_width.items()}
    needed = _needed_mm2(blanks, castable, most)
    usual_kg = min(settings.usual_charge_kg, settings.most_charge_kg)

    def lifted(width_mm: float, usual_mm2: float) -> tuple[float, str]:
        wanted = max(usual_mm2, needed.get(width_mm, 0.0))
        charge_kg = settings.most_charge_kg if wanted >= most[width_mm] else usual_kg
        return min(wanted, most[width_mm]), settings.limited_by(by_width[width_mm], charge_kg)

    if not castable.widths:
        section, by = lifted(castable.max_width_mm, castable.max_section_mm2 or 0.0)
        return replace(castable, max_section_mm2=section, limited_by=by)
    widths = []
    for w in castable.widths:
        section, by = lifted(w.width_mm, w.max_section_mm2 or 0.0)
        widths.append(replace(w, max_section_mm2=section, limited_by=by))
    return replace(castable, widths=tuple(widths), max_section_mm2=max(w.max_section_mm2 or 0.0 for w in widths))


def _needed_mm2(blanks: Iterable[Blank], castable: Castable, most_mm2: Mapping[float, float]) -> dict[float, float]:
    """The length times thickness that blanks ask for above what is usual, by the width that is best for them: the narrowest that
    gives it at all, or the one that comes nearest."""
    trims, needed = 2.0 * castable.trim_mm, dict[float, float]()
    for blank in blanks:
        thickness = 0.5 * (blank.mouth_thickness_mm + blank.top_thickness_mm) + blank.most_over_mm
        long_mm = max(blank.length_mm + trims, castable.min_length_mm) + castable.length_step_mm + SPARE_MM
        section = long_mm * thickness
        roomy = [
            w
            for w in castable.choices
            if blank.width_mm + trims <= w.width_mm and blank.length_mm + trims <= w.max_length_mm
        ]
        if roomy and all(section > (w.max_section_mm2 or math.inf) for w in roomy):
            best = min((max(section - most_mm2[w.width_mm], 0.0), w.width_mm) for w in roomy)[1]
            needed[best] = max(needed.get(best, 0.0), section)
    return needed


@dataclass(frozen=True)
class SheetOrder:
    """A sheet to cast: finished thickness at its two ends, how much thicker it is cast, and on which sled and table."""

    sheet: NewSheet
    planing_mm: float
    sled: OwnedSled
    table: OwnedTable

    @property
    def cast_start_mm(self) -> float:
        """Thickness as cast at the thick end."""
        return self.sheet.thickness_start_mm + self.planing_mm

    @property
    def cast_end_mm(self) -> float:
        """Thickness as cast at the thin end."""
        return self.sheet.thickness_end_mm + self.planing_mm

    def mass_kg(self, density_g_cm3: float, *, finished: bool) -> float:
        """Mass of the sheet without run-up, as cast or finished."""
        s = self.sheet
        mean = (s.thickness_start_mm + s.thickness_end_mm) / 2.0 + (0.0 if finished else self.planing_mm)
        return s.length_mm * s.width_mm * mean * density_g_cm3 * 1e-6


def _turned(placement: Placement, blank: Blank, sheet: NewSheet) -> Placement:
    """The placement after the sheet has made half a turn."""
    across = placement.turn_deg in (90, 270)
    w, h = (blank.width_mm, blank.length_mm) if across else (blank.length_mm, blank.width_mm)
    turn = HALF_TURN[placement.turn_deg]
    if turn not in blank.turns_deg and blank.sector is None and blank.outline is None:
        turn = placement.turn_deg  # a rectangle of one thickness looks the same after half a turn
    return replace(
        placement, x_mm=sheet.length_mm - placement.x_mm - w, y_mm=sheet.width_mm - placement.y_mm - h, turn_deg=turn
    )


def thick_end_first(problem: LayoutProblem, layout: LayoutPlan) -> LayoutPlan:
    """The same plan with every new sheet turned so that it is pushed from its thick end, which a falling head gives."""
    blanks = {b.id: b for b in problem.blanks}
    rising = {s.id: s for s in layout.new_sheets if s.thickness_end_mm > s.thickness_start_mm}
    kept = set(rising)
    for p in layout.placements:
        if p.roll in rising:
            turned = _turned(p, blanks[p.blank], rising[p.roll])
            if turned.turn_deg not in blanks[p.blank].turns_deg:
                kept.discard(p.roll)
    placements = [_turned(p, blanks[p.blank], rising[p.roll]) if p.roll in kept else p for p in layout.placements]
    sheets = tuple(
        replace(s, thickness_start_mm=s.thickness_end_mm, thickness_end_mm=s.thickness_start_mm) if s.id in kept else s
        for s in layout.new_sheets
    )
    return replace(layout, placements=tuple(placements), new_sheets=sheets)


def sheet_order(sheet: NewSheet, settings: ShopSettings) -> SheetOrder:
    """A sheet with its planing, the sled that is as wide, and the first table that carries it.

    >>> order = sheet_order(NewSheet("N1", "A", 3000.0, 600.0, 1.0, 0.9, 15.0), ShopSettings())
    >>> order.sled.length_mm, order.table.length_mm
    (250.0, 5500.0)

    Errors: PlanError where no sled is so wide, or no table so long.
    """
    sled = next((s for s in reversed(settings.sleds) if s.can_cast(sheet.width_mm)), None)
    if sled is None:
        widths = ", ".join(f"{s.width_mm:g}" for s in settings.sleds)
        raise PlanError(
            "is the width of no sled", field="width_mm", value=sheet.width_mm, allowed=widths, where=sheet.id
        )
    run_up = settings.casting.run_up_mm
    table = carrying_table(settings.tables, sled.width_mm, sheet.length_mm, run_up)
    if table is None:
        longest = f"up to {settings.longest_mm(sled):g} mm"
        raise PlanError(
            "is longer than the tables", field="length_mm", value=sheet.length_mm, allowed=longest, where=sheet.id
        )
    thin_mm = min(sheet.thickness_start_mm, sheet.thickness_end_mm)
    return SheetOrder(sheet, settings.sheets.planing_for(thin_mm), sled, table)


def sheet_orders(layout: LayoutPlan, settings: ShopSettings) -> tuple[SheetOrder, ...]:
    """The sheets of a layout as they are to be cast. Errors: as `sheet_order`."""
    return tuple(sheet_order(sheet, settings) for sheet in layout.new_sheets)


def as_rolls(orders: Sequence[SheetOrder], rack: Sequence[Roll]) -> Mapping[str, Roll]:
    """Rack and sheets to cast as rolls by their ids; a sheet to cast has the straight field that it was ordered with."""
    rolls = {roll.id: roll for roll in rack}
    for order in orders:
        s = order.sheet
        field = ThicknessField.from_grid(
            [0.0, s.length_mm], [[s.thickness_start_mm, s.thickness_end_mm]] * 2, width_mm=s.width_mm
        )
        rolls[s.id] = Roll(s.id, s.alloy, s.length_mm, s.width_mm, s.trim_mm, field, place="to be cast")
    return rolls
