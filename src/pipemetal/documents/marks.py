"""The mark of an alloy: a shape that stays the same on every page and on every paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pipemetal.documents.colours import INK
from pipemetal.documents.drawing import Drawing, Polygon

__all__ = ["SHAPES", "UNKNOWN_MARK", "draw_mark", "marks_of"]

SHAPES: Final = ("block", "bars", "spots", "peak")
"""From lead to tin: a full block, two bars, four spots, a triangle."""
UNKNOWN_MARK: Final = "unknown"
TIN_LIMITS_WT_PCT: Final = (22.5, 40.0, 62.5)
"""Where one shape ends and the next begins, halfway between the usual alloys of a pipe shop (common practice, no source)."""


def marks_of(tin_wt_pct: Mapping[str, float]) -> dict[str, str]:
    """The mark of each alloy from its tin in percent by mass.

    Alloys of one shape are told apart: the first by name is full, the others are open and carry their number.

    >>> marks_of({"lead-15": 15.0, "spotted-50": 50.0, "spotted-55": 55.0})
    {'lead-15': 'block', 'spotted-50': 'spots', 'spotted-55': 'spots open'}
    """
    made: dict[str, str] = {}
    for name in sorted(tin_wt_pct):
        shape = SHAPES[sum(tin_wt_pct[name] > limit for limit in TIN_LIMITS_WT_PCT)]
        made[name] = f"{shape} open" if shape in made.values() else shape
    return made


def draw_mark(drawing: Drawing, mark: str, x: float, y: float, size_mm: float) -> None:
    """The mark in ink, its lower left corner at (x, y); an open one is outlined, an unknown one stands on its corner, broken."""
    fill = "none" if mark.endswith("open") else INK
    if mark == UNKNOWN_MARK:
        half = size_mm / 2.0
        diamond = ((x + half, y), (x + size_mm, y + half), (x + half, y + size_mm), (x, y + half))
        drawing.add(Polygon("mark", diamond, "none", INK, 0.3, dashes=(0.8, 0.5)))
        return
    third, gap = 0.42 * size_mm, 0.58 * size_mm
    shapes: dict[str, tuple[tuple[float, float, float, float], ...]] = {
        "block": ((0.0, 0.0, size_mm, size_mm),),
        "bars": ((0.0, 0.0, size_mm, third), (0.0, gap, size_mm, third)),
        "spots": tuple((a, b, third, third) for a in (0.0, gap) for b in (0.0, gap)),
    }
    name = mark.split()[0]
    if name == "peak":
        corners = ((x, y), (x + size_mm, y), (x + size_mm / 2.0, y + size_mm))
        drawing.add(Polygon("mark", corners, fill, INK, 0.25))
    for a, b, w, h in shapes.get(name, ()):
        drawing.rectangle("mark", x + a, y + b, w, h, fill=fill, width_mm=0.25)
