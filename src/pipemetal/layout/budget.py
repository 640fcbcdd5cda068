"""How long a layout may be searched for, who hears of it, and who may stop it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from pipemetal.errors import LayoutError

__all__ = ["DEFAULT_SECONDS", "Budget", "Progress", "ShouldStop", "budget_of"]

Progress = Callable[[float, str], None]
ShouldStop = Callable[[], bool]
DEFAULT_SECONDS = 10.0


@dataclass(frozen=True)
class Budget:
    """Seconds by the clock from `begun`, or moves for each alloy; who hears of it, and who may stop it."""

    seconds: float | None
    moves: int
    begun: float
    progress: Progress | None
    should_stop: ShouldStop | None

    def late(self, share: float) -> bool:
        """Whether this share of the time is gone, or somebody wants it to end."""
        if self.should_stop is not None and self.should_stop():
            return True
        return self.seconds is not None and time.perf_counter() > self.begun + share * self.seconds


def budget_of(
    seconds: float | None, iterations: int | None, progress: Progress | None, should_stop: ShouldStop | None
) -> Budget:
    """The budget of some seconds or moves. Errors: LayoutError for one that cannot be."""
    if seconds is not None and not 0.0 <= seconds <= 1e6:
        raise LayoutError("is outside its range", field="seconds", value=seconds, allowed="0 to 1000000")
    if iterations is not None and iterations < 0:
        raise LayoutError("is negative", field="iterations", value=iterations)
    if iterations is None and seconds is None:
        seconds = DEFAULT_SECONDS
    # With both given the moves decide the plan and the clock is not looked at.
    clock = seconds if iterations is None else None
    return Budget(clock, iterations or 0, time.perf_counter(), progress, should_stop)
