"""One scale of thickness for every roll and sheet on the pages: sixteen steps, each 12 % thicker than the last."""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

__all__ = ["STEPS_MM", "Run", "runs_of", "wall_class"]

STEPS_MM: Final = (0.40, 0.45, 0.50, 0.56, 0.63, 0.71, 0.80, 0.90, 1.00, 1.12, 1.25, 1.40, 1.60, 1.80, 2.00, 2.24)
"""The preferred numbers R20 of ISO 3:1973, from 0.40 to 2.24 mm."""
_LIMITS: Final = [math.sqrt(a * b) for a, b in zip(STEPS_MM, STEPS_MM[1:], strict=False)]


def wall_class(thickness_mm: float) -> str:
    """The class that colours a thickness: the nearest step, thinner and thicker ones take the ends.

    >>> wall_class(0.72), wall_class(5.0)
    ('wall-071', 'wall-224')
    """
    return f"wall-{round(100 * STEPS_MM[bisect.bisect(_LIMITS, thickness_mm)]):03d}"


@dataclass(frozen=True)
class Run:
    """A stretch of one colour: where it begins, how long it is, and its class."""

    at: float
    long: float
    wall: str


def runs_of(thickness_mm: Sequence[float], long: float) -> list[Run]:
    """Stretches of one colour along something of this length, from thicknesses at the middles of equal parts.

    >>> [(run.at, run.wall) for run in runs_of([1.42, 1.38, 1.0, 1.0], 8.0)]
    [(0.0, 'wall-140'), (4.0, 'wall-100')]
    """
    part = long / max(len(thickness_mm), 1)
    runs: list[Run] = []
    for k, mm in enumerate(thickness_mm):
        wall = wall_class(mm)
        if runs and runs[-1].wall == wall:
            runs[-1] = Run(runs[-1].at, runs[-1].long + part, wall)
        else:
            runs.append(Run(k * part, part, wall))
    return runs
