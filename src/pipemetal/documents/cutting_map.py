"""The map of a roll or sheet on a cutting sheet: thickness, edges, blanks and remnants to scale, and crowded parts enlarged."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.documents.chances import chance_text
from pipemetal.documents.charts import round_step
from pipemetal.documents.colours import INK, QUIET, thickness_colour
from pipemetal.documents.cutting_letters import (
    CAPITAL,
    LETTERS_MM,
    Label,
    hull_of,
    labels_of,
    middle_of,
    neighbours,
    number_mm,
)
from pipemetal.documents.drawing import Drawing, Polygon, text_width_mm
from pipemetal.documents.gauge_marks import GAUGE_HERE, gauge_mark
from pipemetal.planning.cuts import Cut, CutRoll
from pipemetal.sheets.roll import Roll
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["AXIS_MM", "LEFT_MM", "CloseUp", "close_ups", "draw_close_up", "draw_map"]

Box = tuple[float, float, float, float]
PENCIL_DASHES = (1.6, 0.8)
"""A blank less sure than wanted is drawn so: to be looked at again when its sheet is measured."""
LEFT_MM: Final = 9.0
"""Room for the figures beside a map."""
AXIS_MM: Final = 5.0
"""Room for the figures under it."""
TITLE_MM: Final = 5.0
LEAST_WIDE_MM: Final = 15.0
"""Room for the letter and the scale of the narrowest part."""
CELLS_ALONG: Final = 60
STOP: Final = "#8c2f39"
KEPT: Final = "#2f5d3a"
MOST_GAIN: Final = 2.0
LEAST_GAIN: Final = 1.25


@dataclass(frozen=True)
class _Scale:
    """From the sheet's coordinates to the paper: `corner` of the sheet comes to lie at (left, bottom)."""

    factor: float
    left: float
    bottom: float
    corner: tuple[float, float] = (0.0, 0.0)

    def point(self, x: float, y: float) -> tuple[float, float]:
        return self.left + (x - self.corner[0]) * self.factor, self.bottom + (y - self.corner[1]) * self.factor


@dataclass(frozen=True)
class CloseUp:
    """A crowded part of a sheet: its letter, its box on the sheet in mm, the paper's mm for one of the sheet, and its blanks."""

    letter: str
    box: Box
    gain: float
    cuts: tuple[Cut, ...]

    @property
    def width_mm(self) -> float:
        """Width on the paper, with the figures beside it."""
        return LEFT_MM + max((self.box[2] - self.box[0]) * self.gain, LEAST_WIDE_MM)

    @property
    def height_mm(self) -> float:
        """Height on the paper, with its title and the figures under it."""
        return (self.box[3] - self.box[1]) * self.gain + TITLE_MM + AXIS_MM


def draw_map(
    drawing: Drawing,
    cut_roll: CutRoll,
    factor: float,
    corner: tuple[float, float],
    parts: Sequence[CloseUp],
    units: UnitSystem,
    say: Words,
) -> None:
    """The whole sheet, its lower left corner at `corner` on the paper; parts that are enlarged carry their letter."""
    roll, scale = cut_roll.roll, _Scale(factor, *corner)
    _thickness_map(drawing, roll, scale)
    _edges(drawing, roll, scale)
    _axes(drawing, scale, (0.0, 0.0, roll.length_mm, roll.width_mm), units)
    for remnant in cut_roll.remnants:
        _remnant(drawing, remnant.id, remnant.polygon, scale)
    labels = labels_of(cut_roll.cuts, factor, say)
    for cut in cut_roll.cuts:
        _blank(drawing, cut, scale, "blank", labels)
    for mark in cut_roll.gauge:
        gauge_mark(drawing, *scale.point(mark.x_mm, mark.y_mm), mark.number, say(GAUGE_HERE, number=mark.number))
    left, bottom = corner
    taken = [(left + a, bottom + b, left + c, bottom + d) for a, b, c, d in (label.box for label in labels.values())]
    for part in parts:
        _framed(drawing, part, labels, taken, scale)


