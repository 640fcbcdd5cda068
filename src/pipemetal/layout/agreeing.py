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
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipemetal.layout.blocks import EXACT_MM, Block, chained, joined, leaves_of
from pipemetal.layout.core import AREA, IS_NEW, X0, X1, X_HIGH, X_LOW, Y0, Y1, Y_HIGH, Y_LOW, Stock

__all__ = ["Filled", "filled_sheets"]

# Sides agree within this for each piece along them (mm): as they were reckoned, and rounded to hundredths, tenths and whole mm.
AGREE_MM = (1e-3, 0.011, 0.11, 1.05)
MOST_ALONG = 6
# After so many rounds of one measure without a sheet more the next is taken: at first, and again where sides surely agree.
FIRST_ROUNDS, IDLE_ROUNDS = 6, 60
# Of the blocks beside which a block may lie so many are looked at; in a row on a sheet, and joined at once, no more than so many.
MOST_BESIDE, MOST_STEPS, MOST_IN_CHAIN = 12, 4000, 7
# So many blocks are looked at for each piece in all.
MOST_JOINS = 300
# How far small blocks are not the first in their turn (standard deviation of the logarithm).
MESS = 0.5
# Fewer pairs of agreeing sides than this for each piece build nothing.
LEAST_PAIRS = 0.3
# Where less of the pieces than this comes into blocks of four or more, sides agree by chance; where more, surely not.
LEAST_JOINED, SURELY_JOINED, JOINED = 0.6, 0.85, 4


@dataclass(frozen=True)
class Filled:
    """A sheet that is filled: pieces, the slots that they take (rows of the stock), and their low corners (mm)."""

    sheet: int
    pieces: tuple[int, ...]
    slots: tuple[int, ...]
    corners: tuple[tuple[float, float], ...]


def filled_sheets(
    stock: Stock,
    seed: int,
    late: Callable[[], bool] = lambda: False,
    *,
    but_pieces: Collection[int] = (),
    but_sheets: Collection[int] = (),
) -> tuple[Filled, ...]:
    """Sheets that some of the pieces fill wholly, no piece twice; none where sides agree by chance only.

    Sheets to cast, which are as large as their use, and sheets with blocked places are passed over, and what is named. `late()`
    True ends it with what was found.

    Sources: blocks of pieces with agreeing sides: Fanslau & Bortfeldt 2010, INFORMS J. Computing 22, 222.
    """
    rng = np.random.default_rng(seed)
    free = (stock.sheets[:, IS_NEW] < 0.5) & (np.diff(stock.blocked_start) == 0)
    free[list(but_sheets)] = False
    leaves = [leaf for leaf in leaves_of(stock, free) if leaf.pieces.isdisjoint(but_pieces)]
    found: list[Filled] = []
    effort = _Effort(MOST_JOINS * len(leaves))
    surely = set[float]()
    for agree_mm, most_idle in [*((a, FIRST_ROUNDS) for a in AGREE_MM), *((a, IDLE_ROUNDS) for a in AGREE_MM)]:
        if most_idle == IDLE_ROUNDS and not found and agree_mm not in surely:
            continue
        idle, chains = 0, False
        while leaves and idle < most_idle and effort.left > 0 and not late():
            if _pairs(leaves, agree_mm) < LEAST_PAIRS * len(leaves):
                break
            blocks = _joined(leaves, agree_mm, rng, chains, lambda: late() or effort.spent())
            more = _filled(stock, np.nonzero(free)[0].tolist(), blocks, agree_mm)
            idle, chains = (0, chains) if more else (idle + 1, not chains)
            found += more
            in_blocks = sum(len(b.pieces) for b in blocks if len(b.pieces) >= JOINED)
            if not more and in_blocks < LEAST_JOINED * len(leaves):
                break
            if more or in_blocks >= SURELY_JOINED * len(leaves):
                surely.add(agree_mm)
            gone, full = {p for f in more for p in f.pieces}, np.zeros(len(free), bool)
            full[[f.sheet for f in more]] = True
            free &= ~full
            leaves = [left for leaf in leaves if not leaf.pieces & gone and (left := leaf.without(full)) is not None]
    return tuple(found)


@dataclass
class _Effort:
    """How many blocks may still be looked at, whatever the clock says."""

    left: int

    def spent(self) -> bool:
        """Counts one; whether that was the last."""
        self.left -= 1
        return self.left <= 0


def _pairs(leaves: Sequence[Block], agree_mm: float) -> int:
    """How many neighbours by length, and by width, agree."""
    count = 0
    for sides in (sorted(b.dx for b in leaves), sorted(b.dy for b in leaves)):
        count += int((np.diff(np.array(sides)) <= agree_mm).sum())
    return count


class _Beside:
    """Blocks by one side, to find those whose side agrees."""

    def __init__(self, agree_mm: float) -> None:
        self._agree_mm = agree_mm
        self._held: dict[int, dict[Block, tuple[float, int]]] = defaultdict(dict)

    def add(self, block: Block, side_mm: float, count: int) -> None:
        self._held[int(side_mm / self._agree_mm)][block] = side_mm, count

    def drop(self, block: Block, side_mm: float) -> None:
        self._held[int(side_mm / self._agree_mm)].pop(block, None)

    def of(self, side_mm: float, count: int) -> Iterator[Block]:
        """Blocks whose side agrees with one along which so many pieces lie."""
        key = int(side_mm / self._agree_mm)
        for k in range(key - MOST_ALONG, key + MOST_ALONG + 1):
            for block, (other_mm, other) in self._held.get(k, {}).items():
                if abs(other_mm - side_mm) <= self._agree_mm * min(max(count, other), MOST_ALONG):
                    yield block


