"""Filling sheets one after the other: the neediest sheet next, as full as a short search of its own can make it.

Where blanks are many and may lie on many sheets this wastes far less than changing a whole plan by small moves: a sheet
that chooses among hundreds of blanks can be filled to 96 or 98 of a hundred.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipemetal.layout.core import ERRORS_SURE, MISS, RISK, Stock, build, tail_beyond
from pipemetal.layout.ruin import improve
from pipemetal.layout.shelf import empty_state
from pipemetal.layout.windows import IntArray
from pipemetal.sheets.field import FloatArray

__all__ = ["Chain", "Filler"]

HOT, COLD = 0.04, 2e-4
# A blank that k sheets still fit counts as larger by this over k, so that scarce ones are laid while they can be.
SCARCITY = 0.7
# Two sheets are filled at once, each from its own part of the blanks, while at least so many sheets are open.
OPEN_FOR_TWO = 8
# After the first share of the budget the sheets are filled quickly, until the second; where that gives a better plan
# than the search had, it is done again thoroughly, until the third.
QUICK_FROM, QUICK_TO, LONG_TO = 0.04, 0.14, 0.75
LEAST_MOVES, MOST_MOVES = 60, 10_000
# Where moves are counted and a quick filling would have fewer for each sheet than this, nothing is filled.
FEWEST_MOVES = 100
# Then, until this share, a few sheets of the best plan are emptied and filled anew, again and again.
PARTS_TO = 0.86
PARTS, LEAST_PART_MOVES, MOST_PART_MOVES = 20, 1500, 8000
LEAST_EMPTIED, MOST_EMPTIED = 2, 4
NOISE = 0.3
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Job:
    """A sheet to fill, the blanks it may choose among, and what each counts (mm2)."""

    sheet: int
    pieces: IntArray
    worth: FloatArray
    seed: int


@dataclass(frozen=True, eq=False)
class _Fill:
    """What one sheet took: the blanks, the slots (rows of the whole stock) and the corners."""

    sheet: int
    pieces: IntArray
    slots: IntArray
    corners: FloatArray


def _fit_table(stock: Stock, n_pieces: int) -> BoolArray:
    """Which piece fits which sheet somewhere: pieces by sheets."""
    table: BoolArray = np.zeros((n_pieces, stock.sheets.shape[0]), np.bool_)
    owners = np.repeat(np.arange(n_pieces), np.diff(stock.fit_start))
    np.put(table, owners * table.shape[1] + stock.fits, True)
    return table


class Chain:
    """One filling of a shelf's sheets; `step` fills one sheet, or two at once, until nothing is left to lay.

    `kept`: where pieces lie (at, corner) that stay, with the sheets they lie on.
    """

    def __init__(
        self,
        stock: Stock,
        boxes: FloatArray,
        fits: BoolArray,
        seed: int,
        pairs: bool,
        noise: float,
        kept: tuple[IntArray, FloatArray] | None = None,
    ) -> None:
        self._stock, self._boxes, self._fits, self._pairs = stock, boxes, fits, pairs
        self._rng = np.random.default_rng(seed)
        self._taste = np.exp(noise * self._rng.standard_normal(stock.sheets.shape[0]))
        self._scarcity = SCARCITY * float(np.exp(3.0 * noise * self._rng.standard_normal()))
        self._left: BoolArray = np.array(fits.any(axis=1))
        self._open = np.ones(stock.sheets.shape[0], bool)
        self._surest = _surest(stock, len(boxes))
        self.at: IntArray = np.full((len(boxes), 2), -1, np.int64)
        self.corner: FloatArray = np.zeros((len(boxes), 2))
        if kept is not None:
            self.at[:], self.corner[:] = kept
            self._left &= self.at[:, 0] < 0
            self._open[self.at[self.at[:, 0] >= 0, 0]] = False

    @property
    def done(self) -> bool:
        """Whether nothing is left to lay, or no sheet to lay it on."""
        left = self._fits[self._left]
        return not bool((left & self._open).any())

    def sheets_left(self) -> float:
        """About how many more sheets it takes."""
        mean = float(self._stock.sheets[:, 4].mean())
        return max(float(self._boxes[self._left].sum()) / (0.93 * mean), 1.0)

    def step(self, moves: int) -> int:
        """Fills the neediest sheet (or two) with so many moves each; returns the moves made, counted once for two."""
        rows = np.nonzero(self._left)[0]
        fits = self._fits[rows]
        choices = np.maximum((fits & self._open).sum(axis=1), 1)
        need = ((self._boxes[rows] / choices)[:, None] * fits).sum(axis=0) / self._stock.sheets[:, 4] * self._taste
        need[~self._open] = -1.0
        count = 2 if self._pairs and int(self._open.sum()) >= OPEN_FOR_TWO else 1
        chosen = [int(s) for s in np.argsort(-need, kind="stable")[:count] if need[s] > 0.0]
        side = self._rng.integers(0, 2, rows.size)
        jobs: list[_Job] = []
        for k, s in enumerate(chosen):
            mine = fits[:, s]
            if len(chosen) == 2:
                mine = mine & ((side == k) | ~fits[:, chosen[1 - k]])
            worth = self._boxes[rows[mine]] * (1.0 + self._scarcity / choices[mine])
            jobs.append(_Job(s, rows[mine], worth, int(self._rng.integers(0, 2**62))))
            self._open[s] = False
        if len(jobs) == 2:
            with ThreadPoolExecutor(2) as pool:
                fills = list(pool.map(lambda job: self._filled(job, moves), jobs))
        else:
            fills = [self._filled(job, moves) for job in jobs]
        for fill in fills:
            self._left[fill.pieces] = False
            self.at[fill.pieces, 0], self.at[fill.pieces, 1] = fill.sheet, fill.slots
            self.corner[fill.pieces] = fill.corners
        return moves

    def _filled(self, job: _Job, moves: int) -> _Fill:
        """One sheet filled with the most worth among some pieces."""
        sheet, pieces, worth, seed = job.sheet, job.pieces, job.worth, job.seed
        if pieces.size == 0:
            return _Fill(sheet, pieces, pieces, np.zeros((0, 2)))
        part, rows = _part_of(self._stock, sheet, pieces, worth)
        # what a piece risks wherever it lies is no reason to leave it over
        part.slots[:, RISK] -= np.repeat(self._surest[pieces], np.diff(part.slot_start))
        state = empty_state(pieces.size, 1, seed)
        build(part, state, 0, 0, 0.2, 0.0)
        at, corner = state.at.copy(), state.corner.copy()
        area = float(self._stock.sheets[sheet, 4])
        improve(part, state, at, corner, np.array([np.inf]), moves, HOT * area, COLD * area)
        got = np.nonzero(at[:, 0] >= 0)[0]
        return _Fill(sheet, pieces[got], rows[at[got, 1]], corner[got])


def _surest(stock: Stock, n_pieces: int) -> FloatArray:
    """What every piece risks, as metal, at the surest place that it has on a roll."""
    found, sheets = np.zeros(n_pieces), stock.sheets.shape[0]
    starts = stock.slot_start[:: sheets or 1]
    some = np.nonzero(np.diff(starts) > 0)[0]
    if len(some) and (stock.slots[:, MISS] > 0.0).any():
        errors = stock.slots[:, ERRORS_SURE]
        found[some] = np.minimum.reduceat(stock.slots[:, MISS] * tail_beyond(errors), starts[some])
    return found


def _part_of(stock: Stock, sheet: int, pieces: IntArray, worth: FloatArray) -> tuple[Stock, IntArray]:
    """The stock of one sheet and some pieces, metal all but free; and its slots as rows of the whole stock."""
    pair = pieces * stock.sheets.shape[0] + sheet
    first, count = stock.slot_start[pair], stock.slot_start[pair + 1] - stock.slot_start[pair]
    starts = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    rows = np.repeat(first - starts[:-1], count) + np.arange(starts[-1])
    sheets = stock.sheets[[sheet]].copy()
    sheets[0, 5], sheets[0, 6] = 0.0, 1e-6
    blocked = stock.blocked[stock.blocked_start[sheet] : stock.blocked_start[sheet + 1]]
    n = np.arange(pieces.size, dtype=np.int64)
    part = Stock(
        starts,
        stock.slots[rows],
        np.append(n, pieces.size),
        np.zeros(pieces.size, np.int64),
        sheets,
        np.array([0, len(blocked)], np.int64),
        np.ascontiguousarray(blocked),
        worth,
        worth.copy(),
        stock.area[pieces],
        stock.rules,
    )
    return part, rows


class Filler:
    """Paces chains of fillings by the share of the budget that is used: a quick one, and a long one where that pays."""

    def __init__(self, stock: Stock, n_pieces: int, seed: int, pairs: bool) -> None:
        self._stock, self._seed, self._pairs = stock, seed, pairs
        self._fits = _fit_table(stock, n_pieces)
        self._boxes = _boxes(stock, n_pieces)
        self._rng = np.random.default_rng(seed)
        self._chains = 0
        self._chain: Chain | None = None
        self._in_part = 0
        self._begun = 0.0
        self._pace = self._last_done = 0.0
        self._last_moves = 0

    def wants(self, done: float) -> bool:
        """Whether it is its turn."""
        return self._chain is not None or done >= QUICK_FROM

    def has_too_few(self, done: float, moves_so_far: int) -> bool:
        """Whether so few moves were asked for that a first filling, yet to begin, would fill sheets badly."""
        if self._chains or self._chain is not None or done <= 0.0:
            return False
        sheets = float(self._boxes.sum()) / float(self._stock.sheets[:, 4].mean())
        return moves_so_far / done * (QUICK_TO - QUICK_FROM) < FEWEST_MOVES * sheets

    def step(self, done: float, moves_so_far: int, best: tuple[IntArray, FloatArray]) -> tuple[int, Chain | None]:
        """Fills the next sheet; returns the moves made, and the chain once it has come to its end. `best`: the best plan so far,
        where its pieces lie."""
        if self._last_moves and done > self._last_done:
            self._pace = (done - self._last_done) / self._last_moves
        self._pace = self._pace or done / max(moves_so_far, 1)
        if self._chain is None:
            self._begin(done, best)
        assert self._chain is not None
        if self._in_part:
            moves = self._chain.step(self._in_part)
        else:
            steps = self._chain.sheets_left() / (2.0 if self._pairs else 1.0)
            share = max((LONG_TO if self._chains > 0 else QUICK_TO) - done, 0.0) / steps
            moves = self._chain.step(int(min(max(share / max(self._pace, 1e-12), LEAST_MOVES), MOST_MOVES)))
        self._last_done, self._last_moves = done, moves
        return moves, self._chain if self._chain.done else None

    def _begin(self, done: float, best: tuple[IntArray, FloatArray]) -> None:
        """The next chain: the whole, or a part of the best plan."""
        seed, kept, self._begun, self._in_part = self._seed + self._chains, None, done, 0
        if self._chains > 1:
            at, corner = best[0].copy(), best[1].copy()
            emptied = self._emptied(at)
            at[np.isin(at[:, 0], emptied)] = -1
            kept = at, corner
            left = max(PARTS_TO - done, 0.0) / max(self._pace, 1e-12)
            self._in_part = int(min(max(left / (PARTS * max(len(emptied), 1)), LEAST_PART_MOVES), MOST_PART_MOVES))
        noise = NOISE if self._chains > 1 else 0.0
        self._chain = Chain(self._stock, self._boxes, self._fits, seed, self._pairs, noise, kept)

    def _emptied(self, at: IntArray) -> IntArray:
        """A few sheets to fill anew: one that wastes much, and those whose pieces fit it best; none where nothing lies yet."""
        sheets = self._stock.sheets.shape[0]
        lying = at[:, 0] >= 0
        held = np.bincount(at[lying, 0], self._boxes[lying], sheets)
        used = np.nonzero(held > 0.0)[0]
        if not used.size:
            return np.asarray(used)
        waste = 1.0 - held[used] / self._stock.sheets[used, 4] + 0.02
        first = int(self._rng.choice(used, p=np.maximum(waste, 0.01) / np.maximum(waste, 0.01).sum()))
        own = lying & self._fits[:, first]
        shared = np.bincount(at[own, 0], self._boxes[own], sheets)[used] / held[used]
        liking = (shared + 0.1) * (waste + 0.05) * self._rng.random(used.size)
        liking[used == first] = np.inf
        count = int(self._rng.integers(LEAST_EMPTIED, MOST_EMPTIED + 1))
        chosen: IntArray = used[np.argsort(-liking, kind="stable")[:count]]
        return chosen

    def go_on(self, better: bool, done: float) -> bool:
        """After a chain: whether there will be another one. The first has to show that filling pays."""
        again = (better or self._chains > 0) and done < (PARTS_TO if self._chains > 0 else LONG_TO)
        self._chains, self._chain = self._chains + 1, None
        return again


def _boxes(stock: Stock, n_pieces: int) -> FloatArray:
    """Area of the box of every piece, kerf included; 0 for a piece that fits no sheet."""
    boxes = np.zeros(n_pieces)
    some = np.nonzero(np.diff(stock.fit_start) > 0)[0]
    first = stock.slot_start[some * stock.sheets.shape[0] + stock.fits[stock.fit_start[some]]]
    boxes[some] = stock.slots[first, 4] * stock.slots[first, 5]
    return boxes
