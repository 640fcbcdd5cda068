"""Sheets to come that are hardly used cast as one, and such as hardly serve all that is laid on them cast as two."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.centre import centred
from pipemetal.layout.chance import chances_of
from pipemetal.layout.plan import NewSheet
from pipemetal.layout.problem import Blank, Castable, CastSpread, LayoutRoll
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_price import cost_of_some
from pipemetal.planning.anew_rest import MOVE_COSTS_MM2, Laid, Rest, free_names, layout_of

__all__ = ["joined", "parted"]

LIGHT: Final = 0.6
"""Sheets to come that are used to less than this share may be cast as one."""
MOST_APART: Final = 1.6
"""No sheets are cast as one whose thickness differs by more than this factor."""
TRIED_WALLS: Final = 9
FULL: Final = 0.9
TRIED: Final = 0.03
"""Of the moves that the whole rest is given: for one sheet."""
ROOM: Final = 0.6
"""Blanks are first tried within this share of their tolerance, then within all of it."""
SURE: Final = 0.8
"""A sheet that serves all that is laid on it this surely is not parted (estimate)."""
MOST_PARTED: Final = 60
"""Sheets of more blanks are not parted: others serve what misses on them."""
CUTS: Final = 2
MOST_REFUSED: Final = 3
"""So many pairs are tried as one, and so many sheets as two, until the others stay as they are."""


def joined(rest: Rest, laid: Laid, effort: Effort) -> Laid:
    """Sheets to come that are hardly used cast as one, even or sloped, where that costs less: what misses then is cast again with
    less doubt."""
    castable, spread = _means(rest)
    if castable is None or spread is None:
        return laid
    refused: set[tuple[str, str]] = set()
    while len(refused) < MOST_REFUSED and not effort.over():
        pair = next((p for p in _pairs(rest, laid) if (p[0].id, p[1].id) not in refused), None)
        if pair is None:
            break
        mine = _blanks_on(rest, laid, pair)
        made = [_on_one(rest, mine, s, pair[0].id, effort) for s in _sheets_for(mine, pair, castable, spread)]
        one = _cheapest(rest, laid, pair, [m for m in made if m is not None])
        if one is None:
            refused.add((pair[0].id, pair[1].id))
        else:
            laid = one
    return laid


def parted(rest: Rest, laid: Laid, effort: Effort) -> Laid:
    """Sheets to come that hardly serve all that is laid on them cast as two of their own thickness, where that costs less."""
    castable, spread = _means(rest)
    if castable is None or spread is None:
        return laid
    chances = chances_of(replace(rest.problem, rolls=()), layout_of(laid.placements, laid.sheets))
    pinned = {p.roll for p in laid.placements if p.blank in rest.pinned}
    names, tried = free_names(rest, laid.sheets), 0
    for sheet in laid.sheets:
        mine = _blanks_on(rest, laid, [sheet])
        if sheet.id in pinned or not 2 <= len(mine) <= MOST_PARTED or chances.together([b.id for b in mine]) > SURE:
            continue
        if tried == MOST_REFUSED or effort.over():
            break
        tried += 1
        made = []
        for thin, thick in _cuts(mine):
            a = _first_that_holds(rest, thin, sheet, sheet.id, effort)
            b = _first_that_holds(rest, thick, sheet, next(names), effort) if a is not None else None
            if a is not None and b is not None:
                made.append(Laid((*a.placements, *b.placements), (*a.sheets, *b.sheets), ()))
        laid = _cheapest(rest, laid, [sheet], made) or laid
    return laid


def _first_that_holds(rest: Rest, part: Sequence[Blank], sheet: NewSheet, name: str, effort: Effort) -> Laid | None:
    """Some blanks of a sheet on the first sheet for them that has room for all."""
    castable, spread = _means(rest)
    assert castable is not None and spread is not None
    tried = (_on_one(rest, part, s, name, effort) for s in _sheets_for(part, [sheet], castable, spread))
    return next((made for made in tried if made is not None), None)


def _means(rest: Rest) -> tuple[Castable | None, CastSpread | None]:
    castable = rest.problem.castable
    return castable, castable.spread_of(rest.problem.blanks[0].alloy) if castable and rest.problem.blanks else None


def _blanks_on(rest: Rest, laid: Laid, sheets: Sequence[NewSheet]) -> list[Blank]:
    names, blanks = {s.id for s in sheets}, rest.blanks
    return [blanks[p.blank] for p in laid.placements if p.roll in names]


def _pairs(rest: Rest, laid: Laid) -> list[tuple[NewSheet, NewSheet]]:
    """Sheets to come that may be cast as one, the nearest in thickness first."""
    used: dict[str, float] = {}
    for p in laid.placements:
        used[p.roll] = used.get(p.roll, 0.0) + rest.blanks[p.blank].area_mm2()
    pinned = {p.roll for p in laid.placements if p.blank in rest.pinned}
    light = [s for s in laid.sheets if used.get(s.id, 0.0) < LIGHT * s.net_area_mm2() and s.id not in pinned]
    pairs = itertools.combinations(sorted(light, key=_wall_mm), 2)
    near = [(a, b) for a, b in pairs if _wall_mm(b) < MOST_APART * _wall_mm(a)]
    return sorted(near, key=lambda pair: _wall_mm(pair[1]) / _wall_mm(pair[0]))


def _wall_mm(sheet: NewSheet) -> float:
    return 0.5 * (sheet.thickness_start_mm + sheet.thickness_end_mm)


def _wanted_mm(blank: Blank) -> float:
    return 0.5 * (blank.mouth_thickness_mm + blank.top_thickness_mm)


def _cuts(blanks: Sequence[Blank]) -> list[tuple[list[Blank], list[Blank]]]:
    """Blanks parted in two by what they want, where they are farthest apart."""
    in_order = sorted(blanks, key=_wanted_mm)
    apart = [_wanted_mm(b) / _wanted_mm(a) for a, b in itertools.pairwise(in_order)]
    widest = sorted(range(len(apart)), key=lambda k: -apart[k])[:CUTS]
    return [(in_order[: k + 1], in_order[k + 1 :]) for k in widest if apart[k] > 1.0]


def _cheapest(rest: Rest, laid: Laid, sheets: Sequence[NewSheet], made: Sequence[Laid]) -> Laid | None:
    """The whole with the cheapest of some ways to lay what some sheets hold; None where the sheets cost least as they are."""
    names = {s.id for s in sheets}
    beside = tuple(s for s in laid.sheets if s.id not in names)
    before = [p for p in laid.placements if p.roll in names]
    least, best = cost_of_some(rest, before, sheets, beside), None
    for m in made:
        cost = cost_of_some(rest, m.placements, m.sheets, beside) + MOVE_COSTS_MM2 * len(before)
        if cost < least:
            least, best = cost, m
    if best is None:
        return None
    others = tuple(p for p in laid.placements if p.roll not in names)
    return replace(laid, placements=(*others, *best.placements), sheets=(*beside, *best.sheets))


def _on_one(rest: Rest, blanks: Sequence[Blank], sheet: NewSheet, name: str, effort: Effort) -> Laid | None:
    """Some blanks laid on one sheet to come, its profile centred on them; None where they find no room on it."""
    ends = np.array([[sheet.thickness_start_mm, sheet.thickness_end_mm]])
    roll = LayoutRoll(name, sheet.alloy, sheet.length_mm, sheet.width_mm, sheet.trim_mm, (0.0, sheet.length_mm), ends)
    for room in (ROOM, 1.0):
        within = tuple(replace(b, tolerance_mm=room * b.tolerance_mm, thicker_mm=room * b.most_over_mm) for b in blanks)
        part = replace(rest.problem, blanks=within, rolls=(roll,), castable=None, certainty=0.0)
        found = effort.lay(part, TRIED)
        if not found.unplaced:
            made = centred(rest.problem, [replace(sheet, id=name)], found.placements)
            return Laid(found.placements, tuple(made), ())
    return None


def _sheets_for(
    blanks: Sequence[Blank], like: Sequence[NewSheet], castable: Castable, spread: CastSpread
) -> list[NewSheet]:
    """Sheets for some blanks, as large as they ask for: an even one, as thick as makes most of them fit, and one that slopes from
    the thickest to the thinnest. None where none may be cast so."""
    walls = sorted(map(_wanted_mm, blanks))
    sd = math.hypot(spread.level, spread.taper, spread.scatter)

    def fit(wall: float) -> float:
        return sum(_fits_at(b, wall, sd * (wall + spread.planing_mm)) for b in blanks)

    even = max(map(float, np.linspace(walls[0], walls[-1], TRIED_WALLS)), key=fit)
    thick = max(max(b.mouth_thickness_mm, b.top_thickness_mm) for b in blanks)
    thin = min(min(b.mouth_thickness_mm, b.top_thickness_mm) for b in blanks)
    ends = (thick + 0.5 * sd * (thick + spread.planing_mm), thin - 0.5 * sd * (thin + spread.planing_mm))
    found = [_sized_for(blanks, like, castable, even, even)]
    if ends[0] > ends[1]:
        found.append(_sized_for(blanks, like, castable, *ends))
    return [s for s in found if s is not None]


def _sized_for(
    blanks: Sequence[Blank], like: Sequence[NewSheet], castable: Castable, start_mm: float, end_mm: float
) -> NewSheet | None:
    """A sheet of a thickness for some blanks, the narrowest that is long enough; None where none may be cast so."""
    area = math.fsum(b.length_mm * b.width_mm for b in blanks)
    trims, step = 2.0 * castable.trim_mm, castable.length_step_mm
    longest = max(min(b.length_mm, b.width_mm) if len(b.turns_deg) > 2 else b.length_mm for b in blanks)
    widest = max(min(b.length_mm, b.width_mm) if len(b.turns_deg) > 2 else b.width_mm for b in blanks)
    for width in sorted(castable.choices, key=lambda w: w.width_mm):
        sloped = 1000.0 * (start_mm - end_mm) / castable.max_taper_mm_m if start_mm > end_mm else 0.0
        asked = max(area / FULL / (width.width_mm - trims) + trims, longest + trims, castable.min_length_mm, sloped)
        length = castable.min_length_mm + step * math.ceil((asked - castable.min_length_mm) / step - 1e-9)
        section = width.max_section_mm2 or castable.max_section_mm2 or math.inf
        inside = all(castable.min_thickness_mm <= t <= castable.max_thickness_mm for t in (start_mm, end_mm))
        fits = widest + trims <= width.width_mm and length <= width.max_length_mm
        if inside and fits and length * 0.5 * (start_mm + end_mm) <= section:
            return NewSheet("one", like[0].alloy, length, width.width_mm, start_mm, end_mm, castable.trim_mm)
    return None


def _fits_at(blank: Blank, wall_mm: float, sd_mm: float) -> float:
    """The chance that a blank fits metal of about this thickness."""
    low = max(blank.mouth_thickness_mm, blank.top_thickness_mm) - blank.tolerance_mm
    high = min(blank.mouth_thickness_mm, blank.top_thickness_mm) + blank.most_over_mm
    s = max(sd_mm, 1e-6) * math.sqrt(2.0)
    return max(0.5 * (math.erf((high - wall_mm) / s) - math.erf((low - wall_mm) / s)), 0.0)
