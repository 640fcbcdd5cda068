"""One alloy of a plan in hand laid anew: from the plan's rows to a problem, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipemetal.layout.chance import Chances, chances_of
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem
from pipemetal.planning.anew import lay_rest
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_rest import Laid, Rest
from pipemetal.planning.chances import cast_spreads, with_errors
from pipemetal.planning.cuts import ForPipe
from pipemetal.planning.learning import Learned
from pipemetal.planning.plan import layout_roll
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import castable_for
from pipemetal.planning.stock import Stock
from pipemetal.planning.tolerances import parse_tolerances, with_tolerance
from pipemetal.plans import record
from pipemetal.plans.by_hand import blank_of, new_sheet_of
from pipemetal.plans.now import ShopNow, changed_rolls, sheets_held

__all__ = ["Made", "Means", "one_alloy"]


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
