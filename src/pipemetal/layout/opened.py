"""Fewer whole sheets: tries sets of sheets smaller than the best known, and packs what fits into each."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.layout.core import build
from pipemetal.layout.ruin import improve
from pipemetal.layout.search import TARGET_CHUNK_S, Search, SolverSettings
from pipemetal.layout.shelf import Shelf, make_shelf
from pipemetal.layout.windows import IntArray
from pipemetal.sheets.field import FloatArray

__all__ = ["OpenedSearch"]

FIRST_SHARE = 0.2
TRIAL_MOVES = 1200
MOST_TRIALS = 60
FULLEST = 0.985
MOST_LOOKED_AT = 20_000


@dataclass(eq=False)
class _Trial:
    """One set of sheets, the state of its packing, and what it leaves without a place (mm2)."""

    shelf: Shelf
    opened: float
    at: IntArray
    corner: FloatArray
    cost: FloatArray
    left: float = np.inf


class OpenedSearch(Search):
    """As `Search`, for the area of whole sheets: after a first while it works on sets of sheets, a third kept each round."""

    def __init__(self, shelf: Shelf, settings: SolverSettings, seed: int, kerf_mm: float) -> None:
        super().__init__(shelf, settings, seed)
        self._settings, self._kerf = settings, kerf_mm
        self._all, self._trials, self._next, self._moves = shelf, list[_Trial](), 0, TRIAL_MOVES
        self._round, self._tried = list[_Trial](), set[tuple[int, ...]]()
        self._turn = 0

    def run(self, done_from: float, done_to: float, moves: int) -> None:
        """First the common search, then trials of smaller sets."""
        if done_from < FIRST_SHARE or self.unplaced() > 0:
            share = min(done_from / FIRST_SHARE, 1.0), min(done_to / FIRST_SHARE, 1.0)
            super().run(*share, moves)
            return
        while moves > 0:
            if not self._round and not self._refill():
                self.moves += moves
                return
            moves -= self._pack(self._round[self._next])
            self._next += 1
            self._drop_dearer()
            if self._next >= len(self._round):
                self._next = 0
                self._moves *= 3
                self._round = sorted(self._round, key=lambda t: t.left)[: len(self._round) // 3]
                if not self._round:
                    self._moves = TRIAL_MOVES

    def run_timed(self, done: float) -> None:
        """One chunk of about 0.15 s, or one trial."""
        begun = time.perf_counter()
        self.run(done, done, self._chunk if done < FIRST_SHARE else 1)
        if done < FIRST_SHARE:
            took = time.perf_counter() - begun
            self._chunk = int(min(max(self._chunk * min(TARGET_CHUNK_S / max(took, 1e-4), 4.0), 16), 50_000))

    def price_misses(self, miss_mm2: float, share: float) -> None:
        """Nothing: whole sheets are counted, and a set of them either holds all pieces or does not."""

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
        fits = [set(stock.fits[stock.fit_start[i] : stock.fit_start[i + 1]].tolist()) for i in range(len(stock.area))]
        others = [s for s in range(n) if s not in used]
        sets: dict[tuple[int, ...], float] = {}
        for chosen in itertools.islice(_neighbours(used, others), MOST_LOOKED_AT):
            area = float(areas[list(chosen)].sum())
            if needed <= area < opened - 1.0 and chosen not in self._tried:
                sets[chosen] = area
        ranked = sorted(sets, key=lambda c: (-sets[c], c))
        good = list(itertools.islice((c for c in ranked if all(f & set(c) for f in fits)), MOST_TRIALS))
        self._tried |= set(good)
        self._round = [self._trial(c, sets[c]) for c in good]
        self._next, self._moves = 0, TRIAL_MOVES
        return bool(self._round)

    def _trial(self, chosen: tuple[int, ...], area: float) -> _Trial:
        rules = self._all.stock.rules
        self._turn += 1
        shelf = make_shelf(
            self._all.pieces,
            [self._all.rolls[s] for s in chosen],
            [replace(self._all.rules[s], fee=0.0, weight=1e-6) for s in chosen],
            self._kerf,
            share=1.0,
            least_end_piece_mm=float(rules[0]),
            least_strip_mm=float(rules[1]),
            seed=self._seed + self._turn,
            straight=self._settings.straight_cuts_only,
        )
        boxes = np.array([min(v.dx_mm * v.dy_mm for v in p.variants) for p in shelf.pieces])
        shelf.stock.soft_penalty[:], shelf.stock.penalty[:] = boxes, boxes
        return _Trial(shelf, area, shelf.state.at.copy(), shelf.state.corner.copy(), np.array([np.inf]))

    def _drop_dearer(self) -> None:
        """Takes sets out of the round that are no longer smaller than the best plan."""
        best = float(self._all.stock.sheets[list(self._used()), 4].sum())
        self._next = sum(t.opened < best - 1.0 for t in self._round[: self._next])
        self._round = [t for t in self._round if t.opened < best - 1.0]

    def _pack(self, trial: _Trial) -> int:
        """Packs on; a trial that places all becomes the best plan."""
        if trial.left == np.inf:
            build(trial.shelf.stock, trial.shelf.state, 3, 0, 0.2, 0.0)
        size = float(trial.shelf.stock.sheets[:, 4].mean())
        improve(
            trial.shelf.stock,
            trial.shelf.state,
            trial.at,
            trial.corner,
            trial.cost,
            self._moves,
            0.01 * size,
            2e-4 * size,
        )
        self.moves += self._moves
        lost = trial.at[:, 0] < 0
        trial.left = float(trial.shelf.stock.soft_penalty[lost].sum())
        if not np.any(lost):
            self.shelf, self.best_at, self.best_corner = trial.shelf, trial.at, trial.corner
            self.best_cost[0] = trial.opened
        return self._moves


def _neighbours(used: tuple[int, ...], others: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Sets with one, two or three sheets out and no more than so many others in."""
    for out in range(1, 4):
        for gone in itertools.combinations(used, out):
            for back in range(min(out, len(others)) + 1):
                for come in itertools.combinations(others, back):
                    yield tuple(sorted((set(used) - set(gone)) | set(come)))
