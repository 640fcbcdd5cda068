"""One alloy of a plan in hand laid anew: from the plan's rows to a problem, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.layout.chance import Chances, chances_of
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, LayoutProblem
from pipemetal.planning.anew import lay_rest
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_rest import Laid, Rest
from pipemetal.planning.chances import CardGives, as_cards_give, cast_spreads, with_errors
from pipemetal.planning.cuts import ForPipe
from pipemetal.planning.learning import Learned
from pipemetal.planning.plan import layout_roll
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import castable_for, sheet_order
from pipemetal.planning.stock import Stock
from pipemetal.planning.tolerances import parse_tolerances, with_tolerance
from pipemetal.plans import record
from pipemetal.plans.by_hand import blank_of, new_sheet_of
from pipemetal.plans.now import ShopNow, changed_rolls, sheets_held
from pipemetal.texts import Amount, Text

__all__ = ["Made", "Means", "as_carded", "one_alloy"]

LEAST_FITTING: Final = 0.05
"""A sheet of whose blanks a smaller share is expected to fit by its own card is not cast (estimate)."""
TRIES: Final = 2
AS_THICK: Final = 0.1
"""So many sheets of about its thickness (a share of it) are cast all the same, for the card may be wrong (estimates)."""


@dataclass(frozen=True, eq=False)
class Made:
    """One alloy laid anew: its blanks with their pipes, the rest as a problem, where all lies, its chances."""

    alloy: str
    pipes: Mapping[str, ForPipe]
    rest: Rest
    laid: Laid
    chances: Chances
    problem: LayoutProblem
    layout: LayoutPlan


@dataclass(frozen=True, eq=False)
class Means:
    """What an alloy is laid anew with: settings, what is learned, how long, and names that no new sheet may have."""

    settings: ShopSettings
    learned: Learned
    effort: Effort
    taken: frozenset[str]


def one_alloy(plan: record.Plan, alloy: str, now: ShopNow, means: Means) -> Made:
    """One alloy of a plan laid anew."""
    settings = means.settings
    held = sheets_held(now)
    sheets = [s for s in plan.sheets if s.alloy == alloy and s.id not in held]
    pipes = {c.blank: _for_pipe(c, alloy) for s in sheets for c in s.cuts} | _unserved(plan, alloy, settings)
    to_come = tuple(
        new_sheet_of(s, settings.sheets.trim_mm)
        for s in sheets
        if isinstance(s, record.NewSheet) and s.id not in now.measured and s.id not in now.failed
    )
    places = tuple(
        Placement(c.blank, now.measured.get(s.id, s.id), c.x_mm, c.y_mm, c.turn_deg)
        for s in sheets
        if s.id not in now.failed
        for c in s.cuts
    )
    problem = _problem([p.blank for p in pipes.values()], alloy, now.stock, settings, means.learned)
    doubtful = frozenset(now.measured.values()) | changed_rolls(plan, now)
    rest = Rest(problem, places, to_come, doubtful, means.taken, now.pinned)
    laid = lay_rest(rest, means.effort)
    layout = LayoutPlan(laid.placements, laid.unplaced, laid.sheets, 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    spread = problem.castable.spread_of(alloy) if problem.castable is not None else None
    chances = chances_of(problem, layout, lambda sheet: spread)
    return Made(alloy, pipes, rest, laid, chances, problem, layout)


def as_carded(
    made: Made, gives: Mapping[str, CardGives], settings: ShopSettings, poured_mm: Sequence[float]
) -> tuple[Made, frozenset[str]]:
    """An alloy laid anew with the chances that the cards of its sheets leave, and without the sheets whose cards give next to
    none of their blanks the metal that they want; and the names of those.

    A card may be wrong where nobody has cast: such a sheet is tried twice. `poured_mm`: how thick the alloy's sheets that were
    poured so far were meant to be at their thick ends, as cast.
    """
    sheets = as_cards_give(made.layout.new_sheets, gives, settings.sheets.most_planing_mm)
    castable = made.problem.castable
    spread = castable.spread_of(made.alloy) if castable is not None else None
    chances = chances_of(made.problem, replace(made.layout, new_sheets=sheets), lambda sheet: spread)
    hopeless = {
        s.id for s in sheets if _is_hopeless([p.blank for p in made.laid.placements if p.roll == s.id], chances)
    }
    wanted_mm = {s.id: sheet_order(s, settings).cast_start_mm for s in made.layout.new_sheets if s.id in hopeless}
    gone = frozenset(
        name for name, mm in wanted_mm.items() if sum(abs(p / mm - 1.0) < AS_THICK for p in poured_mm) >= TRIES
    )
    if not gone:
        return replace(made, chances=chances), gone
    comes_out = {s.id: s for s in sheets}
    lost = tuple(
        Unplaced(p.blank, _not_given(comes_out[p.roll]), "no_thickness") for p in made.laid.placements if p.roll in gone
    )
    laid = Laid(
        tuple(p for p in made.laid.placements if p.roll not in gone),
        tuple(s for s in made.laid.sheets if s.id not in gone),
        made.laid.unplaced + lost,
    )
    layout = replace(made.layout, placements=laid.placements, new_sheets=laid.sheets, unplaced=laid.unplaced)
    return replace(made, laid=laid, layout=layout, chances=chances), gone


def _is_hopeless(blanks: Sequence[str], chances: Chances) -> bool:
    return bool(blanks) and sum(chances.of(b) for b in blanks) < LEAST_FITTING * len(blanks)


def _not_given(sheet: NewSheet) -> Text:
    return Text(
        "no push that is known gives it: by its card its sheet comes out as {first} to {last} once it is planed. Think of"
        " other metal for it",
        first=Amount(sheet.thickness_start_mm, "mm", 2, bare=True),
        last=Amount(sheet.thickness_end_mm, "mm", 2),
    )


def _for_pipe(cut: record.Cut, alloy: str) -> ForPipe:
    return ForPipe(blank_of(cut, alloy), cut.pipe, cut.rank, cut.note, cut.mouth_at_small_arc)


def _unserved(plan: record.Plan, alloy: str, settings: ShopSettings) -> dict[str, ForPipe]:
    """The blanks that found no place so far: whatever is measured may serve them."""
    lost = {u.blank for u in plan.unserved}
    tolerances = parse_tolerances(settings.sure.tolerances)
    found = {}
    for b in plan.blanks:
        pipe = next((p for p in plan.pipes if b.id == f"{p.id} {b.kind}"), None) if b.id in lost else None
        if b.alloy == alloy and pipe is not None:
            found[b.id] = ForPipe(
                with_tolerance(blank_of_row(b), tolerances), pipe.id, pipe.rank, pipe.note, b.mouth_at_small_arc
            )
    return found


def blank_of_row(b: record.BlankRow) -> Blank:
    """A blank of a plan's list as the layout knows it."""
    from pipemetal.layout.problem import Sector

    walls = (b.mouth_thickness_mm, b.top_thickness_mm)
    ring = Sector(b.sector.outer_radius_mm, b.sector.inner_radius_mm, b.sector.angle_deg) if b.sector else None
    return Blank(b.id, b.kind, b.alloy, b.length_mm, b.width_mm, *walls, b.tolerance_mm, b.turns_deg, sector=ring)


def _problem(
    blanks: Sequence[Blank], alloy: str, stock: Stock, settings: ShopSettings, learned: Learned
) -> LayoutProblem:
    """The rest of an alloy as a problem, with what is known of how unsure its metal is."""
    rolls = tuple(layout_roll(r) for r in stock.rack if r.alloy == alloy)
    problem = LayoutProblem(tuple(blanks), rolls, castable_for(blanks, settings), settings.sheets.kerf_mm)
    spreads = cast_spreads(problem, stock.recipes, settings, learned) if blanks else ()
    return with_errors(problem, stock.rack, spreads, settings.sure)
