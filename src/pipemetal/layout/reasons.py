"""Why a blank lies nowhere, what comes nearest, and the sheet that would serve it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.plan import SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.sheet_for import fits_in_size, profile_of_piece
from pipemetal.layout.shelf import piece_of
from pipemetal.sheets.fitness import line_values, nearest_miss
from pipemetal.texts import Amount, Text, joined

__all__ = ["cannot_cast", "never_served", "reason_for", "reasons_for", "sheet_wanted"]

MOST_LOOKED_FOR: Final = 200
"""Blanks without a place whose nearest roll is looked for; where there are more, none is, so that a cause reads alike."""


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


def reasons_for(problem: LayoutProblem, blanks: Sequence[Blank], sheets_cast: int) -> tuple[Unplaced, ...]:
    """Why each of some blanks was not served, by a plan that casts so many sheets."""
    rack = {r.alloy for r in problem.rolls}
    nearest = sum(b.alloy in rack for b in blanks) <= MOST_LOOKED_FOR
    return tuple(reason_for(problem, b, sheets_cast, nearest=nearest) for b in blanks)


def reason_for(
    problem: LayoutProblem, blank: Blank, sheets_cast: int | None = None, *, nearest: bool = True
) -> Unplaced:
    """The reason for which a blank was not served, as precisely as the rack allows to say it.

    `sheets_cast`: how many sheets the plan casts; `nearest`: whether the roll that comes nearest in thickness is looked for.
    """
    rolls = [r for r in problem.rolls if r.alloy == blank.alloy]
    trim = problem.castable.trim_mm if problem.castable else (rolls[0].trim_mm if rolls else 15.0)
    sheet = sheet_wanted(blank, trim)
    cast = _why_not_cast(blank, problem.castable, sheets_cast)
    if not problem.rolls:
        words = cast or Text("there is no rack, and nothing is cast")
        return Unplaced(blank.id, words, "no_alloy", sheet=sheet)
    if not rolls:
        text = Text("no roll of alloy {alloy} is on the rack", alloy=blank.alloy)
        return Unplaced(blank.id, _with(text, cast), "no_alloy", sheet=sheet)
    large = [r for r in rolls if _large_enough(blank, r)]
    if not large:
        longest = max(r.length_mm - 2.0 * r.trim_mm for r in rolls)
        widest = max(r.width_mm - 2.0 * r.trim_mm for r in rolls)
        text = Text(
            "{length} x {width} is larger than any sheet of alloy {alloy} (longest {longest}, widest {widest} inside the trim)",
            length=Amount(blank.length_mm, "mm", bare=True),
            width=Amount(blank.width_mm, "mm"),
            alloy=blank.alloy,
            longest=Amount(longest, "mm", bare=True),
            widest=Amount(widest, "mm"),
        )
        return Unplaced(blank.id, _with(text, cast), "too_large", sheet=sheet)
    if not nearest:
        text = Text("no roll of alloy {alloy} has room for it in its thickness", alloy=blank.alloy)
        return Unplaced(blank.id, _with(text, cast), "full", sheet=sheet)
    name, miss = _nearest(blank, large)
    over = miss - blank.accepts_mm[1]
    if over > 1e-6:
        text = Text(
            "no roll has its thickness: {roll} comes nearest and misses by {miss} over the tolerance of {tolerance}",
            roll=name,
            miss=Amount(over, "mm", 3),
            tolerance=Amount(blank.accepts_mm[1], "mm", 3),
        )
        return Unplaced(blank.id, _with(text, cast), "no_thickness", name, over, sheet)
    text = Text("every roll with its thickness is full (nearest in thickness: {roll})", roll=name)
    return Unplaced(blank.id, _with(text, cast), "full", name, 0.0, sheet)


def _with(text: Text, cast: Text | None) -> Text:
    return joined((text, cast)) if cast else text


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


def _why_not_cast(blank: Blank, castable: Castable | None, sheets_cast: int | None) -> Text | None:
    if castable is None:
        return None
    if (words := cannot_cast(blank, castable)) is not None:
        return words
    if castable.max_sheets is not None and sheets_cast is not None and sheets_cast >= castable.max_sheets:
        return Text("all {count} sheets that may be cast are in use: raise max_sheets", count=castable.max_sheets)
    return Text("a sheet could be cast for it, and the search did not come to it: give it more time")


def cannot_cast(blank: Blank, castable: Castable) -> Text | None:
    """Why no sheet that may be cast could hold a blank; None where one could.

    >>> cannot_cast(Blank("C1", "body", "A", 500.0, 200.0, 0.2, 0.2, 0.02), Castable())
    'it is too thin: 0.220 mm at most with its tolerance, and no sheet under 0.3 mm may be cast'
    """
    if castable.alloys is not None and blank.alloy not in castable.alloys:
        return Text("alloy {alloy} is not cast", alloy=blank.alloy)
    piece = piece_of(blank, 0)
    if not any(fits_in_size(v, cast, castable) for cast in castable.choices for v in piece.variants):
        largest, trims = max(castable.choices, key=lambda cast: cast.width_mm), 2.0 * castable.trim_mm
        return Text(
            "no sheet that may be cast is so large ({length} x {width} inside the trim)",
            length=Amount(largest.max_length_mm - trims, "mm", bare=True),
            width=Amount(largest.width_mm - trims, "mm"),
        )
    if profile_of_piece(piece, castable) is not None:
        return None
    return _why_no_profile(blank, castable)


FILLINGS: Final = {
    "sled": Text("one filling of the sled does not give a sheet so long and thick"),
    "pot": Text("the pot does not give enough metal for a sheet so long and thick"),
    "charge": Text("the usual scoops do not give a sheet so long and thick"),
}
"""What keeps a sheet from being so long and thick, by what limits it."""


def _limited_by(blank: Blank, castable: Castable) -> str:
    """What limits the width that comes nearest, of those that are large enough for the blank."""
    piece = piece_of(blank, 0)
    roomy = [c for c in castable.choices if any(fits_in_size(v, c, castable) for v in piece.variants)]
    return max(roomy, key=lambda cast: cast.max_section_mm2 or math.inf).limited_by


def _why_no_profile(blank: Blank, castable: Castable) -> Text:
    low, high = sorted((blank.mouth_thickness_mm, blank.top_thickness_mm))
    thickest, thinnest = low + blank.most_over_mm, high - blank.tolerance_mm
    if thickest < castable.min_thickness_mm:
        return Text(
            "it is too thin: {wall} at most with its tolerance, and no sheet under {limit} may be cast",
            wall=Amount(thickest, "mm", 3),
            limit=Amount.short(castable.min_thickness_mm, "mm"),
        )
    if thinnest > castable.max_thickness_mm:
        return Text(
            "it is too thick: {wall} at least with its tolerance, and no sheet over {limit} may be cast",
            wall=Amount(thinnest, "mm", 3),
            limit=Amount.short(castable.max_thickness_mm, "mm"),
        )
    taper = (high - low - 2.0 * blank.accepts_mm[1]) / blank.length_mm * 1000.0
    if taper > castable.max_taper_mm_m:
        return Text(
            "it tapers by {taper} mm/m at least, more than the {limit} mm/m that may be cast",
            taper=Amount(taper, "", 2),
            limit=Amount.short(castable.max_taper_mm_m),
        )
    endless = tuple(replace(cast, max_section_mm2=None) for cast in castable.choices)
    if profile_of_piece(piece_of(blank, 0), replace(castable, max_section_mm2=None, widths=endless)):
        return FILLINGS[_limited_by(blank, castable)]
    return Text(
        "a sheet with its taper, of the least length that may be cast, leaves the limits of {low} to {high}",
        low=Amount.short(castable.min_thickness_mm, "mm", bare=True),
        high=Amount.short(castable.max_thickness_mm, "mm"),
    )
