"""One neutral drawing in millimetres: shapes on named layers, which sinks turn into SVG, DXF or PDF."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Final

__all__ = [
    "LEAST_LETTERS_MM",
    "Arc",
    "Drawing",
    "Line",
    "Polygon",
    "Shape",
    "Text",
    "bounds_mm",
    "fitted_text",
    "point_mm",
    "printable",
    "text_width_mm",
    "wrapped",
]

Point = tuple[float, float]

POINT_MM: Final = 25.4 / 72.0
LEAST_LETTERS_MM: Final = 6.0 * POINT_MM
"""Smaller letters are not printed: six points."""
LACKING: Final = "□"
# What shaping may add to the sum of the letters' widths.
SHAPING: Final = 1.01


@cache
def _advances(bold: bool) -> tuple[dict[int, int], int, int]:
    """Width of every letter of the face that prints, that of a letter it lacks, and the units of an em."""
    from fontTools.ttLib import TTFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    with (resources.files("pipemetal.documents") / "fonts" / name).open("rb") as file:
        font = TTFont(file, lazy=True)
        widths = {code: font["hmtx"][glyph][0] for code, glyph in font.getBestCmap().items()}
        return widths, widths[ord(LACKING)], font["head"].unitsPerEm


def printable(text: str) -> str:
    """A text with a square for every letter that the face lacks: paper that is kept may hold no other.

    >>> printable("Orgel 東")
    'Orgel □'
    """
    known = _advances(False)[0]
    return "".join(c if ord(c) in known or c in "\n\t" else LACKING for c in text)


def text_width_mm(text: str, size_mm: float, *, bold: bool = False) -> float:
    """Width that a text takes, measured in the face that prints.

    >>> round(text_width_mm("C body", 10.0), 1), round(text_width_mm("MMMMMM", 10.0, bold=True), 1)
    (35.2, 60.3)
    """
    widths, missing, em = _advances(bold)
    return SHAPING * size_mm * sum(widths.get(ord(letter), missing) for letter in text) / em


def fitted_text(text: str, room_mm: float, size_mm: float, least_mm: float, *, bold: bool = False) -> tuple[str, float]:
    """A text made smaller until it fits, and cut at its end where it would be smaller than `least_mm`.

    >>> fitted_text("a very long name of a rank", 40.0, 5.0, 4.0)
    ('a very long name…', 4.0)
    """
    size = min(size_mm, size_mm * room_mm / max(text_width_mm(text, size_mm, bold=bold), 0.1))
    if size >= least_mm:
        return text, size
    kept = text
    while kept and text_width_mm(f"{kept}…", least_mm, bold=bold) > room_mm:
        kept = kept[:-1].rstrip()
    return f"{kept}…", least_mm


def point_mm(size_pt: float) -> float:
    """A size of letters in points as millimetres.

    >>> round(point_mm(8.0), 2)
    2.82
    """
    return size_pt * POINT_MM


def wrapped(text: str, size_mm: float, room_mm: float, *, bold: bool = False) -> list[str]:
    """A text in lines that fit the room; a word longer than a line stays whole.

    >>> wrapped("dry and warm", 4.0, 18.0)
    ['dry and', 'warm']
    """
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width_mm(longer, size_mm, bold=bold) > room_mm:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


@dataclass(frozen=True)
class Line:
    """An open polyline."""

    layer: str
    points: tuple[Point, ...]
    stroke: str = "#1d1d1b"
    width_mm: float = 0.25
    dashes: tuple[float, ...] = ()


@dataclass(frozen=True)
class Polygon:
    """A closed polygon, filled or not. `title` is what a pointer resting on it is told."""

    layer: str
    points: tuple[Point, ...]
    fill: str = "none"
    stroke: str = "#1d1d1b"
    width_mm: float = 0.25
    title: str = ""
    dashes: tuple[float, ...] = ()


@dataclass(frozen=True)
class Text:
    """A line of text. `anchor` is start, middle or end; `turn_deg` turns it about its point, anticlockwise."""

    layer: str
    at: Point
    text: str
    size_mm: float = 3.5
    anchor: str = "start"
    turn_deg: float = 0.0
    fill: str = "#1d1d1b"
    bold: bool = False


@dataclass(frozen=True)
class Arc:
    """A true arc of a circle, anticlockwise from `start_deg` to `end_deg`, counted from the x axis."""

    layer: str
    centre: Point
    radius_mm: float
    start_deg: float
    end_deg: float
    stroke: str = "#1d1d1b"
    width_mm: float = 0.25

    def end_points(self) -> tuple[Point, Point]:
        """Where it begins and ends."""
        return self.at(self.start_deg), self.at(self.end_deg)

    def at(self, angle_deg: float) -> Point:
        """The point at an angle."""
        angle = math.radians(angle_deg)
        return self.centre[0] + self.radius_mm * math.cos(angle), self.centre[1] + self.radius_mm * math.sin(angle)


Shape = Line | Polygon | Text | Arc


def bounds_mm(shape: Shape) -> tuple[float, float, float, float]:
    """A box around a shape: left, bottom, right, top; an arc's by points a degree apart.

    >>> bounds_mm(Line("a", ((1.0, 2.0), (3.0, 0.5))))
    (1.0, 0.5, 3.0, 2.0)
    """
    match shape:
        case Text(at=(x, y), text=text, size_mm=size, bold=bold):
            reach = text_width_mm(text, size, bold=bold)
            return x - reach, y - reach, x + reach, y + reach
        case Arc(start_deg=start, end_deg=end):
            count = max(2, math.ceil(abs(end - start)))
            points: Sequence[Point] = [shape.at(start + (end - start) * k / count) for k in range(count + 1)]
        case Line(points=points) | Polygon(points=points):
            pass
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


@dataclass
class Drawing:
    """A sheet of paper or a piece of metal: origin at the lower left, x to the right, y up, in mm."""

    width_mm: float
    height_mm: float
    title: str = ""
    shapes: list[Shape] = field(default_factory=list)

    def add(self, shape: Shape) -> None:
        """Put a shape on top of the others."""
        self.shapes.append(shape)

    def rectangle(self, layer: str, x: float, y: float, w: float, h: float, **style: object) -> None:
        """Put a rectangle on top of the others."""
        corners = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
        self.add(Polygon(layer, corners, **style))  # type: ignore[arg-type]

    def line(self, layer: str, points: Sequence[Point], **style: object) -> None:
        """Put a polyline on top of the others."""
        self.add(Line(layer, tuple(points), **style))  # type: ignore[arg-type]

    def text(self, layer: str, x: float, y: float, text: str, size_mm: float = 3.5, **style: object) -> None:
        """Put a text on top of the others."""
        self.add(Text(layer, (x, y), text, size_mm, **style))  # type: ignore[arg-type]
