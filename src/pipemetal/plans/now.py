"""The shop as it is, as far as a plan in hand is concerned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from pipemetal.planning.stock import Stock
from pipemetal.plans import record

__all__ = ["ShopNow", "sheets_done", "sheets_held"]


@dataclass(frozen=True, eq=False)
class ShopNow:
    """The shop as it is, as far as a plan in hand is concerned.

    `stock`: the rack with the rolls that this plan keeps, and the measured sheets; lots with what this plan keeps of them. `cut`:
    sheets that are cut. `poured`: sheets that are cast and not measured yet; nothing on them moves. `measured`: sheets that were
    measured, and the rolls that they hang as. `failed`: sheets whose cast came to nothing. `pots`: charged melts and what is left
    of each. `pinned`: blanks that stay where they lie. `today`: the first day on which may be cast. `planing_mm`: what is to be
    planed off measured sheets, by their names in the plan.
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


def sheets_held(now: ShopNow) -> frozenset[str]:
    """Sheets on which nothing moves."""
    return now.cut | now.poured


def sheets_done(plan: record.Plan, now: ShopNow) -> frozenset[str]:
    """Sheets that are cast, whatever became of them; those of earlier times are no sheets to cast any more."""
    here = {s.id for s in plan.new_sheets}
    return (
        sheets_held(now) | frozenset(now.measured) | now.failed | {p.sheet for p in plan.pours if p.sheet not in here}
    )
