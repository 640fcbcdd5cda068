"""Plans of older formats, brought up to date as plain values before they are read."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

from pipemetal.layout.problem import Sector
from pipemetal.plans.record import PLAN_FORMAT

__all__ = ["OLDER_FORMATS", "upgraded"]

OLDER_FORMATS: Final = ("pipemetal plan 1",)
ROUNDED_MM: Final = 0.01
"""Format 1 wrote places and sizes to a hundredth of a millimetre, so that blanks could seem to touch or to stand over by as much.
Each blank is therefore read as 0.02 mm smaller, about its middle: less than anybody can mark."""
ROUNDED_WALL_MM: Final = 1e-3
"""The same for walls: what was just within its tolerance stays within it."""
_STRIP: Final = re.compile(r" \d+ of \d+$")

Row = dict[str, object]


def upgraded(plan: Mapping[str, object]) -> Row:
    """A plan of format 1 as one of the format of today. What it lacks is left to be refused by whoever reads it."""
    parts = {str(b.get("id")): b for b in _rows(plan.get("blanks"))}
    held = dict(plan) | {"format": PLAN_FORMAT}
    for name in ("rolls_used", "new_sheets"):
        if isinstance(held.get(name), list):
            held[name] = [_sheet(s, parts) if isinstance(s, dict) else s for s in _list(held[name])]
    return held


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _rows(value: object) -> list[Row]:
    return [row for row in _list(value) if isinstance(row, dict)]


def _sheet(sheet: Row, parts: Mapping[str, Row]) -> Row:
    if not isinstance(sheet.get("cuts"), list):
        return sheet
    return sheet | {"cuts": [_cut(c, parts) if isinstance(c, dict) else c for c in _list(sheet["cuts"])]}


def _cut(cut: Row, parts: Mapping[str, Row]) -> Row:
    """A blank with what format 1 left to its part: the turns it may take and the sector it is cut as."""
    name = str(cut.get("blank"))
    part = parts.get(_STRIP.sub("", name), {})
    pipe = str(part.get("id", name)).removesuffix(f" {cut.get('kind')}")
    made = cut | {"turns_deg": _turns(cut, part), "pipe": pipe}
    ring = part.get("sector")
    if isinstance(ring, dict):
        whole = part.get("id") == name
        made["sector"] = _a_little_smaller(ring if whole else _piece_of(ring, cut))
    if isinstance(cut.get("tolerance_mm"), int | float):
        made["tolerance_mm"] = float(str(cut["tolerance_mm"])) + ROUNDED_WALL_MM
    for place, size in (("x_mm", "length_mm"), ("y_mm", "width_mm")):
        at, length = cut.get(place), cut.get(size)
        if isinstance(at, int | float) and isinstance(length, int | float) and length > 1.0:
            made |= {place: at + ROUNDED_MM, size: length - 2.0 * ROUNDED_MM}
    return made


def _a_little_smaller(ring: Row | None) -> Row | None:
    if ring is None or not isinstance(ring.get("outer_radius_mm"), int | float):
        return ring
    return ring | {"outer_radius_mm": float(str(ring["outer_radius_mm"])) - 2.0 * ROUNDED_MM}


def _turns(cut: Row, part: Row) -> list[object]:
    turns = _list(part.get("turns_deg"))
    turn = cut.get("turn_deg", 0)
    return turns if turn in turns else [*turns, turn]


def _piece_of(ring: Row, cut: Row) -> Row | None:
    """The sector of one of several pieces of a cone: the same radii, the angle that its box is wide."""
    outer, inner = ring.get("outer_radius_mm"), ring.get("inner_radius_mm")
    size = cut.get("length_mm" if cut.get("turn_deg") in (90, 270) else "width_mm")
    if not all(isinstance(v, int | float) for v in (outer, inner, size)):
        return None
    wide, radius = float(str(size)), float(str(outer))
    if not 0.0 < wide < 2.0 * radius:
        return None
    angle = math.degrees(2.0 * math.asin(wide / (2.0 * radius)))
    piece = Sector(radius, float(str(inner)), angle)
    return {
        "outer_radius_mm": piece.outer_radius_mm,
        "inner_radius_mm": piece.inner_radius_mm,
        "angle_deg": piece.angle_deg,
    }
