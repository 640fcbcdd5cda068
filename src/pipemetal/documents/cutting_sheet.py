"""The cutting sheet of a roll: the layout to scale on its thickness map, and every blank in the order of marking out.

x runs along the sheet from its left end, which its metal tells, y across it from the lower edge. The numbers are the order
of marking out, and each blank's place is measured from those two edges to its lower left corner.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pipemetal.documents.colours import QUIET, thickness_colour
from pipemetal.documents.cutting_list import ROW_MM, CutList, ListLine, cut_lists
from pipemetal.documents.cutting_map import AXIS_MM, LEFT_MM, CloseUp, close_ups, draw_close_up, draw_map
from pipemetal.documents.drawing import Drawing, fitted_text, text_width_mm
from pipemetal.documents.marks import UNKNOWN_MARK, draw_mark
from pipemetal.planning.cuts import CutRoll
from pipemetal.sheets.ends import left_end
from pipemetal.texts import Text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["cutting_pages", "cutting_sheet"]

PAGE_MM: Final = 400.0
"""Width of a sheet that is not printed on a paper of its own."""
ENDLESS_MM: Final = 20_000.0
HEAD_MM: Final = 19.5
RIGHT_MM: Final = 4.5
"""Room for half of the last figure under the map."""
LEGEND_MM: Final = 7.5
GAP_MM: Final = 4.0
MAP_SHARE: Final = 0.55
"""Most of the page's height that the map takes."""
PART_SHARE: Final = 0.45
MOST_PART_MM: Final = 160.0
"""Most of a page's height, and most, that one enlarged part takes."""
SHRINKS: Final = (1.0, 0.85, 0.7, 0.6, 0.5, 0.42)
"""How much smaller the map is drawn where that saves a page."""
FEWEST_LINES: Final = 4
"""Fewer lines in a column are left for the next page."""
LEAST_FILLED: Final = 0.36
"""So far a page is filled at least."""


@dataclass
class _Page:
    """What stands on one page, from the top: enlarged parts with their left edge and top, and a share of the list."""

    used_mm: float
    parts: list[tuple[CloseUp, float, float]] = field(default_factory=list)
    lines: int = 0
    list_top_mm: float = 0.0


@dataclass(frozen=True)
class _Map:
    """A map at one size: the paper's mm for one of the sheet, its width and height, and its parts that are enlarged."""

    factor: float
    wide_mm: float
    high_mm: float
    parts: tuple[CloseUp, ...]


@dataclass(frozen=True)
class _Arranged:
    """A cutting sheet as it goes on pages."""

    map: _Map
    listed: CutList
    pages: tuple[_Page, ...]

    def badness(self, high_mm: float) -> tuple[int, bool]:
        """How many pages it takes, and whether the last is nearly empty."""
        return len(self.pages), self.pages[-1].used_mm < LEAST_FILLED * high_mm


def cutting_pages(
    cut_roll: CutRoll,
    organ_name: str,
    units: UnitSystem,
    say: Words,
    room_mm: tuple[float, float],
    marks: Mapping[str, str] | None = None,
) -> list[Drawing]:
    """The cutting sheet on as few pages as its letters allow, each a drawing at most `room_mm` wide and high.

    The map is as wide as the page; parts too crowded to read are drawn again, enlarged, under it. `marks`: the mark of each
    alloy, as of `documents.marks`.
    """
    arranged = _shortest(cut_roll, units, say, room_mm)
    drawings, lines = [], list(arranged.listed.lines)
    for number, page in enumerate(arranged.pages):
        high = min(page.used_mm, room_mm[1])
        drawing = Drawing(room_mm[0], high, say("Cutting sheet {roll}", roll=cut_roll.roll.id))
        if number == 0:
            _first(drawing, cut_roll, organ_name, arranged.map, units, say, (marks or {}).get(cut_roll.roll.alloy, ""))
        for part, left, top in page.parts:
            draw_close_up(drawing, part, left, high - top, units, say)
        if page.lines:
            room = page.used_mm - page.list_top_mm
            arranged.listed.draw(drawing, lines[: page.lines], high - page.list_top_mm, room_mm[0], room)
            lines = lines[page.lines :]
        drawings.append(drawing)
    return drawings


