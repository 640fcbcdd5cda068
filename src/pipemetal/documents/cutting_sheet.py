"""The cutting sheet of a roll: the layout to scale on its thickness map, and every blank in the order of marking out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.documents.chances import chance_text, name_with_labour
from pipemetal.documents.colours import INK, QUIET, thickness_colour
from pipemetal.documents.drawing import Drawing, fitted_text, text_width_mm
from pipemetal.documents.gauge_marks import GAUGE_HERE, gauge_mark
from pipemetal.planning.cuts import Cut, CutRoll
from pipemetal.sheets.roll import Roll
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["close_up_drawings", "cutting_sheet", "map_factor"]

PENCIL_DASHES = (1.6, 0.8)
"""A blank less sure than wanted is drawn so: to be looked at again when its sheet is measured."""

PAGE_MM: Final = 400.0
"""Width of a sheet that is not printed on a paper of its own: as wide as it takes to name every blank."""
MARGIN_MM: Final = 10.0
MAP_SHARE: Final = 0.375
"""Most of the page's width that the map is high."""
HEAD_MM: Final = 26.0
ROW_MM: Final = 4.4
COLUMNS: Final = 3
CELLS_ALONG: Final = 60


# Blanks smaller than this on the paper are also drawn enlarged, together with their neighbours.
LEGIBLE_MM: Final = 7.0
FEWEST_SMALL: Final = 6
CLOSE_UP_GAIN: Final = 1.5
CLOSE_UP_HEAD_MM: Final = 9.0
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class _Scale:
    """From the sheet's coordinates to the paper: `corner` of the sheet comes to lie at (left, bottom)."""

    factor: float
    left: float
    bottom: float
    corner: tuple[float, float] = (0.0, 0.0)

    def point(self, x: float, y: float) -> tuple[float, float]:
        return self.left + (x - self.corner[0]) * self.factor, self.bottom + (y - self.corner[1]) * self.factor


def cutting_sheet(
    cut_roll: CutRoll,
    organ_name: str,
    units: UnitSystem | None = None,
    say: Words | None = None,
    *,
    page_mm: float = PAGE_MM,
    most_high_mm: float = math.inf,
    margin_mm: float = MARGIN_MM,
    with_list: bool = True,
) -> Drawing:
    """The cutting sheet of a roll taken down, or of a sheet to cast, `page_mm` wide; its map is made as high as fits.

    `with_list` puts the list of blanks under the map; without it and within `most_high_mm` the drawing is for a page whose list
    follows as a table.

    x runs along the sheet from its thick end at the left, y across it from the lower edge; the numbers are the order of
    marking out, and each blank's place is measured from those two edges to its lower left corner.
    """
    units, say, roll = units or UnitSystem(), say or Words(), cut_roll.roll
    factor = map_factor(roll, page_mm, most_high_mm, margin_mm)
    map_height = roll.width_mm * factor
    rows = math.ceil(len(cut_roll.cuts) / COLUMNS) + 1
    close_ups = _close_ups(cut_roll.cuts, factor, page_mm) if with_list else []
    enlarged = sum((box[3] - box[1]) * gain + CLOSE_UP_HEAD_MM for box, gain in close_ups)
    height = margin_mm + HEAD_MM + map_height + 22.0 + (enlarged + rows * ROW_MM + 12.0 if with_list else 0.0)
    drawing = Drawing(page_mm, height, say("Cutting sheet {roll}", roll=roll.id))
    drawing.rectangle("paper", 0, 0, page_mm, height, fill="#ffffff", stroke="none")
    scale = _Scale(factor, margin_mm + 12.0, height - margin_mm - HEAD_MM - map_height)
    _head(drawing, cut_roll, organ_name, margin_mm, units, say)
    low, high = float(roll.field.thickness_mm.min()), float(roll.field.thickness_mm.max())
    _thickness_map(drawing, roll, scale, low, high)
    _edges(drawing, roll, scale, units)
    for remnant in cut_roll.remnants:
        _remnant(drawing, remnant.id, remnant.polygon, scale)
    for cut in cut_roll.cuts:
        _blank(drawing, cut, scale)
    for mark in cut_roll.gauge:
        gauge_mark(drawing, *scale.point(mark.x_mm, mark.y_mm), mark.number, say(GAUGE_HERE, number=mark.number))
    _legend(drawing, scale, margin_mm, low, high, units, say)
    top = scale.bottom - 18.0
    for box, gain in close_ups:
        top = _close_up(drawing, cut_roll.cuts, box, gain, top, units, say)
    if with_list:
        _list(drawing, cut_roll.cuts, top - 4.0, units, say)
    return drawing


