"""Sheets that blanks with agreeing sides fill to the last millimetre: found from below, before the search begins.

Where a plan leaves nothing over, blanks that lie beside one another have a side of one length, and so have what they make
together and its neighbour, up to the whole sheet. So blanks whose sides agree are joined to blocks, blocks to larger ones, as
long as some sheet has metal for all that they hold; columns and strips of a sheet's own width or length are put side by side
where they fill it. What fills a sheet is settled; all else is left to the search.
"""

from __future__ import annotations

import heapq
import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipemetal.layout.core import AREA, DX, DY, IS_NEW, RISK, X0, X1, X_HIGH, X_LOW, Y0, Y1, Y_HIGH, Y_LOW, Stock

__all__ = ["Filled", "filled_sheets"]

# Sides agree within this for each piece along them (mm): as they were reckoned, and rounded to hundredths, tenths and whole mm.
AGREE_MM = (1e-3, 0.011, 0.11, 1.05)
MOST_ALONG = 6
EXACT_MM = 1e-6
# After so many rounds of one measure without a sheet more, the next is taken; fewer where pieces are many.
IDLE_ROUNDS, IDLE_ROUNDS_OF_MANY, MANY = 20, 8, 400
# Of a block's ways to lie on one sheet so many are kept, and of the blocks beside which it may lie so many are looked at.
MOST_WAYS, MOST_BESIDE = 8, 12
MOST_STEPS = 4000
MOST_IN_CHAIN, MOST_CHAIN_STEPS = 7, 60
MESS = 0.5
# Pairs of agreeing sides for each piece: fewer build nothing; more agree by chance, but where pieces are few.
LEAST_PAIRS, MOST_PAIRS, FEW = 0.3, 1.2, 40
# Where less of the pieces than this comes into blocks of four or more, sides agree by chance.
LEAST_JOINED, JOINED = 0.6, 4


@dataclass(frozen=True)
class Filled:
    """A sheet that is filled: pieces, the slots that they take (rows of the stock), and their low corners (mm)."""

    sheet: int
    pieces: tuple[int, ...]
    slots: tuple[int, ...]
    corners: tuple[tuple[float, float], ...]


class _Way(NamedTuple):
    """Where on a sheet a block's low corner may lie; and the piece and slot, or the two ways and how far off the second lies."""

    room: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    first: _Way | int
    second: _Way | int
    dx: float = 0.0
    dy: float = 0.0

    def parts(self, x: float, y: float) -> Iterator[tuple[int, int, float, float]]:
        """Pieces, slots and low corners of what lies there."""
        if isinstance(self.first, int) or isinstance(self.second, int):
            assert isinstance(self.first, int) and isinstance(self.second, int)
            yield self.first, self.second, x, y
            return
        yield from self.first.parts(x, y)
        yield from self.second.parts(x + self.dx, y + self.dy)


@dataclass(frozen=True, eq=False)
class _Block:
    """Pieces that fill a rectangle (kerfs counted), how many lie along and across, and their ways to lie on each sheet."""

    dx: float
    dy: float
    along: int
    across: int
    pieces: frozenset[int]
    ways: dict[int, list[_Way]]
    room: float


