"""A pipe is served whole or not at all: nothing is cut, cast or charged for a pipe that lacks a part."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from pipemetal.layout.bound import consumed_bound_mm2
from pipemetal.layout.plan import LayoutPlan, Unplaced
from pipemetal.layout.problem import LayoutProblem
from pipemetal.layout.reasons import never_served
from pipemetal.layout.totals import totals_of
from pipemetal.planning.blanks import OrderedBlank
from pipemetal.texts import Text

__all__ = ["lay_whole_pipes"]

NOT_CUT = "pipe"
"""The kind of a blank that is not cut because its pipe lacks another part."""


def lay_whole_pipes(
    problem: LayoutProblem, blanks: Sequence[OrderedBlank], solve: Callable[[LayoutProblem], LayoutPlan]
) -> LayoutPlan:
    """Solve a problem so that every pipe has all its blanks or none; `solve` lays a problem out.

    Blanks that no roll and no sheet to cast could ever hold take their pipe out before the search; what the search leaves over
    takes its pipe out after it. Each blank of such a pipe is named with its own reason.
    """
    pipe_of = {b.blank.id: b.pipe.id for b in blanks}
    never = {u.blank: u for u in (never_served(problem, b.blank) for b in blanks) if u is not None}
    lost = _with_their_pipes(never, pipe_of)
    left = replace(problem, blanks=tuple(b for b in problem.blanks if b.id not in lost))
    found = solve(left)
    more = _with_their_pipes({u.blank: u for u in found.unplaced}, pipe_of)
    return _without(problem, found, more | lost)


def _with_their_pipes(lost: Mapping[str, Unplaced], pipe_of: Mapping[str, str]) -> dict[str, Unplaced]:
    """The blanks that are lost, and with them all others of their pipes."""
    members: dict[str, list[str]] = defaultdict(list)
    for blank, pipe in pipe_of.items():
        members[pipe].append(blank)
    found = dict(lost)
    for blank in lost:
        for other in members[pipe_of[blank]]:
            words = Text("not cut: {blank} of the same pipe finds no place", blank=blank)
            found.setdefault(other, Unplaced(other, words, NOT_CUT))
    return found


def _without(problem: LayoutProblem, found: LayoutPlan, lost: Mapping[str, Unplaced]) -> LayoutPlan:
    placements = tuple(p for p in found.placements if p.blank not in lost)
    used = {p.roll for p in placements}
    sheets = tuple(s for s in found.new_sheets if s.id in used)
    unplaced = tuple(lost[b.id] for b in problem.blanks if b.id in lost)
    if len(placements) == len(found.placements):
        return replace(found, unplaced=unplaced)
    totals = totals_of(problem, placements, sheets)
    served = {p.blank for p in placements}
    bound = consumed_bound_mm2(problem, (b for b in problem.blanks if b.id in served))
    return replace(
        found,
        placements=placements,
        new_sheets=sheets,
        unplaced=unplaced,
        opened_mm2=totals.opened_mm2,
        consumed_mm2=totals.consumed_mm2,
        utilisation=totals.utilisation,
        lower_bound_mm2=bound,
        gap_percent=(totals.consumed_mm2 / bound - 1.0) * 100.0 if bound > 0.0 else 0.0,
    )
