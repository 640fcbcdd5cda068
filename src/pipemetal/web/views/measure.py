"""The page of measuring: places on a grid that follows the sheet, what to expect at each, and readings that cannot be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

__all__ = ["ACROSS", "Grid", "Place", "doubtful", "grid_of"]

ACROSS: Final = ("left", "middle", "right")
EDGE: Final = 0.02
"""Of the length: so far from its ends a sheet is measured (common practice, no source)."""
FROM_EDGE_MM: Final = 40.0
DOUBTED: Final = 0.06
"""A reading that is off its neighbours by this share is doubtful: sheets wander less over a few feet (estimate)."""
ALONE: Final = 0.3
"""A reading that is off what the card promised by this share is doubtful before others stand beside it (estimate)."""
LEAST, MOST = 2, 12


@dataclass(frozen=True)
class Place:
    """A place of the grid: its name in the form, which says where it lies, so that a reading stays at its place in any grid; its
    row along; where it is, and the thickness to expect there, as cast."""

    name: str
    row: int
    x_mm: float
    y_mm: float
    expected_mm: float


@dataclass(frozen=True)
class Grid:
    """The places, line by line across, and their distances along."""

    lines: tuple[tuple[str, tuple[Place, ...]], ...]
    along_mm: tuple[float, ...]

    @property
    def places(self) -> tuple[Place, ...]:
        """All places."""
        return tuple(place for _, line in self.lines for place in line)


def grid_of(length_mm: float, width_mm: float, ends_mm: tuple[float, float], along: int = 5) -> Grid:
    """A grid of `along` by three for a sheet that should run straight from one thickness to the other.

    >>> grid_of(1000.0, 500.0, (1.2, 1.0), 2).along_mm
    (20.0, 980.0)
    """
    count = min(max(along, LEAST), MOST)
    first, last = EDGE * length_mm, (1.0 - EDGE) * length_mm
    at = tuple(first + (last - first) * k / (count - 1) for k in range(count))
    edge = min(FROM_EDGE_MM, width_mm / 4.0)

    def expected(x_mm: float) -> float:
        return ends_mm[0] + (ends_mm[1] - ends_mm[0]) * x_mm / length_mm

    ys = (width_mm - edge, width_mm / 2.0, edge)
    lines = tuple(
        (name, tuple(Place(f"t{x:.0f}-{j}", k, x, y, expected(x)) for k, x in enumerate(at)))
        for j, (name, y) in enumerate(zip(ACROSS, ys, strict=True))
    )
    return Grid(lines, at)


def doubtful(places: Sequence[Place], read_mm: Mapping[str, float], *, alone: bool = False) -> tuple[str, ...]:
    """The names of readings that are far off what their neighbours say, each against what is to be expected at its place.

    `alone`: what is to be expected stands on a card, and judges readings that have no two others beside them.

    >>> places = grid_of(1000.0, 500.0, (1.2, 1.0)).places
    >>> read = {p.name: p.expected_mm * 1.05 for p in places}
    >>> doubtful(places, read), doubtful(places, read | {"t740-0": 0.8})
    ((), ('t740-0',))
    >>> doubtful(places, {"t740-0": 9.9}, alone=True)
    ('t740-0',)
    """
    column = {p.name: p.row for p in places}
    off = {p.name: read_mm[p.name] / p.expected_mm for p in places if p.name in read_mm}
    found = []
    for name, own in off.items():
        near = [r for other, r in off.items() if other != name and abs(column[other] - column[name]) <= 1]
        near = near if len(near) > 1 else [r for other, r in off.items() if other != name]
        if abs(own / median(near) - 1.0) > DOUBTED if len(near) > 1 else alone and abs(own - 1.0) > ALONE:
            found.append(name)
    return tuple(found)
