"""Sub-problems of one alloy: pieces and sheets turned into the arrays of the compiled core, and back to placements."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from pipemetal.layout.blocked import blocked_rectangles
from pipemetal.layout.core import MAX_FREE, MISS, State, Stock
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, LayoutRoll
from pipemetal.layout.windows import IntArray, Piece, Variant, find_slots, sheet_table
from pipemetal.sheets.field import FloatArray

# What a blank without a place costs while the search runs: soft enough to let it step aside, in sheets and in boxes.
SOFT_SHEETS, SOFT_BOXES = 0.02, 2.0
# A pinned blank that lies nowhere outweighs every saving.
NEVER = 1e6
# Worth of the largest rest in one piece, as a share of its area; share of the moves that fill places closely.
GUIDE = [0.1, 0.5]
__all__ = [
    "Hands",
    "Place",
    "SheetRule",
    "Shelf",
    "make_shelf",
    "overhang_mm",
    "piece_of",
    "placements_of",
    "shelf_place",
    "slot_for",
]


@dataclass(frozen=True)
class SheetRule:
    """What a sheet costs: per mm2 of metal, for opening it; and for a sheet to cast, its least size and the steps."""

    fee: float
    weight: float = 1.0
    is_new: bool = False
    min_length_mm: float = 0.0
    length_step_mm: float = 1.0
    min_width_mm: float = 0.0
    width_step_mm: float = 1.0


class Place(NamedTuple):
    """Where a piece lies on a sheet, independent of the numbers of sheets and slots."""

    x_mm: float
    y_mm: float
    dx_mm: float
    turn_deg: float


@dataclass(frozen=True, eq=False)
class Hands:
    """What a person has settled: pieces pinned to a place (piece: sheet and place), and pairs (piece, sheet) barred."""

    pinned: Mapping[int, tuple[int, Place]] = field(default_factory=dict)
    barred: frozenset[tuple[int, int]] = frozenset()


FREE_HANDS = Hands()


@dataclass(eq=False)
class Shelf:
    """One alloy's pieces and sheets, their arrays, and the state of the search."""

    pieces: tuple[Piece, ...]
    rolls: tuple[LayoutRoll, ...]
    rules: tuple[SheetRule, ...]
    stock: Stock
    state: State
    hands: Hands

    def empty(self, seed: int) -> State:
        """A state in which nothing is laid but what is pinned."""
        state = empty_state(len(self.pieces), len(self.rolls), seed)
        for piece, (sheet, place) in self.hands.pinned.items():
            state.at[piece] = (sheet, self.stock.slot_start[piece * len(self.rolls) + sheet])
            state.corner[piece] = (place.x_mm, place.y_mm)
        return state

    def again(self, seed: int) -> Shelf:
        """The same sub-problem, nothing laid yet, for a search of another seed."""
        own = self.stock._replace(penalty=self.stock.penalty.copy(), soft_penalty=self.stock.soft_penalty.copy())
        if (own.slots[:, MISS] > 0.0).any():
            own = own._replace(slots=own.slots.copy())
        return replace(self, stock=own, state=self.empty(seed))


def piece_of(blank: Blank, index: int) -> Piece:
    """A blank as the core sees it. Turns that change neither box nor thickness are left out."""
    middle, half = blank.accepts_mm
    mouth, top = blank.mouth_thickness_mm + middle, blank.top_thickness_mm + middle
    length, width = box_mm(blank)
    variants: list[Variant] = []
    for turn in blank.turns_deg:
        dx, dy = (length, width) if turn in (0, 180) else (width, length)
        start, end = (mouth, top) if turn in (0, 90) else (top, mouth)
        slope = 0.0 if turn in (90, 270) else (end - start) / blank.length_mm
        same = any(v.dx_mm == dx and v.dy_mm == dy and v.start_mm == start and v.slope == slope for v in variants)
        if not same:
            variants.append(Variant(dx, dy, start, slope, half, turn))
    return Piece(tuple(variants), blank.area_mm2(), ((index, 0.0, 0.0, -1),))


def box_mm(blank: Blank) -> tuple[float, float]:
    """Length and width of a blank's box, never less than its true shape (files round the box to a few decimals)."""
    if blank.sector is None:
        return blank.length_mm, blank.width_mm
    length, width = blank.sector.box_mm()
    return max(length, blank.length_mm), max(width, blank.width_mm)


def overhang_mm(blank: Blank, turn_deg: int) -> tuple[float, float]:
    """How far the given box begins inside the true one: a sector lies on the middle of the box, from its mouth end."""
    length, width = box_mm(blank)
    along, across = length - blank.length_mm, (width - blank.width_mm) / 2.0
    along = along if turn_deg in (180, 270) else 0.0
    return (along, across) if turn_deg in (0, 180) else (across, along)