def filled_sheets(stock: Stock, seed: int, late: Callable[[], bool] = lambda: False) -> tuple[Filled, ...]:
    """Sheets that some of the pieces fill wholly, no piece twice; none where sides agree by chance only.

    Sheets to cast and sheets with blocked places are passed over, for they are as large as their use.
    """
    rng = np.random.default_rng(seed)
    sheets = [
        s
        for s in range(stock.sheets.shape[0])
        if stock.sheets[s, IS_NEW] < 0.5 and stock.blocked_start[s] == stock.blocked_start[s + 1]
    ]
    leaves = list(_leaves(stock, set(sheets)))
    found: list[Filled] = []
    for agree_mm in AGREE_MM:
        idle, chains = 0, False
        while leaves and sheets and not late():
            if idle >= (IDLE_ROUNDS if len(leaves) < MANY else IDLE_ROUNDS_OF_MANY):
                break
            pairs = _pairs(leaves, agree_mm) / len(leaves)
            if pairs < LEAST_PAIRS or (pairs > MOST_PAIRS and len(leaves) > FEW):
                break
            blocks = _joined(leaves, agree_mm, rng, chains)
            more = _filled(stock, sheets, blocks, agree_mm)
            idle, chains = (0, chains) if more else (idle + 1, not chains)
            found += more
            joined = sum(len(b.pieces) for b in blocks if len(b.pieces) >= JOINED)
            if not more and joined < LEAST_JOINED * len(leaves):
                break
            gone, full = {p for f in more for p in f.pieces}, {f.sheet for f in more}
            sheets = [s for s in sheets if s not in full]
            leaves = [left for leaf in leaves if not leaf.pieces & gone and (left := _without(leaf, full)) is not None]
    return tuple(found)


def _leaves(stock: Stock, sheets: set[int]) -> Iterator[_Block]:
    """Every piece in each of its shapes, with its slots."""
    count = stock.sheets.shape[0]
    for i in range(len(stock.area)):
        shapes: dict[tuple[float, float], dict[int, list[_Way]]] = defaultdict(lambda: defaultdict(list))
        for s in stock.fits[stock.fit_start[i] : stock.fit_start[i + 1]].tolist():
            if s not in sheets:
                continue
            for k in range(stock.slot_start[i * count + s], stock.slot_start[i * count + s + 1]):
                slot = stock.slots[k]
                if slot[RISK] > 0.0:
                    continue
                x_low, x_high, y_low, y_high = (float(slot[c]) for c in (X_LOW, X_HIGH, Y_LOW, Y_HIGH))
                way = _Way(x_high - x_low + y_high - y_low, x_low, x_high, y_low, y_high, i, int(k))
                shapes[float(slot[DX]), float(slot[DY])][s].append(way)
        for (dx, dy), ways in shapes.items():
            yield _Block(dx, dy, 1, 1, frozenset((i,)), dict(ways), 0.0)


def _without(leaf: _Block, full: set[int]) -> _Block | None:
    ways = {s: w for s, w in leaf.ways.items() if s not in full}
    return replace(leaf, ways=ways) if ways else None


def _pairs(leaves: Sequence[_Block], agree_mm: float) -> int:
    """How many neighbours by length, and by width, agree."""
    count = 0
    for sides in (sorted(b.dx for b in leaves), sorted(b.dy for b in leaves)):
        count += int((np.diff(np.array(sides)) <= agree_mm).sum())
    return count


class _Beside:
    """Blocks by one side, to find those whose side agrees."""

    def __init__(self, agree_mm: float) -> None:
        self._agree_mm = agree_mm
        self._held: dict[int, dict[_Block, tuple[float, int]]] = defaultdict(dict)

    def add(self, block: _Block, side_mm: float, count: int) -> None:
        self._held[int(side_mm / self._agree_mm)][block] = side_mm, count

    def drop(self, block: _Block, side_mm: float) -> None:
        self._held[int(side_mm / self._agree_mm)].pop(block, None)

    def of(self, side_mm: float, count: int) -> Iterator[_Block]:
        """Blocks whose side agrees with one along which so many pieces lie."""
        key = int(side_mm / self._agree_mm)
        for k in range(key - MOST_ALONG, key + MOST_ALONG + 1):
            for block, (other_mm, other) in self._held.get(k, {}).items():
                if abs(other_mm - side_mm) <= self._agree_mm * min(max(count, other), MOST_ALONG):
                    yield block


