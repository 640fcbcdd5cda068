"""The rest of one alloy laid anew after a sheet was measured: what fits stays, the rest goes where it fits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import chances_of
from pipemetal.layout.plan import NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.verify import verify
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_few import joined, parted
from pipemetal.planning.anew_names import named_as_before
from pipemetal.planning.anew_price import cost_of
from pipemetal.planning.anew_rest import (
    CAST_COSTS_MM2,
    GOOD_ENOUGH,
    MOVE_COSTS_MM2,
    Laid,
    Rest,
    layout_of,
    renamed,
    sheet_as_roll,
    with_gaps,
)
from pipemetal.planning.anew_whole import lay_whole, sized
from pipemetal.planning.sheets_to_cast import thick_end_first
from pipemetal.texts import Text

__all__ = ["lay_rest"]

GAPS, NEW_SHEETS, SPARED = 0.1, 0.1, 0.05
"""Of the moves that the whole rest is given: for gaps, for new sheets, and for each sheet that may be spared."""
MOST_SPARED: Final = 4
"""So many sheets to come are tried to be spared."""
MOST_OPENED: Final = 2
"""So many sheets to come are tried together with what has no place."""
FULL: Final = 0.92
"""Sheets are hardly ever filled to more than this share; trying costs time (estimate)."""


def lay_rest(rest: Rest, effort: Effort) -> Laid:
    """The rest of one alloy laid anew.

    What lies on a roll that did not change, or on a sheet to come, may stay; what lies on a measured sheet where its metal is as
    sure as wanted. Two ways are tried: what has no place goes into gaps, else onto new sheets; or the whole rest is laid at
    once, what hangs first. The one that costs less metal, casts and moves is taken. Sheets to come that others make needless
    are spared. Sheets that are nearly what they were keep their names.
    """
    kept = _kept(rest)
    held = {p.blank for p in kept}
    loose = tuple(b for b in rest.problem.blanks if b.id not in held)
    ways = [_with_loose(rest, kept, loose, effort)]
    if loose and (whole := lay_whole(rest, kept, effort)) is not None:
        ways.append(named_as_before(rest, whole))
    laid = min(ways, key=lambda way: cost_of(rest, way)) if len(ways) > 1 else ways[0]
    laid = joined(rest, parted(rest, laid, effort), effort)
    placements, sheets = _spared(rest, laid.placements, laid.sheets, effort)
    laid = named_as_before(rest, replace(laid, placements=placements, sheets=sheets))
    return sized(rest, laid)


def _with_loose(rest: Rest, kept: tuple[Placement, ...], loose: tuple[Blank, ...], effort: Effort) -> Laid:
    """All stays but what has no place: that goes into gaps, else onto new sheets."""
    sheets, unplaced = rest.sheets, tuple[Unplaced, ...]()
    if loose:
        kept, loose = _into_gaps(rest, kept, sheets, loose, effort, GAPS)
    if loose:
        kept, sheets, unplaced = _onto_new_sheets(rest, kept, loose, effort)
    if unplaced:
        kept, unplaced = _less_sure(rest, kept, unplaced, effort)
    return Laid(kept, sheets, unplaced)


def _kept(rest: Rest) -> tuple[Placement, ...]:
    """Where blanks stay."""
    known = {r.id for r in rest.problem.rolls} | {s.id for s in rest.sheets}
    mine = tuple(p for p in rest.placements if p.roll in known and p.blank in rest.blanks)
    asked = tuple(p for p in mine if p.roll in rest.doubtful)
    wrong = _faulty(rest.problem, asked) - rest.pinned
    return tuple(p for p in mine if p.blank not in wrong)


def _faulty(problem: LayoutProblem, placements: Sequence[Placement]) -> set[str]:
    """The blanks that may not lie so, by the independent check; of two that overlap the one."""
    if not placements:
        return set()
    laid = {p.blank for p in placements}
    part = replace(
        problem,
        blanks=tuple(b for b in problem.blanks if b.id in laid),
        rolls=tuple(r for r in problem.rolls if r.id in {p.roll for p in placements}),
        castable=None,
    )
    return {f.blank for f in verify(part, layout_of(placements)) if f.kind != "totals"}


def _into_gaps(
    rest: Rest,
    kept: tuple[Placement, ...],
    sheets: Sequence[NewSheet],
    loose: tuple[Blank, ...],
    effort: Effort,
    share: float,
) -> tuple[tuple[Placement, ...], tuple[Blank, ...]]:
    """Blanks laid where the others leave room and the metal is as sure as wanted; and those that find no such place."""
    problem = rest.problem
    spread = problem.castable.spread_of(loose[0].alloy) if problem.castable is not None else None
    rolls = (*problem.rolls, *(sheet_as_roll(s, spread) for s in sheets))
    free = with_gaps(_roomy(rolls, kept, rest.blanks, loose), kept, rest.blanks, problem.kerf_mm)
    if not free:
        return kept, loose
    part = replace(problem, blanks=loose, rolls=free, castable=None)
    found = effort.lay(part, share)
    unsure = set(found.unsure)
    chances = chances_of(part, found)
    laid = tuple(p for p in found.placements if p.blank not in unsure or chances.of(p.blank) >= GOOD_ENOUGH)
    placed = {p.blank for p in laid}
    return (*kept, *laid), tuple(b for b in loose if b.id not in placed)


def _roomy(
    rolls: Sequence[LayoutRoll], kept: Sequence[Placement], blanks: Mapping[str, Blank], loose: Sequence[Blank]
) -> list[LayoutRoll]:
    """The sheets that have room for the smallest of some blanks at all."""
    used: dict[str, float] = {}
    for p in kept:
        used[p.roll] = used.get(p.roll, 0.0) + blanks[p.blank].area_mm2()
    least = min(b.area_mm2() for b in loose)
    return [r for r in rolls if FULL * r.net_area_mm2() - used.get(r.id, 0.0) > least]


def _onto_new_sheets(
    rest: Rest, kept: tuple[Placement, ...], loose: tuple[Blank, ...], effort: Effort
) -> tuple[tuple[Placement, ...], tuple[NewSheet, ...], tuple[Unplaced, ...]]:
    """Blanks without a place on new sheets: alone, or together with those of a sheet to come, whichever costs least."""
    if rest.problem.castable is None:
        return (
            kept,
            rest.sheets,
            tuple(Unplaced(b.id, Text("no room is left on the racks, and nothing may be cast")) for b in loose),
        )
    ways = [(), *([s] for s in _nearest(rest, kept, loose))]
    best: tuple[float, tuple[Placement, ...], tuple[NewSheet, ...], tuple[Unplaced, ...]] | None = None
    for opened in ways:
        names = {s.id for s in opened}
        stay = tuple(p for p in kept if p.roll not in names)
        moved = tuple(rest.blanks[p.blank] for p in kept if p.roll in names)
        part = replace(rest.problem, blanks=(*loose, *moved), rolls=())
        found = effort.lay(part, NEW_SHEETS)
        found = renamed(thick_end_first(part, found), rest)
        sheets = (*(s for s in rest.sheets if s.id not in names), *found.new_sheets)
        cost = sum(s.net_area_mm2() + CAST_COSTS_MM2 for s in sheets) + MOVE_COSTS_MM2 * len(moved)
        cost += sum(rest.blanks[u.blank].area_mm2() * 10.0 + CAST_COSTS_MM2 for u in found.unplaced)
        if best is None or cost < best[0]:
            best = (cost, (*stay, *found.placements), sheets, found.unplaced)
    assert best is not None
    return best[1:]


def _nearest(rest: Rest, kept: Sequence[Placement], loose: Sequence[Blank]) -> list[NewSheet]:
    """The sheets to come that are nearest in thickness to blanks without a place, those with few blanks first."""
    wanted = float(np.median([0.5 * (b.mouth_thickness_mm + b.top_thickness_mm) for b in loose]))
    laid = [p.roll for p in kept]

    def far(s: NewSheet) -> float:
        middle = 0.5 * (s.thickness_start_mm + s.thickness_end_mm)
        return abs(middle / wanted - 1.0) + 0.002 * laid.count(s.id)

    return sorted(rest.loose_sheets, key=far)[:MOST_OPENED]


def _less_sure(
    rest: Rest, kept: tuple[Placement, ...], unplaced: tuple[Unplaced, ...], effort: Effort
) -> tuple[tuple[Placement, ...], tuple[Unplaced, ...]]:
    """Blanks that nothing sure serves on places that are less sure, the surest first."""
    lost = tuple(rest.blanks[u.blank] for u in unplaced)
    free = with_gaps(rest.problem.rolls, kept, rest.blanks, rest.problem.kerf_mm)
    if not free:
        return kept, unplaced
    found = effort.lay(replace(rest.problem, blanks=lost, rolls=free, castable=None), GAPS)
    placed = {p.blank for p in found.placements}
    return (*kept, *found.placements), tuple(u for u in unplaced if u.blank not in placed)


def _spared(
    rest: Rest, kept: tuple[Placement, ...], sheets: tuple[NewSheet, ...], effort: Effort
) -> tuple[tuple[Placement, ...], tuple[NewSheet, ...]]:
    """Without the sheets to come whose blanks all find room elsewhere, the emptiest first."""
    pinned, tried = {p.roll for p in kept if p.blank in rest.pinned}, 0
    loose = (s for s in sheets if s.id not in pinned)
    for sheet in sorted(loose, key=lambda s: sum(p.roll == s.id for p in kept)):
        mine = tuple(rest.blanks[p.blank] for p in kept if p.roll == sheet.id)
        others = tuple(s for s in sheets if s.id != sheet.id)
        if not mine:
            sheets = others
            continue
        if tried == MOST_SPARED or effort.over() or not _might_hold(rest, kept, others, mine):
            continue
        tried += 1
        stay = tuple(p for p in kept if p.roll != sheet.id)
        laid, lost = _into_gaps(rest, stay, others, mine, effort, SPARED)
        if not lost and CAST_COSTS_MM2 + sheet.net_area_mm2() > MOVE_COSTS_MM2 * len(mine):
            kept, sheets = laid, others
    return kept, sheets


def _might_hold(rest: Rest, kept: Sequence[Placement], others: Sequence[NewSheet], mine: Sequence[Blank]) -> bool:
    """Whether the other sheets and rolls have so much room at all."""
    ids = {s.id for s in others} | {r.id for r in rest.problem.rolls}
    room = FULL * (sum(s.net_area_mm2() for s in others) + sum(r.net_area_mm2() for r in rest.problem.rolls))
    used = sum(rest.blanks[p.blank].area_mm2() for p in kept if p.roll in ids)
    return room - used > math.fsum(b.area_mm2() for b in mine)
