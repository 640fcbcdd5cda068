"""Where the metal of a plan goes that becomes no blank: how much of it, on which sheet, at which place, and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numba as nb
import numpy as np

from pipemetal.layout.core import MAX_FREE, _take_out
from pipemetal.layout.guard import guarded
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll, Point
from pipemetal.layout.shelf import box_mm, overhang_mm, piece_of
from pipemetal.layout.totals import LEAST_END_PIECE_MM, LEAST_STRIP_MM
from pipemetal.layout.verify import shape_on_sheet
from pipemetal.layout.windows import IntArray, Piece, find_slots, sheet_table
from pipemetal.sheets.field import FloatArray
from pipemetal.texts import Amount, Text

__all__ = ["Box", "SheetWaste", "Waste", "told_of_waste", "waste_by_alloy", "waste_of"]

Box = tuple[float, float, float, float]
LEAST_TOLD_MM2 = 50_000.0
SEEN_MM = 1.0
"""Corners are given as closely as a picture shows them."""
MOST_ROOM = 100
"""So many blanks are looked for in the gaps of one sheet."""
LEAST_REST_MM = 1.0
"""Narrower rests are not looked at for a blank that would fit."""


class Waste(StrEnum):
    """Why metal becomes no blank."""

    KERF = "kerf beside blanks"
    SHAPE = "beside feet and other shapes"
    NOTHING_FITS = "between blanks, nothing fits there"
    ROOM = "between blanks, room for a blank that lies elsewhere"
    END = "end that is not kept"
    STRIP = "strip that is not kept"
    CAST = "cast larger than used"


@dataclass(frozen=True)
class SheetWaste:
    """Where the metal of one sheet goes, areas in mm2 inside the trim.

    `consumed_mm2` is that of the plan: `blanks_mm2` and everything in `by_kind` together. `kept_mm2` goes back to the rack.
    `size_mm`: length and width with the trim. `shapes`: the corners of each blank; `boxes`: the rectangles around them;
    `places` and `kept`: where each kind of waste lies and what is kept, as x0, x1, y0, y1 (SHAPE lies within the boxes).
    """

    sheet: str
    alloy: str
    is_new: bool
    size_mm: tuple[float, float]
    consumed_mm2: float
    kept_mm2: float
    blanks_mm2: float
    by_kind: Mapping[Waste, float]
    boxes: tuple[Box, ...]
    shapes: tuple[tuple[Point, ...], ...]
    places: tuple[tuple[Waste, Box], ...]
    kept: tuple[Box, ...]


def waste_of(problem: LayoutProblem, plan: LayoutPlan) -> tuple[SheetWaste, ...]:
    """Where the metal of every sheet in use goes, those that waste most first.

    Names that the problem does not know are passed over. Between blanks there is room where a blank of the alloy, wherever it
    lies now, would find its size and its thickness: so much of the gap as its rectangle takes. The largest are tried first, and
    each once on a sheet; the rest of the gap counts as a place where nothing fits.

    >>> roll = LayoutRoll("R1", "A", 2000.0, 600.0, 0.0, (0.0, 2000.0), np.full((1, 2), 1.0))
    >>> blank = Blank("C1", "body", "A", 1700.0, 500.0, 1.0, 1.0, 0.05)
    >>> plan = LayoutPlan((Placement("C1", "R1", 0.0, 0.0),), (), (), 1.2e6, 1.2e6, 0.0, 0.0, 0.0, 0, 0)
    >>> found = waste_of(LayoutProblem((blank,), (roll,)), plan)[0]
    >>> round(found.by_kind[Waste.END]), round(found.by_kind[Waste.STRIP])
    (180000, 170000)
    """
    known: list[LayoutRoll | NewSheet] = [*problem.rolls, *plan.new_sheets]
    sheets = {s.id: s for s in known}
    blanks = {b.id: b for b in problem.blanks}
    laid: dict[str, list[Placement]] = {}
    for p in plan.placements:
        if p.roll in sheets and p.blank in blanks:
            laid.setdefault(p.roll, []).append(p)
    found = []
    pieces: dict[str, list[Piece]] = {}
    for i, blank in enumerate(problem.blanks):
        pieces.setdefault(blank.alloy, []).append(guarded(piece_of(blank, i), problem.blanks, problem))
    for name, places in laid.items():
        sheet = sheets[name]
        found.append(
            _of_sheet(sheet, [(blanks[p.blank], p) for p in places], pieces.get(sheet.alloy, []), problem.kerf_mm)
        )
    return tuple(sorted(found, key=lambda s: (-sum(s.by_kind.values()), s.sheet)))


def waste_by_alloy(sheets: Iterable[SheetWaste]) -> dict[str, dict[Waste, float]]:
    """The waste of all sheets added up by alloy and kind, mm2."""
    found: dict[str, dict[Waste, float]] = {}
    for sheet in sorted(sheets, key=lambda s: s.alloy):
        row = found.setdefault(sheet.alloy, dict.fromkeys(Waste, 0.0))
        for kind, area in sheet.by_kind.items():
            row[kind] += area
    return found


def told_of_waste(sheets: Iterable[SheetWaste]) -> Text | None:
    """What keeps a plan from the bound, in one sentence; None where hardly anything is wasted.

    >>> told_of_waste(()) is None
    True
    """
    total = dict.fromkeys(Waste, 0.0)
    for row in waste_by_alloy(sheets).values():
        for kind, area in row.items():
            total[kind] += area
    if sum(total.values()) < LEAST_TOLD_MM2:
        return None
    shown = {kind: Amount(area / 1e6, "m²", 1, bare=True) for kind, area in total.items()}
    edges = sum(total[kind] for kind in (Waste.END, Waste.STRIP, Waste.KERF))
    return Text(
        "{all} of it become no blank: {shape} beside feet and other shapes, {tight} between blanks where nothing fits, {room}"
        " where others would, {cast} cast larger than used, {edges} at ends, strips and kerfs.",
        all=Amount(sum(total.values()) / 1e6, "m²", 1),
        shape=shown[Waste.SHAPE],
        tight=shown[Waste.NOTHING_FITS],
        room=shown[Waste.ROOM],
        cast=shown[Waste.CAST],
        edges=Amount(edges / 1e6, "m²", 1, bare=True),
    )


def _of_sheet(
    sheet: LayoutRoll | NewSheet, laid: Sequence[tuple[Blank, Placement]], pieces: Sequence[Piece], kerf: float
) -> SheetWaste:
    """The waste of one sheet: a grid of all edges on it, each cell of one kind."""
    t, is_new = sheet.trim_mm, isinstance(sheet, NewSheet)
    net = (t, sheet.length_mm - t, t, sheet.width_mm - t)
    boxes = np.array([_box(b, p) for b, p in laid])
    used = (boxes[:, 0].min(), boxes[:, 1].max(), boxes[:, 2].min(), boxes[:, 3].max())
    kept = _kept(net, used, kerf)
    room = _room(used, boxes, kerf, find_slots(pieces, sheet_table([as_roll(sheet)], [is_new]), kerf))
    cut_off = [(a - kerf, b + kerf, c - kerf, d + kerf) for a, b, c, d in kept]
    x = _edges(net[:2], boxes[:, :2], boxes[:, 1] + kerf, room[:, :2], *(k[:2] for k in (*kept, *cut_off)), used[:2])
    y = _edges(net[2:], boxes[:, 2:], boxes[:, 3] + kerf, room[:, 2:], *(k[2:] for k in (*kept, *cut_off)), used[2:])
    kinds = list(Waste)
    grid = np.full((x.size - 1, y.size - 1), kinds.index(Waste.NOTHING_FITS), np.int64)
    grid[(x[:-1] < used[0]) | (x[1:] > used[1]), :] = kinds.index(Waste.CAST if is_new else Waste.END)
    along = (x[:-1] >= used[0]) & (x[1:] <= used[1])
    beside = (y[:-1] < used[2]) | (y[1:] > used[3])
    grid[np.ix_(along, beside)] = kinds.index(Waste.CAST if is_new else Waste.STRIP)
    inside = np.zeros(grid.shape, bool)
    inside[np.ix_(along, ~beside)] = True
    _paint(grid, x, y, room, kinds.index(Waste.ROOM), inside)
    _paint(grid, x, y, boxes + np.array([0.0, kerf, 0.0, kerf]), kinds.index(Waste.KERF), inside)
    _paint(grid, x, y, np.array(cut_off).reshape(-1, 4), kinds.index(Waste.KERF), ~inside)
    _paint(grid, x, y, boxes, BLANK)
    _paint(grid, x, y, np.array(kept).reshape(-1, 4), KEPT)
    cells = np.diff(x)[:, None] * np.diff(y)[None, :]
    by_kind = {kind: float(cells[grid == k].sum()) for k, kind in enumerate(kinds)}
    true = sum(b.area_mm2() for b, _ in laid)
    by_kind[Waste.SHAPE] = max(float(cells[grid == BLANK].sum()) - true, 0.0)
    places = tuple((kinds[k], box) for k in range(len(kinds)) for box in _boxes_of(grid == k, x, y))
    return SheetWaste(
        sheet.id,
        sheet.alloy,
        is_new,
        (sheet.length_mm, sheet.width_mm),
        true + sum(by_kind.values()),
        float(cells[grid == KEPT].sum()),
        true,
        by_kind,
        tuple((float(a), float(b), float(c), float(d)) for a, b, c, d in boxes),
        tuple(_corners(b, p) for b, p in laid),
        places,
        tuple(kept),
    )


BLANK, KEPT = -1, -2


def as_roll(sheet: LayoutRoll | NewSheet) -> LayoutRoll:
    """A sheet to cast as the roll that it will be."""
    if isinstance(sheet, LayoutRoll):
        return sheet
    ends = np.array([[sheet.thickness_start_mm, sheet.thickness_end_mm]])
    span = (0.0, sheet.length_mm)
    return LayoutRoll(sheet.id, sheet.alloy, sheet.length_mm, sheet.width_mm, sheet.trim_mm, span, ends)


def _corners(blank: Blank, p: Placement) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in shape_on_sheet(blank, p).simplify(SEEN_MM).exterior.coords[:-1])


def _box(blank: Blank, p: Placement) -> Box:
    """The box of a blank's true shape on its sheet."""
    (length, width), (over_x, over_y) = box_mm(blank), overhang_mm(blank, p.turn_deg)
    dx, dy = (length, width) if p.turn_deg in (0, 180) else (width, length)
    return p.x_mm - over_x, p.x_mm - over_x + dx, p.y_mm - over_y, p.y_mm - over_y + dy


