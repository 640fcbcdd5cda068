"""Solving a layout problem: rack and new sheets together, alloy by alloy, anytime and repeatable."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.layout.bound import consumed_bound_mm2
from pipemetal.layout.budget import Budget, Progress, ShouldStop, budget_of
from pipemetal.layout.bundles import bundled, loosened
from pipemetal.layout.castable import ChosenSheet, cast_rule, choose_profiles, trimmed_to_use
from pipemetal.layout.centre import centred
from pipemetal.layout.chance import unsure_of
from pipemetal.layout.guard import WORKING_MM2, guarded, least_certainty, miss_mm2, missed_share
from pipemetal.layout.hand import ByHand, better_than_start, check_pins
from pipemetal.layout.less_sure import with_some_place
from pipemetal.layout.limits import check_size, search_seconds
from pipemetal.layout.opened import OpenedSearch
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.reasons import reasons_for
from pipemetal.layout.search import Fees, Search, SolverSettings
from pipemetal.layout.settle import settled
from pipemetal.layout.sheet_for import profile_of_piece
from pipemetal.layout.shelf import Place, SheetRule, make_shelf, piece_of, placements_of, shelf_place
from pipemetal.layout.spending import spend
from pipemetal.layout.totals import LEAST_END_PIECE_MM, LEAST_STRIP_MM, totals_of
from pipemetal.layout.windows import Piece

__all__ = ["solve"]

# Shares of the budget: the rack alone, then rack and new sheets together where the rack does not suffice.
RACK_SHARE = 0.35
# After this share of the budget no further first plan is tried.
START_SHARE = 0.2
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


@dataclass(eq=False)
class _Alloy:
    """One alloy's part of the problem while it is being solved."""

    name: str
    pieces: list[Piece]
    rolls: list[LayoutRoll]
    searches: list[Search]
    hand: ByHand
    fees: Fees
    pairs: bool = False


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
    alloys = _split(problem, settings, hand or ByHand(), fees or Fees())
    for alloy in alloys:
        alone = len(alloys) == 1
        few = len(alloy.pieces) < PIECES_FOR_ONE_SEARCH
        alloy.pairs = alone and not few
        alloy.pieces = with_some_place(alloy.pieces, alloy.rolls, problem)
        _open(alloy, problem, settings, seed, budget, 2 if alone and few else 1)
    cast = problem.castable is not None
    _spend(alloys, budget, settings, 0.0, RACK_SHARE)
    _loosen(alloys, problem, settings, seed, budget)
    if cast:
        _add_new_sheets(alloys, problem, settings, seed, budget)
    _spend_on_chance(alloys, problem, budget, settings)
    _relax(alloys, problem, settings, seed, budget)
    placements: list[Placement] = []
    new_sheets: list[NewSheet] = []
    taken = {r.id for r in problem.rolls}
    for alloy in alloys:
        best = _best(alloy)
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