def close_ups(cuts: Sequence[Cut], factor: float, room_mm: tuple[float, float], say: Words) -> list[CloseUp]:
    """Parts of a sheet whose blanks are too small to carry their number at this factor, each large enough to read.

    `room_mm`: the width and height that one of them may take.
    """
    labels = labels_of(cuts, factor, say)
    small = [c for c in cuts if c.number not in labels]
    groups = [members for group in neighbours(small) for members in _fitting(group, factor, room_mm)]
    parts = [_close_up("", members, cuts, factor, room_mm) for members in groups]
    # the highest first, so that they stand closely in rows
    ordered = sorted(parts, key=lambda part: -part.height_mm)
    return [replace(part, letter=_letter(k)) for k, part in enumerate(ordered)]


def draw_close_up(drawing: Drawing, part: CloseUp, left: float, top: float, units: UnitSystem, say: Words) -> None:
    """A part drawn larger, its letter and its scale at the top, figures along its edges."""
    x0, y0, x1, y1 = part.box
    bottom = top - TITLE_MM - (y1 - y0) * part.gain
    scale = _Scale(part.gain, left + LEFT_MM, bottom, (x0, y0))
    drawing.text("close-up", left + LEFT_MM, top - 3.4, f"{part.letter}  {_scale_words(part.gain)}", 2.8, bold=True)
    drawing.rectangle(
        "close-up", *scale.point(x0, y0), (x1 - x0) * part.gain, (y1 - y0) * part.gain, stroke=QUIET, width_mm=0.2
    )
    _axes(drawing, scale, part.box, units)
    labels = labels_of(part.cuts, part.gain, say)
    for cut in part.cuts:
        _blank(drawing, cut, scale, "close-up", labels)


def _scale_words(gain: float) -> str:
    """A scale as people write it: 1 : 4 for a quarter of the size.

    >>> _scale_words(0.25), _scale_words(2.0)
    ('1 : 4', '2 : 1')
    """
    return f"1 : {1.0 / gain:.1f}".removesuffix(".0") if gain < 1.0 else f"{gain:.1f}".removesuffix(".0") + " : 1"