def _kept(net: Box, used: Box, kerf: float) -> list[Box]:
    """What goes back to the rack: ends or strips, whichever keeps more, as `totals.consumed_of_sheet_mm2` counts it."""
    ends = [(net[0], used[0] - kerf, *net[2:]), (used[1] + kerf, net[1], *net[2:])]
    strips = [(*net[:2], net[2], used[2] - kerf), (*net[:2], used[3] + kerf, net[3])]
    ends = [(a, b, c, d) for a, b, c, d in ends if b - a >= LEAST_END_PIECE_MM]
    strips = [(a, b, c, d) for a, b, c, d in strips if d - c >= LEAST_STRIP_MM]
    return max(ends, strips, key=lambda some: sum((b - a) * (d - c) for a, b, c, d in some))


@nb.njit(cache=True, nogil=True)
def _without(free, n, box):  # type: ignore[no-untyped-def]
    """Takes a box out of n free rectangles; returns how many there are then."""
    return _take_out(free, n, box[0], box[1], box[2], box[3], LEAST_REST_MM, LEAST_REST_MM)


def _free_within(used: Box, boxes: FloatArray, kerf: float, free: FloatArray) -> int:
    """Writes the greatest free rectangles within what is used, a kerf after each blank taken; returns how many."""
    free[0], n = (used[0], used[1] + kerf, used[2], used[3] + kerf), 1
    for box in boxes + np.array([0.0, kerf, 0.0, kerf]):
        n = int(_without(free, n, box))
    return n


