"""Colours that stay apart in black and white and leave room for dark lettering."""

from __future__ import annotations

import bisect
import itertools
import math
from typing import Final

__all__ = [
    "ALLOY_COLOURS",
    "INK",
    "PLACE_COLOURS",
    "QUIET",
    "WALL_STEPS_MM",
    "thickness_colour",
    "wall_colour",
    "wall_step",
]

INK = "#1d1d1b"
QUIET = "#6b675f"
PLACE_COLOURS = (
    "#1f4e79",
    "#5b8db8",
    "#3f6b4f",
    "#8a8578",
    "#b8860b",
    "#d9a441",
    "#4f7942",
    "#a4552c",
    "#3a3a38",
    "#7b5ea7",
    "#8c2f39",
    "#6b675f",
    "#c05a8a",
)
"""One for each place of the metal account, in its order."""
ALLOY_COLOURS = ("#2f6690", "#a4552c", "#4f7942", "#7b5ea7", "#a08500", "#8c2f39")

WALL_STEPS_MM: Final = (0.40, 0.45, 0.50, 0.56, 0.63, 0.71, 0.80, 0.90, 1.00, 1.12, 1.25, 1.40, 1.60, 1.80, 2.00, 2.24)
"""Steps of one scale for all walls, each 12 % thicker: the preferred numbers R20 of ISO 3:1973."""
_WALL_LIMITS: Final = [math.sqrt(a * b) for a, b in itertools.pairwise(WALL_STEPS_MM)]
_WALL_COLOURS: Final = (
    "#f2f5e8",
    "#dcebda",
    "#c6e1d0",
    "#afd7c8",
    "#97cbc4",
    "#82c0c1",
    "#6fb3be",
    "#60a5bc",
    "#5796b8",
    "#5287b2",
    "#5078aa",
    "#446c9f",
    "#396093",
    "#2e5586",
    "#244a79",
    "#1a3f6b",
)
_RAMP = ((0.0, (250, 244, 226)), (0.5, (205, 219, 216)), (1.0, (132, 170, 186)))


def thickness_colour(share: float) -> str:
    """Colour of a thickness, 0 thinnest to 1 thickest of what is shown.

    >>> thickness_colour(0.0), thickness_colour(1.0)
    ('#faf4e2', '#84aaba')
    """
    share = min(max(share, 0.0), 1.0)
    for (s0, c0), (s1, c1) in itertools.pairwise(_RAMP):
        if share <= s1:
            t = (share - s0) / (s1 - s0)
            return "#" + "".join(f"{round(a + (b - a) * t):02x}" for a, b in zip(c0, c1, strict=True))
    return "#84aaba"


def wall_step(thickness_mm: float) -> float:
    """The step of the scale that is nearest to a thickness; thinner and thicker metal takes the ends.

    >>> wall_step(0.72), wall_step(5.0)
    (0.71, 2.24)
    """
    return WALL_STEPS_MM[bisect.bisect(_WALL_LIMITS, thickness_mm)]


def wall_colour(thickness_mm: float) -> str:
    """The colour of a thickness, the same for every roll and sheet: light is thin, dark is thick.

    >>> wall_colour(0.4), wall_colour(1.0)
    ('#f2f5e8', '#5796b8')
    """
    return _WALL_COLOURS[bisect.bisect(_WALL_LIMITS, thickness_mm)]