def map_factor(roll: Roll, page_mm: float, most_high_mm: float = math.inf, margin_mm: float = MARGIN_MM) -> float:
    """Millimetres of paper for a millimetre of sheet, so that map, head and legend fit the page."""
    map_mm = min(MAP_SHARE * page_mm, most_high_mm - margin_mm - HEAD_MM - 22.0)
    return min((page_mm - 2 * margin_mm - 12.0) / roll.length_mm, map_mm / roll.width_mm)


def close_up_drawings(
    cut_roll: CutRoll, units: UnitSystem, say: Words, page_mm: float, most_high_mm: float, factor: float
) -> list[Drawing]:
    """Parts of a map at this scale that are too crowded to read, each drawn enlarged by itself."""
    drawings = []
    for box, _ in _close_ups(cut_roll.cuts, factor, page_mm):
        inside = [c for c in cut_roll.cuts if _lies_in(c, box)]
        wanted = max(min(LEGIBLE_MM / min(min(c.box) for c in inside), 2.0), CLOSE_UP_GAIN * factor)
        gain = min(wanted, (page_mm - 2.0) / (box[2] - box[0]))
        strips = max(1, math.ceil((box[3] - box[1]) * gain / (most_high_mm - CLOSE_UP_HEAD_MM)))
        deep = (box[3] - box[1]) / strips
        for strip in range(strips):
            # a blank is drawn in the strip that its middle lies in
            low, high = box[1] + strip * deep, box[1] + (strip + 1) * deep
            members = tuple(c for c in inside if low <= c.placement.y_mm + c.box[1] / 2.0 < high)
            if members:
                drawings.append(_part(cut_roll.roll.id, members, units, say, page_mm, most_high_mm, gain))
    return drawings


def _lies_in(cut: Cut, box: Box) -> bool:
    x, y = cut.placement.x_mm, cut.placement.y_mm
    return (
        x >= box[0] - 1e-6
        and y >= box[1] - 1e-6
        and x + cut.box[0] <= box[2] + 1e-6
        and y + cut.box[1] <= box[3] + 1e-6
    )


def _hull(cuts: Sequence[Cut]) -> Box:
    return (
        min(c.placement.x_mm for c in cuts),
        min(c.placement.y_mm for c in cuts),
        max(c.placement.x_mm + c.box[0] for c in cuts),
        max(c.placement.y_mm + c.box[1] for c in cuts),
    )


def _part(
    roll_id: str,
    members: tuple[Cut, ...],
    units: UnitSystem,
    say: Words,
    page_mm: float,
    most_high_mm: float,
    gain: float,
) -> Drawing:
    """Some blanks of a sheet, enlarged, on a drawing of their own."""
    box = _hull(members)
    gain = min(gain, (most_high_mm - CLOSE_UP_HEAD_MM) / (box[3] - box[1]), (page_mm - 2.0) / (box[2] - box[0]))
    height = (box[3] - box[1]) * gain + CLOSE_UP_HEAD_MM
    drawing = Drawing(page_mm, height, say("Cutting sheet {roll}", roll=roll_id))
    _close_up(drawing, members, box, gain, height, units, say, left=1.0)
    return drawing


