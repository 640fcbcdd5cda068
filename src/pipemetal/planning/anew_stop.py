"""When to stop casting: the chance that what hangs serves the rest of an alloy, and that the sheets to come are its last."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.layout.chance import chances_of
from pipemetal.layout.problem import LayoutProblem
from pipemetal.layout.solve import solve
from pipemetal.planning.anew_rest import Laid, Rest, layout_of, with_gaps
from pipemetal.planning.spare import sure_without

__all__ = ["Stop", "stop_of"]

TRIED_SECONDS: Final = 0.4
MOST_TRIED: Final = 60
"""With more blanks still to be cast for nobody asks whether the racks serve them."""


@dataclass(frozen=True)
class Stop:
    """Whether one alloy needs another cast.

    `sheets`: those still to come; `blanks`: those that are not cut. `chance`: that all of them fit on what hangs, without another
    cast: as laid, and where sheets are to come with their blanks on the surest places that the racks leave (0 where there is no
    room). `last`: that no further sheet is needed once those to come are cast; 1 where none are.
    """

    alloy: str
    sheets: int
    blanks: int
    chance: float
    last: float = 1.0


def stop_of(alloy: str, rest: Rest, laid: Laid) -> Stop:
    """Whether one alloy needs another cast, as its rest is laid.

    >>> from pipemetal.layout.problem import LayoutProblem
    >>> stop_of("A", Rest(LayoutProblem((), ()), (), (), frozenset()), Laid((), (), ()))
    Stop(alloy='A', sheets=0, blanks=0, chance=1.0, last=1.0)
    """
    blanks = [p.blank for p in laid.placements]
    return Stop(alloy, len(laid.sheets), len(blanks), _racks_serve(rest, laid), _are_last(rest, laid))


def _racks_serve(rest: Rest, laid: Laid) -> float:
    """The chance that everything fits on what hangs."""
    coming = {s.id for s in laid.sheets}
    on_racks = [p for p in laid.placements if p.roll not in coming]
    hangs = {p.blank for p in on_racks}
    more = tuple(b for b in rest.problem.blanks if b.id not in hangs)
    if more:
        room = sum(r.net_area_mm2() for r in rest.problem.rolls) - sum(rest.blanks[b].area_mm2() for b in hangs)
        if len(more) > MOST_TRIED or math.fsum(b.area_mm2() for b in more) > room:
            return 0.0
        free = with_gaps(rest.problem.rolls, on_racks, rest.blanks, rest.problem.kerf_mm)
        part = replace(rest.problem, blanks=more, rolls=free, castable=None)
        found = solve(part, seconds=TRIED_SECONDS, seed=1)
        if found.unplaced:
            return 0.0
        on_racks += found.placements
    if not on_racks:
        return 1.0
    racks: LayoutProblem = replace(rest.problem, castable=None)
    return chances_of(racks, layout_of(on_racks)).together([p.blank for p in on_racks])


def _are_last(rest: Rest, laid: Laid) -> float:
    """The chance that the sheets to come, as they come out, give metal of the right thickness for all that they are cast for."""
    castable = rest.problem.castable
    if laid.unplaced or (laid.sheets and castable is None):
        return 0.0
    if not laid.sheets or castable is None:
        return 1.0
    layout = layout_of(laid.placements, laid.sheets)
    return sure_without(rest.problem, layout, laid.sheets, lambda sheet: castable.spread_of(sheet.alloy))
