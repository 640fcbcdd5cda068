"""The list of a cutting sheet: every blank in the order of marking out, as short as letters of eight points allow.

What the hand does stands in letters of eight points: the number, the name, the size, the place, the turn. What the eye checks
stands smaller: the wall wanted and there, and the chance that it fits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.documents.chances import blank_name, chance_text, name_with_labour
from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, fitted_text, point_mm, text_width_mm
from pipemetal.documents.flat_picture import part_name
from pipemetal.planning.cuts import Cut
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["ROW_MM", "CutList", "ListLine", "cut_lists"]

HAND_MM: Final = point_mm(8.0)
CHECK_MM: Final = point_mm(6.5)
ROW_MM: Final = 3.2
GAP_MM: Final = 1.3
CLOSE_MM: Final = 0.9
"""Between cells of the closest manner."""
BETWEEN_MM: Final = 3.0
LARGE_MM: Final = 250.0
"""Longer blanks keep their place in the order of marking out."""
HEADS: Final = 1
"""Lines that the headings of a column take."""


@dataclass(frozen=True)
class _Column:
    """One kind of cell: its heading, how large it is written, whether to the right, and how wide its widest cell is."""

    head: str
    size_mm: float
    right: bool
    width_mm: float
    bold: bool = False


@dataclass(frozen=True)
class ListLine:
    """A blank's cells; or, where there are none, the heading of those that follow: their group and its walls."""

    group: str
    cells: tuple[str, ...] = ()
    walls: str = ""


@dataclass(frozen=True)
class CutList:
    """The list in one manner: its columns of cells, its lines, and into how many newspaper columns of a page it goes."""

    columns: tuple[_Column, ...]
    lines: tuple[ListLine, ...]
    across: int
    gap_mm: float = GAP_MM

    def rows(self, high_mm: float) -> int:
        """Lines of a newspaper column so high, without its heading."""
        return max(int(high_mm / ROW_MM + 1e-6) - HEADS, 0)

    def even_mm(self, lines: Sequence[ListLine]) -> float:
        """Height that these lines take in columns as even as they can be."""
        return (self._even(lines) + HEADS) * ROW_MM + 1.0

    def _even(self, lines: Sequence[ListLine]) -> int:
        rows = max(2, math.ceil(len(lines) / self.across))
        while len(self._spread(lines, rows)[1]) < len(lines):
            rows += 1
        return rows

    def fits(self, lines: Sequence[ListLine], high_mm: float) -> int:
        """How many of these lines go into a height."""
        return len(self._spread(lines, self.rows(high_mm))[1])

    def draw(self, drawing: Drawing, lines: Sequence[ListLine], top: float, wide_mm: float, high_mm: float) -> None:
        """These lines from `top` down, in columns as even as they can be."""
        most = self.rows(high_mm)
        even = min(self._even(lines), most)
        stride = (wide_mm + BETWEEN_MM) / self.across
        for index, column in enumerate(self._spread(lines, even)[0]):
            self._column(drawing, column, index * stride, top, stride - BETWEEN_MM)

    def _spread(self, lines: Sequence[ListLine], rows: int) -> tuple[list[list[ListLine]], list[ListLine]]:
        """Lines in columns of so many rows, and those that found a place. A group that goes on is named again."""
        columns: list[list[ListLine]] = []
        placed: list[ListLine] = []
        rest = list(lines)
        while rest and len(columns) < self.across and rows > 1:
            column: list[ListLine] = []
            if rest[0].cells and rest[0].group:
                column.append(ListLine(rest[0].group, walls=rest[0].walls))
            while rest and len(column) < rows:
                if not rest[0].cells and len(column) == rows - 1:
                    break  # no heading at the foot of a column
                column.append(rest.pop(0))
                placed.append(column[-1])
            columns.append(column)
        return columns, placed

    def _column(self, drawing: Drawing, lines: Sequence[ListLine], left: float, top: float, wide: float) -> None:
        self._row(drawing, [c.head for c in self.columns], left, top - CHECK_MM, head=True)
        for row, line in enumerate(lines, start=HEADS):
            y = top - row * ROW_MM - HAND_MM
            if not line.cells:
                drawing.text("list", left + wide, y, line.walls, CHECK_MM, anchor="end", fill=QUIET)
                room = wide - text_width_mm(line.walls, CHECK_MM) - GAP_MM
                rank, comma, kind = line.group.rpartition(", ")
                own = comma + kind
                name, size = fitted_text(rank, room - text_width_mm(own, HAND_MM), HAND_MM, CHECK_MM)
                drawing.text("list", left, y, name + own, size)
                drawing.line("rule", [(left, y - 0.55), (left + wide, y - 0.55)], width_mm=0.25)
                continue
            drawing.line("rule", [(left, y - 0.55), (left + wide, y - 0.55)], stroke="#c9c4b8", width_mm=0.1)
            self._row(drawing, line.cells, left, y)

    def _row(self, drawing: Drawing, cells: Sequence[str], left: float, y: float, *, head: bool = False) -> None:
        x = left
        for column, cell in zip(self.columns, cells, strict=True):
            size = CHECK_MM if head else column.size_mm
            at, anchor = (x + column.width_mm, "end") if column.right else (x, "start")
            fill = QUIET if head or column.size_mm == CHECK_MM else INK
            if cell:
                drawing.text("list", at, y, cell, size, anchor=anchor, fill=fill, bold=column.bold and not head)
            x += column.width_mm + self.gap_mm