def cutting_sheet(
    cut_roll: CutRoll,
    organ_name: str,
    units: UnitSystem | None = None,
    say: Words | None = None,
    *,
    page_mm: float = PAGE_MM,
) -> Drawing:
    """The whole cutting sheet as one drawing `page_mm` wide and as high as it takes."""
    room = (page_mm, ENDLESS_MM)
    (made,) = cutting_pages(cut_roll, organ_name, units or UnitSystem(), say or Words(), room)
    paper = Drawing(made.width_mm, made.height_mm)
    paper.rectangle("paper", 0, 0, made.width_mm, made.height_mm, fill="#ffffff", stroke="none")
    return Drawing(made.width_mm, made.height_mm, made.title, paper.shapes + made.shapes)


def _maps(cut_roll: CutRoll, room_mm: tuple[float, float], say: Words) -> Iterator[_Map]:
    """The map as large as the page is wide, then smaller ones, each with the parts that are then too crowded to read."""
    wide, high = room_mm
    roll = cut_roll.roll
    for shrink in SHRINKS:
        factor = shrink * min((wide - LEFT_MM - RIGHT_MM) / roll.length_mm, MAP_SHARE * high / roll.width_mm)
        parts = close_ups(cut_roll.cuts, factor, (wide, min(PART_SHARE * high, MOST_PART_MM)), say)
        yield _Map(factor, roll.length_mm * factor, roll.width_mm * factor, tuple(parts))


def _shortest(cut_roll: CutRoll, units: UnitSystem, say: Words, room_mm: tuple[float, float]) -> _Arranged:
    """The map as large and the list as full as go on the fewest pages."""
    best: _Arranged | None = None
    lists = cut_lists(cut_roll.cuts, room_mm[0], units, say)
    for held in _maps(cut_roll, room_mm, say):
        for listed in lists:
            found = _arranged(held, listed, room_mm)
            if best is None or found.badness(room_mm[1]) < best.badness(room_mm[1]):
                best = found
            if len(best.pages) == 1:
                return best
    assert best is not None
    return best


def _arranged(held: _Map, listed: CutList, room_mm: tuple[float, float]) -> _Arranged:
    """A sheet's map, then its enlarged parts, then its list, each going on over the page where it must."""
    high = room_mm[1]
    pages = [_Page(HEAD_MM + held.high_mm + AXIS_MM + LEGEND_MM)]
    _put_parts(pages, _beside(pages[0], held, room_mm[0]), room_mm)
    rest = list(listed.lines)
    while rest:
        page = pages[-1]
        page.list_top_mm = page.used_mm
        page.lines = listed.fits(rest, high - page.used_mm)
        if page.lines == len(rest):
            page.used_mm += listed.even_mm(rest)
            break
        page.lines = _kept_back(page.lines, rest, listed, high)
        page.used_mm = high if page.lines else page.used_mm
        rest = rest[page.lines :]
        pages.append(_Page(0.0))
    return _Arranged(held, listed, tuple(pages))


def _beside(page: _Page, held: _Map, wide_mm: float) -> list[CloseUp]:
    """Enlarged parts to the right of a map that is not as wide as the page; returns those that find no place there."""
    first = LEFT_MM + held.wide_mm + RIGHT_MM + GAP_MM
    left, top, row_high = first, HEAD_MM, 0.0
    rest = []
    for part in held.parts:
        if left > first and left + part.width_mm > wide_mm:
            left, top, row_high = first, top + row_high + GAP_MM, 0.0
        if left + part.width_mm > wide_mm or top + part.height_mm > HEAD_MM + held.high_mm + AXIS_MM:
            rest.append(part)
            continue
        page.parts.append((part, left, top))
        left += part.width_mm + GAP_MM
        row_high = max(row_high, part.height_mm)
    return rest


def _put_parts(pages: list[_Page], parts: Sequence[CloseUp], room_mm: tuple[float, float]) -> None:
    """Enlarged parts side by side in rows, under what stands there."""
    wide, high = room_mm
    left = row_high = 0.0
    for part in parts:
        if left and left + part.width_mm > wide:
            pages[-1].used_mm += row_high + GAP_MM
            left = row_high = 0.0
        if pages[-1].used_mm + part.height_mm > high:
            pages[-1].used_mm += row_high
            pages.append(_Page(0.0))
            left = row_high = 0.0
        pages[-1].parts.append((part, left, pages[-1].used_mm))
        left += part.width_mm + GAP_MM
        row_high = max(row_high, part.height_mm)
    if parts:
        pages[-1].used_mm += row_high + GAP_MM


def _kept_back(fitting: int, rest: Sequence[ListLine], listed: CutList, high_mm: float) -> int:
    """How many of the lines that fit stay here, so that the next page is not nearly empty and no heading stands alone."""
    wanted = math.ceil(LEAST_FILLED * high_mm / ROW_MM) * listed.across
    lines = max(min(fitting, len(rest) - wanted), 0)
    if lines < FEWEST_LINES * listed.across:
        return 0
    while lines and not rest[lines - 1].cells:
        lines -= 1
    return lines