def _room(used: Box, boxes: FloatArray, kerf: float, slots: tuple[IntArray, FloatArray]) -> FloatArray:
    """The rectangles of blanks that would still fit between others, the largest first, each blank once."""
    starts, rows = slots
    order = np.argsort(-rows[:, 4] * rows[:, 5], kind="stable")
    of, rows = np.repeat(np.arange(starts.size - 1), np.diff(starts))[order], rows[order, :6]
    free = np.empty((MAX_FREE, 4))
    n = _free_within(used, boxes, kerf, free)
    found: list[Box] = []
    while len(found) < MOST_ROOM and n and len(rows):
        fits = np.array([_fits(rows, rest) for rest in free[:n]])
        some, holds = fits.any(axis=0), fits.any(axis=1)
        if not some.any():
            break
        # what holds nothing now will not hold anything later
        free[: holds.sum()], fits, n = free[:n][holds], fits[holds], int(holds.sum())
        k = int(np.argmax(some))
        rest = free[int(np.argmax(fits[:, k]))]
        x, y = max(rows[k, 0], rest[0]), max(rows[k, 2], rest[2])
        found.append((x, x + rows[k, 4] - kerf, y, y + rows[k, 5] - kerf))
        n = int(_without(free, n, np.array((x, x + rows[k, 4], y, y + rows[k, 5]))))
        some &= of != of[k]
        of, rows = of[some], rows[some]
    return np.reshape(found, (-1, 4))


