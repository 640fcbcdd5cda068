"""A melt on its page: its elements within their limits, and how the weighing stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.plans.record import Charged, Melt, Plan

__all__ = ["Element", "chosen_melt", "elements_of", "melt_below"]

SHOWN_WT_PCT: Final = 0.0005
NEAR: Final = 0.06
"""A value this near a limit, as a share of the range, is shown as near it."""
BAR: Final = 190.0


@dataclass(frozen=True)
class Element:
    """One element: its value with the 95 % interval, its limits, and places on a bar from 0 to `wide`."""

    name: str
    value_wt_pct: float
    limits_wt_pct: tuple[float, float] | None
    low: float
    at: float
    high: float
    near: bool
    wide: float = BAR

    @property
    def spindle(self) -> str:
        """The corners of the mark that is full at the likely value and thins out to the ends of its interval."""
        low, high = min(self.low, self.at - 7.0), max(self.high, self.at + 7.0)
        return f"{low:.1f},14 {self.at:.1f},4 {high:.1f},14 {self.at:.1f},24"


def chosen_melt(plan: Plan, asked: str, booked: frozenset[str]) -> Melt | None:
    """The melt that was asked for, else the first that is not booked yet, else the first."""
    named = next((m for m in plan.melts if m.name == asked), None)
    open_ones = [m for m in plan.melts if m.name not in booked]
    return named or next(iter(open_ones or plan.melts), None)


def melt_below(plan: Plan, melt: Melt, booked: Mapping[str, str]) -> str:
    """The booked melt whose heel a melt counts on: the one before it in the same pot. Empty where that is not booked.

    `booked`: the ids of booked melts by their planned names.
    """
    same = [m.name for m in plan.melts if m.pot == melt.pot]
    at = same.index(melt.name)
    return booked.get(same[at - 1], "") if melt.heel_kg and at else ""


def elements_of(charge: Charged) -> tuple[Element, ...]:
    """The elements of a melt that have limits or matter, each on a bar between its limits.

    Without limits the bar runs from zero to twice the value.
    """
    made = []
    for name, value in charge.composition_wt_pct.items():
        limits = charge.window_wt_pct.get(name)
        if value < SHOWN_WT_PCT or (limits is None and name == "Pb"):
            continue
        low, high = charge.interval_wt_pct.get(name, (value, value))
        begin, end = limits or (0.0, 2.0 * max(value, 0.01))
        span = max(end - begin, 1e-9)

        def place(v: float, begin: float = begin, span: float = span) -> float:
            return BAR * min(max((v - begin) / span, 0.0), 1.0)

        near = limits is not None and min(value - begin if begin > 0 else span, end - value) < NEAR * span
        made.append(
            Element(
                name, value, (limits[0], limits[1]) if limits else None, place(low), place(value), place(high), near
            )
        )
    return tuple(made)
