"""Solving a layout problem: rack and new sheets together, alloy by alloy, anytime and repeatable."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.layout.bound import consumed_bound_mm2
from pipemetal.layout.budget import Budget, Progress, ShouldStop, budget_of
from pipemetal.layout.bundles import loosened
from pipemetal.layout.castable import ChosenSheet, choose_profiles, trimmed_to_use
from pipemetal.layout.centre import centred
from pipemetal.layout.chance import unsure_of
from pipemetal.layout.guard import least_certainty, miss_mm2, missed_share
from pipemetal.layout.hand import ByHand, better_than_start, check_pins
from pipemetal.layout.less_sure import with_some_place
from pipemetal.layout.limits import check_size, search_seconds
from pipemetal.layout.part import (
    START_SHARE,
    Part,
    best_of,
    loosen,
    lost_of,
    open_again,
    open_searches,
    parts_of,
    places_of,
    settle_filled,
    unsettle,
)
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.reasons import reasons_for
from pipemetal.layout.search import Fees, Search, SolverSettings
from pipemetal.layout.settle import settled
from pipemetal.layout.sheet_for import profile_of_piece
from pipemetal.layout.shelf import placements_of
from pipemetal.layout.spending import spend
from pipemetal.layout.totals import totals_of
from pipemetal.layout.windows import Piece

__all__ = ["solve"]

# Shares of the budget: the rack alone, then rack and new sheets together where the rack does not suffice.
RACK_SHARE = 0.35
# Where blanks fill sheets, the share of the budget after which it is clear whether that serves the rest.
SETTLED_SHARE = 0.15
# Sheets to cast are chosen so often, each time a little otherwise (once for each 1,500 moves); after so many moves the
# cheapest choice is kept.
CHOICES, MOVES_A_CHOICE, CHOICE_MOVES = 6, 1500, 500
# After these shares the price of a miss is set anew.
PRICED_AT = (0.5, 0.62, 0.74, 0.86)
# After these shares the searches of an alloy alone go on from the better plan of the two.
SHARED_AT = (0.6, 0.68, 0.76, 0.84)
# Blanks that lose all sure places to others are given places this sure, the surest first.
AT_LAST = (0.8, 0.6, 0.0)
# For blanks that then find no place so many moves are made, as at this share of the budget: a place is worth metal.
MAKE_ROOM_MOVES, MAKE_ROOM_AT = 4000, 0.39
# An alloy alone: two searches of different seeds, or one that fills two sheets at once where pieces are many.
PIECES_FOR_ONE_SEARCH = 500


def solve(
    problem: LayoutProblem,
    *,
    seconds: float | None = None,
    iterations: int | None = None,
    seed: int = 0,
    progress: Progress | None = None,
    should_stop: ShouldStop | None = None,
    settings: SolverSettings | None = None,
    hand: ByHand | None = None,
    fees: Fees | None = None,
) -> LayoutPlan:
    """A plan that serves every blank it can, with the least metal it finds.

    Arguments: `seconds` by the clock, or `iterations` (moves for each alloy; same seed and iterations, same plan,
    whatever the clock or the number of threads); neither: 10 s. `progress(share, message)` is called now and then;
    `should_stop()` True ends the search with the best plan so far. `hand`: what a person has settled (see `layout.hand`).
    `fees`: what taking down a roll and opening a melt cost as metal.
    Raises: LayoutError for a budget that cannot be, and for more than can be laid in it.
    Sources: ruin and recreate: Schrimpf et al. 2000, J. Comput. Phys. 159, 139; free rectangles: common practice.

    >>> import numpy as np
    >>> roll = LayoutRoll("R1", "A", 2000.0, 600.0, 15.0, (0.0, 2000.0), np.array([[1.1, 0.9]]))
    >>> blank = Blank("C1", "body", "A", 500.0, 200.0, 1.0, 0.95, 0.05)
    >>> plan = solve(LayoutProblem((blank,), (roll,)), iterations=50)
    >>> plan.placements[0].roll
    'R1'
    """
    settings = settings or SolverSettings()
    budget = budget_of(search_seconds(problem, seconds), iterations, progress, should_stop)
    if settings.objective not in ("consumed", "opened"):
        raise LayoutError("is not known", field="objective", value=settings.objective, allowed="consumed, opened")
    check_size(problem, budget.seconds)
    check_pins(problem, hand or ByHand())
    blanks = problem.blanks
    alloys = parts_of(problem, settings, hand or ByHand(), fees or Fees())
    for k, alloy in enumerate(alloys):
        alone = len(alloys) == 1
        few = len(alloy.pieces) < PIECES_FOR_ONE_SEARCH
        alloy.pairs = alone and not few
        alloy.pieces = with_some_place(alloy.pieces, alloy.rolls, problem)
        open_searches(alloy, problem, settings, seed, budget, 2 if alone and few else 1)
        settle_filled(alloy, problem, settings, seed, budget, (k + 1) / len(alloys))
    cast = problem.castable is not None
    begun = 0.0
    if any(alloy.whole is not None for alloy in alloys):
        begun = SETTLED_SHARE
        _spend(alloys, budget, settings, 0.0, begun)
        for alloy in alloys:
            unsettle(alloy, problem, settings, seed, budget)
    _spend(alloys, budget, settings, begun, RACK_SHARE)
    loosen(alloys, problem, settings, seed, budget)
    if cast:
        _add_new_sheets(alloys, problem, settings, seed, budget)
    _spend_on_chance(alloys, problem, budget, settings)
    _relax(alloys, problem, settings, seed, budget)
    placements: list[Placement] = []
    new_sheets: list[NewSheet] = []
    taken = {r.id for r in problem.rolls}
    for alloy in alloys:
        placements += alloy.settled
        best = best_of(alloy)
        if best is None:
            continue
        placed = placements_of(best.shelf, blanks, best.best_at, best.best_corner)
        if problem.castable is not None:
            sheets, placed = trimmed_to_use(
                best.shelf, problem.castable, placed, best.best_at, best.best_corner, taken, settings.equal_sheets_share
            )
            new_sheets += centred(problem, sheets, placed)
        placements += placed
    if not settings.straight_cuts_only:
        placements = settled(problem, placements, [p.blank for p in hand.pinned] if hand is not None else ())
    pins = {p.blank: p for p in hand.pinned} if hand is not None else {}
    placements = [pins.get(p.blank, p) for p in placements]  # to the last digit
    moves = sum(s.moves for a in alloys for s in a.searches)
    return better_than_start(problem, _plan(problem, placements, new_sheets, seed, moves), hand or ByHand())


def _add_new_sheets(
    alloys: Sequence[Part], problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget
) -> None:
    """Where the rack left blanks unserved: chooses sheets to cast and begins anew with rack and sheets together."""
    castable = problem.castable
    assert castable is not None
    room = castable.max_sheets if castable.max_sheets is not None else math.inf
    for alloy in alloys:
        if castable.alloys is not None and alloy.name not in castable.alloys:
            continue
        while apart := {i for i in lost_of(alloy) if _is_uncastable_bundle(alloy.pieces[i], castable)}:
            alloy.pieces = loosened(alloy.pieces, apart, problem.blanks)
            open_searches(alloy, problem, settings, seed, budget, len(alloy.searches))
        lost = [alloy.pieces[i] for i in lost_of(alloy)]
        best = best_of(alloy)
        if not lost or room <= 0:
            continue
        best_try: Part | None = None
        used = 0
        choices = CHOICES if budget.seconds is not None else min(max(budget.moves // MOVES_A_CHOICE, 1), CHOICES)
        for attempt in range(choices):
            late = partial(budget.late, RACK_SHARE + (attempt + 1) / choices * START_SHARE)
            if attempt and late():
                break
            taste = np.random.default_rng([seed, attempt]) if attempt else None
            sheets = choose_profiles(lost, alloy.name, castable, settings, problem.kerf_mm, room, late, taste)
            if not sheets:
                break
            tried = _with_sheets(alloy, best, sheets, problem, settings, seed, budget)
            if best_try is None or _cost(tried) < _cost(best_try):
                best_try, used = tried, len(sheets)
        if best_try is not None:
            room -= used
            alloy.rolls, alloy.searches = best_try.rolls, best_try.searches


def _with_sheets(
    alloy: Part,
    best: Search | None,
    sheets: Sequence[ChosenSheet],
    problem: LayoutProblem,
    settings: SolverSettings,
    seed: int,
    budget: Budget,
) -> Part:
    """An alloy with sheets to cast beside its rack, after a few moves."""
    places = places_of(alloy, best, sheets)
    taken = {r.id for r in problem.rolls}
    tried = replace(alloy, rolls=alloy.rolls + [_renamed(sheet.roll, taken) for sheet in sheets], searches=[])
    open_searches(tried, problem, settings, seed, budget, max(len(alloy.searches), 1))
    for search in tried.searches:
        search.adopt(places)
        search.run(
            RACK_SHARE, RACK_SHARE, min(CHOICE_MOVES, budget.moves // 20) if budget.seconds is None else CHOICE_MOVES
        )
    return tried


def _cost(alloy: Part) -> float:
    return min(float(search.best_cost[0]) for search in alloy.searches)


def _relax(alloys: Sequence[Part], problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget) -> None:
    """Where nothing sure serves a blank, lays it on a less sure place that the others leave."""
    if problem.certainty <= 0.0:
        return
    for alloy in alloys:
        for less in AT_LAST:
            best, lost = best_of(alloy), [k for k in lost_of(alloy) if _certainty(alloy.pieces[k], problem) > less]
            if best is None or not lost:
                continue
            places = places_of(alloy, best, ())
            for k in lost:
                alloy.pieces[k] = replace(alloy.pieces[k], certainty=less)
            open_again(alloy, places, problem, settings, seed, budget)
        if problem.castable is None and alloy.searches and lost_of(alloy):
            # the others make room, as sure as they lie
            alloy.searches[0].run(MAKE_ROOM_AT, MAKE_ROOM_AT, MAKE_ROOM_MOVES)


def _certainty(piece: Piece, problem: LayoutProblem) -> float:
    return least_certainty(problem) if piece.certainty is None else piece.certainty


def _is_uncastable_bundle(piece: Piece, castable: Castable) -> bool:
    """Whether a piece is a bundle that no sheet to cast holds as a whole."""
    return len(piece.members) > 1 and profile_of_piece(piece, castable) is None


def _renamed(sheet: LayoutRoll, taken: set[str]) -> LayoutRoll:
    name = sheet.id
    while name in taken:
        name = f"{name}'"
    return LayoutRoll(
        name, sheet.alloy, sheet.length_mm, sheet.width_mm, sheet.trim_mm, sheet.stations_mm, sheet.thickness_mm
    )


def _spend(alloys: Sequence[Part], budget: Budget, settings: SolverSettings, start: float, end: float) -> None:
    spend([s for a in alloys for s in a.searches], budget, settings.workers, start, end)


def _spend_on_chance(alloys: Sequence[Part], problem: LayoutProblem, budget: Budget, settings: SolverSettings) -> None:
    """The rest of the budget; where chance is weighed, its price is found on the way, else plans are shared."""
    missed = miss_mm2(problem)
    for start, end in itertools.pairwise((RACK_SHARE, *(PRICED_AT if missed > 0.0 else SHARED_AT), 1.0)):
        for alloy in alloys:
            best = best_of(alloy)
            for search in alloy.searches:
                if missed > 0.0:
                    search.price_misses(missed, missed_share(problem.certainty))
                elif best is not None and start > RACK_SHARE:
                    search.take_over(best)
        _spend(alloys, budget, settings, start, end)


def _plan(
    problem: LayoutProblem, placements: list[Placement], new_sheets: list[NewSheet], seed: int, moves: int
) -> LayoutPlan:
    order = {blank.id: k for k, blank in enumerate(problem.blanks)}
    placements.sort(key=lambda p: order[p.blank])
    placed = {p.blank for p in placements}
    served: list[Blank] = [b for b in problem.blanks if b.id in placed]
    lost = [b for b in problem.blanks if b.id not in placed]
    unplaced = reasons_for(problem, lost, len(new_sheets))
    totals = totals_of(problem, placements, new_sheets)
    bound = consumed_bound_mm2(problem, served)
    gap = (totals.consumed_mm2 / bound - 1.0) * 100.0 if bound > 0.0 else 0.0
    return LayoutPlan(
        tuple(placements),
        unplaced,
        tuple(new_sheets),
        totals.opened_mm2,
        totals.consumed_mm2,
        totals.utilisation,
        bound,
        gap,
        seed,
        moves,
        unsure_of(problem, placements),
    )