def _split(problem: LayoutProblem, settings: SolverSettings, hand: ByHand, fees: Fees) -> list[_Alloy]:
    """The parts of the problem, one for each alloy that blanks ask for, in the order of the names."""
    parts: list[_Alloy] = []
    for name in sorted({b.alloy for b in problem.blanks}):
        mine = [(i, b) for i, b in enumerate(problem.blanks) if b.alloy == name]
        rolls = [r for r in problem.rolls if r.alloy == name]
        widths = [r.width_mm - 2.0 * r.trim_mm for r in rolls]
        if problem.castable is not None:
            widths.append(problem.castable.max_width_mm - 2.0 * problem.castable.trim_mm)
        if settings.bundle_feet and not settings.straight_cuts_only and widths:
            touched = hand.blanks()
            pieces = [piece_of(b, i) for i, b in mine if b.id in touched]
            mine = [(i, b) for i, b in mine if b.id not in touched]
            pieces += bundled(mine, problem.kerf_mm, sorted(widths)[len(widths) // 2], settings.largest_bundle)
        else:
            pieces = [piece_of(b, i) for i, b in mine]
        parts.append(_Alloy(name, pieces, rolls, [], hand, fees))
    return parts


def _open(
    alloy: _Alloy,
    problem: LayoutProblem,
    settings: SolverSettings,
    seed: int,
    budget: Budget,
    replicas: int,
    anew: bool = True,
) -> None:
    """Sets up the searches of one alloy and, where they begin `anew`, makes their first plans."""
    if problem.certainty > 0.0 or any(b.worked_mm > 0.0 for b in problem.blanks):
        missed = miss_mm2(problem)
        working = alloy.fees.working_mm2.get(alloy.name, WORKING_MM2)
        alloy.pieces = [guarded(p, problem.blanks, problem, missed, working) for p in alloy.pieces]
    if not alloy.rolls or not alloy.pieces:
        return
    share, rules = _rules(alloy, problem, settings)
    alloy.searches = []
    hands = alloy.hand.on_shelf(alloy.pieces, alloy.rolls, problem.blanks)
    set_up = make_shelf(
        alloy.pieces,
        alloy.rolls,
        rules,
        problem.kerf_mm,
        share=share,
        least_end_piece_mm=LEAST_END_PIECE_MM,
        least_strip_mm=LEAST_STRIP_MM,
        seed=seed,
        straight=settings.straight_cuts_only,
        hands=hands,
    )
    for k in range(replicas):
        own_seed = (seed * 1_000_003 + k * 7919 + sum(map(ord, alloy.name))) % 2**63
        shelf = set_up.again(own_seed)
        whole = settings.objective == "opened" and problem.castable is None and not hands.pinned
        search = OpenedSearch(shelf, settings, own_seed) if whole else Search(shelf, settings, own_seed, alloy.pairs)
        if anew:
            search.start(lambda: budget.late(START_SHARE))
        if anew and alloy.hand.start is not None:
            search.adopt(alloy.hand.places(alloy.pieces, alloy.rolls, problem.blanks))
        alloy.searches.append(search)


def _rules(alloy: _Alloy, problem: LayoutProblem, settings: SolverSettings) -> tuple[float, list[SheetRule]]:
    """What the area of the alloy's sheets counts, and what each of them costs beside it."""
    share, fee = (1.0, settings.fee_share) if settings.objective == "consumed" else (0.15, 0.85)
    rack, fees, rules = {r.id for r in problem.rolls}, alloy.fees, []
    first = fees.first_cast_mm2.get(alloy.name, 0.0)
    for roll in alloy.rolls:
        if problem.castable is not None and roll.id not in rack:
            rule = cast_rule(problem.castable, settings, roll)
            rules.append(replace(rule, fee=rule.fee + first))
            first = 0.0
        else:
            rules.append(SheetRule(fee * roll.net_area_mm2() + fees.take_down_mm2.get(roll.id, 0.0)))
    return share, rules


def _loosen(
    alloys: Sequence[_Alloy], problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget
) -> None:
    """Takes bundles apart that found no place, and begins anew with their blanks single."""
    for alloy in alloys:
        if not alloy.searches:
            continue
        lost = {i for i in _lost(alloy) if len(alloy.pieces[i].members) > 1}
        if lost:
            alloy.pieces = loosened(alloy.pieces, lost, problem.blanks)
            alloy.pieces = with_some_place(alloy.pieces, alloy.rolls, problem)
            _open(alloy, problem, settings, seed, budget, len(alloy.searches))


def _add_new_sheets(
    alloys: Sequence[_Alloy], problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget
) -> None:
    """Where the rack left blanks unserved: chooses sheets to cast and begins anew with rack and sheets together."""
    castable = problem.castable
    assert castable is not None
    room = castable.max_sheets if castable.max_sheets is not None else math.inf
    for alloy in alloys:
        if castable.alloys is not None and alloy.name not in castable.alloys:
            continue
        while apart := {i for i in _lost(alloy) if _is_uncastable_bundle(alloy.pieces[i], castable)}:
            alloy.pieces = loosened(alloy.pieces, apart, problem.blanks)
            _open(alloy, problem, settings, seed, budget, len(alloy.searches))
        lost = [alloy.pieces[i] for i in _lost(alloy)]
        best = _best(alloy)
        if not lost or room <= 0:
            continue
        best_try: _Alloy | None = None
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
    alloy: _Alloy,
    best: Search | None,
    sheets: Sequence[ChosenSheet],
    problem: LayoutProblem,
    settings: SolverSettings,
    seed: int,
    budget: Budget,
) -> _Alloy:
    """An alloy with sheets to cast beside its rack, after a few moves."""
    places = _places(alloy, best, sheets)
    taken = {r.id for r in problem.rolls}
    tried = replace(alloy, rolls=alloy.rolls + [_renamed(sheet.roll, taken) for sheet in sheets], searches=[])
    _open(tried, problem, settings, seed, budget, max(len(alloy.searches), 1))
    for search in tried.searches:
        search.adopt(places)
        search.run(
            RACK_SHARE, RACK_SHARE, min(CHOICE_MOVES, budget.moves // 20) if budget.seconds is None else CHOICE_MOVES
        )
    return tried


def _cost(alloy: _Alloy) -> float:
    return min(float(search.best_cost[0]) for search in alloy.searches)


def _open_again(
    alloy: _Alloy,
    places: dict[int, tuple[int, Place]],
    problem: LayoutProblem,
    settings: SolverSettings,
    seed: int,
    budget: Budget,
) -> None:
    """Goes on with one search from where pieces lie, where their guards let them stay."""
    moves = sum(search.moves for search in alloy.searches)
    _open(alloy, problem, settings, seed, budget, 1, anew=False)
    alloy.searches[0].go_on_from(places, moves)


def _relax(
    alloys: Sequence[_Alloy], problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget
) -> None:
    """Where nothing sure serves a blank, lays it on a less sure place that the others leave."""
    if problem.certainty <= 0.0:
        return
    for alloy in alloys:
        for less in AT_LAST:
            best, lost = _best(alloy), [k for k in _lost(alloy) if _certainty(alloy.pieces[k], problem) > less]
            if best is None or not lost:
                continue
            places = _places(alloy, best, ())
            for k in lost:
                alloy.pieces[k] = replace(alloy.pieces[k], certainty=less)
            _open_again(alloy, places, problem, settings, seed, budget)
        if problem.castable is None and alloy.searches and _lost(alloy):
            # the others make room, as sure as they lie
            alloy.searches[0].run(MAKE_ROOM_AT, MAKE_ROOM_AT, MAKE_ROOM_MOVES)


def _certainty(piece: Piece, problem: LayoutProblem) -> float:
    return least_certainty(problem) if piece.certainty is None else piece.certainty


def _best(alloy: _Alloy) -> Search | None:
    return min(alloy.searches, key=lambda s: float(s.best_cost[0]), default=None)


def _lost(alloy: _Alloy) -> list[int]:
    """The pieces that the best plan leaves without a place; all of them where there is no plan yet."""
    best = _best(alloy)
    return [i for i in range(len(alloy.pieces)) if best is None or best.best_at[i, 0] < 0]


def _is_uncastable_bundle(piece: Piece, castable: Castable) -> bool:
    """Whether a piece is a bundle that no sheet to cast holds as a whole."""
    return len(piece.members) > 1 and profile_of_piece(piece, castable) is None


def _places(alloy: _Alloy, best: Search | None, sheets: Sequence[ChosenSheet]) -> dict[int, tuple[int, Place]]:
    """Where each piece lies on the rack in the best plan, or on the sheet chosen for it."""
    places: dict[int, tuple[int, Place]] = {}
    number = {id(piece): i for i, piece in enumerate(alloy.pieces)}
    if best is not None:
        for i in range(len(alloy.pieces)):
            if best.best_at[i, 0] >= 0:
                place = shelf_place(best.shelf, i, best.best_at, best.best_corner)
                places[i] = (int(best.best_at[i, 0]), place)
    for k, sheet in enumerate(sheets):
        for piece, place in sheet.places:
            places[number[id(piece)]] = (len(alloy.rolls) + k, place)
    return places


def _renamed(sheet: LayoutRoll, taken: set[str]) -> LayoutRoll:
    name = sheet.id
    while name in taken:
        name = f"{name}'"
    return LayoutRoll(
        name, sheet.alloy, sheet.length_mm, sheet.width_mm, sheet.trim_mm, sheet.stations_mm, sheet.thickness_mm
    )


def _spend(alloys: Sequence[_Alloy], budget: Budget, settings: SolverSettings, start: float, end: float) -> None:
    spend([s for a in alloys for s in a.searches], budget, settings.workers, start, end)


def _spend_on_chance(
    alloys: Sequence[_Alloy], problem: LayoutProblem, budget: Budget, settings: SolverSettings
) -> None:
    """The rest of the budget; where chance is weighed, its price is found on the way, else plans are shared."""
    missed = miss_mm2(problem)
    for start, end in itertools.pairwise((RACK_SHARE, *(PRICED_AT if missed > 0.0 else SHARED_AT), 1.0)):
        for alloy in alloys:
            best = _best(alloy)
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
