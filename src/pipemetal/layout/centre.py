"""Sheets to cast, their profiles centred on what lies on them: as many blanks as can be fit as they come out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import chances_of
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, CastSpread, LayoutProblem
from pipemetal.sheets.field import FloatArray

__all__ = ["best_chance", "centred"]

OUT_WEIGHT: Final = 1e6
"""What a blank out of its tolerance by the likely thickness costs, a millimetre: never worth a chance."""
WAYS: Final = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1), (1, -1), (-1, 1))
FINEST_MM: Final = 1e-4
FINEST_OUT_MM: Final = 5e-7


def centred(problem: LayoutProblem, sheets: Sequence[NewSheet], placements: Sequence[Placement]) -> list[NewSheet]:
    """The sheets with the thickness at both ends that brings most of their blanks into tolerance, sheets cast alike kept alike.

    As they are where the problem wants no certainty, or says nothing of how the alloy scatters.
    """
    castable = problem.castable
    if castable is None or problem.certainty <= 0.0:
        return list(sheets)
    blanks = {b.id: b for b in problem.blanks}
    on: dict[str, list[tuple[Blank, Placement]]] = {}
    for p in placements:
        on.setdefault(p.roll, []).append((blanks[p.blank], p))
    kinds: dict[tuple[str, float, float, float, float], list[NewSheet]] = {}
    for s in sheets:
        ends = (s.thickness_start_mm, s.thickness_end_mm)
        kinds.setdefault((s.alloy, s.length_mm, s.width_mm, *ends), []).append(s)
    found: dict[str, NewSheet] = {}
    for alike in kinds.values():
        spread = castable.spread_of(alike[0].alloy)
        laid = [pair for s in alike for pair in on.get(s.id, ())]
        ends = (alike[0].thickness_start_mm, alike[0].thickness_end_mm)
        if spread is not None and laid:
            ends = _best_ends(alike[0], laid, spread, castable)
        found |= {s.id: replace(s, thickness_start_mm=ends[0], thickness_end_mm=ends[1]) for s in alike}
    return [found[s.id] for s in sheets]


def best_chance(blank: Blank, spread: CastSpread, sheet_mm: float = 4000.0) -> float:
    """The best chance that a blank can have on a sheet to cast: in its middle, the profile wholly the blank's own.

    Nothing lies better, so that the mean of this over blanks is above what any plan reaches.

    >>> blank = Blank("C", "body", "A", 400.0, 500.0, 1.0, 1.0, 0.08)
    >>> 0.93 < best_chance(blank, CastSpread("A", 0.04, 0.0, 0.0)) < 0.97
    True
    """
    length = max(sheet_mm, blank.length_mm)
    x = (length - blank.length_mm) / 2.0
    slope = (blank.top_thickness_mm - blank.mouth_thickness_mm) / blank.length_mm
    start = blank.mouth_thickness_mm - slope * x
    sheet = NewSheet(f"for {blank.id}", blank.alloy, length, blank.width_mm, start, start + slope * length, 0.0)
    plan = LayoutPlan((Placement(blank.id, sheet.id, x, 0.0),), (), (sheet,), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    return chances_of(LayoutProblem((blank,), ()), plan, lambda _: spread).of(blank.id)


def _normal(z: FloatArray | float) -> FloatArray:
    """The share of a normal distribution below z, to 1e-7.

    Sources: Abramowitz & Stegun 1964, Handbook of Mathematical Functions, equation 26.2.17.
    """
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    sum_of_powers = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    above = np.exp(-0.5 * np.square(z)) / np.sqrt(2.0 * np.pi) * sum_of_powers
    return np.asarray(np.where(np.asarray(z) >= 0.0, 1.0 - above, above))


def _best_ends(
    sheet: NewSheet, laid: Sequence[tuple[Blank, Placement]], spread: CastSpread, castable: Castable
) -> tuple[float, float]:
    x, wanted = _ends_of(laid)
    thinner, thicker, worked = np.array([(b.tolerance_mm, b.over_mm, b.most_over_mm) for b, _ in laid]).T
    u = x / sheet.length_mm
    sd_share = float(np.sqrt(spread.level**2 + spread.taper**2 / 3.0 + spread.scatter**2))
    limits = list(_limits(sheet, castable))

    def cost(ends: FloatArray) -> float:
        off = ends[0] + (ends[1] - ends[0]) * u - wanted
        sd = sd_share * (wanted + spread.planing_mm)
        # what fits only when it is worked counts half
        fits = 0.5 * (_normal((thicker - off) / sd) + _normal((worked - off) / sd)) - _normal((-thinner - off) / sd)
        beyond = np.maximum(np.maximum(off - worked, -thinner - off), 0.0).sum()
        over = sum(max(a * ends[0] + b * ends[1] - most, 0.0) for a, b, most in limits)
        return float(-fits.min(axis=0).sum() + OUT_WEIGHT * (beyond + over))

    start = np.array([sheet.thickness_start_mm, sheet.thickness_end_mm])
    best, step = start, 0.25 * float(np.median(thinner))
    least = cost(start)
    while step > FINEST_MM:
        tried = [best + step * np.array(way) for way in WAYS]
        costs = [cost(ends) for ends in tried]
        if min(costs) < least:
            least = min(costs)
            best = tried[costs.index(least)]
        else:
            step *= 0.5
    off = best[0] + (best[1] - best[0]) * u - wanted
    out = max(float((off - worked).max()), float((-thinner - off).max())) > FINEST_OUT_MM
    chosen = start if out or any(a * best[0] + b * best[1] > most + 1e-9 for a, b, most in limits) else best
    return float(chosen[0]), float(chosen[1])


def _ends_of(laid: Sequence[tuple[Blank, Placement]]) -> tuple[FloatArray, FloatArray]:
    """Where along the sheet both ends of each blank lie, and what they want; shapes (2, blanks)."""
    x, wanted = np.empty((2, len(laid))), np.empty((2, len(laid)))
    for k, (b, p) in enumerate(laid):
        along = b.width_mm if p.turn_deg in (90, 270) else b.length_mm
        x[:, k] = p.x_mm, p.x_mm + along
        ends = (b.mouth_thickness_mm, b.top_thickness_mm)
        wanted[:, k] = ends[::-1] if p.turn_deg == 180 else ends
    return x, wanted


def _limits(sheet: NewSheet, castable: Castable) -> Iterable[tuple[float, float, float]]:
    """What the two ends must keep to, as a start + b end <= most."""
    yield from ((1.0, 0.0, castable.max_thickness_mm), (0.0, 1.0, castable.max_thickness_mm))
    yield from ((-1.0, 0.0, -castable.min_thickness_mm), (0.0, -1.0, -castable.min_thickness_mm))
    taper = castable.max_taper_mm_m * sheet.length_mm / 1000.0
    yield from ((1.0, -1.0, taper), (-1.0, 1.0, taper))
    mine = [w for w in castable.choices if not castable.widths or abs(w.width_mm - sheet.width_mm) < 1e-4]
    for most in (castable.max_section_mm2, *(w.max_section_mm2 for w in mine)):
        if most is not None:
            yield 0.5, 0.5, most / sheet.length_mm