def _close_ups(cuts: tuple[Cut, ...], factor: float, page_mm: float) -> list[tuple[Box, float]]:
    """Parts of the sheet (x0, y0, x1, y1) where blanks are too small to read, and the scale that enlarges each."""
    small = sorted((c for c in cuts if min(c.box) * factor < LEGIBLE_MM), key=lambda c: c.placement.x_mm)
    groups: list[list[Cut]] = []
    reach = -math.inf
    for cut in small:
        if cut.placement.x_mm > reach + 60.0:
            groups.append([])
        groups[-1].append(cut)
        reach = max(reach, cut.placement.x_mm + cut.box[0])
    parts: list[tuple[Box, float]] = []
    for group in groups:
        x0, y0, x1, y1 = _hull(group)
        gain = min((page_mm - 2 * MARGIN_MM - 12.0) / (x1 - x0), 1.6 * MAP_SHARE * page_mm / (y1 - y0), 2.0)
        if len(group) >= FEWEST_SMALL and gain >= CLOSE_UP_GAIN * factor:
            parts.append(((x0, y0, x1, y1), gain))
    return parts


def _close_up(
    drawing: Drawing,
    cuts: tuple[Cut, ...],
    box: Box,
    gain: float,
    top: float,
    units: UnitSystem,
    say: Words,
    left: float = MARGIN_MM + 12.0,
) -> float:
    """A part of the sheet drawn larger; returns the height on the paper at which it ends."""
    x0, y0, x1, y1 = box
    words = say(
        "enlarged: x {x0} to {x1}, y {y0} to {y1} {unit}",
        x0=units.bare_length(x0),
        x1=units.bare_length(x1),
        y0=units.bare_length(y0),
        y1=units.bare_length(y1),
        unit=units.length,
    )
    drawing.text("close-up", left, top - 4.0, words, 3.2, fill=QUIET)
    bottom = top - 6.0 - (y1 - y0) * gain
    scale = _Scale(gain, left, bottom, (x0, y0))
    for cut in cuts:
        if _lies_in(cut, box):
            _blank(drawing, cut, scale, "close-up")
    return bottom - (CLOSE_UP_HEAD_MM - 6.0)


def _head(
    drawing: Drawing, cut_roll: CutRoll, organ_name: str, margin_mm: float, units: UnitSystem, say: Words
) -> None:
    roll, top, right = cut_roll.roll, drawing.height_mm - margin_mm, drawing.width_mm - margin_mm
    kind = say("Sheet to cast") if cut_roll.is_new else say("Remnant") if roll.parent else say("Roll")
    drawing.text("text", margin_mm, top - 6.0, f"{kind} {roll.id}", 7.5, bold=True)
    masses = say(
        "{mass}: blanks {blanks}, remnants {remnants}, offcuts {offcuts}",
        mass=units.show_mass(cut_roll.mass_kg),
        blanks=units.show_mass(cut_roll.blanks_kg),
        remnants=units.show_mass(cut_roll.remnants_kg),
        offcuts=units.show_mass(cut_roll.offcut_kg),
    )
    # what is looked for first stands first: a long name of an organ is cut at its end
    name = ", ".join(part for part in (roll.alloy, say(roll.place) if roll.place else "", organ_name) if part)
    text, size_mm = fitted_text(name, right - margin_mm - text_width_mm(masses, 4.0) - 4.0, 4.6, 3.2)
    drawing.text("text", margin_mm, top - 13.0, text, size_mm)
    size = (
        f"{roll.length_mm:.0f} x {roll.width_mm:.0f} mm ({roll.length_mm / 25.4:.1f} x {roll.width_mm / 25.4:.1f} in)"
    )
    drawing.text("text", right, top - 6.0, size, 4.6, anchor="end")
    drawing.text("text", right, top - 13.0, masses, 4.0, anchor="end", fill=QUIET)
    words = say(
        "thick end left; measure from the left end and the lower edge to a blank's lower left corner; M marks the mouth end"
    )
    fitting = min(3.4, 3.4 * (right - margin_mm) / text_width_mm(words, 3.4))
    drawing.text("text", margin_mm, top - 19.5, words, fitting, fill=QUIET)