def make_shelf(
    pieces: Sequence[Piece],
    rolls: Sequence[LayoutRoll],
    rules: Sequence[SheetRule],
    kerf_mm: float,
    *,
    share: float,
    least_end_piece_mm: float,
    least_strip_mm: float,
    seed: int,
    straight: bool = False,
    hands: Hands = FREE_HANDS,
) -> Shelf:
    """The arrays of one alloy's sub-problem with nothing laid yet."""
    table = sheet_table(rolls, [rule.is_new for rule in rules])
    starts, rows = find_slots(pieces, table, kerf_mm)
    starts, rows = _settled(starts, _with_risk(starts, rows, pieces, rolls, rules), hands, pieces, len(rolls), kerf_mm)
    n, m = len(pieces), len(rolls)
    some = (np.diff(starts) > 0).reshape(n, m)
    fit_start = np.concatenate([[0], np.cumsum(some.sum(axis=1))]).astype(np.int64)
    sheets = np.zeros((m, 12))
    blocked_start, blocked = [0], []
    for s, (roll, rule) in enumerate(zip(rolls, rules, strict=True)):
        t, trim2 = roll.trim_mm, 2.0 * roll.trim_mm
        sheets[s] = (
            t,
            roll.length_mm - t + kerf_mm,
            t,
            roll.width_mm - t + kerf_mm,
            roll.net_area_mm2(),
            rule.fee,
            rule.weight,
            float(rule.is_new),
            rule.min_length_mm - trim2,
            rule.length_step_mm,
            rule.min_width_mm - trim2,
            rule.width_step_mm,
        )
        blocked += blocked_rectangles(roll, kerf_mm)
        blocked_start.append(len(blocked))
    area = np.array([p.area_mm2 for p in pieces])
    largest = float(sheets[:, 4].max()) if m else 1.0
    dearest = max((rule.weight for rule in rules), default=1.0)
    # a blank left over costs more than the sheet that it would ask for
    most_fee = max((rule.fee for rule in rules), default=0.0)
    boxes = np.array([min(v.dx_mm * v.dy_mm for v in p.variants) for p in pieces])
    count = np.array([len(p.members) for p in pieces])
    sides = np.array([(v.dx_mm, v.dy_mm) for p in pieces for v in p.variants])
    stock = Stock(
        starts,
        np.ascontiguousarray(rows),
        fit_start,
        np.nonzero(some)[1].astype(np.int64),
        sheets,
        np.array(blocked_start, np.int64),
        np.array(blocked, dtype=float).reshape(-1, 4),
        count * (dearest * largest + most_fee) + 3.0 * dearest * boxes,
        count * dearest * SOFT_SHEETS * largest + SOFT_BOXES * dearest * boxes,
        area,
        np.array([least_end_piece_mm, least_strip_mm, kerf_mm, share, *sides.min(axis=0), *GUIDE, float(straight)]),
    )
    for piece in hands.pinned:
        stock.penalty[piece] *= NEVER
        stock.soft_penalty[piece] *= NEVER
    shelf = Shelf(tuple(pieces), tuple(rolls), tuple(rules), stock, empty_state(n, m, seed), hands)
    shelf.state = shelf.empty(seed)
    return shelf


def _with_risk(
    starts: IntArray, rows: FloatArray, pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], rules: Sequence[SheetRule]
) -> FloatArray:
    """The slots with what each place costs: on rolls where a blank is to be worked, and where its metal may not fit.

    On sheets to cast that is by what may be missed even in the middle of the tolerance, and by the square of how far the blank
    lies off it. The number of the variant makes way for it.
    """
    found = np.hstack([rows[:, :7], np.zeros((len(rows), 4)), rows[:, 8:]])
    if not len(rows):
        return found
    miss = np.array([v.miss_mm2 for p in pieces for v in p.variants])
    found[:, 10] = np.where(rows[:, 12] > 0.0, miss[rows[:, 7].astype(np.int64)], 0.0)
    is_new = np.array([rule.is_new for rule in rules])
    sheet = np.repeat(np.arange(len(starts) - 1) % len(rolls), np.diff(starts))
    worked = np.array([v.worked_mm2 for p in pieces for v in p.variants])
    found[:, 7] = np.where(is_new[sheet], 0.0, worked[rows[:, 7].astype(np.int64)])
    if not is_new.any():
        return found
    cast = [v.as_cast for p in pieces for v in p.variants]
    own = np.array([(v.start_mm, v.slope, v.dx_mm) for v in cast])
    weight = np.array([v.misfit_mm2 / max(v.tolerance_mm, 1e-6) ** 2 for p in pieces for v in p.variants])
    ends = np.array([(r.thickness_mm[0, 0], r.thickness_mm[0, -1], r.length_mm) for r in rolls])
    slopes = np.where(is_new, (ends[:, 1] - ends[:, 0]) / ends[:, 2], 0.0)
    v = rows[:, 7].astype(np.int64)
    factor = np.where(is_new[sheet], weight[v], 0.0)
    slope = slopes[sheet]
    apart = (slope - own[v, 1]) * own[v, 2] / 2.0
    off = ends[sheet, 0] - own[v, 0] + apart
    missed = np.array([v.missed_mm2 for p in pieces for v in p.variants])
    found[:, 7] += factor * (off**2 + apart**2) + np.where(factor > 0.0, missed[v], 0.0)
    found[:, 8], found[:, 9] = 2.0 * factor * off * slope, factor * slope**2
    return found


