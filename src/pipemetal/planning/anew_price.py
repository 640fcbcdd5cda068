"""What a way to lay the rest of an alloy costs, as metal: sheets, casts, moves, and what is expected to be cast again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import DRAWINGS, Chances, chances_of
from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem
from pipemetal.planning.anew_rest import CAST_COSTS_MM2, MOVE_COSTS_MM2, Laid, Rest, layout_of

__all__ = ["HARDLY_FITS", "cost_of", "cost_of_some"]

RECUT: Final = 2.0
"""A blank that misses costs so many times its own metal (estimate)."""
HARDLY_FITS: Final = 0.2
"""Less sure than this a place on a roll is none: another cast will be needed (estimate)."""
HOMELESS: Final = 10.0
"""A blank without any place costs so many times its own metal, and a cast."""


def cost_of(rest: Rest, laid: Laid) -> float:
    """What a way to lay the rest costs as metal (mm2): sheets, casts, moves, blanks without a place, and what may miss."""
    before = {p.blank: p for p in rest.placements}
    moved = sum(p.blank in before and p != before[p.blank] for p in laid.placements)
    lost = sum(HOMELESS * rest.blanks[u.blank].area_mm2() + CAST_COSTS_MM2 for u in laid.unplaced)
    hangs = _missing_on_rolls_mm2(rest, laid, {b for b, p in before.items() if p.roll not in rest.doubtful})
    return MOVE_COSTS_MM2 * moved + lost + hangs + cost_of_some(rest, laid.placements, laid.sheets)


def _missing_on_rolls_mm2(rest: Rest, laid: Laid, settled: set[str]) -> float:
    """What is expected to be cut and cast again of what lies on rolls; `settled`: blanks whose rolls nobody has read since, where
    they stay."""
    castable, rolls = rest.problem.castable, {r.id: r for r in rest.problem.rolls}
    known = {p.blank: p for p in rest.placements}
    asked = [p for p in laid.placements if p.roll in rolls and not (p.blank in settled and p == known[p.blank])]
    if castable is None or not asked:
        return 0.0
    mine = {p.roll for p in asked}
    part = replace(rest.problem, rolls=tuple(rolls[r] for r in sorted(mine)), castable=None)
    chances, blanks = chances_of(part, layout_of(asked)), rest.blanks
    found = math.fsum(_missing_mm2(chances, r, asked, blanks, laid.sheets, castable) for r in mine)
    # what hardly fits is cast for sooner or later; what may fit is gauged first
    return found + CAST_COSTS_MM2 * sum(chances.of(p.blank) < HARDLY_FITS for p in asked)


def cost_of_some(
    rest: Rest, placements: Sequence[Placement], sheets: Sequence[NewSheet], beside: Sequence[NewSheet] = ()
) -> float:
    """What some sheets to come cost (mm2): their metal and casts, and what is expected to be cut and cast again for what misses.

    `beside`: other sheets to come. Where more of them are near in thickness, another cast is needed the less often: whichever is
    cast later takes what an earlier one did not serve; the last of them has none after it.
    """
    castable, cost = rest.problem.castable, sum(s.net_area_mm2() + CAST_COSTS_MM2 for s in sheets)
    if castable is None or not rest.problem.blanks or castable.spread_of(rest.problem.blanks[0].alloy) is None:
        return cost
    mine = {s.id for s in sheets}
    laid = [p for p in placements if p.roll in mine]
    chances = _chances(rest.problem, laid, sheets)
    all_of = (*sheets, *beside)
    return cost + sum(_missing_mm2(chances, s.id, laid, rest.blanks, all_of, castable) for s in sheets)


def _chances(problem: LayoutProblem, placements: Sequence[Placement], sheets: Sequence[NewSheet]) -> Chances:
    """The chances of what lies on sheets to come."""
    return chances_of(replace(problem, rolls=()), layout_of(placements, sheets))


def _missing_mm2(
    chances: Chances,
    sheet: str,
    placements: Sequence[Placement],
    blanks: Mapping[str, Blank],
    sheets: Sequence[NewSheet],
    castable: Castable,
) -> float:
    """What is expected to be cut again of a sheet to come or a roll, and cast again for it: the least sheet, where none else
    serves."""
    others = [s for s in sheets if s.id != sheet]
    least = castable.min_length_mm * min(w.width_mm for w in castable.choices)
    worst, recut = np.zeros(DRAWINGS, np.float32), 0.0
    for p in placements:
        if p.roll != sheet or p.blank not in chances.fits:
            continue
        blank, fits = blanks[p.blank], chances.fits[p.blank]
        recut += (1.0 - float(fits.mean())) * blank.area_mm2()
        share = np.float32(1.0 / (1.0 + sum(_near(blank, s) for s in others)))
        np.maximum(worst, np.where(fits, np.float32(0.0), share), out=worst)
    return RECUT * recut + float(worst.mean()) * (CAST_COSTS_MM2 + least)


def _near(blank: Blank, sheet: NewSheet) -> bool:
    """Whether some metal of a sheet, as it is meant, fits a blank."""
    thick = max(sheet.thickness_start_mm, sheet.thickness_end_mm)
    thin = min(sheet.thickness_start_mm, sheet.thickness_end_mm)
    wanted = 0.5 * (blank.mouth_thickness_mm + blank.top_thickness_mm)
    return (
        wanted - blank.tolerance_mm <= thick
        and thin <= wanted + blank.most_over_mm
        and blank.length_mm < sheet.length_mm
    )
