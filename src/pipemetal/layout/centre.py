"""Sheets to cast, their profiles centred on what lies on them: as many blanks as can be are then in tolerance as they come out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr

from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, CastSpread, LayoutProblem
from pipemetal.sheets.field import FloatArray

__all__ = ["best_chance", "centred"]

OUT_WEIGHT: Final = 1e3
"""What a blank out of its tolerance by the likely thickness costs, a millimetre: never worth a chance."""


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


def best_chance(blank: Blank, spread: CastSpread) -> float:
    """The best chance that a blank can have on any sheet to cast: its own profile under it, its middle where it wants it.

    Nothing lies better, so that the mean of this over blanks is above what any plan reaches (the scatter from place to place
    is counted once, as if the blank were one place).

    >>> round(best_chance(Blank("C", "body", "A", 400.0, 500.0, 1.0, 1.0, 0.08), CastSpread("A", 0.04, 0.0, 0.0)), 3)
    0.954
    """
    ends = np.array([blank.mouth_thickness_mm, blank.top_thickness_mm])
    sd = float(np.hypot(spread.level, spread.scatter)) * float(ends.max() + spread.planing_mm)
    return float(2.0 * ndtr(blank.tolerance_mm / max(sd, 1e-9)) - 1.0)


def _best_ends(
    sheet: NewSheet, laid: Sequence[tuple[Blank, Placement]], spread: CastSpread, castable: Castable
) -> tuple[float, float]:
    x, wanted, tolerance = _ends_of(laid)
    u = x / sheet.length_mm
    sd_share = float(np.sqrt(spread.level**2 + spread.taper**2 / 3.0 + spread.scatter**2))
    limits = list(_limits(sheet, castable))

    def cost(ends: FloatArray) -> float:
        off = ends[0] + (ends[1] - ends[0]) * u - wanted
        sd = sd_share * (wanted + spread.planing_mm)
        fits = ndtr((tolerance - off) / sd) - ndtr((-tolerance - off) / sd)
        beyond = np.maximum(np.abs(off) - tolerance, 0.0).sum()
        over = sum(max(a * ends[0] + b * ends[1] - most, 0.0) for a, b, most in limits)
        return float(-fits.min(axis=0).sum() + OUT_WEIGHT * (beyond + over))

    start = np.array([sheet.thickness_start_mm, sheet.thickness_end_mm])
    step = 0.25 * float(np.median(tolerance))
    simplex = np.array([start, start + (step, 0.0), start + (0.0, step)])
    options = {"xatol": 1e-5, "fatol": 1e-6, "maxiter": 400, "initial_simplex": simplex}
    best = minimize(cost, start, method="Nelder-Mead", options=options)
    if best.fun >= cost(start) or cost(best.x) > OUT_WEIGHT * 1e-7 and _is_over(best.x, u, wanted, tolerance, limits):
        return float(start[0]), float(start[1])
    return float(best.x[0]), float(best.x[1])


def _is_over(
    ends: FloatArray, u: FloatArray, wanted: FloatArray, tolerance: FloatArray, limits: Sequence[tuple[float, float, float]]
) -> bool:
    off = np.abs(ends[0] + (ends[1] - ends[0]) * u - wanted)
    return bool((off > tolerance + 5e-7).any()) or any(a * ends[0] + b * ends[1] > most + 1e-9 for a, b, most in limits)


def _ends_of(laid: Sequence[tuple[Blank, Placement]]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where along the sheet both ends of each blank lie, what they want and within what; shapes (2, blanks)."""
    x, wanted = np.empty((2, len(laid))), np.empty((2, len(laid)))
    for k, (b, p) in enumerate(laid):
        along = b.width_mm if p.turn_deg in (90, 270) else b.length_mm
        x[:, k] = p.x_mm, p.x_mm + along
        ends = (b.mouth_thickness_mm, b.top_thickness_mm)
        wanted[:, k] = ends[::-1] if p.turn_deg == 180 else ends
    return x, wanted, np.array([b.tolerance_mm for b, _ in laid])


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
