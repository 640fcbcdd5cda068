"""What is left of one alloy while it is planned anew: its blanks, the rolls that hang, the sheets to come, and what they cost."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, CastSpread, LayoutProblem, LayoutRoll

__all__ = [
    "CAST_COSTS_MM2",
    "GOOD_ENOUGH",
    "MOVE_COSTS_MM2",
    "Laid",
    "Rest",
    "box_of",
    "free_names",
    "layout_of",
    "renamed",
    "sheet_as_roll",
    "with_gaps",
]

CAST_COSTS_MM2: Final = 500_000.0
"""What every further cast costs as metal, as in the first layout."""
MOVE_COSTS_MM2: Final = 5_000.0
"""What moving a blank that could have stayed costs as metal: somebody has to read a new cutting sheet (estimate)."""
GOOD_ENOUGH: Final = 0.5
"""A place this sure is taken where no surer one is free, and gauged before it is cut: a reading costs less than another cast,
which is hardly surer (estimate)."""


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


def layout_of(placements: Sequence[Placement], sheets: Sequence[NewSheet] = ()) -> LayoutPlan:
    """Placements and sheets to cast as a layout without totals.

    >>> layout_of([]).placements
    ()
    """
    return LayoutPlan(tuple(placements), (), tuple(sheets), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)


def box_of(blank: Blank, p: Placement) -> tuple[float, float, float, float]:
    """The box of a blank where it lies: x0, y0, x1, y1 in mm.

    >>> box_of(Blank("C", "body", "A", 400.0, 100.0, 1.0, 1.0, 0.1), Placement("C", "R", 10.0, 20.0))
    (10.0, 20.0, 410.0, 120.0)
    """
    dx, dy = (blank.width_mm, blank.length_mm) if p.turn_deg in (90, 270) else (blank.length_mm, blank.width_mm)
    return p.x_mm, p.y_mm, p.x_mm + dx, p.y_mm + dy


def with_gaps(
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


def renamed(found: LayoutPlan, rest: Rest) -> LayoutPlan:
    """The layout with the next free names for its new sheets."""
    names = dict(zip((s.id for s in found.new_sheets), free_names(rest), strict=False))
    return replace(
        found,
        new_sheets=tuple(replace(s, id=names[s.id]) for s in found.new_sheets),
        placements=tuple(replace(p, roll=names.get(p.roll, p.roll)) for p in found.placements),
    )


def free_names(rest: Rest, sheets: Sequence[NewSheet] = ()) -> Iterator[str]:
    """Names that no sheet has or had, nor any of some further `sheets`: the next numbers."""
    taken = rest.taken | {s.id for s in (*rest.sheets, *sheets)}
    most = max((int(m[1]) for name in taken if (m := re.fullmatch(r"N(\d{1,6})", name))), default=0)
    return (f"N{number:03d}" for number in itertools.count(most + 1))
