"""The shop's mandrels, and which of them a pipe is rolled on.

Source: iron mandrels for small pipes, wooden ones for large ones, longer than the pipe (Dom Bedos 1766, art. 80, seen). How much
thinner than the pipe a mandrel may be: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.texts import Text

__all__ = ["Mandrel", "MandrelChoice", "choose_mandrel", "parse_mandrels"]

MOST_THINNER: Final = 0.12
"""A mandrel thinner than the pipe by more than this share leaves the pipe to be rounded by hand."""
MOST_MANDRELS: Final = 300
_ONE: Final = re.compile(r"(\d+(?:\.\d+)?)(?:-(\d+(?:\.\d+)?))?")
EXAMPLE: Final = "outer diameters in mm: 8, 12.5, 60; a cone by both ends: 10-150"


@dataclass(frozen=True, order=True)
class Mandrel:
    """A mandrel by its outer diameter at the thin and at the thick end in mm; the same twice for a cylinder."""

    thin_mm: float
    thick_mm: float

    @property
    def name(self) -> str:
        """What it is called: 60, or 10-150 for a cone."""
        return f"{self.thin_mm:g}" if self.thin_mm == self.thick_mm else f"{self.thin_mm:g}-{self.thick_mm:g}"


@dataclass(frozen=True)
class MandrelChoice:
    """What a piece is rolled on: the mandrel, whether it fits, and by how much it is thinner than the piece in mm.

    `mandrel` is None where the list has none of this shape; one that does not fit is the nearest.
    """

    mandrel: Mandrel | None
    fits: bool
    thinner_mm: float = 0.0


def parse_mandrels(text: str) -> tuple[Mandrel, ...]:
    """A shop's list of mandrels.

    >>> [m.name for m in parse_mandrels("60, 8.5, 10-150")]
    ['8.5', '10-150', '60']

    Errors: PipeError that names the word which is no mandrel.
    """
    found = set()
    for word in (piece.strip() for piece in re.split(r"[,;]", text)):
        if not word:
            continue
        match = _ONE.fullmatch(word)
        thin, thick = (float(match[1]), float(match[2] or match[1])) if match else (0.0, 0.0)
        if not (match and 1.0 <= thin <= thick <= 1200.0):
            raise PipeError("is not a mandrel", field="mandrels", value=word[:40], allowed=EXAMPLE)
        found.add(Mandrel(thin, thick))
    if len(found) > MOST_MANDRELS:
        raise PipeError(
            "are too many",
            field="mandrels",
            value=len(found),
            allowed=Text("up to {most_mandrels}", most_mandrels=MOST_MANDRELS),
        )
    return tuple(sorted(found))


def choose_mandrel(mandrels: Sequence[Mandrel], small_mm: float, large_mm: float) -> MandrelChoice:
    """The mandrel for a piece by the inner diameters of its ends.

    A cylinder wants the thickest that goes in and is thinner by 12 % at most; a cone wants one that reaches over both its ends.

    >>> shop = parse_mandrels("50, 60, 10-150")
    >>> choose_mandrel(shop, 62.0, 62.0).mandrel.name, choose_mandrel(shop, 59.0, 59.0).fits
    ('60', False)
    >>> choose_mandrel(shop, 12.0, 90.0).mandrel.name
    '10-150'
    """
    if large_mm - small_mm > 0.02 * large_mm:
        cones = [m for m in mandrels if m.thin_mm < m.thick_mm]
        fitting = [m for m in cones if m.thin_mm <= small_mm and m.thick_mm >= large_mm]
        best = min(fitting or cones, key=lambda m: abs(m.thick_mm - large_mm), default=None)
        return MandrelChoice(best, bool(fitting))
    cylinders = [m for m in mandrels if m.thin_mm == m.thick_mm]
    inside = [m for m in cylinders if m.thick_mm <= small_mm]
    best = max(inside, default=None) or min(cylinders, default=None)
    if best is None:
        return MandrelChoice(None, fits=False)
    thinner = small_mm - best.thick_mm
    return MandrelChoice(best, 0.0 <= thinner <= MOST_THINNER * small_mm, thinner)