def _joined(
    leaves: Sequence[Block], agree_mm: float, rng: np.random.Generator, chains: bool, late: Callable[[], bool]
) -> list[Block]:
    """Blocks joined from the leaves, in an order by chance, until no two can be joined.

    With `chains` small blocks come first, and all whose sides agree are tried in one row; else what was joined goes on first.
    """
    across, along = _Beside(agree_mm), _Beside(agree_mm)
    by_piece: dict[int, set[Block]] = defaultdict(set)

    def add(block: Block) -> None:
        across.add(block, block.dx, block.along)
        along.add(block, block.dy, block.across)
        for piece in block.pieces:
            by_piece[piece].add(block)

    def drop(block: Block) -> None:
        across.drop(block, block.dx)
        along.drop(block, block.dy)

    liking = 2.0 * rng.random()
    live = dict.fromkeys(leaves)
    for leaf in leaves:
        add(leaf)
    turn = _smallest_first if chains else _latest_first
    todo = [(turn(leaf, rng), k, leaf) for k, leaf in enumerate(leaves)]
    heapq.heapify(todo)
    while todo and not late():
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


def _smallest_first(block: Block, rng: np.random.Generator) -> float:
    return block.dx * block.dy * math.exp(MESS * rng.standard_normal())


def _latest_first(block: Block, rng: np.random.Generator) -> float:
    return rng.random() - len(block.pieces)


def _joined_with(
    block: Block,
    across: Sequence[Block],
    along: Sequence[Block],
    liking: float,
    rng: np.random.Generator,
    chains: bool,
) -> Block | None:
    """A block with all whose side agrees with it, in the order that sheets have metal for; else with one of them by chance."""
    for is_across, beside in ((True, across), (False, along)):
        others = [b for b in beside if not b.pieces & block.pieces]
        if chains and 1 < len(others) <= MOST_IN_CHAIN and (made := chained([block, *others], is_across)) is not None:
            return made
    best, best_liked = None, -1.0
    some = [(other, True) for other in across] + [(other, False) for other in along]
    for k in rng.permutation(len(some))[:MOST_BESIDE]:
        other, is_across = some[k]
        if other.pieces & block.pieces:
            continue
        made = joined(block, other, is_across)
        if made is not None and (liked := made.room**liking * rng.random()) > best_liked:
            best, best_liked = made, liked
    return best


def _filled(stock: Stock, sheets: Sequence[int], blocks: Sequence[Block], agree_mm: float) -> list[Filled]:
    """Sheets that blocks fill, the largest first."""
    found: list[Filled] = []
    gone: set[int] = set()
    for s in sorted(sheets, key=lambda s: -float(stock.sheets[s, AREA])):
        x0, x1, y0, y1 = (float(stock.sheets[s, c]) for c in (X0, X1, Y0, Y1))
        here = [b for b in blocks if b.pieces.isdisjoint(gone)]
        columns = [b for b in here if -EXACT_MM <= y1 - y0 - b.dy <= agree_mm * min(b.across, MOST_ALONG)]
        row = _row(
            [_Ready(b.dx, float(b.ways[k, 1]), float(b.ways[k, 2]), b, k) for b in columns for k in b.on(s)],
            x0,
            x1,
            agree_mm,
        )
        placed = [(r.block, r.way, x, float(r.block.ways[r.way, 3])) for r, x in row]
        if not row:
            strips = [b for b in here if -EXACT_MM <= x1 - x0 - b.dx <= agree_mm * min(b.along, MOST_ALONG)]
            row = _row(
                [_Ready(b.dy, float(b.ways[k, 3]), float(b.ways[k, 4]), b, k) for b in strips for k in b.on(s)],
                y0,
                y1,
                agree_mm,
            )
            placed = [(r.block, r.way, float(r.block.ways[r.way, 1]), y) for r, y in row]
        if placed:
            found.append(_as_filled(stock, s, placed))
            gone.update(found[-1].pieces)
    return found


class _Ready(NamedTuple):
    """A block that may stand in a row: its size, from where to where it may begin, and which of its ways that is."""

    size: float
    low: float
    high: float
    block: Block
    way: int


def _row(some: Sequence[_Ready], start: float, end: float, agree_mm: float) -> list[tuple[_Ready, float]]:
    """Blocks one after the other from start to end, each where its way lets it begin; nothing where none fill the length."""
    steps = MOST_STEPS
    some = sorted(some, key=lambda r: -r.size)

    def go_on(at: float, held: frozenset[int]) -> list[tuple[_Ready, float]] | None:
        nonlocal steps
        if end - at <= agree_mm * MOST_ALONG:
            return []
        for ready in some:
            if steps <= 0:
                return None
            begins = ready.low - EXACT_MM <= at <= ready.high + EXACT_MM
            if not begins or at + ready.size > end + EXACT_MM or ready.block.pieces & held:
                continue
            steps -= 1
            rest = go_on(at + ready.size, held | ready.block.pieces)
            if rest is not None:
                return [(ready, at), *rest]
        return None

    return go_on(start, frozenset()) or []


def _as_filled(stock: Stock, sheet: int, placed: Sequence[tuple[Block, int, float, float]]) -> Filled:
    pieces, slots, corners = [], [], []
    for block, way, x, y in placed:
        for piece, k, x_mm, y_mm in block.parts(way, x, y):
            slot = stock.slots[k]
            pieces.append(piece)
            slots.append(k)
            x_mm, y_mm = min(max(x_mm, slot[X_LOW]), slot[X_HIGH]), min(max(y_mm, slot[Y_LOW]), slot[Y_HIGH])
            corners.append((float(x_mm), float(y_mm)))
    return Filled(sheet, tuple(pieces), tuple(slots), tuple(corners))