def _letter(number: int) -> str:
    return chr(ord("A") + number % 26) * (1 + number // 26)


def _gain(members: Sequence[Cut], factor: float) -> float:
    """The scale at which every one of these carries its number, within reason."""
    wanted = max(factor * LETTERS_MM / max(number_mm(c, factor), 1e-6) for c in members)
    return min(max(1.05 * wanted, LEAST_GAIN * factor), MOST_GAIN)


def _fitting(group: list[Cut], factor: float, room_mm: tuple[float, float]) -> Iterator[list[Cut]]:
    """A group in as many parts as the room asks for: halved along its longer side until each fits."""
    x0, y0, x1, y1 = hull_of(group)
    gain = _gain(group, factor)
    wide, high = (x1 - x0) * gain + LEFT_MM, (y1 - y0) * gain + TITLE_MM + AXIS_MM
    if len(group) == 1 or (wide <= room_mm[0] and high <= room_mm[1]):
        yield group
        return
    along = 0 if wide / room_mm[0] >= high / room_mm[1] else 1
    ordered = sorted(group, key=lambda c: hull_of([c])[along] + c.box[along] / 2.0)
    half = len(ordered) // 2
    yield from _fitting(ordered[:half], factor, room_mm)
    yield from _fitting(ordered[half:], factor, room_mm)


def _close_up(
    letter: str, members: Sequence[Cut], cuts: Sequence[Cut], factor: float, room_mm: tuple[float, float]
) -> CloseUp:
    box = hull_of(members)
    gain = min(
        _gain(members, factor),
        (room_mm[0] - LEFT_MM) / (box[2] - box[0]),
        (room_mm[1] - TITLE_MM - AXIS_MM) / (box[3] - box[1]),
    )
    return CloseUp(letter, box, gain, tuple(c for c in cuts if _lies_in(c, box)))


def _lies_in(cut: Cut, box: Box) -> bool:
    x0, y0, x1, y1 = hull_of([cut])
    return x0 >= box[0] - 1e-6 and y0 >= box[1] - 1e-6 and x1 <= box[2] + 1e-6 and y1 <= box[3] + 1e-6


def _framed(drawing: Drawing, part: CloseUp, labels: Mapping[int, Label], taken: list[Box], scale: _Scale) -> None:
    """Where an enlarged part lies, its letter on blanks that carry no number here, else just outside, on no other lettering."""
    x, y = scale.point(part.box[0], part.box[1])
    w, h = (part.box[2] - part.box[0]) * scale.factor, (part.box[3] - part.box[1]) * scale.factor
    drawing.rectangle("close-up", x, y, w, h, stroke=INK, width_mm=0.6)
    size = max(LETTERS_MM, min(4.0, h - 0.4))
    half = (text_width_mm(part.letter, size, bold=True) / 2.0 + 0.1, CAPITAL * size / 2.0 + 0.2)
    bare = [scale.point(*middle_of(c)) for c in part.cuts if c.number not in labels]
    around = [(x + k * w / 8.0, y + j * h / 8.0) for k in range(-1, 10) for j in range(-1, 10)]
    places = [*bare, *((a, b) for a, b in around if a > scale.left and b > scale.bottom)]
    boxes = [(a - half[0], b - half[1], a + half[0], b + half[1]) for a, b in places]
    at = min(range(len(boxes)), key=lambda k: (sum(_shared_mm2(boxes[k], box) for box in taken), k))
    taken.append(boxes[at])
    a, b = places[at]
    drawing.text("close-up", a, b - 0.36 * size, part.letter, size, anchor="middle", bold=True)


def _shared_mm2(one: Box, other: Box) -> float:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return wide * high if wide > 0.0 and high > 0.0 else 0.0


def _thickness_map(drawing: Drawing, roll: Roll, scale: _Scale) -> None:
    low, high = float(roll.field.thickness_mm.min()), float(roll.field.thickness_mm.max())
    along = min(CELLS_ALONG, max(8, int(roll.length_mm / 60)))
    across = max(3, min(12, round(along * roll.width_mm / roll.length_mm)))
    dx, dy = roll.length_mm / along, roll.width_mm / across
    middles = np.meshgrid((np.arange(along) + 0.5) * dx, (np.arange(across) + 0.5) * dy, indexing="ij")
    thickness = roll.field.at(*middles)
    w, h = dx * scale.factor + 0.05, dy * scale.factor + 0.05
    for i in range(along):
        for j in range(across):
            x, y = scale.point(i * dx, j * dy)
            share = (float(thickness[i, j]) - low) / (high - low) if high > low else 0.5
            drawing.rectangle("thickness", x, y, w, h, fill=thickness_colour(share), stroke="none")


def _edges(drawing: Drawing, roll: Roll, scale: _Scale) -> None:
    x, y = scale.point(0, 0)
    w, h = roll.length_mm * scale.factor, roll.width_mm * scale.factor
    drawing.rectangle("sheet", x, y, w, h, width_mm=0.5)
    if roll.outline is not None:
        outline = tuple(scale.point(a, b) for a, b in roll.outline)
        drawing.line("sheet", [*outline, outline[0]], width_mm=0.7)
    if roll.trim_mm > 0.0:
        t = roll.trim_mm * scale.factor
        drawing.rectangle("trim", x + t, y + t, w - 2 * t, h - 2 * t, width_mm=0.2, dashes=(2.0, 1.5), stroke=QUIET)
    for area in roll.no_go:
        corners = [scale.point(a, b) for a, b in area]
        drawing.line("no-go", [*corners, corners[0]], width_mm=0.6, stroke=STOP)
        cx, cy = (sum(v) / len(corners) for v in zip(*corners, strict=True))
        drawing.text("no-go", cx, cy - 1.0, "no", 3.0, anchor="middle", fill=STOP)


def _axes(drawing: Drawing, scale: _Scale, box: Box, units: UnitSystem) -> None:
    """Figures under the lower edge and beside the left one, in round steps of the reader's unit."""
    x0, y0, x1, y1 = box
    unit_mm = 1.0 if units.length == "mm" else 25.4
    for low, high, along, room in ((x0, x1, True, 16.0), (y0, y1, False, 8.0)):
        span = (high - low) / unit_mm
        step = round_step(span, max(1, int((high - low) * scale.factor / room)))
        decimals = 0 if step >= 1.0 else 1
        for k in range(math.ceil(low / unit_mm / step - 1e-9), math.floor(high / unit_mm / step + 1e-9) + 1):
            words = units.number(k * step, decimals)
            if along:
                a, b = scale.point(k * step * unit_mm, y0)
                drawing.line("axis", [(a, b), (a, b - 1.2)], width_mm=0.25)
                drawing.text("axis", a, b - 4.2, words, 2.8, anchor="middle", fill=QUIET)
            else:
                a, b = scale.point(x0, k * step * unit_mm)
                drawing.line("axis", [(a, b), (a - 1.2, b)], width_mm=0.25)
                drawing.text("axis", a - 1.8, b - 1.0, words, 2.8, anchor="end", fill=QUIET)


def _remnant(drawing: Drawing, name: str, polygon: tuple[tuple[float, float], ...], scale: _Scale) -> None:
    corners = tuple(scale.point(a, b) for a, b in polygon)
    drawing.line("remnant", [*corners, corners[0]], width_mm=0.5, dashes=(3.0, 1.2), stroke=KEPT)
    xs, ys = [c[0] for c in corners], [c[1] for c in corners]
    wide, high = max(xs) - min(xs), max(ys) - min(ys)
    lying = wide >= high
    size = min(4.5, 0.9 * max(wide, high) / max(text_width_mm(name, 1.0, bold=True), 0.1), 0.8 * min(wide, high))
    if size >= LETTERS_MM:
        _upright(drawing, "remnant", name, ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2), size, lying, KEPT)


