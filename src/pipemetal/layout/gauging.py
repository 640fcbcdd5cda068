"""Where one more reading of a roll changes most: the place whose reading would tell best which blanks fit it.

Two things are told apart. Of a roll about to be cut: which of the blanks that lie on it fit. Of the rack: whether blanks would
lie on a roll if its metal were surer: those that were not served, that lie less sure than wanted, or that a sheet is to be cast
for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import BoolArray, Drawn
from pipemetal.layout.guard import guard_factor
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.shelf import piece_of
from pipemetal.layout.windows import find_slots, sheet_table
from pipemetal.sheets.field import FloatArray

__all__ = ["NextReading", "next_readings"]

ALONG, ACROSS = 9, 3
"""Places of a roll that are tried."""
BINS: Final = 8
"""Readings are told apart by so many stretches."""
GAUGE_MM: Final = 0.01
LEAST_SETTLED: Final = 0.02
"""A reading that settles less than this of a blank is not worth the walk (estimate)."""


@dataclass(frozen=True)
class NextReading:
    """A place of a roll worth one more reading: of `blanks` that lie on it (`cut`) or would, so many are expected to turn out
    otherwise than they look (`unsure`), and so many of these the reading would tell (`settled`).
    """

    roll: str
    x_mm: float
    y_mm: float
    unsure: float
    settled: float
    blanks: int
    cut: bool = True


def next_readings(problem: LayoutProblem, plan: LayoutPlan) -> tuple[NextReading, ...]:
    """For every roll that blanks lie on or would, the place where one more reading tells most; the roll that gains most first.

    First the rolls that are cut: gauge there before the saw. Then the rack: which roll to gauge today, so that it may serve more.
    Rolls on which a reading tells nothing are left out.

    >>> next_readings(LayoutProblem((), ()), LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0))
    ()
    """
    blanks = {b.id: b for b in problem.blanks}
    would = _would_be_laid(problem, plan)
    found = []
    for roll in problem.rolls:
        laid = [(blanks[p.blank], p) for p in plan.placements if p.roll == roll.id and p.blank in blanks]
        for some, cut in ((laid, True), (would.get(roll.id, []), False)):
            if some and roll.error_mm is not None and roll.error_mm.any():
                best = replace(_best_reading(roll, some), cut=cut)
                if best.settled >= LEAST_SETTLED:
                    found.append(best)
    return tuple(sorted(found, key=lambda r: (not r.cut, -r.settled)))


def _would_be_laid(problem: LayoutProblem, plan: LayoutPlan) -> dict[str, list[tuple[Blank, Placement]]]:
    """By roll, blanks that a place there fits as its metal is taken but not as surely as wanted, each at the surest such place;
    no more than the roll has room for.
    """
    new, unserved = {s.id for s in plan.new_sheets}, {u.blank for u in plan.unplaced}
    where = {p.blank: p.roll for p in plan.placements}
    better = [b for b in problem.blanks if b.id in unserved | set(plan.unsure) or where.get(b.id) in new]
    rolls = [r for r in problem.rolls if r.error_mm is not None and r.error_mm.any()]
    if problem.certainty <= 0.0 or not better or not rolls:
        return {}
    pieces = [piece_of(b, k) for k, b in enumerate(better)]
    weighed = [replace(p, variants=tuple(replace(v, miss_mm2=1.0) for v in p.variants)) for p in pieces]
    starts, rows = find_slots(weighed, sheet_table(rolls), problem.kerf_mm)
    wanted = guard_factor(problem.certainty, 0.0, 1.0)
    free = {
        r.id: r.net_area_mm2() - sum(b.area_mm2() for b in problem.blanks if where.get(b.id) == r.id) for r in rolls
    }
    found: dict[str, list[tuple[Blank, Placement]]] = {}
    for pair in np.nonzero(np.diff(starts))[0].tolist():
        blank, roll = better[pair // len(rolls)], rolls[pair % len(rolls)]
        mine = rows[starts[pair] : starts[pair + 1]]
        best = mine[int(np.argmax(mine[:, 12]))]
        fits = blank.alloy == roll.alloy and where.get(blank.id) != roll.id and best[12] < wanted
        if fits and free[roll.id] >= blank.area_mm2():
            free[roll.id] -= blank.area_mm2()
            x, y = (best[8] + best[9]) / 2.0, (best[2] + best[3]) / 2.0
            found.setdefault(roll.id, []).append(
                (blank, Placement(blank.id, roll.id, float(x), float(y), int(best[6])))
            )
    return found


def _best_reading(roll: LayoutRoll, laid: Sequence[tuple[Blank, Placement]]) -> NextReading:
    drawn = Drawn.of_roll(roll)
    fits = np.stack([drawn.fit(blank, p) for blank, p in laid])
    unsure = _unsure(fits)
    if unsure < LEAST_SETTLED:
        return NextReading(roll.id, 0.0, 0.0, unsure, 0.0, len(laid))
    places = [
        (float(x), float(y))
        for x in np.linspace(roll.trim_mm, roll.length_mm - roll.trim_mm, ALONG)
        for y in np.linspace(roll.trim_mm, roll.width_mm - roll.trim_mm, ACROSS)
    ]
    noise = np.random.default_rng(1).normal(0.0, GAUGE_MM, fits.shape[1])
    told = [unsure - _unsure_after(fits, drawn.at(x, y) + noise) for x, y in places]
    best = int(np.argmax(told))
    return NextReading(roll.id, *places[best], unsure, max(told[best], 0.0), len(laid))


def _unsure(fits: BoolArray) -> float:
    """Of how many blanks the likelier verdict is expected to be wrong."""
    chance = fits.mean(axis=1)
    return float(np.minimum(chance, 1.0 - chance).sum())


def _unsure_after(fits: BoolArray, reading: FloatArray) -> float:
    """The same once a reading is known, on average over what it may be."""
    order = np.argsort(reading, kind="stable")
    total = sum(_unsure(fits[:, part]) * len(part) for part in np.array_split(order, BINS))
    return float(total) / int(fits.shape[1])
