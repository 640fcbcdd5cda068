"""The search of one alloy: first plan, then ruin and recreate in chunks, the best plan kept."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipemetal.layout.core import DX, DY, IS_NEW, MISS, State, build, miss_cost, total_cost
from pipemetal.layout.filling import Filler
from pipemetal.layout.ruin import improve
from pipemetal.layout.shelf import Place, Shelf, slot_for
from pipemetal.layout.windows import IntArray
from pipemetal.sheets.field import FloatArray

__all__ = ["Fees", "Search", "SolverSettings"]

# Orders and ways of looking at a place that the first plan is tried with: (order, mode, weight of waste).
FIRST_TRIES = ((3, 0, 0.2), (0, 0, 0.2), (4, 3, 0.2), (2, 3, 1.0), (1, 1, 0.2), (3, 4, 1.0))
TARGET_CHUNK_S = 0.15
HARDENING = 4.0
URGENT, URGENT_UNTIL = 10.0, 0.4
MANY_PIECES = 160
FEW_SHEETS = 4
# How quickly the price of a miss follows, and between which times its first it stays (the fewer misses are allowed, the dearer).
PRICE_POWER, LEAST_DEARER, MOST_DEARER = 0.8, 0.1, 0.064


@dataclass(frozen=True)
class SolverSettings:
    """Weights and limits of the solver, by plain names.

    `objective`: "consumed" counts metal less useful remnants, "opened" whole sheets. `fee_share`: cost of taking down a
    roll, as a share of its area. `new_metal_weight`: what a mm2 of new sheet costs against a mm2 from the rack;
    `cast_fee_mm2`: what every further cast costs, as metal; `equal_sheets_share`: metal that sheets of one profile may take
    more, as a share, to be cast alike. `hot_share`, `cold_share`: threshold of the search at its
    start and end, as shares of a sheet. `bundle_feet`: lay sectors in bundles by their true shape. `straight_cuts_only`: straight
    cuts, each across the whole piece in hand, must free every box (no bundles then). `workers`: threads; they never change
    a plan.

    >>> SolverSettings().objective
    'consumed'
    """

    objective: str = "consumed"
    fee_share: float = 0.05
    new_metal_weight: float = 2.0
    cast_fee_mm2: float = 500_000.0
    equal_sheets_share: float = 0.03
    hot_share: float = 0.02
    cold_share: float = 0.0005
    bundle_feet: bool = True
    largest_bundle: int = 12
    straight_cuts_only: bool = False
    workers: int = 2


@dataclass(frozen=True)
class Fees:
    """What work costs as metal (mm2), beside the shares of `SolverSettings`: taking down a roll, by its id; of an alloy the
    first sheet to cast, which opens a melt, and working one blank a little to fit (elsewhere `WORKING_MM2`)."""

    take_down_mm2: Mapping[str, float] = field(default_factory=dict)
    first_cast_mm2: Mapping[str, float] = field(default_factory=dict)
    working_mm2: Mapping[str, float] = field(default_factory=dict)


class Search:
    """The state of one alloy's search; `run` may be called again and again until the budget is used."""

    def __init__(self, shelf: Shelf, settings: SolverSettings, seed: int, pairs: bool = False) -> None:
        self.shelf = shelf
        self.moves, self.finished = 0, False
        net = shelf.stock.sheets[:, 4]
        size = float(net.mean()) if net.size else 1.0
        # Many pieces have few moves each: they begin cooler.
        calm = min(1.0, MANY_PIECES / max(len(shelf.pieces), 1)) ** 0.8
        self.hot = max(settings.hot_share * calm, settings.cold_share) * size
        self.cold = settings.cold_share * size
        self.best_cost = np.array([np.inf])
        self.best_at: IntArray = shelf.state.at.copy()
        self.best_corner: FloatArray = shelf.state.corner.copy()
        self._chunk = 64
        self._seed = seed
        self._soft = shelf.stock.soft_penalty.copy()
        self._owed = 0
        self._dearer = 1.0
        # A new sheet is as large as its use, so filling it to the brim tells nothing.
        new_sheets = bool((shelf.stock.sheets[:, IS_NEW] > 0.5).any())
        self._filler: Filler | None = None
        if not new_sheets and len(shelf.rolls) >= FEW_SHEETS and not shelf.hands.pinned:
            self._filler = Filler(shelf.stock, len(shelf.pieces), seed, pairs)

    def start(self, late: Callable[[], bool] = lambda: False) -> None:
        """The first plan: the best of a few orders; of one, where it is `late` already."""
        shelf, best = self.shelf, np.inf
        for way, mode, alpha in FIRST_TRIES:
            if best < np.inf and late():
                break
            state = shelf.empty(self._seed)
            cost = float(build(shelf.stock, state, way, mode, alpha, 0.0))
            if cost < best:
                best, shelf.state = cost, state
        self._keep(np.inf)

    def adopt(self, places: dict[int, tuple[int, Place]]) -> None:
        """Tries a plan known from before (piece: sheet and place), the rest laid anew; goes on from it if it is better."""
        shelf = self.shelf
        state = shelf.empty(self._seed)
        for piece, (sheet, place) in places.items():
            if piece in shelf.hands.pinned:
                continue
            slot = slot_for(shelf, piece, sheet, place)
            if slot >= 0 and not self._on_pinned(sheet, slot, place):
                state.at[piece] = (sheet, slot)
                state.corner[piece] = (place.x_mm, place.y_mm)
        self._try(state)

    def _on_pinned(self, sheet: int, slot: int, place: Place) -> bool:
        """Whether a place overlaps a pinned piece."""
        stock = self.shelf.stock
        for piece, (s, other) in self.shelf.hands.pinned.items():
            box = stock.slots[stock.slot_start[piece * len(self.shelf.rolls) + s]]
            apart_x = place.x_mm >= other.x_mm + box[DX] or other.x_mm >= place.x_mm + stock.slots[slot, DX]
            apart_y = place.y_mm >= other.y_mm + box[DY] or other.y_mm >= place.y_mm + stock.slots[slot, DY]
            if s == sheet and not apart_x and not apart_y:
                return True
        return False

    def go_on_from(self, places: dict[int, tuple[int, Place]], moves: int) -> None:
        """Goes on from a plan of another search, whatever it costs here, by small moves alone; `moves` were made before."""
        self.moves, self._filler = moves, None
        self.best_cost[0] = np.inf
        self.adopt(places)

    def take_over(self, other: Search) -> None:
        """While sheets are filled: goes on from the plan of another search of the same shelf, where it is better."""
        if self._filler is not None and float(other.best_cost[0]) < float(self.best_cost[0]):
            state = self.shelf.empty(self._seed)
            state.at[:], state.corner[:] = other.best_at, other.best_corner
            self._try(state)

    def _try(self, state: State) -> bool:
        """Lays what a state leaves over and goes on from it if it is better than the best plan; whether it was."""
        build(self.shelf.stock, state, 3, 0, 0.2, 0.0)
        before = float(self.best_cost[0])
        self.shelf.state, old = state, self.shelf.state
        self._keep(before)
        if float(self.best_cost[0]) < before:
            return True
        self.shelf.state = old
        return False

    def run(self, done_from: float, done_to: float, moves: int) -> None:
        """Makes moves while the threshold falls from where it stands at `done_from` to `done_to` (shares of the budget)."""
        paid = min(self._owed, moves)
        self._owed -= paid
        moves -= paid
        if self._filler is not None and self._filler.has_too_few(done_from, self.moves):
            self._filler = None
        while moves > 0 and self._filler is not None and self._filler.wants(done_from):
            moves -= self._fill(self._filler, done_from)
        if moves <= 0:
            self._owed -= moves
            return
        fall = self.cold / self.hot
        hot, cold = self.hot * fall**done_from, self.hot * fall**done_to
        # Towards the end a blank without a place costs more and more.
        hard = 1.0 + HARDENING * done_to**2
        if done_to < URGENT_UNTIL and self.unplaced() > 0:
            # A first complete plan soon, even at the price of metal: it is kept until a cheaper one is complete.
            hard = URGENT
        self.shelf.stock.soft_penalty[:] = self._soft * hard
        improve(self.shelf.stock, self.shelf.state, self.best_at, self.best_corner, self.best_cost, moves, hot, cold)
        self.moves += moves

    def run_timed(self, done: float) -> None:
        """Makes a chunk of moves that takes about 0.15 s, with the threshold that belongs to `done` (0 to 1)."""
        if self._filler is not None and self._filler.wants(done):
            self._fill(self._filler, done)
            return
        begun = time.perf_counter()
        self.run(done, done, self._chunk)
        took = time.perf_counter() - begun
        self._chunk = int(min(max(self._chunk * min(TARGET_CHUNK_S / max(took, 1e-4), 4.0), 16), 50_000))

    def _fill(self, filler: Filler, done: float) -> int:
        """Fills the next sheet of a chain, and takes its plan over at its end where it is better; the moves made."""
        moves, chain = filler.step(done, self.moves, (self.best_at, self.best_corner))
        self.moves += moves
        if chain is not None:
            state = self.shelf.empty(self._seed)
            state.at[:], state.corner[:] = chain.at, chain.corner
            if not filler.go_on(self._try(state), done):
                self._filler = None
        return moves

    def price_misses(self, miss_mm2: float, share: float) -> None:
        """Makes a miss (`miss_mm2` at first) dearer where more than this share of blanks is expected to miss, else cheaper."""
        slots, blanks = self.shelf.stock.slots, sum(len(p.members) for p in self.shelf.pieces)
        cost = float(miss_cost(self.shelf.stock, self.best_at, self.best_corner))
        if cost <= 0.0 or not np.isfinite(self.best_cost[0]):
            return
        missed = cost / (miss_mm2 * self._dearer) / blanks
        wanted = self._dearer * (missed / share) ** PRICE_POWER
        by = min(max(wanted, LEAST_DEARER), MOST_DEARER / share) / self._dearer
        slots[:, MISS] *= by
        self._dearer *= by
        self.best_cost[0] += (by - 1.0) * cost

    def unplaced(self) -> int:
        """How many pieces the best plan leaves without a place."""
        return int((self.best_at[:, 0] < 0).sum())

    def _keep(self, best: float) -> None:
        stock, state = self.shelf.stock, self.shelf.state
        hard = stock.penalty[state.at[:, 0] < 0].sum() - stock.soft_penalty[state.at[:, 0] < 0].sum()
        cost = float(total_cost(stock, state, False)) + float(hard)
        if cost < best:
            self.best_cost[0] = cost
            self.best_at[:], self.best_corner[:] = state.at, state.corner