def _fits(rows: FloatArray, rest: FloatArray) -> np.ndarray:
    """Which slots lie within a free rectangle."""
    low_x, high_x, low_y, high_y, dx, dy = rows.T
    a, b, c, d = rest
    along = np.maximum(low_x, a) <= np.minimum(high_x, b - dx)
    fits: np.ndarray = along & (np.maximum(low_y, c) <= np.minimum(high_y, d - dy))
    return fits


def _edges(within: Sequence[float], *parts: Sequence[float] | FloatArray) -> FloatArray:
    """All edges along one side, in order, none beyond the sheet."""
    found = np.concatenate([np.asarray(within), *(np.ravel(p) for p in parts)])
    return np.unique(np.clip(found, within[0], within[1]))


def _paint(
    grid: IntArray, x: FloatArray, y: FloatArray, boxes: FloatArray, kind: int, only: np.ndarray | None = None
) -> None:
    """Gives every cell within some boxes a kind; `only` those, where it is given."""
    for a, b, c, d in boxes:
        rows = slice(*np.searchsorted(x, np.clip((a, b), x[0], x[-1])))
        columns = slice(*np.searchsorted(y, np.clip((c, d), y[0], y[-1])))
        part = grid[rows, columns]
        part[only[rows, columns] if only is not None else slice(None)] = kind


def _boxes_of(cells: np.ndarray, x: FloatArray, y: FloatArray) -> Iterator[Box]:
    """The marked cells as few boxes: runs along y, joined along x where they are the same."""
    running: dict[tuple[int, int], int] = {}
    for i in range(cells.shape[0] + 1):
        row = np.concatenate([[False], cells[i], [False]]) if i < cells.shape[0] else np.zeros(2, bool)
        turns = np.flatnonzero(row[1:] != row[:-1])
        runs = {(int(a), int(b)) for a, b in zip(turns[::2], turns[1::2], strict=True)}
        for run in [r for r in running if r not in runs]:
            yield float(x[running.pop(run)]), float(x[i]), float(y[run[0]]), float(y[run[1]])
        for run in runs:
            running.setdefault(run, i)
