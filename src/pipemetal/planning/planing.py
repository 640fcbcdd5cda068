"""Sheets that a shop's planes do not take: told, so that they are cut to width first or planed by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipemetal.planning.cuts import CutRoll
from pipemetal.planning.equipment import parse_planes
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder
from pipemetal.texts import Amount, Text, joined

__all__ = ["told_of_planing"]

MOST_NAMED: Final = 6


def told_of_planing(orders: Sequence[SheetOrder], cut: Sequence[CutRoll], settings: ShopSettings) -> list[Text]:
    """Sheets to be planed that no plane takes; nothing where the shop names no planes.

    Only the strip that blanks are cut from need be planed, so its width counts, not the sheet's.
    """
    planes = parse_planes(settings.owned.planes)
    used = {roll.roll.id: roll.used_width_mm for roll in cut if roll.is_new and roll.cuts}
    left = []
    for order in orders if planes else ():
        sheet = order.sheet
        walls = sorted((sheet.thickness_start_mm, sheet.thickness_end_mm))
        width = used.get(sheet.id, sheet.width_mm)
        if order.planing_mm > 0.0 and not any(plane.takes(width, walls[0], walls[1]) for plane in planes):
            words = "{sheet} ({width} wide, {thin} to {thick})"
            thin, thick = Amount(walls[0], "mm", 2, bare=True), Amount(walls[1], "mm", 2)
            left.append(Text(words, sheet=sheet.id, width=Amount(width, "mm"), thin=thin, thick=thick))
    if not left:
        return []
    words = (
        "No plane of the shop takes {count} of the sheets: {sheets}. Cut them to width first, or plane them by hand."
    )
    return [Text(words, count=len(left), sheets=joined(left[:MOST_NAMED], ", "))]
