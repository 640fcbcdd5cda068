"""One alloy's part of a layout problem while it is being solved: its pieces, its sheets and its searches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipemetal.layout.agreeing import filled_sheets
from pipemetal.layout.budget import Budget
from pipemetal.layout.bundles import bundled, loosened
from pipemetal.layout.castable import ChosenSheet, cast_rule
from pipemetal.layout.guard import WORKING_MM2, guarded, miss_mm2
from pipemetal.layout.hand import ByHand
from pipemetal.layout.less_sure import with_some_place
from pipemetal.layout.opened import OpenedSearch
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import LayoutProblem, LayoutRoll
from pipemetal.layout.search import Fees, Search, SolverSettings
from pipemetal.layout.shelf import Place, SheetRule, make_shelf, piece_of, placements_of, shelf_place
from pipemetal.layout.totals import LEAST_END_PIECE_MM, LEAST_STRIP_MM, totals_of
from pipemetal.layout.windows import Piece

__all__ = [
    "START_SHARE",
    "Part",
    "best_of",
    "loosen",
    "lost_of",
    "open_again",
    "open_searches",
    "parts_of",
    "places_of",
    "settle_filled",
    "unsettle",
]

# After this share of the budget no further first plan is tried.
START_SHARE = 0.2
# With filled sheets settled, a plan that takes no more than this, over the boxes of its blanks, is as good as can be.
AS_GOOD_AS_LEAST = 1.03
# Until this share sheets are looked for that blanks fill to the last millimetre.
FILLED_SHARE = 0.45


@dataclass(eq=False)
class Part:
    """One alloy's part of the problem while it is being solved."""

    name: str
    pieces: list[Piece]
    rolls: list[LayoutRoll]
    searches: list[Search]
    hand: ByHand
    fees: Fees
    pairs: bool = False
    settled: list[Placement] = field(default_factory=list)
    whole: tuple[list[Piece], list[LayoutRoll], dict[int, tuple[int, Place]]] | None = None


def parts_of(problem: LayoutProblem, settings: SolverSettings, hand: ByHand, fees: Fees) -> list[Part]:
    """The parts of the problem, one for each alloy that blanks ask for, in the order of the names."""
    parts: list[Part] = []
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
        parts.append(Part(name, pieces, rolls, [], hand, fees))
    return parts


