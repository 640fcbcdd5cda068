"""Patterns on paper: plain rectangles by their sizes, other blanks at full size on tiles, or all of them on a plotter's roll."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from pipemetal.documents.colours import QUIET
from pipemetal.documents.drawing import LEAST_LETTERS_MM, Drawing, fitted_text
from pipemetal.documents.patterns import GAP_MM, Marks, pattern_drawing
from pipemetal.documents.sheet import Block, NewPage, Picture, Sheet, paper_mm
from pipemetal.documents.shown import with_notes_named
from pipemetal.documents.tiles import tile_pdf, tiles_of
from pipemetal.documents.typeset import FOOT_MM, MARGIN_MM, drawing_pages, to_pdf
from pipemetal.errors import UnitError
from pipemetal.pipes.flat import FlatLine
from pipemetal.pipes.pipe import Part
from pipemetal.texts import Amount, Text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["is_plain", "pattern_pdfs", "roll_pdf", "sized_drawing"]

LEAST_ROLL_MM: Final = 200.0
MOST_ROLL_MM: Final = 2000.0
DOWN: Final = 3
ACROSS: Final = 2
GAP_BETWEEN_MM: Final = 5.0


def is_plain(part: Part) -> bool:
    """Whether a blank is a rectangle, which is marked out by its sizes."""
    return part.sector is None


def pattern_pdfs(
    parts: Sequence[Part],
    title: str,
    marks: Marks,
    units: UnitSystem,
    say: Words,
    paper: str = "a4",
    *,
    landscape: bool = False,
) -> dict[str, bytes]:
    """The patterns of some blanks by the ending of their file's name.

    Rectangles go on one file with their sizes, six a page; a rectangle that fits the paper, and every sector, at full size on
    tiles of its own.

    Raises: ValueError for a blank that takes more than 400 pages.
    """
    sized = [p for p in parts if is_plain(p) and not _fits(p, marks, units, say, paper, landscape)]
    found: dict[str, bytes] = {}
    if sized:
        found["-sizes" if len(sized) < len(parts) else ""] = sizes_pdf(sized, title, marks, units, say, paper)
    tiled = [p for p in parts if p not in sized]
    if len(tiled) == 1 or (tiled and _fits_together(tiled, marks, units, say, paper, landscape)):
        drawing = pattern_drawing(tiled, title, marks, units, say)
        found[""] = tile_pdf(drawing, paper, say, landscape=landscape)
        return found
    for part in tiled:
        drawing = pattern_drawing([part], part.id, marks, units, say)
        own = (
            part.id.removesuffix(part.kind).strip().rpartition(" ")[2].lower().replace("#", "-sharp").replace("/", "-")
        )
        found[f"-{own}"] = tile_pdf(drawing, paper, say, landscape=landscape)
    return found


def _fits(part: Part, marks: Marks, units: UnitSystem, say: Words, paper: str, landscape: bool) -> bool:
    return _fits_together([part], marks, units, say, paper, landscape)


def _fits_together(
    parts: Sequence[Part], marks: Marks, units: UnitSystem, say: Words, paper: str, landscape: bool
) -> bool:
    """Whether these blanks side by side go on one page at full size."""
    return len(tiles_of(pattern_drawing(parts, "", marks, units, say), paper, landscape=landscape)) == 1


def sizes_pdf(
    parts: Sequence[Part], title: str, marks: Marks, units: UnitSystem, say: Words, paper: str = "a4"
) -> bytes:
    """Rectangles with their sizes, to be marked out with rule and square: one on a page, or six."""
    width, height = paper_mm(paper)
    room = (width - 2 * MARGIN_MM, height - MARGIN_MM - FOOT_MM - 2.0)
    across, down = (1, 1) if len(parts) == 1 else (ACROSS, DOWN)
    size = ((room[0] + GAP_BETWEEN_MM) / across - GAP_BETWEEN_MM, (room[1] + GAP_BETWEEN_MM) / down - GAP_BETWEEN_MM)
    blocks: list[Block] = []
    for first in range(0, len(parts), across * down):
        page = Drawing(*room, title)
        for index, part in enumerate(parts[first : first + across * down]):
            row, column = divmod(index, across)
            corner = (column * (size[0] + GAP_BETWEEN_MM), room[1] - row * (size[1] + GAP_BETWEEN_MM) - size[1])
            sized_drawing(page, part, corner, size, marks.get(part.id, ()), units, say)
        blocks += [NewPage(), Picture(page)] if first else [Picture(page)]
    return to_pdf(
        [Sheet("", "", tuple(blocks), foot=with_notes_named(title, say), running=title, named=True)], paper, say
    )


def sized_drawing(
    drawing: Drawing,
    part: Part,
    corner: tuple[float, float],
    size_mm: tuple[float, float],
    marks: Sequence[FlatLine],
    units: UnitSystem,
    say: Words,
) -> None:
    """A rectangle smaller than it is: its length, width and diagonal, and how high each mark stands over its lower edge."""
    x, y = corner
    wide, high = size_mm
    text, letters = fitted_text(part.id, wide, 4.4, LEAST_LETTERS_MM, bold=True)
    drawing.text("label", x, y + high - 5.0, text, letters, bold=True)
    rows = _rows(part, marks, units, say)
    row_mm = 4.6
    room = (0.42 * wide, high - 14.0)
    factor = min(room[0] / part.width_mm, room[1] / part.length_mm)
    w, h = part.width_mm * factor, part.length_mm * factor
    left, bottom = x + 2.0, y + 3.0
    drawing.rectangle("cut", left, bottom, w, h, width_mm=0.35)
    drawing.line("cut", [(left, bottom), (left + w, bottom + h)], width_mm=0.15, dashes=(2.0, 1.5), stroke=QUIET)
    for mark in marks:
        if mark.kind != "finished":
            points = [(left + w / 2.0 + a * factor, bottom + (b + part.end_mm) * factor) for a, b in mark.points]
            drawing.line("mark", [*points, points[0]] if mark.closed else points, width_mm=0.2, dashes=(1.0, 0.8))
    column = x + 0.46 * wide
    for row, (what, value) in enumerate(rows):
        at = y + high - 12.0 - row_mm * row
        if at < y + 1.0:
            break
        shown, large = fitted_text(value, 0.26 * wide, 3.4, LEAST_LETTERS_MM, bold=True)
        drawing.text("label", x + wide, at, shown, large, anchor="end", bold=True)
        drawing.text("label", column, at, *fitted_text(what, 0.26 * wide, 3.0, LEAST_LETTERS_MM), fill=QUIET)


def _rows(part: Part, marks: Sequence[FlatLine], units: UnitSystem, say: Words) -> list[tuple[str, str]]:
    """What is measured, and how much."""
    walls = dict.fromkeys((units.bare_wall(part.wall_below_mm), units.bare_wall(part.wall_above_mm)))
    rows = [
        (say("length"), units.show_length(part.length_mm, 1)),
        (say("width"), units.show_length(part.width_mm, 1)),
        (say("corner to corner"), units.show_length(math.hypot(part.length_mm, part.width_mm), 1)),
        (say("wall below, above"), f"{' / '.join(walls)} {units.wall_unit}"),
    ]
    if part.edge_mm or part.end_mm:
        edges = say(
            "edges {edge}, ends {end}", edge=units.bare_length(part.edge_mm, 1), end=units.show_length(part.end_mm, 1)
        )
        rows.append((say("allowed"), edges))
    for mark in marks:
        if mark.kind == "finished":
            continue
        ys = [p[1] + part.end_mm for p in mark.points]
        ends = dict.fromkeys((units.bare_length(min(ys), 1), units.show_length(max(ys), 1)))
        height = units.show_length(max(ys), 1) if max(ys) - min(ys) < 0.05 else " – ".join(ends)
        rows.append((say("{mark}, up", mark=say(mark.kind)), height))
        if mark.width_mm < 0.98 * part.width_mm:
            rows.append((say("{mark}, wide", mark=say(mark.kind)), units.show_length(mark.width_mm, 1)))
    return rows


def roll_pdf(parts: Sequence[Part], title: str, marks: Marks, units: UnitSystem, say: Words, width_mm: float) -> bytes:
    """Blanks at full size on a plotter's roll so wide: rows of them, each a page as long as its longest blank.

    Raises: UnitError for a width outside 200 to 2000 mm, or one that a blank is wider than.
    """
    limits = Text("{low} to {high}", low=Amount.short(LEAST_ROLL_MM), high=Amount.short(MOST_ROLL_MM, "mm"))
    if not LEAST_ROLL_MM <= width_mm <= MOST_ROLL_MM:
        raise UnitError("is no width of a plotter's roll", field="roll", value=width_mm, allowed=limits, example="610")
    rows: list[list[Part]] = [[]]
    for part in sorted(parts, key=lambda p: -p.length_mm):
        if part.width_mm + 2 * GAP_MM > width_mm:
            raise UnitError(
                "is narrower than a blank and its margins",
                field="roll",
                value=width_mm,
                where=part.id,
                allowed=Text("at least {wide}", wide=Amount(part.width_mm + 2 * GAP_MM, "mm", 0)),
            )
        used = sum(p.width_mm + GAP_MM for p in rows[-1]) + GAP_MM
        if rows[-1] and used + part.width_mm + GAP_MM > width_mm:
            rows.append([])
        rows[-1].append(part)
    drawings = []
    for row in rows:
        drawn = pattern_drawing(row, title, marks, units, say)
        drawings.append(Drawing(width_mm, drawn.height_mm, title, drawn.shapes))
    return drawing_pages(drawings, title)
