"""Why a blank lies nowhere, what comes nearest, and the sheet that would serve it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipemetal.layout.plan import SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.shelf import piece_of
from pipemetal.sheets.fitness import line_values, nearest_miss

__all__ = ["cannot_cast", "never_served", "not_looked_for", "reason_for", "sheet_wanted"]


def sheet_wanted(blank: Blank, trim_mm: float) -> SheetWanted:
    """The least sheet that serves a blank lying with its mouth end first.

    >>> sheet_wanted(Blank("C1", "body", "A", 1000.0, 300.0, 1.0, 0.9, 0.06), 15.0).length_mm
    1030.0
    """
    slope = (blank.top_thickness_mm - blank.mouth_thickness_mm) / blank.length_mm
    return SheetWanted(
        blank.alloy,
        blank.length_mm + 2.0 * trim_mm,
        blank.width_mm + 2.0 * trim_mm,
        blank.mouth_thickness_mm - slope * trim_mm,
        blank.top_thickness_mm + slope * trim_mm,
    )


def never_served(problem: LayoutProblem, blank: Blank) -> Unplaced | None:
    """Why no roll of the rack and no sheet that may be cast could hold a blank, were they all empty; None where one could."""
    if problem.castable is not None and not cannot_cast(blank, problem.castable):
        return None
    reason = reason_for(problem, blank)
    return None if reason.kind == "full" else reason


def reason_for(problem: LayoutProblem, blank: Blank) -> Unplaced:
    """The reason for which a blank was not served, as precisely as the rack allows to say it."""
    rolls = [r for r in problem.rolls if r.alloy == blank.alloy]
    trim = problem.castable.trim_mm if problem.castable else (rolls[0].trim_mm if rolls else 15.0)
    sheet = sheet_wanted(blank, trim)
    cast = _why_not_cast(blank, problem.castable)
    ending = f"; {cast}" if cast else ""
    if not problem.rolls:
        return Unplaced(blank.id, cast or "there is no rack, and nothing is cast", "no_alloy", sheet=sheet)
    if not rolls:
        return Unplaced(blank.id, f"no roll of alloy {blank.alloy} is on the rack{ending}", "no_alloy", sheet=sheet)
    large = [r for r in rolls if _large_enough(blank, r)]
    if not large:
        longest = max(r.length_mm - 2.0 * r.trim_mm for r in rolls)
        widest = max(r.width_mm - 2.0 * r.trim_mm for r in rolls)
        text = (
            f"{blank.length_mm:.0f} x {blank.width_mm:.0f} mm is larger than any sheet of alloy {blank.alloy}"
            f" (longest {longest:.0f}, widest {widest:.0f} mm inside the trim){ending}"
        )
        return Unplaced(blank.id, text, "too_large", sheet=sheet)
    name, miss = _nearest(blank, large)
    over = miss - blank.tolerance_mm
    if over > 1e-6:
        text = (
            f"no roll has its thickness: {name} comes nearest and misses by {over:.3f} mm"
            f" over the tolerance of {blank.tolerance_mm:.3f} mm{ending}"
        )
        return Unplaced(blank.id, text, "no_thickness", name, over, sheet)
    text = f"every roll with its thickness is full (nearest in thickness: {name}){ending}"
    return Unplaced(blank.id, text, "full", name, 0.0, sheet)


def not_looked_for(blank: Blank) -> Unplaced:
    """A blank among so many without a place that the nearest metal of each was not looked for.

    >>> not_looked_for(Blank("C1", "body", "A", 500.0, 200.0, 1.0, 0.95, 0.05)).kind
    'full'
    """
    return Unplaced(blank.id, "no place was found; too many have none for the nearest metal of each to be looked for")


def _large_enough(blank: Blank, roll: LayoutRoll) -> bool:
    net_x, net_y = roll.length_mm - 2.0 * roll.trim_mm, roll.width_mm - 2.0 * roll.trim_mm
    return any(v.dx_mm <= net_x and v.dy_mm <= net_y for v in piece_of(blank, 0).variants)


def _nearest(blank: Blank, rolls: Sequence[LayoutRoll]) -> tuple[str, float]:
    best = ("", float("inf"))
    for roll in rolls:
        t = roll.trim_mm
        lines = line_values(roll.thickness_mm, roll.width_mm, t, roll.width_mm - t)
        for v in piece_of(blank, 0).variants:
            x_high = roll.length_mm - t - v.dx_mm
            if x_high < t or v.dy_mm > roll.width_mm - 2.0 * t:
                continue
            stations = np.asarray(roll.stations_mm, dtype=float)
            miss, _ = nearest_miss(stations, lines, v.dx_mm, v.start_mm, v.slope, t, x_high)
            if miss < best[1]:
                best = (roll.id, miss)
    return best


def _why_not_cast(blank: Blank, castable: Castable | None) -> str:
    if castable is None:
        return ""
    return cannot_cast(blank, castable) or "the sheets that may be cast do not suffice"


def cannot_cast(blank: Blank, castable: Castable) -> str:
    """Why no sheet that may be cast could hold a blank; empty where one could."""
    if castable.alloys is not None and blank.alloy not in castable.alloys:
        return f"alloy {blank.alloy} is not cast"
    net_x = castable.max_length_mm - 2.0 * castable.trim_mm
    net_y = castable.max_width_mm - 2.0 * castable.trim_mm
    if not any(v.dx_mm <= net_x and v.dy_mm <= net_y for v in piece_of(blank, 0).variants):
        return f"no sheet that may be cast is so large ({net_x:.0f} x {net_y:.0f} mm inside the trim)"
    low, high = sorted((blank.mouth_thickness_mm, blank.top_thickness_mm))
    if high + blank.tolerance_mm < castable.min_thickness_mm or low - blank.tolerance_mm > castable.max_thickness_mm:
        return "its thickness lies outside what may be cast"
    taper = (high - low - 2.0 * blank.tolerance_mm) / blank.length_mm * 1000.0
    if taper > castable.max_taper_mm_m:
        return f"it tapers by {taper:.2f} mm/m at least, more than may be cast"
    thickness = 0.5 * (low + high) - blank.tolerance_mm
    if castable.max_section_mm2 is not None and blank.length_mm * thickness > castable.max_section_mm2:
        return "one filling of the sled does not give a sheet so long and thick"
    return ""