def open_searches(
    alloy: Part,
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
    share, rules = rules_of(alloy, problem, settings)
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


def rules_of(alloy: Part, problem: LayoutProblem, settings: SolverSettings) -> tuple[float, list[SheetRule]]:
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


def settle_filled(
    alloy: Part, problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget, until: float
) -> None:
    """Settles what fills sheets to the last millimetre, and begins with the rest.

    What a person pinned or barred is left out of it; where parts may be worked, or a plan is gone on from, nothing is settled.
    Ends where so much of the time that all alloys have for it is gone (0 to 1).
    """
    hand = alloy.hand
    if not alloy.searches or hand.start is not None or any(b.worked_mm > 0.0 for b in problem.blanks):
        return
    shelf, touched = alloy.searches[0].shelf, hand.blanks()
    kept_free = {p.roll for p in hand.pinned} | {roll for _, roll in hand.barred}
    filled = filled_sheets(
        shelf.stock,
        seed,
        lambda: budget.late(until * FILLED_SHARE),
        but_pieces={k for k, p in enumerate(shelf.pieces) if touched & {problem.blanks[i].id for i, *_ in p.members}},
        but_sheets=[k for k, roll in enumerate(shelf.rolls) if roll.id in kept_free],
    )
    if not filled:
        return
    at, corner = np.full((len(shelf.pieces), 2), -1, np.int64), np.zeros((len(shelf.pieces), 2))
    for sheet in filled:
        for piece, slot, place in zip(sheet.pieces, sheet.slots, sheet.corners, strict=True):
            at[piece], corner[piece] = (sheet.sheet, slot), place
    places = {p: (f.sheet, shelf_place(shelf, p, at, corner)) for f in filled for p in f.pieces}
    alloy.whole = alloy.pieces, alloy.rolls, places
    alloy.settled = placements_of(shelf, problem.blanks, at, corner)
    full = {f.sheet for f in filled}
    alloy.pieces = [piece for piece, (s, _) in zip(shelf.pieces, at, strict=True) if s < 0]
    alloy.rolls = [roll for k, roll in enumerate(shelf.rolls) if k not in full]
    replicas, alloy.searches = len(alloy.searches), []
    open_searches(alloy, problem, settings, seed, budget, replicas)


def unsettle(alloy: Part, problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget) -> None:
    """Where filled sheets are dear for the rest, which finds no place or takes much metal: goes on with all, from what lies.

    Of two searches the second begins with nothing.
    """
    if alloy.whole is None or (not lost_of(alloy) and _takes(alloy, problem, settings) <= AS_GOOD_AS_LEAST):
        return
    pieces, rolls, places = alloy.whole
    number = {p.members[0][0]: k for k, p in enumerate(pieces)}
    sheet, best = {r.id: k for k, r in enumerate(rolls)}, best_of(alloy)
    if best is not None:
        for i in np.nonzero(best.best_at[:, 0] >= 0)[0].tolist():
            own = number.get(best.shelf.pieces[i].members[0][0])
            if own is not None and pieces[own].members == best.shelf.pieces[i].members:
                roll = best.shelf.rolls[int(best.best_at[i, 0])].id
                places[own] = sheet[roll], shelf_place(best.shelf, i, best.best_at, best.best_corner)
    alloy.pieces, alloy.rolls, alloy.settled, alloy.whole = pieces, rolls, [], None
    open_searches(alloy, problem, settings, seed, budget, max(len(alloy.searches), 1))
    alloy.searches[0].adopt(places)


def _takes(alloy: Part, problem: LayoutProblem, settings: SolverSettings) -> float:
    """What the alloy's plan takes, over the boxes of its blanks with their kerfs."""
    assert alloy.whole is not None
    best = best_of(alloy)
    rest = placements_of(best.shelf, problem.blanks, best.best_at, best.best_corner) if best is not None else []
    totals = totals_of(problem, alloy.settled + rest, ())
    kerf = problem.kerf_mm
    boxes = sum(min((v.dx_mm + kerf) * (v.dy_mm + kerf) for v in p.variants) for p in alloy.whole[0])
    return (totals.opened_mm2 if settings.objective == "opened" else totals.consumed_mm2) / boxes


def loosen(alloys: Sequence[Part], problem: LayoutProblem, settings: SolverSettings, seed: int, budget: Budget) -> None:
    """Takes bundles apart that found no place, and begins anew with their blanks single."""
    for alloy in alloys:
        if not alloy.searches:
            continue
        lost = {i for i in lost_of(alloy) if len(alloy.pieces[i].members) > 1}
        if lost:
            alloy.pieces = loosened(alloy.pieces, lost, problem.blanks)
            alloy.pieces = with_some_place(alloy.pieces, alloy.rolls, problem)
            open_searches(alloy, problem, settings, seed, budget, len(alloy.searches))


def open_again(
    alloy: Part,
    places: dict[int, tuple[int, Place]],
    problem: LayoutProblem,
    settings: SolverSettings,
    seed: int,
    budget: Budget,
) -> None:
    """Goes on with one search from where pieces lie, where their guards let them stay."""
    moves = sum(search.moves for search in alloy.searches)
    open_searches(alloy, problem, settings, seed, budget, 1, anew=False)
    alloy.searches[0].go_on_from(places, moves)


def best_of(alloy: Part) -> Search | None:
    """The search that has the best plan; None before there is one."""
    return min(alloy.searches, key=lambda s: float(s.best_cost[0]), default=None)


def lost_of(alloy: Part) -> list[int]:
    """The pieces that the best plan leaves without a place; all of them where there is no plan yet."""
    best = best_of(alloy)
    return [i for i in range(len(alloy.pieces)) if best is None or best.best_at[i, 0] < 0]


def places_of(alloy: Part, best: Search | None, sheets: Sequence[ChosenSheet]) -> dict[int, tuple[int, Place]]:
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
