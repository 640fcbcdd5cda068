"""Fewer whole sheets: tries sets of sheets smaller than the best known, and packs what fits into each."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipemetal.layout.core import FEE, SHARE, WEIGHT, Stock, build
from pipemetal.layout.ruin import improve
from pipemetal.layout.search import Search, SolverSettings
from pipemetal.layout.shelf import Shelf, empty_state
from pipemetal.layout.windows import IntArray
from pipemetal.sheets.field import FloatArray

__all__ = ["OpenedSearch"]

# The common search first: with many pieces its filling of whole sheets matters most, with few the trials of sets.
FIRST_SHARE, FIRST_SHARE_OF_MANY, MANY = 0.2, 0.4, 250
# Every second trial begins with nothing laid, where pieces are few.
FEW = 250
TRIAL_MOVES = 1200
MOST_TRIALS = 60
HOT, COLD = 0.01, 2e-4
FULLEST = 1.0
MOST_LOOKED_AT = 20_000


@dataclass(eq=False)
class _Trial:
    """One set of sheets, the state of its packing, and what it leaves without a place (mm2)."""

    chosen: tuple[int, ...]
    opened: float
    shelf: Shelf | None = None
    at: IntArray = field(default_factory=lambda: np.zeros((0, 2), np.int64))
    corner: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    cost: FloatArray = field(default_factory=lambda: np.array([np.inf]))
    left: float = np.inf
    made: int = 0


class OpenedSearch(Search):
    """As `Search`, for the area of whole sheets: after a first while it works on sets of sheets, a third kept each round."""

    def __init__(self, shelf: Shelf, settings: SolverSettings, seed: int) -> None:
        super().__init__(shelf, settings, seed)
        self._all, self._next, self._moves = shelf, 0, TRIAL_MOVES
        self._least_moves = TRIAL_MOVES
        self._round, self._tried = list[_Trial](), set[tuple[int, ...]]()
        self._turn = 0
        self._first_share = FIRST_SHARE if len(shelf.pieces) < MANY else FIRST_SHARE_OF_MANY

    def run(self, done_from: float, done_to: float, moves: int) -> None:
        """First the common search, then trials of smaller sets."""
        first = self._first_share
        if done_from < first or self.unplaced() > 0:
            share = min(done_from / first, 1.0), min(done_to / first, 1.0)
            super().run(*share, moves)
            return
        while moves > 0:
            if not self._round and not self._refill() and not self._begin_again():
                self.finished = True
                return
            trial = self._round[self._next]
            moves -= self._pack(trial, moves)
            if trial.made < self._moves:
                continue
            trial.made = 0
            self._next += 1
            self._drop_dearer()
            if self._next >= len(self._round):
                self._next = 0
                self._moves *= 3
                self._round = sorted(self._round, key=lambda t: t.left)[: len(self._round) // 3]

    def price_misses(self, miss_mm2: float, share: float) -> None:
        """Nothing: whole sheets are counted, and a set of them either holds all pieces or does not."""

    def take_over(self, other: Search) -> None:
        """Nothing: each search tries sets of its own, on shelves that differ."""

    def _used(self) -> tuple[int, ...]:
        """Numbers, on the whole shelf, of the sheets that the best plan uses."""
        names = {r.id: k for k, r in enumerate(self._all.rolls)}
        return tuple(sorted({names[self.shelf.rolls[s].id] for s in self.best_at[:, 0]}))

    def _refill(self) -> bool:
        """A new round: sets that are smaller than the best plan's and still give every piece a sheet."""
        stock, used = self._all.stock, self._used()
        areas, n = stock.sheets[:, 4], stock.sheets.shape[0]
        opened = float(areas[list(used)].sum())
        needed = float(stock.area.sum()) / FULLEST
        fits = np.zeros((len(stock.area), n), np.bool_)
        fits[np.repeat(np.arange(len(stock.area)), np.diff(stock.fit_start)), stock.fits] = True
        others = [s for s in range(n) if s not in used]
        sets: dict[tuple[int, ...], float] = {}
        for chosen in itertools.islice(_neighbours(used, others), MOST_LOOKED_AT):
            area = float(areas[list(chosen)].sum())
            if needed <= area < opened - 1.0 and chosen not in self._tried:
                sets[chosen] = area
        ranked = sorted(sets, key=lambda c: (-sets[c], c))
        serving = (c for c in ranked if fits[:, list(c)].any(axis=1).all())
        good = list(itertools.islice(serving, MOST_TRIALS))
        self._tried |= set(good)
        self._round = [_Trial(c, sets[c]) for c in good]
        self._next, self._moves = 0, self._least_moves
        return bool(self._round)

    def _begin_again(self) -> bool:
        """Where all sets were tried: the same once more, three times as long each."""
        self._tried.clear()
        self._least_moves *= 3
        return self._refill()

    def _begun(self, trial: _Trial) -> Shelf:
        """The shelf of a trial, set up when its first turn comes: that takes time where pieces are many."""
        if trial.shelf is None:
            self._turn += 1
            shelf = _part_of_shelf(self._all, trial.chosen, self._seed + self._turn)
            if len(shelf.pieces) >= FEW or self._turn % 2:
                self._leave_lying(shelf, trial.chosen)
            trial.shelf, trial.at, trial.corner = shelf, shelf.state.at.copy(), shelf.state.corner.copy()
            build(shelf.stock, shelf.state, 3, 0, 0.2, 0.0)
        return trial.shelf

    def _leave_lying(self, shelf: Shelf, chosen: tuple[int, ...]) -> None:
        """Lays what the best plan has on the sheets of a set as it lies there."""
        names = {self._all.rolls[s].id: k for k, s in enumerate(chosen)}
        place = np.array([names.get(r.id, -1) for r in self.shelf.rolls])
        lying = np.nonzero(self.best_at[:, 0] >= 0)[0]
        lying = lying[place[self.best_at[lying, 0]] >= 0]
        old, new = self.best_at[lying, 0], place[self.best_at[lying, 0]]
        nth = self.best_at[lying, 1] - self.shelf.stock.slot_start[lying * len(self.shelf.rolls) + old]
        shelf.state.at[lying, 0] = new
        shelf.state.at[lying, 1] = shelf.stock.slot_start[lying * len(chosen) + new] + nth
        shelf.state.corner[lying] = self.best_corner[lying]

    def _drop_dearer(self) -> None:
        """Takes sets out of the round that are no longer smaller than the best plan."""
        best = float(self._all.stock.sheets[list(self._used()), 4].sum())
        self._next = sum(t.opened < best - 1.0 for t in self._round[: self._next])
        self._round = [t for t in self._round if t.opened < best - 1.0]

    def _pack(self, trial: _Trial, moves: int) -> int:
        """Packs on, no more than so many moves; a trial that places all becomes the best plan. Returns the moves made."""
        shelf = self._begun(trial)
        stock = shelf.stock
        size, fall = float(stock.sheets[:, 4].mean()), COLD / HOT
        count = min(moves, self._moves - trial.made)
        hot, cold = (HOT * size * fall ** (made / self._moves) for made in (trial.made, trial.made + count))
        improve(stock, shelf.state, trial.at, trial.corner, trial.cost, count, hot, cold)
        self.moves += count
        trial.made += count
        lost = trial.at[:, 0] < 0
        trial.left = float(stock.soft_penalty[lost].sum())
        if not np.any(lost):
            self.shelf, self.best_at, self.best_corner = shelf, trial.at, trial.corner
            self.best_cost[0] = trial.opened
            trial.made = self._moves
        return count


