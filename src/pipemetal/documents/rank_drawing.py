"""A rank's pipes from the front, those of every C side by side to one scale, with their sizes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import LEAST_LETTERS_MM, Drawing, Polygon, fitted_text
from pipemetal.plans.record import PipeRow
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["rank_drawing"]

MOST: Final = 7
HEAD_MM: Final = 10.0
FOOT_TEXT_MM: Final = 15.0
SCALES: Final = (1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 75, 100)
SLENDER: Final = 1.0
"""Narrower pipes are drawn so wide at least, in mm of paper."""


def rank_drawing(
    pipes: Sequence[PipeRow], width_mm: float, height_mm: float, units: UnitSystem, say: Words
) -> Drawing | None:
    """The largest pipe and those of each C as they stand, feet down, to one scale; None for a rank with no pipe to draw."""
    drawn = [p for p in pipes if p.body_length_mm > 0.0 and p.diameter_mm > 0.0 and p.choir == pipes[0].choir]
    shown = [p for p in drawn if p.key % 12 == 0 or p is drawn[0]][:MOST]
    if not shown:
        return None
    room = height_mm - HEAD_MM - FOOT_TEXT_MM
    tallest = max(_height_mm(p) for p in shown)
    divisor = next((s for s in SCALES if tallest / s <= room), SCALES[-1])
    drawing = Drawing(width_mm, height_mm, say("{rank}, from the front", rank=shown[0].rank))
    title = say("{rank}, from the front, 1 : {scale}", rank=shown[0].rank, scale=divisor)
    drawing.text(
        "title", 0.0, height_mm - 5.0, *fitted_text(title, width_mm, 3.8, LEAST_LETTERS_MM, bold=True), bold=True
    )
    stride = width_mm / len(shown)
    for index, pipe in enumerate(shown):
        _pipe(drawing, pipe, stride * (index + 0.5), FOOT_TEXT_MM, float(divisor))
        _sizes(drawing, pipe, stride * (index + 0.5), stride - 2.0, units)
    return drawing


def _height_mm(pipe: PipeRow) -> float:
    return pipe.foot_length_mm + pipe.body_length_mm + pipe.cap_stands_mm + pipe.chimney_length_mm


def _pipe(drawing: Drawing, pipe: PipeRow, centre: float, bottom: float, divisor: float) -> None:
    """Foot, body, mouth, and what stands on top."""
    wide = max(pipe.diameter_mm / divisor, SLENDER)
    above = wide * (pipe.top_diameter_mm or pipe.diameter_mm) / pipe.diameter_mm
    foot, body = pipe.foot_length_mm / divisor, pipe.body_length_mm / divisor
    toe = max(pipe.toe_diameter_mm / divisor, 0.3 * SLENDER)
    waist, top = bottom + foot, bottom + foot + body
    _outline(drawing, (centre - toe / 2, bottom), (centre + toe / 2, bottom), (centre, waist, wide))
    _outline(drawing, (centre - wide / 2, waist), (centre + wide / 2, waist), (centre, top, above))
    mouth, cut_up = pipe.mouth_width_mm / divisor, max(pipe.cut_up_mm / divisor, 0.3)
    mouth = min(mouth, 0.9 * wide)
    drawing.rectangle("mouth", centre - mouth / 2, waist, mouth, cut_up, fill=INK, width_mm=0.1)
    if pipe.cap_kind:
        rim = max(pipe.cap_rim_mm, pipe.cap_stands_mm, 12.0) / divisor
        drawing.rectangle("cap", centre - above / 2 - 0.3, top - rim, above + 0.6, rim, fill="#ffffff", width_mm=0.25)
    if pipe.chimney_length_mm > 0.0:
        tube = max(pipe.chimney_diameter_mm / divisor, 0.4)
        drawing.rectangle("chimney", centre - tube / 2, top, tube, pipe.chimney_length_mm / divisor, width_mm=0.25)


def _outline(
    drawing: Drawing, left: tuple[float, float], right: tuple[float, float], top: tuple[float, float, float]
) -> None:
    centre, height, wide = top
    corners = (left, right, (centre + wide / 2, height), (centre - wide / 2, height))
    drawing.add(Polygon("pipe", corners, "#ffffff", INK, 0.25))


def _sizes(drawing: Drawing, pipe: PipeRow, centre: float, room: float, units: UnitSystem) -> None:
    """Under a pipe its note, its diameter and the length of its body."""
    lines = (pipe.note, f"Ø {units.show_length(pipe.diameter_mm, 1)}", units.show_length(pipe.body_length_mm))
    for row, words in enumerate(lines):
        text, size = fitted_text(words, room, 3.4 if row == 0 else 2.6, LEAST_LETTERS_MM, bold=row == 0)
        y = FOOT_TEXT_MM - 4.4 - 3.6 * row
        drawing.text("sizes", centre, y, text, size, anchor="middle", fill=INK if row == 0 else QUIET, bold=row == 0)
