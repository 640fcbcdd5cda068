"""The shop as it is, as far as a plan in hand is concerned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from pipemetal.planning.stock import Stock
from pipemetal.plans import record
from pipemetal.plans.left import named
from pipemetal.texts import Text, joined

__all__ = [
    "NotCounted",
    "ShopNow",
    "changed_rolls",
    "melts_begun",
    "melts_unknown",
    "not_counted",
    "sheets_done",
    "sheets_held",
]

OTHERWISE_MM: Final = 0.004
"""A roll whose metal is read so much otherwise than when the plan was made has changed; less is rounding."""


@dataclass(frozen=True, eq=False)
class ShopNow:
    """The shop as it is, as far as a plan in hand is concerned.

    `stock`: the rack with the rolls that this plan keeps, and the measured sheets; lots with what this plan keeps of them. `cut`:
    sheets that are cut. `poured`: sheets that are cast and not measured yet; nothing on them moves. `measured`: sheets that were
    measured, and the rolls that they hang as. `failed`: sheets whose cast came to nothing. `pots`: charged melts and what is left
    of each. `pinned`: blanks that stay where they lie. `today`: the first day on which may be cast. `planing_mm`: what is to be
    planed off measured sheets, by their names in the plan. `again`: alloys that are laid anew whatever changed.
    `hung`: of every sheet that was cast for the plan so far, also for what it was before, the roll that hangs; None: rolls are
    called as their sheets.
    """

    stock: Stock
    cut: frozenset[str] = frozenset()
    poured: frozenset[str] = frozenset()
    measured: Mapping[str, str] = field(default_factory=dict)
    failed: frozenset[str] = frozenset()
    pots: Mapping[str, float] = field(default_factory=dict)
    pinned: frozenset[str] = frozenset()
    today: dt.date | None = None
    planing_mm: Mapping[str, float] = field(default_factory=dict)
    again: frozenset[str] = frozenset()
    hung: Mapping[str, str] | None = None


def changed_rolls(plan: record.Plan, now: ShopNow) -> frozenset[str]:
    """Rolls of a plan that hang there and whose metal was read otherwise since: what lies on them must be as sure as wanted."""
    rack = {r.id: r for r in now.stock.rack}
    found = set()
    for s in plan.rolls_used:
        roll, was = rack.get(s.id), s.thickness
        if roll is None or was is None or s.id in now.cut:
            continue
        count = len(was.lines_mm)
        lines = np.linspace(0.0, s.width_mm, count) if count > 1 else np.array([s.width_mm / 2.0])
        x, y = np.meshgrid(np.array(was.stations_mm), lines)
        if np.abs(roll.field.at(x.ravel(), y.ravel()) - np.array(was.lines_mm).ravel()).max() > OTHERWISE_MM:
            found.add(s.id)
    return frozenset(found)


def sheets_held(now: ShopNow) -> frozenset[str]:
    """Sheets on which nothing moves."""
    return now.cut | now.poured


def sheets_done(plan: record.Plan, now: ShopNow) -> frozenset[str]:
    """Sheets that are cast, whatever became of them; those of earlier times are no sheets to cast any more."""
    here = {s.id for s in plan.new_sheets}
    return (
        sheets_held(now) | frozenset(now.measured) | now.failed | {p.sheet for p in plan.pours if p.sheet not in here}
    )


def melts_begun(plan: record.Plan, now: ShopNow) -> frozenset[str]:
    """Melts that are in their pots, or from which a sheet was poured: they stay in the plan by their names."""
    over = sheets_done(plan, now)
    return frozenset(now.pots) | {p.melt for p in plan.pours if p.sheet in over}


def melts_unknown(plan: record.Plan, now: ShopNow) -> frozenset[str]:
    """Melts that were poured from and still pour by the plan, but of which nobody says what is left: nothing is counted on."""
    over = sheets_done(plan, now)
    waits = {p.melt for p in plan.pours if p.sheet not in over}
    return (melts_begun(plan, now) & waits) - now.pots.keys()


@dataclass(frozen=True)
class NotCounted:
    """What was booked since a plan was made and is not in it: sheets that were `measured` or `failed`, and days of it, as
    2026-12-08, that were `lost` with sheets to cast on them."""

    measured: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Whether the rest waits to be planned anew."""
        return bool(self.measured or self.failed or self.lost)

    @property
    def words(self) -> Text:
        """As a person reads it."""
        told = (
            ("{sheets} measured", "sheets", self.measured),
            ("{sheets} failed", "sheets", self.failed),
            ("{days} lost", "days", self.lost),
        )
        return joined(Text(template, **{what: named(names)}) for template, what, names in told if names)

    def is_counted_by(self, now: ShopNow) -> bool:
        """Whether a plan that was made of the shop as it is in `now` knows of these sheets; days are the settings' matter."""
        return set(self.measured) <= now.measured.keys() and set(self.failed) <= now.failed


def not_counted(
    plan: record.Plan,
    measured: Collection[str],
    failed: Collection[str],
    waiting: Collection[str],
    lost: Collection[dt.date],
) -> NotCounted:
    """What a plan does not know of. `measured`, `failed`: sheets of it that hang or came to nothing; `waiting`: those that
    are still to be cast; `lost`: days on which nothing is cast.

    >>> str(not_counted(record.Plan("O"), (), (), (), {dt.date(2026, 12, 8)}).words)
    ''
    """
    here = [s.id for s in plan.new_sheets]
    days = {p.day for p in plan.pours if p.sheet in waiting}
    off = {str(day) for day in lost}
    return NotCounted(
        tuple(s for s in here if s in measured),
        tuple(s for s in here if s in failed),
        tuple(sorted(d.date for d in plan.days if d.day in days and d.date in off)),
    )