def _part_of_shelf(whole: Shelf, chosen: Sequence[int], seed: int) -> Shelf:
    """A shelf of some of the sheets, nothing laid; metal is all but free, and what finds no place costs its box."""
    stock, n, m = whole.stock, len(whole.rolls), len(chosen)
    pairs = (np.arange(len(whole.pieces))[:, None] * n + np.array(chosen)).ravel()
    first, count = stock.slot_start[pairs], stock.slot_start[pairs + 1] - stock.slot_start[pairs]
    starts = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    rows = np.repeat(first - starts[:-1], count) + np.arange(starts[-1])
    some = (count > 0).reshape(-1, m)
    sheets = stock.sheets[list(chosen)].copy()
    sheets[:, FEE], sheets[:, WEIGHT] = 0.0, 1e-6
    blocked = [stock.blocked[stock.blocked_start[s] : stock.blocked_start[s + 1]] for s in chosen]
    boxes = np.array([min(v.dx_mm * v.dy_mm for v in p.variants) for p in whole.pieces])
    rules = stock.rules.copy()
    rules[SHARE] = 1.0
    part = Stock(
        starts,
        np.ascontiguousarray(stock.slots[rows]),
        np.concatenate([[0], np.cumsum(some.sum(axis=1))]).astype(np.int64),
        np.nonzero(some)[1].astype(np.int64),
        sheets,
        np.concatenate([[0], np.cumsum([len(b) for b in blocked])]).astype(np.int64),
        np.ascontiguousarray(np.concatenate([*blocked, stock.blocked[:0]])),
        boxes,
        boxes.copy(),
        stock.area,
        rules,
    )
    rolls, own = tuple(whole.rolls[s] for s in chosen), tuple(whole.rules[s] for s in chosen)
    return replace(whole, rolls=rolls, rules=own, stock=part, state=empty_state(len(whole.pieces), m, seed))


def _neighbours(used: tuple[int, ...], others: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Sets with one, two or three sheets out and no more than so many others in."""
    for out in range(1, 4):
        for gone in itertools.combinations(used, out):
            for back in range(min(out, len(others)) + 1):
                for come in itertools.combinations(others, back):
                    yield tuple(sorted((set(used) - set(gone)) | set(come)))