def _joined(leaves: Sequence[_Block], agree_mm: float, rng: np.random.Generator, chains: bool) -> list[_Block]:
    """Blocks joined from the leaves, in an order by chance, until no two can be joined.

    With `chains` small blocks come first, and all whose sides agree are tried in one row; else what was joined goes on first.
    """
    across, along = _Beside(agree_mm), _Beside(agree_mm)
    by_piece: dict[int, set[_Block]] = defaultdict(set)

    def add(block: _Block) -> None:
        across.add(block, block.dx, block.along)
        along.add(block, block.dy, block.across)
        for piece in block.pieces:
            by_piece[piece].add(block)

    def drop(block: _Block) -> None:
        across.drop(block, block.dx)
        along.drop(block, block.dy)

    liking = 2.0 * rng.random()
    live = dict.fromkeys(leaves)
    for leaf in leaves:
        add(leaf)
    turn = _smallest_first if chains else _latest_first
    todo = [(turn(leaf, rng), k, leaf) for k, leaf in enumerate(leaves)]
    heapq.heapify(todo)
    while todo:
        block = heapq.heappop(todo)[2]
        if block not in live:
            continue
        best = _joined_with(
            block,
            list(across.of(block.dx, block.along)),
            list(along.of(block.dy, block.across)),
            liking,
            rng,
            chains,
        )
        if best is None:
            continue
        for piece in best.pieces:
            for gone in by_piece[piece]:
                live.pop(gone, None)
                drop(gone)
            by_piece[piece] = set()
        live[best] = None
        add(best)
        heapq.heappush(todo, (turn(best, rng), len(leaves) + len(best.pieces) + len(todo), best))
    return list(live)


def _smallest_first(block: _Block, rng: np.random.Generator) -> float:
    return block.dx * block.dy * math.exp(MESS * rng.standard_normal())


def _latest_first(block: _Block, rng: np.random.Generator) -> float:
    return rng.random() - len(block.pieces)


def _joined_with(
    block: _Block,
    across: Sequence[_Block],
    along: Sequence[_Block],
    liking: float,
    rng: np.random.Generator,
    chains: bool,
) -> _Block | None:
    """A block with all whose side agrees with it, in the order that sheets have metal for; else with one of them by chance."""
    for is_across, beside in ((True, across), (False, along)):
        others = [b for b in beside if not b.pieces & block.pieces]
        if chains and 1 < len(others) <= MOST_IN_CHAIN and (made := _chain([block, *others], is_across)) is not None:
            return made
    best, best_liked = None, -1.0
    some = [(other, True) for other in across] + [(other, False) for other in along]
    for k in rng.permutation(len(some))[:MOST_BESIDE]:
        other, is_across = some[k]
        if other.pieces & block.pieces:
            continue
        made = _join(block, other, is_across)
        if made is not None and (liked := made.room**liking * rng.random()) > best_liked:
            best, best_liked = made, liked
    return best


def _chain(blocks: Sequence[_Block], across: bool) -> _Block | None:
    """All the blocks one after the other, in an order that some sheet has metal for."""
    steps = MOST_CHAIN_STEPS

    def go_on(so_far: _Block | None, left: Sequence[_Block]) -> _Block | None:
        nonlocal steps
        if not left:
            return so_far
        for k, block in enumerate(left):
            if steps <= 0:
                return None
            steps -= 1
            made = block if so_far is None else _join(so_far, block, across, either=False)
            if made is not None:
                found = go_on(made, [*left[:k], *left[k + 1 :]])
                if found is not None:
                    return found
        return None

    return go_on(None, blocks)


def _join(a: _Block, b: _Block, across: bool, either: bool = True) -> _Block | None:
    """Two blocks side by side across the sheet, or end to end along it, in this or `either` order; None: no sheet holds them."""
    (a_dx, a_dy), (b_dx, b_dy) = ((0.0, a.dy), (0.0, b.dy)) if across else ((a.dx, 0.0), (b.dx, 0.0))
    ways: dict[int, list[_Way]] = {}
    room = 0.0
    for s, of_a in a.ways.items():
        found: list[_Way] = []
        for w in b.ways.get(s, ()):
            for v in of_a:
                _beside(v, w, a_dx, a_dy, found)
                if either:
                    _beside(w, v, b_dx, b_dy, found)
        if found:
            found.sort(key=_by_room, reverse=True)
            ways[s] = found[:MOST_WAYS]
            room += found[0].room
    if not ways:
        return None
    both = a.pieces | b.pieces
    if across:
        return _Block(max(a.dx, b.dx), a.dy + b.dy, max(a.along, b.along), a.across + b.across, both, ways, room)
    return _Block(a.dx + b.dx, max(a.dy, b.dy), a.along + b.along, max(a.across, b.across), both, ways, room)


