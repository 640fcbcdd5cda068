"""A drawing larger than a page as tiles of paper at full size, with marks to lay them by and lines to check them by."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import shapely
from shapely.geometry.base import BaseGeometry

from pipemetal.documents.drawing import Arc, Drawing, Line, Polygon, Shape, bounds_mm, fitted_text
from pipemetal.documents.sheet import paper_mm
from pipemetal.documents.svg import to_svg
from pipemetal.documents.typeset import HEAD, compiled, text_literal
from pipemetal.words import Words

__all__ = ["MARGIN_MM", "OVERLAP_MM", "Tile", "tile_pdf", "tiles_of"]

MARGIN_MM: Final = 12.0
OVERLAP_MM: Final = 12.0
MOST_TILES: Final = 400
QUIET: Final = "#5d594f"


@dataclass(frozen=True)
class Tile:
    """One page of a tiled drawing: its name (column letter, row from the bottom), and where its corner lies on the drawing."""

    name: str
    left_mm: float
    bottom_mm: float


def tiles_of(drawing: Drawing, paper: str = "a4", *, landscape: bool = False) -> list[Tile]:
    """The pages that a drawing takes, from the lower left, without those that nothing lies on.

    >>> drawing = Drawing(300.0, 200.0)
    >>> drawing.rectangle("cut", 0, 0, 300, 200)
    >>> [tile.name for tile in tiles_of(drawing)]
    ['A1', 'B1']
    """
    wide, high = _room_mm(paper, landscape)
    across = max(1, math.ceil((drawing.width_mm - OVERLAP_MM) / (wide - OVERLAP_MM)))
    up = max(1, math.ceil((drawing.height_mm - OVERLAP_MM) / (high - OVERLAP_MM)))
    inked = [_ink(shape) for shape in drawing.shapes]
    found = []
    for column in range(across):
        for row in range(up):
            left, bottom = column * (wide - OVERLAP_MM), row * (high - OVERLAP_MM)
            tile = shapely.box(left, bottom, left + wide, bottom + high)
            if any(tile.intersects(ink) for ink in inked):
                found.append(Tile(f"{_letters(column)}{row + 1}", left, bottom))
    return found


def _ink(shape: Shape) -> BaseGeometry:
    """Where a shape leaves ink: its line, or the room that a text or a filled area takes."""
    match shape:
        case Arc(start_deg=start, end_deg=end):
            count = max(2, math.ceil(abs(end - start)))
            return shapely.LineString([shape.at(start + (end - start) * k / count) for k in range(count + 1)])
        case Line(points=points):
            return shapely.LineString(points)
        case Polygon(points=points, fill="none"):
            return shapely.LineString([*points, points[0]])
    return shapely.box(*bounds_mm(shape))


def _letters(number: int) -> str:
    return chr(ord("A") + number % 26) if number < 26 else _letters(number // 26 - 1) + chr(ord("A") + number % 26)


def _room_mm(paper: str, landscape: bool) -> tuple[float, float]:
    width, height = paper_mm(paper)
    if landscape:
        width, height = height, width
    return width - 2 * MARGIN_MM, height - 2 * MARGIN_MM


def tile_pdf(drawing: Drawing, paper: str = "a4", say: Words | None = None, *, landscape: bool = False) -> bytes:
    """The drawing at full size on as many pages as it takes.

    Neighbouring pages share a strip of `OVERLAP_MM`: lay one page's broken line on the other's edge line. Every page has a
    line of 100 mm to measure before anything is marked out.

    Raises: UnitError for a paper that is not known; ValueError for a drawing that takes more than 400 pages.
    """
    say = say or Words()
    tiles = tiles_of(drawing, paper, landscape=landscape)
    if len(tiles) > MOST_TILES:
        raise ValueError(f"{len(tiles)} pages for one drawing: take fewer blanks, or DXF")
    wide, high = _room_mm(paper, landscape)
    files = {"drawing.svg": to_svg(drawing).encode()}
    image = f'image("drawing.svg", width: {drawing.width_mm:.4f}mm, height: {drawing.height_mm:.4f}mm)'
    pages = []
    for number, tile in enumerate(tiles):
        files[f"frame{number}.svg"] = to_svg(_frame(drawing, tile, tiles, (wide, high), say)).encode()
        top = drawing.height_mm - tile.bottom_mm - high
        page = (wide + 2 * MARGIN_MM, high + 2 * MARGIN_MM)
        window = f"place(top + left, dx: {-tile.left_mm:.4f}mm, dy: {-top:.4f}mm, {image})"
        framed = f'image("frame{number}.svg", width: {page[0]:.4f}mm, height: {page[1]:.4f}mm)'
        pages.append(
            f"#page(width: {page[0]:.4f}mm, height: {page[1]:.4f}mm, margin: 0mm)[\n"
            f"#place(top + left, dx: {MARGIN_MM}mm, dy: {MARGIN_MM}mm, "
            f"box(width: {wide:.4f}mm, height: {high:.4f}mm, clip: true, {window}))\n"
            f"#place(top + left, {framed})]\n"
        )
    head = HEAD.format(title=text_literal(drawing.title), language=text_literal(say.language), date="none")
    return compiled(head + "".join(pages), files)


def _frame(drawing: Drawing, tile: Tile, tiles: list[Tile], room: tuple[float, float], say: Words) -> Drawing:
    """Edge lines, broken lines where the next page is laid, the page's name, and its check line."""
    wide, high = room
    frame = Drawing(wide + 2 * MARGIN_MM, high + 2 * MARGIN_MM, tile.name)
    m, right, top = MARGIN_MM, MARGIN_MM + wide, MARGIN_MM + high
    frame.rectangle("edge", m, m, wide, high, width_mm=0.2, stroke=QUIET)
    if tile.left_mm + wide < drawing.width_mm - 1e-6:
        x = right - OVERLAP_MM
        frame.line("overlap", [(x, m), (x, top)], width_mm=0.2, dashes=(3.0, 2.0), stroke=QUIET)
    if tile.bottom_mm + high < drawing.height_mm - 1e-6:
        y = top - OVERLAP_MM
        frame.line("overlap", [(m, y), (right, y)], width_mm=0.2, dashes=(3.0, 2.0), stroke=QUIET)
    for x, y in ((m, m), (right, m), (m, top), (right, top)):
        frame.line("mark", [(x - 4.0, y), (x + 4.0, y)], width_mm=0.25)
        frame.line("mark", [(x, y - 4.0), (x, y + 4.0)], width_mm=0.25)
    words = say(
        "{title}: page {name}, {number} of {count}",
        title=drawing.title,
        name=tile.name,
        number=tiles.index(tile) + 1,
        count=len(tiles),
    )
    frame.text("name", m + 6.0, top + 3.0, *fitted_text(words, wide - 30.0, 3.4, 2.2))
    _place(frame, tile, tiles, right, top)
    frame.line("check", [(m + 6.0, m - 4.0), (m + 106.0, m - 4.0)], width_mm=0.3)
    for x in (m + 6.0, m + 106.0):
        frame.line("check", [(x, m - 5.5), (x, m - 2.5)], width_mm=0.3)
    frame.text("check", m + 109.0, m - 5.0, say("100 mm: measure it first"), 2.8)
    return frame


def _place(frame: Drawing, tile: Tile, tiles: list[Tile], right: float, top: float) -> None:
    """All pages small, this one filled, so that it is seen where it lies among the others."""
    lefts = sorted({t.left_mm for t in tiles})
    bottoms = sorted({t.bottom_mm for t in tiles})
    size = min(8.0 / len(bottoms), 24.0 / len(lefts), 4.0)
    for one in tiles:
        x = right - size * (len(lefts) - lefts.index(one.left_mm))
        y = top + 1.5 + size * bottoms.index(one.bottom_mm)
        frame.rectangle("place", x, y, size, size, fill=QUIET if one is tile else "none", stroke=QUIET, width_mm=0.15)
