"""The budget of a layout spent: by moves, or by the clock, on several searches at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from pipemetal.layout.budget import Budget
from pipemetal.layout.search import Search
from pipemetal.texts import Text

__all__ = ["spend"]

CHUNK_MOVES = 400


def spend(searches: Sequence[Search], budget: Budget, workers: int, start: float, end: float) -> None:
    """Lets searches go on from one share of the budget to another, `workers` of them at once."""
    if not searches:
        return
    workers = max(1, min(workers, len(searches)))
    if budget.seconds is None:
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(lambda s: _spend_moves(s, budget, start, end), searches))
        _tell(budget, end, Text("moves made"))
        return
    begun, until = time.perf_counter(), budget.begun + end * budget.seconds
    if begun >= until:
        return
    used = [0.0] * len(searches)
    weight = [max(len(s.shelf.pieces), 1) ** 0.5 for s in searches]
    busy = [False] * len(searches)
    lock = threading.Lock()

    def work(worker: int) -> None:
        while (now := time.perf_counter()) < until and not (budget.should_stop and budget.should_stop()):
            with lock:
                free = [k for k in range(len(searches)) if not busy[k] and not searches[k].finished]
                if not free:
                    return
                k = min(free, key=lambda k: used[k] / weight[k])
                busy[k] = True
            done = start + (end - start) * (now - begun) / (until - begun)
            searches[k].run_timed(done)
            with lock:
                busy[k] = False
                used[k] += time.perf_counter() - now
            if worker == 0:
                _tell(budget, done, Text("{count} pieces without a place", count=sum(s.unplaced() for s in searches)))

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, range(workers)))


def _spend_moves(search: Search, budget: Budget, start: float, end: float) -> None:
    first, last = round(start * budget.moves), round(end * budget.moves)
    for at in range(first, last, CHUNK_MOVES):
        if search.finished or (budget.should_stop and budget.should_stop()):
            return
        until = min(at + CHUNK_MOVES, last)
        search.run(at / budget.moves, until / budget.moves, until - at)


def _tell(budget: Budget, done: float, message: str) -> None:
    if budget.progress is not None:
        budget.progress(min(done, 1.0), message)
