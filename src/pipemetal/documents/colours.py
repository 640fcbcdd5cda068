"""Colours that stay apart in black and white and leave room for dark lettering."""

from __future__ import annotations

import itertools

__all__ = ["ALLOY_COLOURS", "INK", "PLACE_COLOURS", "QUIET", "thickness_colour"]

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
