"""Small charts in one neutral hand: axes with round steps, lines with a name at their end, bars with their figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.documents.colours import INK, PLACE_COLOURS, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, text_width_mm

__all__ = ["Axis", "Frame", "bars", "round_step"]


def round_step(span: float, most: int) -> float:
    """A round step that divides a span into at most `most` parts.

    >>> round_step(47.0, 6), round_step(0.9, 5)
    (10.0, 0.2)
    """
    rough = max(span, 1e-9) / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * f for f in (1.0, 2.0, 5.0, 10.0) if power * f >= rough * 0.999)


@dataclass(frozen=True)
class Axis:
    """An axis: its range, what it shows, and how its marks are written."""

    low: float
    high: float
    label: str
    marks: tuple[tuple[float, str], ...]

    @classmethod
    def round(cls, low: float, high: float, label: str, most: int = 6, *, comma: bool = False) -> Axis:
        """An axis with round marks that holds low and high."""
        if high - low < 1e-9:
            low, high = low - 0.5, high + 0.5
        step = round_step(high - low, most)
        first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
        places = max(0, -math.floor(math.log10(step) + 1e-9))
        marks = tuple((n * step, f"{n * step:.{places}f}") for n in range(first, last + 1))
        if comma:
            marks = tuple((value, mark.replace(".", ",")) for value, mark in marks)
        return cls(first * step, last * step, label, marks)


def _share(value: float, axis: Axis) -> float:
    """How far along its axis a value lies; in the middle of one that has but one value."""
    return (value - axis.low) / (axis.high - axis.low) if axis.high > axis.low else 0.5


class Frame:
    """A chart's frame on a drawing: turns values into places on paper."""

    def __init__(self, drawing: Drawing, box: tuple[float, float, float, float], across: Axis, up: Axis) -> None:
        self.drawing, self.across, self.up = drawing, across, up
        self.x, self.y, self.w, self.h = box
        for value, text in across.marks:
            px, _ = self.point(value, up.low)
            drawing.line("grid", [(px, self.y), (px, self.y + self.h)], stroke="#dcd8cd", width_mm=0.2)
            drawing.text("axis", px, self.y - 5.0, text, 3.4, anchor="middle", fill=QUIET)
        for value, text in up.marks:
            _, py = self.point(across.low, value)
            drawing.line("grid", [(self.x, py), (self.x + self.w, py)], stroke="#dcd8cd", width_mm=0.2)
            drawing.text("axis", self.x - 2.0, py - 1.2, text, 3.4, anchor="end", fill=QUIET)
        drawing.text("axis", self.x + self.w, self.y - 10.5, across.label, 3.6, anchor="end")
        drawing.text("axis", self.x - 8.0, self.y + self.h + 3.5, up.label, 3.6)

    def point(self, across: float, up: float) -> tuple[float, float]:
        """Place on paper of a pair of values."""
        return (
            self.x + self.w * _share(across, self.across),
            self.y + self.h * _share(up, self.up),
        )

    def line(
        self,
        values: Sequence[tuple[float, float]],
        colour: str,
        *,
        dashes: tuple[float, ...] = (),
        width_mm: float = 0.6,
    ) -> None:
        """A line through values."""
        self.drawing.line(
            "data", [self.point(a, b) for a, b in values], stroke=colour, width_mm=width_mm, dashes=dashes
        )

    def band(self, values: Sequence[tuple[float, float, float]], colour: str) -> None:
        """A band between lows and highs: (across, low, high)."""
        upper = [self.point(a, high) for a, _, high in values]
        lower = [self.point(a, low) for a, low, _ in reversed(values)]
        self.drawing.add(Polygon("band", tuple(upper + lower), colour, "none"))

    def dot(self, across: float, up: float, colour: str) -> None:
        """A dot at a value."""
        x, y = self.point(across, up)
        corners = tuple(
            (x + 0.9 * math.cos(a), y + 0.9 * math.sin(a)) for a in (2 * math.pi * k / 12 for k in range(12))
        )
        self.drawing.add(Polygon("data", corners, colour, "none"))


def bars(
    drawing: Drawing,
    x: float,
    y: float,
    width: float,
    rows: Sequence[tuple[str, Sequence[tuple[str, float]]]],
    unit: str,
) -> None:
    """Stacked bars, one row each, from the top down; every piece that is wide enough carries its figure."""
    total = max((sum(v for _, v in parts) for _, parts in rows), default=1.0) or 1.0
    names = list(dict.fromkeys(name for _, parts in rows for name, _ in parts))
    label_width = 34.0
    for index, (label, parts) in enumerate(rows):
        top = y - index * 12.0
        drawing.text("bars", x, top - 5.2, label, 4.2)
        at = x + label_width
        for name, value in parts:
            w = (width - label_width) * value / total
            if w <= 0.0:
                continue
            colour = PLACE_COLOURS[names.index(name) % len(PLACE_COLOURS)]
            drawing.rectangle("bars", at, top - 8.0, w, 8.0, fill=colour, stroke="#ffffff", width_mm=0.3)
            text = f"{value:.0f}"
            if w > text_width_mm(text, 3.4) + 2.0:
                drawing.text("bars", at + w / 2, top - 5.2, text, 3.4, anchor="middle", fill="#ffffff", bold=True)
            at += w
    at, row = x + label_width, y - len(rows) * 12.0 - 4.0
    for name in names:
        needed = text_width_mm(name, 3.4) + 9.0
        if at + needed > x + width:
            at, row = x + label_width, row - 6.0
        colour = PLACE_COLOURS[names.index(name) % len(PLACE_COLOURS)]
        drawing.rectangle("bars", at, row, 3.4, 3.4, fill=colour, stroke="none")
        drawing.text("bars", at + 5.0, row + 0.4, name, 3.4, fill=INK)
        at += needed
    drawing.text("bars", x, row + 0.4, unit, 3.4, fill=QUIET)
