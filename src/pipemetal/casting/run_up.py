"""What a shop lays before its sheet begins: learned from the metal that charge, sheet and leftover leave unaccounted for.

A run-up at rising speed lays more than the first film over its length; one at full speed just that. Nobody sees it on a card,
so the log tells it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["USUAL_RATIO", "RunUp"]

# Metal before the sheet over the first film times the run-up's length, before any log: half as much again where half of it is
# dragged along, with one at full speed (1) and one under the head alone (2) within reach (derived; the spread is an estimate).
USUAL_RATIO, _USUAL_SD = 1.5, 0.4
# From cast to cast, sizes that are weighed (estimates); one cast in twenty has its scale misread.
_SCATTERS = (0.03, 0.08, 0.16, 0.3, 0.5)
_MISREAD_SHARE, _MISREAD_SD = 0.05, 1.5


@dataclass(frozen=True, slots=True)
class RunUp:
    """Metal laid before the sheet over what the first film would be over the run-up's length: its mean, how sure it is, and
    how it scatters from cast to cast; ``casts`` told it.

    >>> RunUp().ratio, RunUp.of([(1.0, 0.1)] * 9).ratio < 1.1
    (1.5, True)
    """

    ratio: float = USUAL_RATIO
    sd: float = _USUAL_SD
    scatter: float = 0.0
    casts: int = 0

    @classmethod
    def of(cls, seen: Sequence[tuple[float, float]]) -> RunUp:
        """From ratios of single casts with their standard errors; everything on a grid, misread scales allowed for."""
        if not seen:
            return cls()
        ratio = np.linspace(0.0, 4.0, 161)[:, None]
        scatter = np.array(_SCATTERS)[None, :]
        logs = -0.5 * ((ratio - USUAL_RATIO) / _USUAL_SD) ** 2 + 0.0 * scatter
        for value, error in seen:
            usual, broad = np.hypot(scatter, error), math.hypot(_MISREAD_SD, error)
            chance = (1.0 - _MISREAD_SHARE) / usual * np.exp(-0.5 * ((value - ratio) / usual) ** 2)
            chance += _MISREAD_SHARE / broad * np.exp(-0.5 * ((value - ratio) / broad) ** 2)
            logs = logs + np.log(np.maximum(chance, 1e-300))
        shares = np.exp(logs - logs.max())
        shares /= shares.sum()
        mean = float((shares * ratio).sum())
        sd = math.sqrt(float((shares * (ratio - mean) ** 2).sum()))
        return cls(mean, sd, math.sqrt(float((shares * scatter**2).sum())), len(seen))

    def expected(self, by_speed: float) -> float:
        """The ratio where physics expects ``by_speed`` of a run-up at rising speed: all of it before a log, little after."""
        return max(self.ratio + (self.sd / _USUAL_SD) ** 2 * (by_speed - USUAL_RATIO), 0.0)

    @property
    def unsure(self) -> float:
        """Standard deviation of the metal before the sheet of a new cast, as a share of it."""
        return math.hypot(self.sd, self.scatter) / max(self.ratio, 0.3)
