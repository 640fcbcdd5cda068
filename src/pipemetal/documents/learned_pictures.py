"""Pictures of what a shop's casts say: measured against expected, how thickness goes, how hot it was poured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.casting.says import Quantity
from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, fitted_text
from pipemetal.words import Words

__all__ = ["CastDot", "came_out_picture", "poured_picture", "quantity_picture"]

_WIDTH_MM, _HEIGHT_MM = 170.0, 70.0
_BAND, _DOT, _OUT = "#cfe6da", "#1d2b2a", "#8c1d2f"


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
        drawing, (16.0, 13.0, _WIDTH_MM - 24.0, 45.0), across, Axis.round(-most, most, say("% thicker than expected"))
    )
    low, high = -half_width_percent, half_width_percent
    frame.band([(-0.5, low, high), (count - 0.5, low, high)], _BAND)
    frame.line([(-0.5, 0.0), (count - 0.5, 0.0)], QUIET, width_mm=0.3)
    for i, dot in enumerate(dots):
        if dot.out:
            _cross(frame, float(i), 0.0)
        else:
            frame.dot(float(i), dot.percent, _DOT)
    words = say("dots: casts in their order; band: 95 of 100; crosses were left out")
    drawing.text("legend", 16.0, 3.0, *fitted_text(words, _WIDTH_MM - 24.0, 3.8, 2.8), fill=QUIET)
    return drawing


def _cross(frame: Frame, across: float, up: float) -> None:
    x, y = frame.point(across, up)
    for side in (-1.0, 1.0):
        frame.drawing.line("data", [(x - 1.2, y - side * 1.2), (x + 1.2, y + side * 1.2)], stroke=_OUT, width_mm=0.6)


def quantity_picture(told: Sequence[Quantity], say: Words) -> Drawing:
    """Each quantity's interval with its value, and where it was before any cast (a bar across)."""
    height = 12.0 * len(told) + 12.0
    drawing = Drawing(_WIDTH_MM, height, say("How thickness goes"))
    drawing.rectangle("paper", 0, 0, _WIDTH_MM, height, fill="#ffffff", stroke="none")
    low = min([-1.0, *(min(q.low, q.before) for q in told)])
    high = max([1.0, *(max(q.high, q.before) for q in told)])
    left, right = 52.0, _WIDTH_MM - 24.0

    def at(value: float) -> float:
        return left + (right - left) * (value - low) / (high - low)

    for row, q in enumerate(told):
        y = height - 10.0 - 12.0 * row
        drawing.text("names", 4.0, y - 1.5, *fitted_text(say(q.name), left - 8.0, 4.4, 3.0), fill=INK)
        drawing.line("grid", [(left, y), (right, y)], stroke=QUIET, width_mm=0.25)
        drawing.line("before", [(at(q.before), y - 3.5), (at(q.before), y + 3.5)], stroke=QUIET, width_mm=0.8)
        corners = ((at(q.low), y), (at(q.value), y + 2.2), (at(q.high), y), (at(q.value), y - 2.2))
        drawing.add(Polygon("data", corners, _OUT if q.differs else _DOT, "none"))
        drawing.text("figures", right + 20.0, y - 1.5, f"{q.value:.2f}", 4.4, anchor="end", fill=INK)
    words = say("lozenge: 95 %; bar: before any cast; red: this shop departs")
    drawing.text("legend", 4.0, 2.5, *fitted_text(words, _WIDTH_MM - 8.0, 3.8, 2.8), fill=QUIET)
    return drawing


def poured_picture(dots: Sequence[CastDot], say: Words) -> Drawing:
    """How hot the metal was, over its liquidus: below nought it was slush."""
    heats = sorted(d.superheat_k for d in dots if d.superheat_k is not None)
    drawing = Drawing(_WIDTH_MM, 44.0, say("How hot it was poured"))
    drawing.rectangle("paper", 0, 0, _WIDTH_MM, 44.0, fill="#ffffff", stroke="none")
    across = Axis.round(min([-20.0, *heats]), max([40.0, *heats]), say("K above all liquid"), 8)
    columns: dict[int, int] = {}
    placed = []
    for heat in heats:
        column = round(heat / 2.5)
        columns[column] = columns.get(column, 0) + 1
        placed.append((2.5 * column, float(columns[column])))
    frame = Frame(
        drawing, (16.0, 14.0, _WIDTH_MM - 24.0, 24.0), across, Axis(0.0, max(8.0, *columns.values(), 0.0) + 1, "", ())
    )
    frame.band([(across.low, 0.0, 0.5), (0.0, 0.0, 0.5)], _BAND)
    for heat, height in placed:
        frame.dot(heat, height, _DOT)
    drawing.text(
        "legend", 16.0, 2.5, *fitted_text(say("a dot is a cast; left of 0 it was slush"), 90.0, 3.8, 2.8), fill=QUIET
    )
    return drawing
