"""Planing: what it leaves of how thick or thin a sheet came out, and sheets that a shop's planes do not take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from pipemetal.planning.cuts import CutRoll
from pipemetal.planning.equipment import parse_planes
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder
from pipemetal.texts import Amount, Text, joined

__all__ = ["LEAST_PLANED", "level_left", "told_of_planing"]

MOST_NAMED: Final = 6
LEAST_PLANED: Final = 0.5
"""So much of the planned planing a sheet needs at least for a clean face (estimate)."""
MEASURED_MM: Final = 0.006
"""How well a dozen readings tell the level of a sheet, and a plane keeps to it (estimate)."""


def level_left(level_mm: float, planing_mm: float, most_planing_mm: float) -> float:
    """What planing to measure leaves of the scatter of a sheet's level, as a share: 1 where it is planed as planned.

    A sheet that comes out thick is planed more, up to `most_planing_mm`, a thin one less, down to a clean face. What is left is
    what lies beyond that, by the normal curve, and what readings and plane do not keep.

    >>> round(level_left(0.05, 0.2, 0.4), 2), level_left(0.05, 0.0, 0.4), level_left(0.05, 0.2, 0.0)
    (0.14, 1.0, 1.0)
    """
    if planing_mm <= 0.0 or most_planing_mm <= 0.0 or level_mm <= 0.0:
        return 1.0
    room_mm = ((1.0 - LEAST_PLANED) * planing_mm, max(most_planing_mm - planing_mm, 0.0))
    beyond = math.fsum(_beyond(mm / level_mm) for mm in room_mm)
    return min(math.sqrt(beyond + (MEASURED_MM / level_mm) ** 2), 1.0)


def _beyond(room: float) -> float:
    """Mean square of what a normal deviate passes a room on one side by, both in standard deviations."""
    tail = 0.5 * math.erfc(room / math.sqrt(2.0))
    return (1.0 + room**2) * tail - room * math.exp(-0.5 * room**2) / math.sqrt(2.0 * math.pi)


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
