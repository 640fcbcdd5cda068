"""The metal of a cap drawn flat: its disc with the hole for a chimney or for tuning, and its rim, with their sizes."""

from __future__ import annotations

from typing import Final

from pipemetal.documents.colours import QUIET
from pipemetal.documents.drawing import Drawing
from pipemetal.documents.flat_picture import Pen, blank_line, box_of, scale_text, shown_mm
from pipemetal.documents.pipe_picture import round_scale
from pipemetal.pipes.bench_card import BenchCard, CardPart
from pipemetal.pipes.flat import FlatLine, flat_lines
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["cap_picture"]

HEAD_MM: Final = 14.0
"""Room of the title and of the sizes over the drawing."""
MARGIN_MM: Final = 14.0
GAP_MM: Final = 10.0
FOOT_MM: Final = 3.0


def cap_picture(card: BenchCard, units: UnitSystem, say: Words, width_mm: float, high_mm: float) -> Drawing | None:
    """Disc and rim of a cap beside each other, the finished outline within the blank; None where no metal is cut for one."""
    parts = {held.part.kind: held for held in card.parts}
    disc, rim = parts.get("cap disc"), parts.get("cap rim")
    if disc is None:
        return None
    drawn = [_lines(card, disc)]
    if rim is not None:
        drawn.append([_lying(line) for line in _lines(card, rim)])
    boxes = [box_of(lines) for lines in drawn]
    wide = sum(right - left for left, _, right, _ in boxes)
    tall = max(high - low for _, low, _, high in boxes)
    room = width_mm - 2.0 * MARGIN_MM - GAP_MM * (len(drawn) - 1)
    divisor = round_scale(max(wide / room, tall / (high_mm - HEAD_MM - FOOT_MM)))
    drawing = Drawing(width_mm, tall / divisor + HEAD_MM + FOOT_MM, f"{card.pipe.id}: {say('cap')}")
    start = MARGIN_MM
    for lines, (left, low, right, _) in zip(drawn, boxes, strict=True):

        def place(x: float, y: float, dx: float = start - left / divisor, dy: float = FOOT_MM - low / divisor) -> Point:
            return dx + x / divisor, dy + y / divisor

        pen = Pen(drawing, place)
        for line in lines:
            pen.line(line)
        start += (right - left) / divisor + GAP_MM
    title = say("Cap, flat, 1 : {scale}", scale=scale_text(units, divisor))
    drawing.text("title", MARGIN_MM, drawing.height_mm - 5.0, title, 3.2, fill=QUIET)
    drawing.text("size", MARGIN_MM, drawing.height_mm - 10.0, _sizes(disc, rim, drawn[0], units, say), 3.0)
    return drawing


Point = tuple[float, float]


def _lines(card: BenchCard, held: CardPart) -> list[FlatLine]:
    return [blank_line(held.part), *flat_lines(card.pipe, held.part, card.rank)]


def _lying(line: FlatLine) -> FlatLine:
    """A line turned by a right angle, so that a rim lies along the paper."""
    return FlatLine(line.kind, tuple((y, -x) for x, y in line.points), line.closed)


def _sizes(disc: CardPart, rim: CardPart | None, lines: list[FlatLine], units: UnitSystem, say: Words) -> str:
    """The finished sizes in words: disc, hole, rim around and high."""
    words = [say("disc Ø {across}", across=shown_mm(units, disc.flat_width_mm))]
    hole = next((line for line in lines if line.kind == "hole"), None)
    if hole is not None:
        words.append(say("hole Ø {across}", across=shown_mm(units, hole.width_mm)))
    if rim is not None:
        around, high = shown_mm(units, rim.flat_length_mm), shown_mm(units, rim.flat_width_mm)
        words.append(say("rim {around} around, {high} high", around=around, high=high))
    return "; ".join(words)