def _settled(
    starts: IntArray, rows: FloatArray, hands: Hands, pieces: Sequence[Piece], n_sheets: int, kerf: float
) -> tuple[IntArray, FloatArray]:
    """The slots that are left where pieces are pinned to one place or barred from sheets."""
    if not hands.pinned and not hands.barred:
        return starts, rows
    parts: list[FloatArray] = []
    counts = np.zeros(len(pieces) * n_sheets, np.int64)
    for i in range(len(pieces)):
        for s in range(n_sheets):
            pair = i * n_sheets + s
            mine = rows[starts[pair] : starts[pair + 1]]
            if i in hands.pinned:
                sheet, place = hands.pinned[i]
                fits = [v for v in pieces[i].variants if v.turn_deg == place.turn_deg] or list(pieces[i].variants)
                x, y, size = place.x_mm, place.y_mm, (fits[0].dx_mm + kerf, fits[0].dy_mm + kerf, place.turn_deg)
                mine = np.array([[x, x, y, y, *size, *np.zeros(9)]]) if s == sheet else mine[:0]
            elif (i, s) in hands.barred:
                mine = mine[:0]
            counts[pair] = len(mine)
            parts.append(mine)
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64), np.concatenate([*parts, rows[:0]])


def empty_state(n_pieces: int, n_sheets: int, seed: int) -> State:
    """A state in which nothing is laid."""

    def frees() -> FloatArray:
        return np.zeros((n_sheets, MAX_FREE, 4))

    def ints() -> object:
        return np.zeros(n_sheets, np.int64)

    return State(
        np.full((n_pieces, 2), -1, np.int64),
        np.zeros((n_pieces, 2)),
        frees(),
        ints(),
        np.zeros((n_sheets, 4)),
        ints(),
        np.array([seed], np.uint64),
        frees(),
        ints(),
        np.zeros((n_sheets, 4)),
        ints(),
        np.zeros(n_sheets, np.int64),
    )


def shelf_place(shelf: Shelf, piece: int, at: IntArray, corner: FloatArray) -> Place:
    """Where a piece lies in a state."""
    slot = shelf.stock.slots[at[piece, 1]]
    return Place(float(corner[piece, 0]), float(corner[piece, 1]), float(slot[4]), float(slot[6]))


def slot_for(shelf: Shelf, piece: int, sheet: int, place: Place) -> int:
    """The slot of a piece on a sheet that holds a place, or -1. A size that is nan is not compared."""
    first = piece * len(shelf.rolls) + sheet
    turns = {v.turn_deg for v in shelf.pieces[piece].variants}
    for k in range(int(shelf.stock.slot_start[first]), int(shelf.stock.slot_start[first + 1])):
        slot = shelf.stock.slots[k]
        # A turn that changes nothing has no variant of its own.
        same = slot[6] == place.turn_deg or place.turn_deg not in turns
        same = same and (np.isnan(place.dx_mm) or abs(slot[4] - place.dx_mm) < 1e-9)
        if same and slot[0] - 1e-9 <= place.x_mm <= slot[1] + 1e-9 and slot[2] - 1e-9 <= place.y_mm <= slot[3] + 1e-9:
            return k
    return -1


def placements_of(shelf: Shelf, blanks: Sequence[Blank], at: IntArray, corner: FloatArray) -> list[Placement]:
    """The placements of a state, bundles taken apart into their blanks."""
    placements: list[Placement] = []
    for i, piece in enumerate(shelf.pieces):
        s, k = int(at[i, 0]), int(at[i, 1])
        if s < 0:
            continue
        turn = int(shelf.stock.slots[k, 6])
        for index, dx, dy, own_turn in piece.members:
            x, y = float(corner[i, 0]) + dx, float(corner[i, 1]) + dy
            if own_turn < 0:
                over_x, over_y = overhang_mm(blanks[index], turn)
                x, y = x + over_x, y + over_y
            placed_turn = turn if own_turn < 0 else own_turn
            placements.append(Placement(blanks[index].id, shelf.rolls[s].id, x, y, placed_turn))
    return placements