def _upright(
    drawing: Drawing, layer: str, text: str, middle: tuple[float, float], size: float, lying: bool, fill: str
) -> None:
    """A text in the middle of a piece, along its longer side."""
    x, y = middle
    bold = layer == "remnant"
    if lying:
        drawing.text(layer, x, y - size * 0.36, text, size, anchor="middle", fill=fill, bold=bold)
    else:
        drawing.text(layer, x + size * 0.36, y, text, size, anchor="middle", turn_deg=90.0, fill=fill, bold=bold)


def _blank(drawing: Drawing, cut: Cut, scale: _Scale, layer: str, labels: Mapping[int, Label]) -> None:
    corners = tuple(scale.point(a, b) for a, b in cut.corners)
    title = f"{cut.number}. {cut.blank.id}: {cut.actual_mouth_mm:.2f} to {cut.actual_top_mm:.2f} mm"
    if cut.chance is not None:
        title += f", {chance_text(cut.chance)}"
    drawing.add(Polygon(layer, corners, "none", INK, 0.35, title, PENCIL_DASHES if cut.pencil else ()))
    x, y = scale.point(cut.placement.x_mm, cut.placement.y_mm)
    w, h = cut.box[0] * scale.factor, cut.box[1] * scale.factor
    label = labels.get(cut.number)
    if label is not None:
        at = (x + w / 2 + label.aside_mm[0], y + h / 2 + label.aside_mm[1])
        _upright(drawing, "name", label.text, at, label.size_mm, label.lying, INK)
        if label.aside_mm != (0.0, 0.0):
            drawing.line("leader", [(x + w / 2, y + h / 2), _edge_of(label, at, (x + w / 2, y + h / 2))], width_mm=0.2)
    a, b = scale.point(0.0, 0.0)
    others = [held.box for number, held in labels.items() if number != cut.number]
    _mouth_mark(drawing, cut, x, y, w, h, [(a + p, b + q, a + r, b + s) for p, q, r, s in others])


def _edge_of(label: Label, at: tuple[float, float], towards: tuple[float, float]) -> tuple[float, float]:
    """Where the line from a label to its blank begins: at the edge of the label's box."""
    x0, y0, x1, y1 = label.box
    half = ((x1 - x0) / 2.0, (y1 - y0) / 2.0)
    dx, dy = towards[0] - at[0], towards[1] - at[1]
    share = min(half[0] / abs(dx) if dx else math.inf, half[1] / abs(dy) if dy else math.inf, 1.0)
    return at[0] + share * dx, at[1] + share * dy


def _mouth_mark(drawing: Drawing, cut: Cut, x: float, y: float, w: float, h: float, taken: Sequence[Box]) -> None:
    blank = cut.blank
    if blank.kind != "body" or min(w, h) < 11.0:
        return
    turn, inset = cut.mouth_turn_deg, 2.4
    if cut.mouth_at_small_arc and blank.sector is not None:
        # the small arc's middle lies within the box
        slant = blank.sector.outer_radius_mm - blank.sector.inner_radius_mm
        inset += (1.0 - slant / blank.length_mm) * (w if turn in (0, 180) else h)
    cx = {0: x + inset, 180: x + w - inset}.get(turn, x + w / 2)
    cy = {90: y + inset, 270: y + h - inset}.get(turn, y + 2.0)
    box = (cx - 1.2, cy - 1.1, cx + 1.2, cy + 1.1)
    if not any(_shared_mm2(box, other) for other in taken):
        drawing.text("name", cx, cy - 0.9, "M", 2.4, anchor="middle", bold=True)