def _thickness_map(drawing: Drawing, roll: Roll, scale: _Scale, low: float, high: float) -> None:
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


def _edges(drawing: Drawing, roll: Roll, scale: _Scale, units: UnitSystem) -> None:
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
        drawing.line("no-go", [*corners, corners[0]], width_mm=0.6, stroke="#8c2f39")
        cx, cy = (sum(v) / len(corners) for v in zip(*corners, strict=True))
        drawing.text("no-go", cx, cy - 1.0, "no", 3.0, anchor="middle", fill="#8c2f39")
    unit_mm = 1.0 if units.length == "mm" else 25.4
    along, across = (500, 200) if units.length == "mm" else (12, 6)
    for mark in range(0, int(roll.length_mm / unit_mm) + 1, along):
        a, _ = scale.point(mark * unit_mm, 0)
        drawing.line("marks", [(a, y), (a, y - 1.5)], width_mm=0.25)
        drawing.text("marks", a, y - 5.0, str(mark), 3.0, anchor="middle", fill=QUIET)
    for mark in range(0, int(roll.width_mm / unit_mm) + 1, across):
        _, b = scale.point(0, mark * unit_mm)
        drawing.line("marks", [(x, b), (x - 1.5, b)], width_mm=0.25)
        drawing.text("marks", x - 2.2, b - 1.1, str(mark), 3.0, anchor="end", fill=QUIET)


def _remnant(drawing: Drawing, name: str, polygon: tuple[tuple[float, float], ...], scale: _Scale) -> None:
    corners = tuple(scale.point(a, b) for a, b in polygon)
    drawing.line("remnant", [*corners, corners[0]], width_mm=0.5, dashes=(3.0, 1.2), stroke="#2f5d3a")
    xs, ys = [c[0] for c in corners], [c[1] for c in corners]
    size = min(4.5, (max(xs) - min(xs)) / max(len(name) * 0.6, 1.0) * 0.9)
    if size >= 1.6:
        cx, cy = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
        drawing.text("remnant", cx, cy - size / 3, name, size, anchor="middle", fill="#2f5d3a", bold=True)


def _blank(drawing: Drawing, cut: Cut, scale: _Scale, layer: str = "blank") -> None:
    from pipemetal.documents.drawing import Polygon

    corners = tuple(scale.point(a, b) for a, b in cut.corners)
    name = cut.blank.id
    title = f"{cut.number}. {name}: {cut.actual_mouth_mm:.2f} to {cut.actual_top_mm:.2f} mm"
    if cut.chance is not None:
        title += f", {chance_text(cut.chance)}"
    drawing.add(Polygon(layer, corners, "none", INK, 0.35, title, PENCIL_DASHES if cut.pencil else ()))
    x, y = scale.point(cut.placement.x_mm, cut.placement.y_mm)
    w, h = cut.box[0] * scale.factor, cut.box[1] * scale.factor
    lying, room_along, room_across = w >= h, 0.92, 0.72
    if cut.blank.sector:
        # along its axis, and short of the corners that a sector leaves to its neighbours
        lying, room_along, room_across = cut.placement.turn_deg in (0, 180), 0.72, 0.22
    along, across = (w, h) if lying else (h, w)
    for text, least in ((f"{cut.number}  {name}", 1.5), (str(cut.number), 0.5)):
        size = min(3.6, across * room_across, along / max(text_width_mm(text, 1.0), 0.1) * room_along)
        if size >= least:
            cx, cy = x + w / 2, y + h / 2
            if lying:
                drawing.text("name", cx, cy - size * 0.36, text, size, anchor="middle")
            else:
                drawing.text("name", cx + size * 0.36, cy, text, size, anchor="middle", turn_deg=90.0)
            break
    _mouth_mark(drawing, cut, x, y, w, h)


