"""One scale of thickness for every roll and sheet on the pages: sixteen steps, each 12 % thicker than the last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.documents.colours import wall_step

__all__ = ["Run", "runs_of", "wall_class"]


def wall_class(thickness_mm: float) -> str:
    """The class that colours a thickness: the nearest step, thinner and thicker ones take the ends.

    >>> wall_class(0.72), wall_class(5.0)
    ('wall-071', 'wall-224')
    """
    return f"wall-{round(100 * wall_step(thickness_mm)):03d}"


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