def _first(
    drawing: Drawing, cut_roll: CutRoll, organ_name: str, held: _Map, units: UnitSystem, say: Words, mark: str
) -> None:
    """What stands on the first page only: the head, the map, the legend and the check line."""
    _head(drawing, cut_roll, organ_name, units, say, mark or UNKNOWN_MARK)
    bottom = drawing.height_mm - HEAD_MM - held.high_mm
    draw_map(drawing, cut_roll, held.factor, (LEFT_MM, bottom), held.parts, units, say)
    letters = [part.letter for part in held.parts]
    told = [say("{parts}: enlarged", parts=" – ".join(dict.fromkeys((letters[0], letters[-1]))))] if letters else []
    _legend(drawing, cut_roll, bottom - AXIS_MM - 6.0, told, units, say)


def _head(drawing: Drawing, cut_roll: CutRoll, organ_name: str, units: UnitSystem, say: Words, mark: str) -> None:
    roll, top, right = cut_roll.roll, drawing.height_mm, drawing.width_mm
    kind = say("Sheet to cast") if cut_roll.is_new else say("Remnant") if roll.parent else say("Roll")
    title = f"{kind} {roll.id}"
    size = f"{units.bare_length(roll.length_mm)} x {units.show_length(roll.width_mm)}"
    room = right - text_width_mm(size, 5.0) - 6.0
    text, large = fitted_text(title, room, 7.5, 4.0, bold=True)
    drawing.text("text", 0.0, top - 6.0, text, large, bold=True)
    drawing.text("text", right, top - 6.0, size, 5.0, anchor="end")
    masses = say(
        "{mass}: blanks {blanks}, remnants {remnants}, offcuts {offcuts}",
        mass=units.show_mass(cut_roll.mass_kg),
        blanks=units.show_mass(cut_roll.blanks_kg),
        remnants=units.show_mass(cut_roll.remnants_kg),
        offcuts=units.show_mass(cut_roll.offcut_kg),
    )
    draw_mark(drawing, mark, 0.0, top - 12.6, 3.6)
    # what is looked for first stands first: a long name of an organ is cut at its end
    name = ", ".join(part for part in (roll.alloy, say(roll.place) if roll.place else "", organ_name) if part)
    text, size_mm = fitted_text(name, right - 6.0 - text_width_mm(masses, 3.6) - 4.0, 4.4, 3.0)
    drawing.text("text", 6.0, top - 12.5, text, size_mm)
    drawing.text("text", right, top - 12.5, masses, 3.6, anchor="end", fill=QUIET)
    words = Text(
        "{end}; measure from the left end and the lower edge to a blank's lower left corner; M marks the mouth end",
        end=left_end(roll.field),
    )
    drawing.text("text", 0.0, top - 18.0, *fitted_text(say.read(words, units), right, 3.2, 2.4), fill=QUIET)


def _legend(drawing: Drawing, cut_roll: CutRoll, y: float, told: Sequence[str], units: UnitSystem, say: Words) -> None:
    thickness = cut_roll.roll.field.thickness_mm
    for i in range(30):
        drawing.rectangle("legend", LEFT_MM + 1.2 * i, y, 1.25, 3.0, fill=thickness_colour(i / 29), stroke="none")
    words = say(
        "{low} (pale) to {high} (dark)",
        low=units.show_length(float(thickness.min()), 2),
        high=units.show_length(float(thickness.max()), 2),
    )
    if any(cut.pencil for cut in cut_roll.cuts):
        told = [*told, say("broken line: not sure enough, gauge first")]
    words = "; ".join([words, *told])
    line_mm, length = (100.0, "100 mm") if units.length == "mm" else (101.6, "4 in")
    right = drawing.width_mm - line_mm
    check = say("check line, {length}", length=length)
    end = right - text_width_mm(check, 2.6) - 3.0
    drawing.text("legend", LEFT_MM + 38.0, y + 0.5, *fitted_text(words, end - LEFT_MM - 41.0, 3.0, 2.2))
    drawing.text("check", end, y + 0.6, check, 2.6)
    drawing.line("check", [(right, y + 1.5), (right + line_mm, y + 1.5)], width_mm=0.4)
    for mark in (right, right + line_mm):
        drawing.line("check", [(mark, y + 0.1), (mark, y + 2.9)], width_mm=0.4)