def _mouth_mark(drawing: Drawing, cut: Cut, x: float, y: float, w: float, h: float) -> None:
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
    drawing.text("name", cx, cy - 0.9, "M", 2.4, anchor="middle", bold=True)


def _legend(
    drawing: Drawing, scale: _Scale, margin_mm: float, low: float, high: float, units: UnitSystem, say: Words
) -> None:
    x, y = scale.left, scale.bottom - 13.5
    for i in range(30):
        drawing.rectangle("legend", x + 2.0 * i, y, 2.05, 3.2, fill=thickness_colour(i / 29), stroke="none")
    words = say("{low} (pale) to {high} (dark)", low=units.show_length(low, 2), high=units.show_length(high, 2))
    drawing.text("legend", x + 62.0, y + 0.4, words, 3.2)
    line_mm, length = (100.0, "100 mm") if units.length == "mm" else (101.6, "4 in")
    right = drawing.width_mm - margin_mm - line_mm
    drawing.line("check", [(right, y + 1.6), (right + line_mm, y + 1.6)], width_mm=0.4)
    for end in (right, right + line_mm):
        drawing.line("check", [(end, y + 0.2), (end, y + 3.0)], width_mm=0.4)
    words = say("check line, {length}", length=length)
    drawing.text("check", right + line_mm / 2.0, y - 2.4, words, 3.0, anchor="middle")


def _list(drawing: Drawing, cuts: tuple[Cut, ...], top: float, units: UnitSystem, say: Words) -> None:
    width = (drawing.width_mm - 2 * MARGIN_MM) / COLUMNS
    rows = math.ceil(len(cuts) / COLUMNS)

    def flat(length_mm: float) -> str:
        return units.bare_length(length_mm)

    metric = units.length == "mm"
    stops = (
        (0.0, 8.0, 51.5, 67.0, 82.5, 97.5, 111.0, 117.2) if metric else (0.0, 8.0, 45.5, 65.5, 86.5, 98.5, 110.5, 117.2)
    )
    wall = units.bare_wall
    walls = (say("wants"), say("metal")) if metric else (say("want mil"), say("has mil"))
    heads = (
        say("no."),
        say("blank"),
        say("size {unit}", unit=units.length),
        say("at x, y"),
        *walls,
        say("turn"),
        say("fits"),
    )
    name_room = stops[2] - stops[1] - 1.0
    for column in range(min(COLUMNS, math.ceil(len(cuts) / max(rows, 1)))):
        left = MARGIN_MM + column * width
        for stop, head in zip(stops, heads, strict=True):
            drawing.text("list", left + stop, top, head, 2.5, fill=QUIET)
        for row, cut in enumerate(cuts[column * rows : (column + 1) * rows], start=1):
            y = top - row * ROW_MM
            name = name_with_labour(cut, units, say)
            name_size = min(2.7, 2.7 * name_room / max(text_width_mm(name, 2.7), 1.0))
            drawing.text("list", left, y, str(cut.number), 2.7, bold=True)
            drawing.text("list", left + stops[1], y, name, name_size)
            drawing.text("list", left + stops[2], y, f"{flat(cut.box[0])} x {flat(cut.box[1])}", 2.5)
            drawing.text("list", left + stops[3], y, f"{flat(cut.placement.x_mm)}, {flat(cut.placement.y_mm)}", 2.5)
            drawing.text("list", left + stops[4], y, "/".join(wall(w) for w in cut.wanted_mm), 2.5)
            drawing.text("list", left + stops[5], y, f"{wall(cut.actual_mouth_mm)}/{wall(cut.actual_top_mm)}", 2.5)
            if cut.placement.turn_deg:
                drawing.text("list", left + stops[6], y, f"{cut.placement.turn_deg}°", 2.3)
            drawing.text("list", left + stops[7], y, chance_text(cut.chance), 2.3)
