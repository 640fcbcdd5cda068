"""The mark of an alloy: a shape and a colour that stay the same on every page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

__all__ = ["SHAPES", "UNKNOWN_MARK", "marks_of"]

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