@dataclass(frozen=True)
class _Manner:
    """How the list is written: parts of a rank under one heading, and all of them together; the checks that a line holds."""

    grouped: bool = False
    gathered: bool = False
    has: bool = True
    walls: bool = True


MANNERS: Final = (
    _Manner(),
    _Manner(grouped=True),
    _Manner(grouped=True, gathered=True, has=False),
    _Manner(grouped=True, gathered=True, has=False, walls=False),
)


def cut_lists(cuts: Sequence[Cut], wide_mm: float, units: UnitSystem, say: Words) -> list[CutList]:
    """The list in every manner, the fullest first.

    Whole names; then the blanks of a rank's part under one heading, as they follow in the order of marking out; then all of them
    together, without the wall that is there; then the walls wanted in the headings alone.
    """
    made = []
    for manner in MANNERS:
        lines = _lines(_gathered(cuts) if manner.gathered else cuts, units, say, manner)
        columns = _columns(lines, units, say, manner)
        gap = GAP_MM if manner.walls else CLOSE_MM
        wide = sum(c.width_mm for c in columns) + gap * (len(columns) - 1)
        made.append(CutList(columns, lines, max(1, int((wide_mm + BETWEEN_MM) / (wide + BETWEEN_MM))), gap))
    return made


def _gathered(cuts: Sequence[Cut]) -> list[Cut]:
    """The large blanks in the order of marking out, then the small ones of each rank's part together."""
    first: dict[tuple[str, str], int] = {}
    for cut in cuts:
        if max(cut.box) < LARGE_MM:
            first.setdefault((cut.rank, cut.blank.kind), cut.number)
    return sorted(cuts, key=lambda c: (0 if max(c.box) >= LARGE_MM else first[c.rank, c.blank.kind], c.number))


def _lines(cuts: Sequence[Cut], units: UnitSystem, say: Words, manner: _Manner) -> tuple[ListLine, ...]:
    walls: dict[str, list[float]] = {}
    for cut in cuts:
        walls.setdefault(_group(cut, say), []).extend(cut.wanted_mm)
    lines: list[ListLine] = []
    for cut in cuts:
        name, group, told = name_with_labour(cut, units, say), "", ""
        if manner.grouped:
            group, name = _group(cut, say), _own_name(cut, name, say)
            if not manner.walls:
                told = _between(walls[group], units)
                name += f" {chance_text(cut.chance)}" if cut.pencil else ""
            if not lines or lines[-1].group != group:
                lines.append(ListLine(group, walls=told))
        lines.append(ListLine(group, _cells(cut, name, units, manner), told))
    return tuple(lines)


def _between(walls_mm: Sequence[float], units: UnitSystem) -> str:
    ends = dict.fromkeys(units.bare_wall(wall) for wall in (min(walls_mm), max(walls_mm)))
    return f"{' – '.join(ends)} {units.wall_unit}"


def _group(cut: Cut, say: Words) -> str:
    return f"{cut.rank}, {part_name(cut.blank.kind, say)}"


def _own_name(cut: Cut, name: str, say: Words) -> str:
    """What of a blank's name is its own within its group: the note, and what is worked."""
    if not cut.blank.id.startswith(cut.rank):
        return name
    own = cut.blank.id.removeprefix(cut.rank).removesuffix(cut.blank.kind).strip() or cut.note
    return own + name.removeprefix(blank_name(cut, say))


def _cells(cut: Cut, name: str, units: UnitSystem, manner: _Manner) -> tuple[str, ...]:
    flat, wall = units.bare_length, units.bare_wall
    cells = [
        str(cut.number),
        name,
        f"{flat(cut.box[0])} x {flat(cut.box[1])}",
        f"{flat(cut.placement.x_mm)}{';' if units.comma else ','} {flat(cut.placement.y_mm)}",
        f"{cut.placement.turn_deg}°" if cut.placement.turn_deg else "",
    ]
    if manner.walls:
        cells.append("/".join(dict.fromkeys(wall(w) for w in cut.wanted_mm)))
        if manner.has:
            cells.append("/".join(dict.fromkeys((wall(cut.actual_mouth_mm), wall(cut.actual_top_mm)))))
        cells.append(chance_text(cut.chance))
    return tuple(cells)


def _columns(lines: Sequence[ListLine], units: UnitSystem, say: Words, manner: _Manner) -> tuple[_Column, ...]:
    heads = [
        (say("no."), HAND_MM, True),
        (say("note") if manner.grouped else say("blank"), HAND_MM, False),
        (say("size {unit}", unit=units.length), HAND_MM, True),
        (say("at x, y"), HAND_MM, True),
        (say("turn"), HAND_MM, True),
        (say("wants {unit}", unit=units.wall_unit), CHECK_MM, True),
        (say("has"), CHECK_MM, True),
        (say("fits"), CHECK_MM, True),
    ]
    if not manner.has:
        heads.pop(6)
    made = []
    for index, (head, size, right) in enumerate(heads if manner.walls else heads[:5]):
        bold = index == 0
        cells = [line.cells[index] for line in lines if line.cells]
        wide = max((text_width_mm(cell, size, bold=bold) for cell in cells), default=0.0)
        shown = head if wide or index < 2 else ""
        made.append(_Column(shown, size, right, max(wide, text_width_mm(shown, CHECK_MM)), bold))
    return tuple(made)
