"""The whole rest of one alloy laid at once: racks filled first, what is left on fewest sheets, each sized by its chance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import Drawn
from pipemetal.layout.hand import ByHand
from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Castable, CastSpread
from pipemetal.layout.search import SolverSettings
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_rest import CAST_COSTS_MM2, Laid, Rest, layout_of, renamed, with_gaps
from pipemetal.planning.sheets_to_cast import thick_end_first

__all__ = ["lay_whole", "sized"]

RACK_IS_THERE: Final = SolverSettings(fee_share=0.0, new_metal_weight=4.0)
"""What hangs is cast already: new metal weighs so many times more (estimate)."""
ROOM: Final = 1.0
"""On sheets to come blanks lie within this share of their tolerance: what misses is laid anew (estimate)."""
LONGER_MM: Final = (0.0, 300.0, 700.0, 1200.0)
"""A sheet of few blanks is tried so much longer: they slide along it to where its metal suits them."""
AGAIN_MM2: Final = 500_000.0
"""A sheet of few blanks is cast late; where it does not serve a melt may have to be opened for another: that costs as much as a
cast more (estimate)."""
FEW: Final = 5
SHIFTS: Final = 7
SHORT_MM, GROWN_MM2 = 1800.0, 250_000.0
"""A sheet of more blanks that is shorter than this is cast longer by so much metal (estimates): half of another cast."""


def lay_whole(rest: Rest, kept: Sequence[Placement], effort: Effort) -> Laid | None:
    """Everything that may move laid at once, on the racks and on new sheets; None where nothing may be cast.

    `kept`: where blanks may stay; the search begins there. What is pinned stays, and so do sheets on which something is.
    """
    castable = rest.problem.castable
    if castable is None:
        return None
    loose_sheets = {s.id for s in rest.loose_sheets}
    held_sheets = tuple(s for s in rest.sheets if s.id not in loose_sheets)
    fixed = tuple(p for p in kept if p.blank in rest.pinned or p.roll in {s.id for s in held_sheets})
    stay = {p.blank for p in fixed}
    loose = tuple(b for b in rest.problem.blanks if b.id not in stay)
    if not loose:
        return Laid(tuple(kept), held_sheets, ())
    part = replace(
        rest.problem,
        blanks=loose,
        rolls=with_gaps(rest.problem.rolls, fixed, rest.blanks, rest.problem.kerf_mm),
        castable=replace(castable, least_room=max(castable.least_room, ROOM)),
    )
    rolls = {r.id for r in part.rolls}
    start = layout_of([p for p in kept if p.roll in rolls and p.blank not in stay])
    found = effort.lay(part, hand=ByHand(start=start), settings=RACK_IS_THERE)
    found = renamed(thick_end_first(part, found), rest)
    return Laid((*fixed, *found.placements), (*held_sheets, *found.new_sheets), found.unplaced)


@dataclass(frozen=True)
class _Longer:
    """A sheet to come made longer, and the blanks on it moved so."""

    sheet: NewSheet
    placements: tuple[Placement, ...]
    cost: float


def sized(rest: Rest, laid: Laid) -> Laid:
    """The sheets as long as the chance of their blanks asks for.

    Few blanks slide along a longer sheet to where its metal suits them: it is so long that its metal and cast cost least
    for every time that it serves. Short sheets of more blanks are cast a little longer: others may find room there.
    """
    castable = rest.problem.castable
    if castable is None or not rest.problem.blanks:
        return laid
    spread = castable.spread_of(rest.problem.blanks[0].alloy)
    before, placements, sheets = {s.id: s for s in rest.sheets}, list[Placement](), list[NewSheet]()
    on: dict[str, list[Placement]] = {}
    for p in laid.placements:
        on.setdefault(p.roll, []).append(p)
    for s in laid.sheets:
        mine = tuple(on.pop(s.id, ()))
        if s == before.get(s.id) and {p.blank for p in mine} == {p.blank for p in rest.placements if p.roll == s.id}:
            made = _Longer(s, mine, 0.0)
        elif spread is not None and 0 < len(mine) <= FEW:
            made = _by_chance(rest, s, mine, castable, spread)
        else:
            made = _a_little_longer(s, mine, castable)
        placements += made.placements
        sheets.append(made.sheet)
    return replace(laid, placements=(*(p for held in on.values() for p in held), *placements), sheets=tuple(sheets))


def _by_chance(
    rest: Rest, sheet: NewSheet, mine: tuple[Placement, ...], castable: Castable, spread: CastSpread
) -> _Longer:
    slopes = [(b.top_thickness_mm - b.mouth_thickness_mm) / b.length_mm for p in mine if (b := rest.blanks[p.blank])]
    signed = [-s if p.turn_deg == 180 else s for s, p in zip(slopes, mine, strict=True)]
    own = _sloped(sheet, float(np.median(signed)), castable)
    tried = [
        _sliding(rest, made, spread)
        for way in (sheet, own)
        for more in LONGER_MM
        if (made := _grown(way, mine, more, castable))
    ]
    return min(tried, key=lambda made: made.cost, default=_Longer(sheet, mine, 0.0))


def _sloped(sheet: NewSheet, slope: float, castable: Castable) -> NewSheet:
    """A sheet on another slope about its own middle, as far as it may be cast so."""
    most = castable.max_taper_mm_m / 1000.0
    half = 0.5 * min(max(slope, -most), most) * sheet.length_mm
    return replace(sheet, thickness_start_mm=_wall_mm(sheet) - half, thickness_end_mm=_wall_mm(sheet) + half)


def _wall_mm(sheet: NewSheet) -> float:
    return 0.5 * (sheet.thickness_start_mm + sheet.thickness_end_mm)


def _sliding(rest: Rest, made: _Longer, spread: CastSpread) -> _Longer:
    """What a sheet costs for every time that all its blanks find their metal somewhere along it."""
    drawn = Drawn.of_sheet(made.sheet, spread)
    ends = [(p.x_mm, p.x_mm + rest.blanks[p.blank].length_mm) for p in made.placements]
    trim = made.sheet.trim_mm
    back = max(min(a for a, _ in ends) - trim, 0.0)
    on = max(made.sheet.length_mm - trim - max(b for _, b in ends), 0.0)
    serves = np.zeros(1, np.bool_)
    for shift in {0.0, *np.linspace(-back, on, SHIFTS)}:
        fits = [drawn.fit(rest.blanks[p.blank], replace(p, x_mm=p.x_mm + float(shift))) for p in made.placements]
        serves = serves | np.logical_and.reduce(fits)
    chance = max(float(serves.mean()), 0.01)
    return replace(made, cost=(made.sheet.net_area_mm2() + CAST_COSTS_MM2 + AGAIN_MM2) / chance - AGAIN_MM2)


def _grown(
    sheet: NewSheet, mine: tuple[Placement, ...], more_mm: float, castable: Castable, before: float = 0.5
) -> _Longer | None:
    """A sheet so much longer on its own slope, this share of it `before`; None where it may not be cast so."""
    slope = (sheet.thickness_end_mm - sheet.thickness_start_mm) / sheet.length_mm
    start = sheet.thickness_start_mm - before * more_mm * slope
    end = sheet.thickness_end_mm + (1.0 - before) * more_mm * slope
    length = sheet.length_mm + more_mm
    width = next((w for w in castable.choices if abs(w.width_mm - sheet.width_mm) < 1.0), None)
    longest = width.max_length_mm if width is not None else castable.max_length_mm
    section = (width.max_section_mm2 if width is not None else None) or castable.max_section_mm2 or math.inf
    if more_mm > 0.0 and (length > longest or length * 0.5 * (start + end) > section):
        return None
    if not all(castable.min_thickness_mm <= t <= castable.max_thickness_mm for t in (start, end)):
        return None
    grown = replace(sheet, length_mm=length, thickness_start_mm=start, thickness_end_mm=end)
    return _Longer(grown, tuple(replace(p, x_mm=p.x_mm + before * more_mm) for p in mine), 0.0)


def _a_little_longer(sheet: NewSheet, mine: tuple[Placement, ...], castable: Castable) -> _Longer:
    steps = int(GROWN_MM2 / sheet.width_mm / castable.length_step_mm) if sheet.length_mm < SHORT_MM else 0
    for more in range(steps, 0, -1):
        grown = _grown(sheet, mine, more * castable.length_step_mm, castable, 0.0)
        if grown is not None:
            return grown
    return _Longer(sheet, mine, 0.0)
