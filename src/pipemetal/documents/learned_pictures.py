"""Pictures of what a shop's casts say: measured against expected, how thickness goes, how hot it was poured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.casting.says import Quantity
from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, fitted_text, text_width_mm
from pipemetal.words import Words

__all__ = ["CastDot", "came_out_picture", "poured_picture", "quantity_picture"]

# Narrow enough that its letters are read on a telephone.
_WIDTH_MM, _HEIGHT_MM = 84.0, 62.0
_ROW_MM = 13.0
_BAND, _DOT, _OUT, _GRID = "#cfe6da", "#1d2b2a", "#8c1d2f", "#dcd8cd"


@dataclass(frozen=True, slots=True)
class CastDot:
    """A cast in a picture: percent thicker than expected; ``out`` where it was left out; superheat in K where it was logged."""

    id: str
    percent: float
    out: bool
    superheat_k: float | None


def came_out_picture(dots: Sequence[CastDot], half_width_percent: float, say: Words) -> Drawing:
    """How casts came out, in their order: dots in the band that 95 of 100 keep to; crosses were left out."""
    drawing = Drawing(_WIDTH_MM, _HEIGHT_MM, say("Measured against expected"))
    drawing.rectangle("paper", 0, 0, _WIDTH_MM, _HEIGHT_MM, fill="#ffffff", stroke="none")
    most = max([half_width_percent * 1.3, *(abs(d.percent) * 1.1 for d in dots)])
    count = max(len(dots), 2)
    names = ((0.0, dots[0].id), (count - 1.0, dots[-1].id)) if len(dots) > 1 else ((0.0, dots[0].id if dots else ""),)
    across = Axis(-0.5, count - 0.5, "", names)
    frame = Frame(
        drawing, (14.0, 8.0, _WIDTH_MM - 18.0, 45.0), across, Axis.round(-most, most, say("% thicker than expected"))
    )
    low, high = -half_width_percent, half_width_percent
    frame.band([(-0.5, low, high), (count - 0.5, low, high)], _BAND)
    frame.line([(-0.5, 0.0), (count - 0.5, 0.0)], QUIET, width_mm=0.3)
    for i, dot in enumerate(dots):
        if dot.out:
            _cross(frame, float(i), 0.0)
        else:
            frame.dot(float(i), dot.percent, _DOT)
    return drawing


def _cross(frame: Frame, across: float, up: float) -> None:
    x, y = frame.point(across, up)
    for side in (-1.0, 1.0):
        frame.drawing.line("data", [(x - 1.2, y - side * 1.2), (x + 1.2, y + side * 1.2)], stroke=_OUT, width_mm=0.6)


def quantity_picture(told: Sequence[Quantity], say: Words) -> Drawing:
    """Each quantity's interval with its value on one scale, and where it was before any cast (a bar across)."""
    height = _ROW_MM * len(told) + 12.0
    drawing = Drawing(_WIDTH_MM, height, say("How thickness goes"))
    drawing.rectangle("paper", 0, 0, _WIDTH_MM, height, fill="#ffffff", stroke="none")
    low = min([-1.0, *(min(q.low, q.before) for q in told)])
    high = max([1.0, *(max(q.high, q.before) for q in told)])
    scale = Axis.round(low, high, "", 5)
    left, right = 5.0, _WIDTH_MM - 5.0

    def at(value: float) -> float:
        return left + (right - left) * (value - scale.low) / (scale.high - scale.low)

    for value, mark in scale.marks:
        drawing.line("grid", [(at(value), 8.0), (at(value), height - 2.0)], stroke=_GRID, width_mm=0.2)
        drawing.text("axis", at(value), 2.5, mark, 3.6, anchor="middle", fill=QUIET)
    for row, q in enumerate(told):
        y = height - 10.5 - _ROW_MM * row
        figures = f"{q.value:.2f}  ({q.low:.2f} … {q.high:.2f})"
        drawing.text("figures", right, y + 3.8, figures, 3.6, anchor="end", fill=INK)
        room = right - left - text_width_mm(figures, 3.6) - 2.0
        drawing.text("names", left, y + 3.8, *fitted_text(say(q.name), room, 4.0, 3.4), fill=INK)
        drawing.line("grid", [(left, y), (right, y)], stroke=QUIET, width_mm=0.25)
        drawing.line("before", [(at(q.before), y - 2.6), (at(q.before), y + 2.6)], stroke=QUIET, width_mm=0.9)
        corners = ((at(q.low), y), (at(q.value), y + 1.8), (at(q.high), y), (at(q.value), y - 1.8))
        drawing.add(Polygon("data", corners, _OUT if q.differs else _DOT, "none"))
    return drawing


def poured_picture(dots: Sequence[CastDot], say: Words) -> Drawing:
    """How hot the metal was, over its liquidus: below zero it was slush."""
    heats = sorted(d.superheat_k for d in dots if d.superheat_k is not None)
    drawing = Drawing(_WIDTH_MM, 46.0, say("How hot it was poured"))
    drawing.rectangle("paper", 0, 0, _WIDTH_MM, 46.0, fill="#ffffff", stroke="none")
    across = Axis.round(min([-20.0, *heats]), max([40.0, *heats]), say("K above all liquid"), 8)
    columns: dict[int, int] = {}
    placed = []
    for heat in heats:
        column = round(heat / 2.5)
        columns[column] = columns.get(column, 0) + 1
        placed.append((2.5 * column, float(columns[column])))
    frame = Frame(
        drawing, (6.0, 14.0, _WIDTH_MM - 12.0, 28.0), across, Axis(0.0, max(8.0, *columns.values(), 0.0) + 1, "", ())
    )
    frame.band([(across.low, 0.0, 0.5), (0.0, 0.0, 0.5)], _BAND)
    for heat, height in placed:
        frame.dot(heat, height, _DOT)
    return drawing
