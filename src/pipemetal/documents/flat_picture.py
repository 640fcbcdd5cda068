"""Flat parts drawn: blank, finished outline, mouth and lips, joints; a whole body lying, and the mouth's end enlarged."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, Line, Polygon, text_width_mm
from pipemetal.documents.pipe_picture import round_scale
from pipemetal.pipes.bench_card import BenchCard, CardPart
from pipemetal.pipes.flat import FlatLine, FlatPart, flat_lines
from pipemetal.pipes.pipe import Part, RingSector
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = [
    "STYLES",
    "Pen",
    "blank_line",
    "body_pictures",
    "box_of",
    "joint_lines",
    "mouth_picture",
    "named_blank",
    "part_name",
    "scale_text",
    "shown_mm",
]

Point = tuple[float, float]
METAL: Final = "#eceff1"
MARK: Final = "#8a4b1f"
STYLES: Final[dict[str, tuple[str, float, tuple[float, ...]]]] = {
    "blank": (INK, 0.35, ()),
    "finished": (QUIET, 0.2, (1.6, 1.0)),
    "mouth": (MARK, 0.5, ()),
    "upper lip": (MARK, 0.25, ()),
    "lower lip": (MARK, 0.25, ()),
    "joint": (INK, 0.35, (3.0, 1.2)),
    "sounding length": (MARK, 0.25, (1.0, 0.8)),
    "opening at the back": (MARK, 0.25, (1.0, 0.8)),
    "hood": (MARK, 0.3, ()),
    "hole": (MARK, 0.5, ()),
}
"""Colour, width and dashes of every kind of line."""
ARC_POINTS: Final = 48
MARGIN_MM: Final = 14.0
BESIDE_TITLE_MM: Final = 92.0
"""Where a short body's size at the right stands clear of the title."""
MOST_PIECES: Final = 4
LANGUID_LEAST_MM: Final = 64.0
"""Height of a drawing that has room for a languid and its sizes."""
LANGUID_TEXT_MM: Final = 48.0
"""Room of a languid's side view and of its sizes, on a drawing."""


def part_name(kind: str, say: Words) -> str:
    """A kind of part in words, with its number where there are several.

    >>> part_name("body 2", Words())
    'body 2'
    """
    if kind == "chimney":
        return say("chimney tube")
    name, _, number = kind.rpartition(" ")
    return f"{say(name)} {number}" if number.isdecimal() else say(kind)


def named_blank(name: str, kind: str, say: Words) -> str:
    """A blank's name, its part in the reader's language.

    >>> named_blank("Octave 4 c1 body", "body", Words("de"))
    'Octave 4 c1 Körper'
    """
    return f"{name.removesuffix(kind)}{part_name(kind, say)}" if kind and name.endswith(kind) else name


def blank_line(part: Part) -> FlatLine:
    """The outline of a blank in the places of its finished part."""
    if part.sector is None:
        half, low, high = part.width_mm / 2.0, -part.end_mm, part.length_mm - part.end_mm
        return FlatLine("blank", ((-half, low), (half, low), (half, high), (-half, high)), closed=True)
    ring = part.sector
    apex = ring.outer_radius_mm - part.end_mm
    outer = _arc(ring, ring.outer_radius_mm, apex)
    return FlatLine("blank", outer + _arc(ring, ring.inner_radius_mm, apex)[::-1], closed=True)


def _arc(ring: RingSector, radius_mm: float, apex_mm: float) -> tuple[Point, ...]:
    angles = (math.radians(ring.angle_deg) * (k / ARC_POINTS - 0.5) for k in range(ARC_POINTS + 1))
    return tuple((radius_mm * math.sin(a), apex_mm - radius_mm * math.cos(a)) for a in angles)


def joint_lines(card: CardPart) -> tuple[FlatLine, ...]:
    """Where the lengths of a part meet, and the strips within each length."""
    flat = FlatPart.of(card.part)
    found = [flat.level("joint", flat.length_mm * number / card.lengths) for number in range(1, card.lengths)]
    strips = {piece.length_number: piece.strips for piece in card.pieces}
    for number, count in strips.items():
        low, high = (flat.length_mm * n / card.lengths for n in (number - 1, number))
        wide = flat.around_mm(low)
        found += [flat.upright("joint", wide * (k / count - 0.5), low, high) for k in range(1, count)]
    return tuple(found)


def box_of(lines: Sequence[FlatLine]) -> tuple[float, float, float, float]:
    """Least x and y, and most x and y, of some lines."""
    xs = [x for line in lines for x, _ in line.points]
    ys = [y for line in lines for _, y in line.points]
    return min(xs), min(ys), max(xs), max(ys)


