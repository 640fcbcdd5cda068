"""The rest of one alloy laid anew after a sheet was measured: what fits stays, the rest goes where it fits."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import chances_of
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, CastSpread, LayoutProblem, LayoutRoll
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify
from pipemetal.planning.sheets_to_cast import thick_end_first
from pipemetal.texts import Text

__all__ = ["GOOD_ENOUGH", "Laid", "Rest", "box_of", "lay_rest", "sheet_as_roll"]

CAST_COSTS_MM2: Final = 500_000.0
"""What every further cast costs as metal, as in the first layout."""
MOVE_COSTS_MM2: Final = 5_000.0
"""What moving a blank that could have stayed costs as metal: somebody has to read a new cutting sheet (estimate)."""
SHARES: Final = (0.35, 0.3, 0.35)
"""Of the seconds: for gaps, for new sheets, for sheets that may be spared."""
LEAST_SECONDS: Final = 0.3
GOOD_ENOUGH: Final = 0.8
"""A place this sure is taken where no surer one is free: what is cast for a blank anew is hardly surer (estimate)."""
SHORT_MM, GROWN_MM2 = 1800.0, 250_000.0
"""A new sheet shorter than this is cast longer by so much metal: half of what another cast costs (estimates)."""
MOST_OPENED: Final = 2
"""So many sheets to come are tried together with what has no place."""
FULL: Final = 0.92
"""Sheets are hardly ever filled to more than this share; trying costs time (estimate)."""


@dataclass(frozen=True, eq=False)
class Rest:
    """What is left of one alloy: its blanks that are not cut, the rolls that hang, the sheets to come, and where all lay.

    `problem`: blanks, rolls with their errors, what may be cast, kerf and certainty. `placements`: as planned until now, on rolls
    and on `sheets`. `doubtful`: rolls that were measured or changed since; what lies on them must be as sure as wanted to stay.
    `taken`: names that no new sheet may have. `pinned`: blanks that stay where they lie, whatever their metal.
    """

    problem: LayoutProblem
    placements: tuple[Placement, ...]
    sheets: tuple[NewSheet, ...]
    doubtful: frozenset[str]
    taken: frozenset[str] = frozenset()
    pinned: frozenset[str] = frozenset()

    @property
    def loose_sheets(self) -> tuple[NewSheet, ...]:
        """The sheets to come on which nothing is pinned."""
        pinned = {p.roll for p in self.placements if p.blank in self.pinned}
        return tuple(s for s in self.sheets if s.id not in pinned)

    @property
    def blanks(self) -> Mapping[str, Blank]:
        """The blanks by name."""
        return {b.id: b for b in self.problem.blanks}


@dataclass(frozen=True)
class Laid:
    """The rest laid anew: all placements, the sheets to come, and what found no place."""

    placements: tuple[Placement, ...]
    sheets: tuple[NewSheet, ...]
    unplaced: tuple[Unplaced, ...]


def lay_rest(rest: Rest, seconds: float) -> Laid:
    """The rest of one alloy laid anew within about so many seconds.

    What lies on a roll that did not change, or on a sheet to come, stays; what lies on a measured sheet stays where its metal is
    as sure as wanted. What is left goes into gaps, else onto new sheets, alone or with a sheet to come opened for it, whichever
    costs least metal, casts and moves. A sheet to come whose blanks all find gaps is no longer cast.
    """
    begun = time.perf_counter()
    kept = _kept(rest)
    held = {p.blank for p in kept}
    loose = tuple(b for b in rest.problem.blanks if b.id not in held)
    sheets, unplaced = rest.sheets, tuple[Unplaced, ...]()
    if loose:
        kept, loose = _into_gaps(rest, kept, sheets, loose, SHARES[0] * seconds)
    if loose:
        kept, sheets, unplaced = _onto_new_sheets(rest, kept, loose, SHARES[1] * seconds)
    if unplaced:
        kept, unplaced = _less_sure(rest, kept, sheets, unplaced)
    kept, sheets = _spared(rest, kept, sheets, begun + seconds)
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
    return {f.blank for f in verify(part, _layout(placements)) if f.kind != "totals"}


def _layout(placements: Sequence[Placement], sheets: Sequence[NewSheet] = ()) -> LayoutPlan:
    return LayoutPlan(tuple(placements), (), tuple(sheets), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)


def box_of(blank: Blank, p: Placement) -> tuple[float, float, float, float]:
    """The box of a blank where it lies: x0, y0, x1, y1 in mm.

    >>> box_of(Blank("C", "body", "A", 400.0, 100.0, 1.0, 1.0, 0.1), Placement("C", "R", 10.0, 20.0))
    (10.0, 20.0, 410.0, 120.0)
    """
    dx, dy = (blank.width_mm, blank.length_mm) if p.turn_deg in (90, 270) else (blank.length_mm, blank.width_mm)
    return p.x_mm, p.y_mm, p.x_mm + dx, p.y_mm + dy


def _with_gaps(
    rolls: Iterable[LayoutRoll], kept: Sequence[Placement], blanks: Mapping[str, Blank], kerf_mm: float
) -> tuple[LayoutRoll, ...]:
    """The sheets with what is laid on them as places that nothing may use."""
    on: dict[str, list[tuple[tuple[float, float], ...]]] = {}
    for p in kept:
        x0, y0, x1, y1 = box_of(blanks[p.blank], p)
        x0, y0, x1, y1 = x0 - kerf_mm, y0 - kerf_mm, x1 + kerf_mm, y1 + kerf_mm
        on.setdefault(p.roll, []).append(((x0, y0), (x1, y0), (x1, y1), (x0, y1)))
    return tuple(replace(r, no_go=(*r.no_go, *on.get(r.id, ()))) for r in rolls)


def sheet_as_roll(sheet: NewSheet, spread: CastSpread | None) -> LayoutRoll:
    """A sheet to come as a roll that is as unsure as its cast.

    >>> sheet_as_roll(NewSheet("N", "A", 2000.0, 600.0, 1.0, 0.8, 15.0), CastSpread("A", 0.03, 0.0, 0.04)).error_mm.round(3)
    array([[0.05, 0.04]])
    """
    ends = np.array([[sheet.thickness_start_mm, sheet.thickness_end_mm]])
    error = None
    if spread is not None:
        sd = float(np.sqrt(spread.level**2 + spread.taper**2 + spread.scatter**2))
        error = sd * (ends + spread.planing_mm)
    return LayoutRoll(
        sheet.id,
        sheet.alloy,
        sheet.length_mm,
        sheet.width_mm,
        sheet.trim_mm,
        (0.0, sheet.length_mm),
        ends,
        error_mm=error,
        error_reach_mm=(sheet.length_mm, sheet.width_mm),
    )


def _into_gaps(
    rest: Rest, kept: tuple[Placement, ...], sheets: Sequence[NewSheet], loose: tuple[Blank, ...], seconds: float
) -> tuple[tuple[Placement, ...], tuple[Blank, ...]]:
    """Blanks laid where the others leave room and the metal is as sure as wanted; and those that find no such place."""
    problem = rest.problem
    spread = problem.castable.spread_of(loose[0].alloy) if problem.castable is not None else None
    rolls = (*problem.rolls, *(sheet_as_roll(s, spread) for s in sheets))
    free = _with_gaps(_roomy(rolls, kept, rest.blanks, loose), kept, rest.blanks, problem.kerf_mm)
    if not free:
        return kept, loose
    part = replace(problem, blanks=loose, rolls=free, castable=None)
    found = solve(part, seconds=max(seconds, LEAST_SECONDS), seed=1)
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
    rest: Rest, kept: tuple[Placement, ...], loose: tuple[Blank, ...], seconds: float
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
        found = solve(part, seconds=max(seconds / len(ways), LEAST_SECONDS), seed=1)
        found = _grown(_renamed(thick_end_first(part, found), rest), rest)
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


def _renamed(found: LayoutPlan, rest: Rest) -> LayoutPlan:
    """The layout with names for its new sheets that nothing has yet: the next numbers."""
    taken = rest.taken | {s.id for s in rest.sheets}
    numbers = [int(m[1]) for name in taken if (m := re.fullmatch(r"N(\d{1,6})", name))]
    first = max(numbers, default=0) + 1
    names = {s.id: f"N{first + k:03d}" for k, s in enumerate(found.new_sheets)}
    return replace(
        found,
        new_sheets=tuple(replace(s, id=names[s.id]) for s in found.new_sheets),
        placements=tuple(replace(p, roll=names.get(p.roll, p.roll)) for p in found.placements),
    )


def _grown(found: LayoutPlan, rest: Rest) -> LayoutPlan:
    """The layout with short new sheets cast longer, on their own slope: what they cost more is little beside another cast, and
    blanks that fit nowhere else then find room on them, or find their own thickness elsewhere on them."""
    limits = rest.problem.castable
    assert limits is not None
    sheets = []
    for s in found.new_sheets:
        width = next((w for w in limits.choices if abs(w.width_mm - s.width_mm) < 1.0), None)
        most_mm = width.max_length_mm if width is not None else limits.max_length_mm
        section = (width.max_section_mm2 if width is not None else None) or limits.max_section_mm2 or math.inf
        thick_mm = max(s.thickness_start_mm, s.thickness_end_mm)
        more_mm = min(GROWN_MM2 / s.width_mm, most_mm - s.length_mm, section / thick_mm - s.length_mm)
        steps = int(max(more_mm, 0.0) / limits.length_step_mm) if s.length_mm < SHORT_MM else 0
        length = s.length_mm + steps * limits.length_step_mm
        slope = (s.thickness_end_mm - s.thickness_start_mm) / s.length_mm
        end = s.thickness_start_mm + slope * length
        fits = limits.min_thickness_mm <= end <= limits.max_thickness_mm
        sheets.append(replace(s, length_mm=length, thickness_end_mm=end) if fits else s)
    return replace(found, new_sheets=tuple(sheets))


def _less_sure(
    rest: Rest, kept: tuple[Placement, ...], sheets: Sequence[NewSheet], unplaced: tuple[Unplaced, ...]
) -> tuple[tuple[Placement, ...], tuple[Unplaced, ...]]:
    """Blanks that nothing sure serves on places that are less sure, the surest first."""
    lost = tuple(rest.blanks[u.blank] for u in unplaced)
    free = _with_gaps(rest.problem.rolls, kept, rest.blanks, rest.problem.kerf_mm)
    if not free:
        return kept, unplaced
    found = solve(replace(rest.problem, blanks=lost, rolls=free, castable=None), seconds=LEAST_SECONDS, seed=1)
    placed = {p.blank for p in found.placements}
    return (*kept, *found.placements), tuple(u for u in unplaced if u.blank not in placed)


def _spared(
    rest: Rest, kept: tuple[Placement, ...], sheets: tuple[NewSheet, ...], until: float
) -> tuple[tuple[Placement, ...], tuple[NewSheet, ...]]:
    """Without the sheets to come whose blanks all find room elsewhere, the emptiest first."""
    pinned = {p.roll for p in kept if p.blank in rest.pinned}
    loose = (s for s in sheets if s.id not in pinned)
    for sheet in sorted(loose, key=lambda s: sum(p.roll == s.id for p in kept)):
        left = until - time.perf_counter()
        mine = tuple(rest.blanks[p.blank] for p in kept if p.roll == sheet.id)
        others = tuple(s for s in sheets if s.id != sheet.id)
        if not mine:
            sheets = others
            continue
        if left < LEAST_SECONDS or not _might_hold(rest, kept, others, mine):
            continue
        stay = tuple(p for p in kept if p.roll != sheet.id)
        laid, lost = _into_gaps(rest, stay, others, mine, min(left / 3.0, 1.0))
        if not lost and CAST_COSTS_MM2 + sheet.net_area_mm2() > MOVE_COSTS_MM2 * len(mine):
            kept, sheets = laid, others
    return kept, sheets


def _might_hold(rest: Rest, kept: Sequence[Placement], others: Sequence[NewSheet], mine: Sequence[Blank]) -> bool:
    """Whether the other sheets and rolls have so much room at all."""
    ids = {s.id for s in others} | {r.id for r in rest.problem.rolls}
    room = FULL * (sum(s.net_area_mm2() for s in others) + sum(r.net_area_mm2() for r in rest.problem.rolls))
    used = sum(rest.blanks[p.blank].area_mm2() for p in kept if p.roll in ids)
    return room - used > math.fsum(b.area_mm2() for b in mine)
