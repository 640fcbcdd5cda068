"""Blocks of pieces that fill a rectangle, and where on each sheet there is metal for all that a block holds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numba as nb
import numpy as np
import numpy.typing as npt

from pipemetal.layout.core import DX, DY, RISK, X_HIGH, X_LOW, Y_HIGH, Y_LOW, Stock, inner
from pipemetal.layout.windows import IntArray
from pipemetal.sheets.field import FloatArray

__all__ = ["EXACT_MM", "Block", "chained", "joined", "leaves_of"]

EXACT_MM = 1e-6
# Of a block's ways to lie on one sheet so many are kept, those with most room.
MOST_WAYS = 8
MOST_STEPS = 60
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Block:
    """Pieces that fill a rectangle (mm, kerfs counted), how many lie along and across, and their ways to lie.

    `ways`: rows of sheet, and least and greatest x and y of the low corner, in the order of the sheets. `made_of`: for each row
    the rows of the two blocks in it, and which lies first; of a single piece the slot. `room`: how far it may move in all.
    """

    dx: float
    dy: float
    along: int
    across: int
    pieces: frozenset[int]
    ways: FloatArray
    made_of: IntArray
    room: float = 0.0
    halves: tuple[Block, Block] | None = None
    is_across: bool = False

    def on(self, sheet: int) -> range:
        """The rows of its ways on a sheet."""
        first, last = np.searchsorted(self.ways[:, 0], (sheet, sheet + 0.5))
        return range(int(first), int(last))

    def parts(self, row: int, x: float, y: float) -> Iterator[tuple[int, int, float, float]]:
        """Pieces, slots and low corners of what lies there in one of its ways."""
        if self.halves is None:
            yield next(iter(self.pieces)), int(self.made_of[row, 0]), x, y
            return
        low, high = self.halves if self.made_of[row, 2] == 0 else self.halves[::-1]
        of_low, of_high = self.made_of[row, :2] if self.made_of[row, 2] == 0 else self.made_of[row, 1::-1]
        yield from low.parts(int(of_low), x, y)
        off_x, off_y = (0.0, low.dy) if self.is_across else (low.dx, 0.0)
        yield from high.parts(int(of_high), x + off_x, y + off_y)

    def without(self, full: BoolArray) -> Block | None:
        """The same on other sheets than these; None where none is left."""
        kept = ~full[self.ways[:, 0].astype(np.int64)]
        return replace(self, ways=self.ways[kept], made_of=self.made_of[kept]) if kept.any() else None


def leaves_of(stock: Stock, allowed: BoolArray) -> Iterator[Block]:
    """Every piece in each of its shapes, on the sheets that are allowed, where it need not be worked."""
    count = stock.sheets.shape[0]
    for i in range(len(stock.area)):
        starts = stock.slot_start[i * count : (i + 1) * count + 1]
        slots = stock.slots[starts[0] : starts[-1]]
        sheet = np.repeat(np.arange(count), np.diff(starts))
        left = allowed[sheet] & (slots[:, RISK] <= 0.0)
        while left.any():
            dx, dy = slots[np.argmax(left), [DX, DY]]
            mine = np.nonzero(left & (slots[:, DX] == dx) & (slots[:, DY] == dy))[0]
            left[mine] = False
            ways = np.column_stack([sheet[mine], slots[mine][:, [X_LOW, X_HIGH, Y_LOW, Y_HIGH]]])
            made_of = np.zeros((len(mine), 3), np.int64)
            made_of[:, 0] = starts[0] + mine
            yield Block(float(dx), float(dy), 1, 1, frozenset((i,)), ways, made_of)


def joined(a: Block, b: Block, across: bool, either: bool = True) -> Block | None:
    """Two blocks side by side across the sheet, or end to end along it, in this or `either` order; None: no sheet holds them."""
    a_off, b_off = ((0.0, a.dy), (0.0, b.dy)) if across else ((a.dx, 0.0), (b.dx, 0.0))
    ways, made_of, room = _met(a.ways, b.ways, a_off, b_off, either)
    if not len(ways):
        return None
    pieces = a.pieces | b.pieces
    if across:
        size = max(a.dx, b.dx), a.dy + b.dy, max(a.along, b.along), a.across + b.across
    else:
        size = a.dx + b.dx, max(a.dy, b.dy), a.along + b.along, max(a.across, b.across)
    return Block(*size, pieces, ways, made_of, room, (a, b), across)


def chained(blocks: list[Block], across: bool) -> Block | None:
    """All the blocks one after the other, in an order that some sheet has metal for."""
    steps = MOST_STEPS

    def go_on(so_far: Block | None, left: list[Block]) -> Block | None:
        nonlocal steps
        if not left:
            return so_far
        for k, block in enumerate(left):
            if steps <= 0:
                return None
            steps -= 1
            made = block if so_far is None else joined(so_far, block, across, either=False)
            if made is not None and (found := go_on(made, [*left[:k], *left[k + 1 :]])) is not None:
                return found
        return None

    return go_on(None, blocks)


@inner
def _keep(v, w, off, ways, made_of, first, n, made):  # type: ignore[no-untyped-def]
    """Sets the way of two blocks together, the second so far off from the first, among those of a sheet by its room."""
    x_low, x_high = max(v[1], w[1] - off[0]), min(v[2], w[2] - off[0])
    y_low, y_high = max(v[3], w[3] - off[1]), min(v[4], w[4] - off[1])
    if x_low > x_high + EXACT_MM or y_low > y_high + EXACT_MM:
        return n
    x_high, y_high = max(x_low, x_high), max(y_low, y_high)
    room, at = x_high - x_low + y_high - y_low, n
    if n - first == MOST_WAYS:
        if room <= ways[n - 1, 5]:
            return n
        at, n = n - 1, n - 1
    while at > first and ways[at - 1, 5] < room:
        for c in range(6):
            ways[at, c] = ways[at - 1, c]
        for c in range(3):
            made_of[at, c] = made_of[at - 1, c]
        at -= 1
    row = (v[0], x_low, x_high, y_low, y_high, room)
    for c in range(6):
        ways[at, c] = row[c]
    for c in range(3):
        made_of[at, c] = made[c]
    return n + 1


@nb.njit(cache=True, nogil=True)
def _met(a, b, a_off, b_off, either):  # type: ignore[no-untyped-def]
    """The ways of two blocks together: the second so far off from the first, and the first from the second."""
    ways = np.empty((min(len(a), len(b)) * MOST_WAYS, 6))
    made_of = np.empty((len(ways), 3), np.int64)
    n, i, j, room = 0, 0, 0, 0.0
    while i < len(a) and j < len(b):
        if a[i, 0] != b[j, 0]:
            if a[i, 0] < b[j, 0]:
                i += 1
            else:
                j += 1
            continue
        i_end, j_end, first = i, j, n
        while i_end < len(a) and a[i_end, 0] == a[i, 0]:
            i_end += 1
        while j_end < len(b) and b[j_end, 0] == b[j, 0]:
            j_end += 1
        for k in range(i, i_end):
            for m in range(j, j_end):
                n = _keep(a[k], b[m], a_off, ways, made_of, first, n, (k, m, 0))
                if either:
                    n = _keep(b[m], a[k], b_off, ways, made_of, first, n, (k, m, 1))
        if n > first:
            room += ways[first, 5]
        i, j = i_end, j_end
    return ways[:n, :5].copy(), made_of[:n].copy(), room
