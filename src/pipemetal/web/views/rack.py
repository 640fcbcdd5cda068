"""The rack's rows: a roll's thickness on one scale for all rolls, and what was asked for over it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from pipemetal.documents.colours import WALL_STEPS_MM
from pipemetal.plans.record import Plan
from pipemetal.web.views.walls import Run, runs_of

__all__ = ["SCALE", "RankRolls", "Scale", "Span", "rolls_of_rank", "span_of"]


@dataclass(frozen=True)
class Scale:
    """A logarithmic scale of thickness from `low_mm` to `high_mm` over `wide` units."""

    low_mm: float
    high_mm: float
    wide: float

    def place(self, thickness_mm: float) -> float:
        """Where a thickness lies; what is past an end lies at the end."""
        share = math.log(max(thickness_mm, 1e-3) / self.low_mm) / math.log(self.high_mm / self.low_mm)
        return self.wide * min(max(share, 0.0), 1.0)

    @property
    def marks(self) -> tuple[tuple[float, float], ...]:
        """Every third step of the shop's scale, with its place."""
        return tuple((mm, self.place(mm)) for mm in WALL_STEPS_MM[::3] if self.low_mm < mm < self.high_mm)


SCALE: Final = Scale(0.36, 2.5, 330.0)
PARTS: Final = 24


@dataclass(frozen=True)
class Span:
    """A roll's thickness from thinnest to thickest in its colours, and what was asked for, on one scale."""

    x: float
    long: float
    runs: tuple[Run, ...]
    asked_x: float
    asked_long: float


def span_of(
    thinnest_mm: float, thickest_mm: float, asked_mm: tuple[float, float] | None = None, scale: Scale = SCALE
) -> Span:
    """The bar of one roll.

    >>> span = span_of(0.5, 1.0, (0.6, 0.8))
    >>> span.x < span.asked_x < span.asked_x + span.asked_long < span.x + span.long
    True
    """
    x, end = scale.place(thinnest_mm), scale.place(thickest_mm)
    long = max(end - x, 3.0)
    ratio = thickest_mm / max(thinnest_mm, 1e-3)
    walls = [thinnest_mm * ratio ** ((k + 0.5) / PARTS) for k in range(PARTS)]
    asked_x, asked_end = (scale.place(asked_mm[0]), scale.place(asked_mm[1])) if asked_mm else (0.0, 0.0)
    return Span(x, long, tuple(runs_of(walls, long)), asked_x, asked_end - asked_x)


@dataclass(frozen=True)
class RankRolls:
    """What the plan in hand cuts a rank from: its alloy, how many blanks from which roll, and the sheets still to be cast."""

    alloy: str = ""
    blanks: Mapping[str, int] = field(default_factory=dict)
    to_cast: tuple[str, ...] = ()


def rolls_of_rank(plan: Plan | None, rank: str) -> RankRolls:
    """The rolls of a rank; nothing where the plan does not hold it.

    >>> rolls_of_rank(None, "Octave 4")
    RankRolls(alloy='', blanks={}, to_cast=())
    """
    alloy = next((p.alloy for p in plan.pipes if p.rank == rank), "") if plan is not None and rank else ""
    if plan is None or not alloy:
        return RankRolls()
    blanks = {s.id: sum(c.rank == rank for c in s.cuts) for s in plan.sheets}
    new = {s.id for s in plan.new_sheets}
    return RankRolls(
        alloy, {k: n for k, n in blanks.items() if n}, tuple(k for k, n in blanks.items() if n and k in new)
    )
