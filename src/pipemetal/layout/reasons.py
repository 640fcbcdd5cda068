"""Why a blank lies nowhere, what comes nearest, and the sheet that would serve it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipemetal.layout.plan import SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.shelf import piece_of
from pipemetal.sheets.fitness import line_values, nearest_miss
from pipemetal.texts import Amount, Text, joined

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
    name, miss = _nearest(blank, large)
    over = miss - blank.tolerance_mm
    if over > 1e-6:
        text = Text(
            "no roll has its thickness: {roll} comes nearest and misses by {miss} over the tolerance of {tolerance}",
            roll=name,
            miss=Amount(over, "mm", 3),
            tolerance=Amount(blank.tolerance_mm, "mm", 3),
        )
        return Unplaced(blank.id, _with(text, cast), "no_thickness", name, over, sheet)
    text = Text("every roll with its thickness is full (nearest in thickness: {roll})", roll=name)
    return Unplaced(blank.id, _with(text, cast), "full", name, 0.0, sheet)


def _with(text: Text, cast: Text | None) -> Text:
    return joined((text, cast)) if cast else text


def not_looked_for(blank: Blank) -> Unplaced:
    """A blank among so many without a place that the nearest metal of each was not looked for.

    >>> not_looked_for(Blank("C1", "body", "A", 500.0, 200.0, 1.0, 0.95, 0.05)).kind
    'full'
    """
    words = Text("no place was found; too many have none for the nearest metal of each to be looked for")
    return Unplaced(blank.id, words)


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


def _why_not_cast(blank: Blank, castable: Castable | None) -> Text | None:
    if castable is None:
        return None
    return cannot_cast(blank, castable) or Text("the sheets that may be cast do not suffice")


def cannot_cast(blank: Blank, castable: Castable) -> Text | None:
    """Why no sheet that may be cast could hold a blank; None where one could."""
    if castable.alloys is not None and blank.alloy not in castable.alloys:
        return Text("alloy {alloy} is not cast", alloy=blank.alloy)
    net_x = castable.max_length_mm - 2.0 * castable.trim_mm
    net_y = castable.max_width_mm - 2.0 * castable.trim_mm
    if not any(v.dx_mm <= net_x and v.dy_mm <= net_y for v in piece_of(blank, 0).variants):
        return Text(
            "no sheet that may be cast is so large ({length} x {width} inside the trim)",
            length=Amount(net_x, "mm", bare=True),
            width=Amount(net_y, "mm"),
        )
    low, high = sorted((blank.mouth_thickness_mm, blank.top_thickness_mm))
    if high + blank.tolerance_mm < castable.min_thickness_mm or low - blank.tolerance_mm > castable.max_thickness_mm:
        return Text("its thickness lies outside what may be cast")
    taper = (high - low - 2.0 * blank.tolerance_mm) / blank.length_mm * 1000.0
    if taper > castable.max_taper_mm_m:
        return Text("it tapers by {taper} mm/m at least, more than may be cast", taper=Amount(taper, "", 2))
    thickness = 0.5 * (low + high) - blank.tolerance_mm
    if castable.max_section_mm2 is not None and blank.length_mm * thickness > castable.max_section_mm2:
        return Text("one filling of the sled does not give a sheet so long and thick")
    return None