@dataclass(frozen=True)
class Pen:
    """Draws lines of flat parts into a drawing; `place` turns mm of the part into mm of paper."""

    drawing: Drawing
    place: Callable[[float, float], Point]

    def line(self, line: FlatLine) -> None:
        stroke, width, dashes = STYLES[line.kind]
        points = tuple(self.place(x, y) for x, y in line.points)
        if line.closed:
            fill = METAL if line.kind == "blank" else "none"
            self.drawing.add(Polygon(line.kind, points, fill, stroke, width, dashes=dashes))
        else:
            self.drawing.add(Line(line.kind, points, stroke, width, dashes))

    def size(self, start: Point, end: Point, words: str, *, below: bool = True) -> None:
        """A size line between two places of paper, its words in the middle, turned where it stands up."""
        self.drawing.line("size", [start, end], stroke=QUIET, width_mm=0.2)
        upright = abs(end[0] - start[0]) < abs(end[1] - start[1])
        for x, y in (start, end):
            tick = [(x - 1.2, y), (x + 1.2, y)] if upright else [(x, y - 1.2), (x, y + 1.2)]
            self.drawing.line("size", tick, stroke=QUIET, width_mm=0.2)
        x, y = (start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0
        if upright:
            self.drawing.text("size", x - 1.2, y, words, 3.0, anchor="middle", turn_deg=90.0)
        else:
            self.drawing.text("size", x, y - 4.0 if below else y + 1.4, words, 3.0, anchor="middle")


def body_pictures(card: BenchCard, units: UnitSystem, say: Words, width_mm: float, high_mm: float) -> list[Drawing]:
    """The flat body lying, its mouth at the left, with joints, allowances and sizes; a body of several pieces has a drawing for
    each, up to MOST_PIECES, which share the height."""
    parts = [c for c in card.parts if c.part.kind.startswith("body")][:MOST_PIECES]
    high = min(max(high_mm / max(len(parts), 1), 40.0), 90.0)
    return [_body_picture(card, part, units, say, width_mm, high) for part in parts]


def _body_picture(
    card: BenchCard, part: CardPart, units: UnitSystem, say: Words, width_mm: float, high_mm: float
) -> Drawing:
    lines = (blank_line(part.part), *flat_lines(card.pipe, part.part, card.rank), *joint_lines(part))
    left, low, right, high = box_of(lines)
    divisor = round_scale(max((high - low) / (width_mm - 2 * MARGIN_MM), (right - left) / (high_mm - 2 * MARGIN_MM)))
    tall = (right - left) / divisor + 2 * MARGIN_MM
    drawing = Drawing(width_mm, tall, f"{card.pipe.id}: {part_name(part.part.kind, say)}")

    def place(x: float, y: float) -> Point:
        along = high - y if part.part.lower_at_small_arc else y - low
        return MARGIN_MM + along / divisor, tall - MARGIN_MM - (x - left) / divisor

    pen = Pen(drawing, place)
    for line in lines:
        pen.line(line)
    flat = FlatPart.of(part.part)
    base = MARGIN_MM - 4.0
    pen.size((place(0, 0.0)[0], base), (place(0, flat.length_mm)[0], base), shown_mm(units, flat.length_mm))
    top = place(left, 0.0)[1]
    ends = (6.0, max(MARGIN_MM + (high - low) / divisor + 8.0, BESIDE_TITLE_MM))
    for at, (half, words) in zip(ends, _across(part, units, say), strict=False):
        pen.size((at, place(half, 0.0)[1]), (at, place(-half, 0.0)[1]), words)
    words = say(
        "Flat {part}, 1 : {scale}, mouth at the left",
        part=part_name(part.part.kind, say),
        scale=scale_text(units, divisor),
    )
    if card.pipe.construction == "resonator" or part.part.kind not in ("body", "body 1"):
        words = say("Flat {part}, 1 : {scale}", part=part_name(part.part.kind, say), scale=scale_text(units, divisor))
    drawing.text("title", MARGIN_MM, tall - 5.0, words, 3.2, fill=QUIET)
    sounding = next((x for x in lines if x.kind in ("sounding length", "opening at the back")), None)
    if sounding is not None:
        x, _ = place(*sounding.points[len(sounding.points) // 2])
        named = f"{say(sounding.kind)} {shown_mm(units, card.pipe.body_length_mm)}"
        drawing.line("mark", [(x, top + 2.6), (x, top)], stroke=MARK, width_mm=0.2)
        drawing.text("mark", max(x, MARGIN_MM + 60.0), top + 3.2, named, 2.8, anchor="end", fill=MARK)
    return drawing


def _across(held: CardPart, units: UnitSystem, say: Words) -> list[tuple[float, str]]:
    """Half of how wide the finished flat metal is in a straight line, in mm, and its words: of a sector the chord of the arc at
    its lower end, then at its upper one, and the arcs."""
    ring = held.flat
    if ring is None:
        return [(held.flat_width_mm / 2.0, shown_mm(units, held.flat_width_mm))]
    turn, found = math.radians(ring.angle_deg), []
    radii = ring.outer_radius_mm, ring.inner_radius_mm
    for radius in radii[::-1] if held.part.lower_at_small_arc else radii:
        half = radius * math.sin(min(turn / 2.0, math.pi / 2.0))
        chord, arc = shown_mm(units, 2.0 * half), shown_mm(units, radius * turn)
        found.append((half, say("chord {chord}, arc {arc}", chord=chord, arc=arc)))
    return found


def scale_text(units: UnitSystem, divisor: float) -> str:
    """The number that a drawing is smaller by."""
    return units.number(divisor, 0 if divisor == int(divisor) else 1)


def shown_mm(units: UnitSystem, length_mm: float) -> str:
    """A length with its unit, to a tenth of a millimetre or finer."""
    return units.show_length(length_mm, 1)


def mouth_picture(card: BenchCard, units: UnitSystem, say: Words, width_mm: float, high_mm: float) -> Drawing | None:
    """The mouth's end of the flat body over the flat foot, middles on one line, and the languid beside them."""
    body = next((c for c in card.parts if c.part.kind in ("body", "body 1")), None)
    foot = next((c for c in card.parts if c.part.kind == "foot"), None)
    mouth = card.mouth
    if body is None or foot is None or mouth is None:
        return None
    up = min(mouth.cut_up_mm + mouth.upper_lip_mm * 1.15, body.flat_length_mm)
    body_lines = _mouth_down(card, body, up)
    foot_lines = (blank_line(foot.part), *flat_lines(card.pipe, foot.part, card.rank))
    left, low, right, high = box_of(foot_lines)
    body_left, _, body_right, _ = box_of(body_lines)
    half = max(-body_left, body_right, -left, right)
    gap_mm, languid_mm = 12.0, 46.0
    across = width_mm - languid_mm - 2 * MARGIN_MM
    divisor = round_scale(max(2 * half / across, (up + high - low) / (high_mm - gap_mm - 16.0)))
    middle = MARGIN_MM + half / divisor
    seam = 8.0 + (high - low) / divisor
    least = LANGUID_LEAST_MM if card.languid is not None else 0.0
    drawing = Drawing(width_mm, max(seam + gap_mm + up / divisor + 9.0, least), card.pipe.id)

    def above(x: float, y: float) -> Point:
        return middle + x / divisor, seam + gap_mm + min(y, up) / divisor

    def below(x: float, y: float) -> Point:
        return middle + x / divisor, seam - (y - low) / divisor

    pen = Pen(drawing, above)
    for line in body_lines:
        pen.line(line)
    if up < body.flat_length_mm:
        # the body goes on above: its upper edge is left open
        drawing.line("open", [above(-half, up), above(half, up)], stroke="#ffffff", width_mm=0.6)
    foot_pen = Pen(drawing, below)
    for line in foot_lines:
        foot_pen.line(line)
    flat = FlatPart.of(body.part, at_small_arc=body.part.lower_at_small_arc)
    _mouth_sizes(pen, card, flat, units, say, above, seam + gap_mm)
    ring = foot.flat
    if ring is not None:
        words = say(
            "foot: radii {outer} and {inner}, {angle}°",
            outer=shown_mm(units, ring.outer_radius_mm),
            inner=shown_mm(units, ring.inner_radius_mm),
            angle=units.number(ring.angle_deg, 2),
        )
        least = 2.0 + text_width_mm(words, 3.0) / 2.0
        drawing.text("size", max(middle, least), 1.6, words, 3.0, anchor="middle")
    title = say("Mouth on the flat body, foot under it, 1 : {scale}", scale=scale_text(units, divisor))
    drawing.text("title", MARGIN_MM, drawing.height_mm - 4.0, title, 3.2, fill=QUIET)
    _languid(drawing, card, units, say, width_mm - languid_mm + 2.0, drawing.height_mm - 14.0)
    return drawing


def _mouth_down(card: BenchCard, body: CardPart, up_mm: float) -> list[FlatLine]:
    """The body's blank, finished outline, mouth and upper lip with the mouth's end at the bottom, and nothing above a height."""
    lines = (blank_line(body.part), *flat_lines(card.pipe, body.part, card.rank))
    if body.part.lower_at_small_arc:
        long = body.flat_length_mm
        lines = tuple(replace(line, points=tuple((x, long - y) for x, y in line.points)) for line in lines)
    return [
        replace(line, points=_clipped(line.points, up_mm)) if line.closed else line
        for line in lines
        if line.kind in ("blank", "finished", "mouth", "upper lip")
    ]


def _clipped(points: Sequence[Point], up_mm: float) -> tuple[Point, ...]:
    """A polygon without what lies above a height."""
    kept: list[Point] = []
    for (x0, y0), (x1, y1) in itertools.pairwise((*points, points[0])):
        if y0 <= up_mm:
            kept.append((x0, y0))
        if (y0 <= up_mm) != (y1 <= up_mm):
            kept.append((x0 + (x1 - x0) * (up_mm - y0) / (y1 - y0), up_mm))
    return tuple(kept)


def _mouth_sizes(
    pen: Pen,
    card: BenchCard,
    flat: FlatPart,
    units: UnitSystem,
    say: Words,
    place: Callable[[float, float], Point],
    edge: float,
) -> None:
    mouth = card.mouth
    assert mouth is not None
    half = mouth.flat_width_mm / 2.0
    (x0, _), (x1, _) = place(*flat.at(-half, 0.0)), place(*flat.at(half, 0.0))
    y = edge - 3.2
    on_arc = f" {say('on the arc')}" if flat.outer_mm > 0.0 else ""
    pen.size((x0, y), (x1, y), f"{say('mouth')} {shown_mm(units, mouth.flat_width_mm)}{on_arc}")
    top = place(0.0, mouth.cut_up_mm)[1]
    words = f"{say('cut-up')} {shown_mm(units, mouth.cut_up_mm)}"
    side = x1 + 4.0
    pen.drawing.line("size", [(side, edge), (side, top)], stroke=QUIET, width_mm=0.2)
    right = place(*flat.at(mouth.centre_mm, 0.0))[0] + 3.0
    pen.drawing.line("size", [(side, (edge + top) / 2.0), (right, (edge + top) / 2.0)], stroke=QUIET, width_mm=0.2)
    pen.drawing.text("size", right + 1.0, (edge + top) / 2.0 - 1.0, words, 3.0)
    left = place(*flat.at(-mouth.centre_mm, 0.0))[0]
    middle = place(0.0, 0.0)[0]
    high = place(0.0, mouth.cut_up_mm + mouth.upper_lip_mm * 1.1)[1]
    pen.size((left, high), (middle, high), f"{shown_mm(units, mouth.centre_mm)}{on_arc}", below=False)


def _languid(drawing: Drawing, card: BenchCard, units: UnitSystem, say: Words, left: float, top: float) -> None:
    """The languid from above and from the side, its sizes under it."""
    held = card.languid
    if held is None:
        return
    across = min(max(top - LANGUID_TEXT_MM, 12.0), 34.0)
    divisor = round_scale(held.diameter_mm / across)
    radius = held.diameter_mm / 2.0 / divisor
    centre = (left + 18.0, top - radius - 2.0)
    drop = (held.depth_mm / divisor) - radius
    half = math.acos(max(min(drop / radius, 1.0), -1.0))
    points = tuple(
        (centre[0] + radius * math.sin(a), centre[1] + radius * math.cos(a))
        for k in range(ARC_POINTS + 1)
        for a in [-(math.pi - half) + 2.0 * (math.pi - half) * k / ARC_POINTS]
    )
    drawing.add(Polygon("languid", points, METAL, INK, 0.35))
    y = centre[1] - radius - 7.0
    thick, depth = 4.0, held.depth_mm / divisor
    slope = thick / math.tan(math.radians(held.bevel_deg))
    x = centre[0] - depth / 2.0
    side = ((x, y), (x + depth, y), (x + depth, y + thick), (x + slope, y + thick))
    drawing.add(Polygon("languid", side, METAL, INK, 0.35))
    low, high = held.bevel_span_deg
    for line in (
        f"{say('languid')}, 1 : {scale_text(units, divisor)}",
        f"Ø {shown_mm(units, held.diameter_mm)}, {say('depth')} {shown_mm(units, held.depth_mm)}",
        f"{say('straight edge')} {shown_mm(units, held.edge_mm)}",
        f"{say('thick')} {units.bare_wall(held.thickness_mm)} {units.wall_unit}",
        *([say("{count} layers", count=held.layers)] if held.layers > 1 else []),
        say("bevel {bevel}° ({low} to {high})", bevel=f"{held.bevel_deg:g}", low=f"{low:g}", high=f"{high:g}"),
    ):
        y -= 4.6
        size = min(3.0, 3.0 * 42.0 / max(text_width_mm(line, 3.0), 1.0))
        drawing.text("languid", left, y, line, size)