def _by_room(way: _Way) -> float:
    return way.room


def _beside(v: _Way, w: _Way, dx: float, dy: float, found: list[_Way]) -> None:
    """Adds the way of two blocks together, the second so far off from the first, where there is one."""
    x_low, x_high = max(v.x_low, w.x_low - dx), min(v.x_high, w.x_high - dx)
    if x_low > x_high + EXACT_MM:
        return
    y_low, y_high = max(v.y_low, w.y_low - dy), min(v.y_high, w.y_high - dy)
    if y_low > y_high + EXACT_MM:
        return
    x_high, y_high = max(x_low, x_high), max(y_low, y_high)
    found.append(_Way(x_high - x_low + y_high - y_low, x_low, x_high, y_low, y_high, v, w, dx, dy))


def _filled(stock: Stock, sheets: Sequence[int], blocks: Sequence[_Block], agree_mm: float) -> list[Filled]:
    """Sheets that blocks fill, the largest first."""
    found: list[Filled] = []
    gone: set[int] = set()
    for s in sorted(sheets, key=lambda s: -float(stock.sheets[s, AREA])):
        x0, x1, y0, y1 = (float(stock.sheets[s, c]) for c in (X0, X1, Y0, Y1))
        here = [b for b in blocks if s in b.ways and not b.pieces & gone]
        columns = [b for b in here if -EXACT_MM <= y1 - y0 - b.dy <= agree_mm * min(b.across, MOST_ALONG)]
        strips = [b for b in here if -EXACT_MM <= x1 - x0 - b.dx <= agree_mm * min(b.along, MOST_ALONG)]
        row = _row([(b.dx, w, w.x_low, w.x_high, b) for b in columns for w in b.ways[s]], x0, x1, agree_mm)
        placed = [(w, x, w.y_low) for w, x in row]
        if not row:
            row = _row([(b.dy, w, w.y_low, w.y_high, b) for b in strips for w in b.ways[s]], y0, y1, agree_mm)
            placed = [(w, w.x_low, y) for w, y in row]
        if placed:
            found.append(_as_filled(stock, s, placed))
            gone.update(found[-1].pieces)
    return found


def _row(
    some: Sequence[tuple[float, _Way, float, float, _Block]], start: float, end: float, agree_mm: float
) -> list[tuple[_Way, float]]:
    """Blocks one after the other from start to end, each where its way lets it begin; nothing where none fill the length."""
    steps = MOST_STEPS
    some = sorted(some, key=lambda c: -c[0])

    def go_on(at: float, held: frozenset[int]) -> list[tuple[_Way, float]] | None:
        nonlocal steps
        if end - at <= agree_mm * MOST_ALONG:
            return []
        for size, way, low, high, block in some:
            if steps <= 0:
                return None
            if at + size > end + EXACT_MM or not low - EXACT_MM <= at <= high + EXACT_MM or block.pieces & held:
                continue
            steps -= 1
            rest = go_on(at + size, held | block.pieces)
            if rest is not None:
                return [(way, at), *rest]
        return None

    return go_on(start, frozenset()) or []


def _as_filled(stock: Stock, sheet: int, placed: Sequence[tuple[_Way, float, float]]) -> Filled:
    pieces, slots, corners = [], [], []
    for way, x, y in placed:
        for piece, k, x_mm, y_mm in way.parts(x, y):
            slot = stock.slots[k]
            pieces.append(piece)
            slots.append(k)
            x_mm, y_mm = min(max(x_mm, slot[X_LOW]), slot[X_HIGH]), min(max(y_mm, slot[Y_LOW]), slot[Y_HIGH])
            corners.append((float(x_mm), float(y_mm)))
    return Filled(sheet, tuple(pieces), tuple(slots), tuple(corners))
