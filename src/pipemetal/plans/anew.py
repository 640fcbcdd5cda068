"""A plan in hand planned anew from what the shop is now: what is cut, poured or pinned stays, the rest follows."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.errors import PlanError
from pipemetal.layout.chance import Chances, chances_of
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem
from pipemetal.layout.verify import verify
from pipemetal.melts.lots import Lot
from pipemetal.planning.anew import Laid, Rest, lay_rest
from pipemetal.planning.anew_casting import InPot, PotNow, RestCast, cast_rest
from pipemetal.planning.chances import cast_spreads, with_errors
from pipemetal.planning.cuts import ForPipe, cut_rolls
from pipemetal.planning.day import MeltWork, SheetWork
from pipemetal.planning.learning import Learned
from pipemetal.planning.plan import layout_roll
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import as_rolls, castable_for, sheet_order
from pipemetal.planning.stock import Stock
from pipemetal.planning.tolerances import parse_tolerances, with_tolerance
from pipemetal.plans import record
from pipemetal.plans.by_hand import blank_of, new_sheet_of
from pipemetal.plans.differences import Difference, differences
from pipemetal.plans.making import new_sheet_row, roll_row
from pipemetal.plans.measured import hung_sheet
from pipemetal.plans.rows import day_row, melt_row, pour_row
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll, roll_mass_kg

__all__ = ["Anew", "ShopNow", "Stop", "plan_anew", "with_measured"]

CASTING_SHARE: Final = 0.5
"""Of the seconds: for melts, pours and days; the layout has the rest."""
MOST_KEPT_KG: Final = 1e-3
Tell = Callable[[float, str], None]


@dataclass(frozen=True, eq=False)
class ShopNow:
    """The shop as it is, as far as a plan in hand is concerned.

    `stock`: the rack with the rolls that this plan keeps, and the measured sheets; lots with what this plan keeps of them. `cut`:
    sheets that are cut. `poured`: sheets that are cast and not measured yet; nothing on them moves. `measured`: sheets that were
    measured, and the rolls that they hang as. `failed`: sheets whose cast came to nothing. `pots`: charged melts and what is left
    of each. `pinned`: blanks that stay where they lie. `today`: the first day on which may be cast.
    """

    stock: Stock
    cut: frozenset[str] = frozenset()
    poured: frozenset[str] = frozenset()
    measured: Mapping[str, str] = field(default_factory=dict)
    failed: frozenset[str] = frozenset()
    pots: Mapping[str, float] = field(default_factory=dict)
    pinned: frozenset[str] = frozenset()
    today: dt.date | None = None


@dataclass(frozen=True)
class Stop:
    """Whether one alloy needs another cast: sheets still to come, and the chance that all that is left of it fits on the racks
    as laid; 0 while sheets are to come."""

    alloy: str
    sheets: int
    blanks: int
    chance: float


@dataclass(frozen=True, eq=False)
class Anew:
    """The new plan, the plan before, what was planned anew, and what is known of pots and of stopping."""

    before: record.Plan
    plan: record.Plan
    alloys: tuple[str, ...]
    pots: tuple[PotNow, ...]
    stops: tuple[Stop, ...]
    first: tuple[str, ...]
    now: ShopNow

    @property
    def differences(self) -> tuple[Difference, ...]:
        """What is not as it was."""
        return differences(self.before, self.plan, hung=self.now.measured)


def with_measured(
    plan: record.Plan, now: ShopNow, readings: Mapping[str, Sequence[Reading]], trim_mm: float
) -> ShopNow:
    """The shop with sheets of a plan hanging as rolls, by readings of them as cast; each roll is called as its sheet.

    `trim_mm`: where the plan does not say it. Errors: PlanError for a sheet that the plan does not cast; SheetError.
    """
    sheets = {s.id: s for s in plan.new_sheets}
    for name in readings:
        if name not in sheets:
            raise PlanError("is no sheet to cast of this plan", field="sheet", value=name, allowed=", ".join(sheets))
    rolls = tuple(hung_sheet(sheets[name], read, trim_mm) for name, read in readings.items())
    rack = tuple(r for r in now.stock.rack if r.id not in readings)
    measured = {**now.measured, **{name: name for name in readings}}
    return replace(now, stock=replace(now.stock, rack=(*rack, *rolls)), measured=measured)


def plan_anew(
    plan: record.Plan,
    now: ShopNow,
    settings: ShopSettings,
    learned: Learned | None = None,
    *,
    seconds: float = 6.0,
    alloys: Sequence[str] | None = None,
    tell: Tell = lambda share, words: None,
) -> Anew:
    """The rest of a plan planned anew.

    Planned anew are the alloys of sheets that were measured or failed, of rolls that are gone, and of melts that would charge
    ingots of such a melt; or those that are named. Of all others nothing moves but the days.
    Errors: as the rooms that it asks.
    """
    learned = learned or Learned()
    again = tuple(sorted(set(alloys) if alloys is not None else _touched(plan, now)))
    tell(0.05, "laying the rest anew")
    density = {name: solid_density_g_cm3(r.target) for name, r in now.stock.recipes.items()}
    made = []
    for k, alloy in enumerate(again):
        made.append(_one_alloy(plan, alloy, now, settings, learned, (1.0 - CASTING_SHARE) * seconds / len(again)))
        tell(0.05 + 0.5 * (k + 1) / len(again), "laying the rest anew")
    tell(0.6, "charging melts")
    cast = _cast(plan, made, now, settings, learned)
    tell(0.9, "writing out")
    new = _written(plan, made, cast, now, settings, density)
    first = _first(new, cast)
    stops = tuple(_stop(m) for m in made)
    return Anew(plan, new, again, cast.pots, stops, first, now)


def _held(now: ShopNow) -> frozenset[str]:
    """Sheets on which nothing moves."""
    return now.cut | now.poured


def _done(plan: record.Plan, now: ShopNow) -> frozenset[str]:
    """Sheets that are cast, whatever became of them; those of earlier times are no sheets to cast any more."""
    here = {s.id for s in plan.new_sheets}
    return _held(now) | frozenset(now.measured) | now.failed | {p.sheet for p in plan.pours if p.sheet not in here}


def _touched(plan: record.Plan, now: ShopNow) -> set[str]:
    """The alloys in which something is not as planned."""
    rack = {r.id for r in now.stock.rack}
    found = {s.alloy for s in plan.new_sheets if s.id in now.failed or s.id in now.measured}
    found |= {s.alloy for s in plan.rolls_used if s.id not in rack and s.id not in now.cut}
    while more := {
        m.recipe
        for m in plan.melts
        if m.recipe not in found
        and m.name not in now.pots
        and any((o := plan.ingots_of.get(line.id)) is not None and o.recipe in found for line in m.lots)
    }:
        found |= more
    return found


@dataclass(frozen=True, eq=False)
class _Made:
    """One alloy laid anew: its blanks with their pipes, the rest as a problem, where all lies, its chances."""

    alloy: str
    pipes: Mapping[str, ForPipe]
    rest: Rest
    laid: Laid
    chances: Chances
    problem: LayoutProblem
    layout: LayoutPlan


def _one_alloy(
    plan: record.Plan, alloy: str, now: ShopNow, settings: ShopSettings, learned: Learned, seconds: float
) -> _Made:
    held = _held(now)
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
    problem = _problem([p.blank for p in pipes.values()], alloy, now.stock, settings, learned)
    doubtful = frozenset(r for s, r in now.measured.items())
    taken = frozenset(s.id for s in plan.sheets) | {p.sheet for p in plan.pours}
    rest = Rest(problem, places, to_come, doubtful, taken)
    laid = lay_rest(rest, seconds)
    layout = LayoutPlan(laid.placements, laid.unplaced, laid.sheets, 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    spread = problem.castable.spread_of(alloy) if problem.castable is not None else None
    chances = chances_of(problem, layout, lambda sheet: spread)
    return _Made(alloy, pipes, rest, laid, chances, problem, layout)


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


def _cast(plan: record.Plan, made: Sequence[_Made], now: ShopNow, settings: ShopSettings, learned: Learned) -> RestCast:
    """Melts, pours and days of what is left."""
    again = {m.alloy for m in made}
    sheets = [s for m in made for s in m.laid.sheets]
    kept = [m for m in plan.melts if m.name not in now.pots and m.recipe not in again]
    to_come = {s.id for s in sheets}
    pots = [
        InPot(m.name, m.recipe, now.pots[m.name], tuple(s for s in m.sheets if s in to_come), m.pot)
        for m in plan.melts
        if m.name in now.pots and m.recipe in again
    ]
    lots = _free(now.stock, kept)
    works = [*_waiting_pots(plan, again, now), *(_kept_work(m, plan, settings) for m in kept)]
    return cast_rest(
        sheets,
        pots,
        now.stock.recipes,
        lots,
        settings,
        learned,
        _melt_names(plan, again, now),
        works,
        [m.name for m in plan.melts],
        now.today,
    )


def _waiting_pots(plan: record.Plan, again: set[str], now: ShopNow) -> list[MeltWork]:
    """Charged melts of other alloys with the sheets that they still pour."""
    done = _done(plan, now)
    found = []
    for m in plan.melts:
        if m.name in now.pots and m.recipe not in again:
            left = tuple(_sheet_work(p) for p in plan.pours if p.melt == m.name and p.sheet not in done)
            if left:
                found.append(MeltWork(m.name, m.recipe, 0.0, 0.0, left, m.pot))
    return found


def _kept_work(melt: record.Melt, plan: record.Plan, settings: ShopSettings) -> MeltWork:
    minutes = melt.charge.heat.hours * 60.0 if melt.charge is not None else 60.0
    sheets = tuple(_sheet_work(p) for p in plan.pours if p.melt == melt.name)
    return MeltWork(melt.name, melt.recipe, minutes, minutes, sheets, melt.pot)


def _sheet_work(pour: record.Pour) -> SheetWork:
    lift = pour.freezing.lift_after_s / 60.0 if pour.freezing is not None else 10.0
    return SheetWork(pour.sheet, pour.sled, lift, lift + 5.0)


def _free(stock: Stock, kept: Sequence[record.Melt]) -> list[Lot]:
    """The lots less what the melts that stay as they are charge."""
    taken: dict[str, float] = {}
    for melt in kept:
        for line in melt.lots:
            taken[line.id] = taken.get(line.id, 0.0) + line.mass_kg
    found = []
    for lot in stock.lots:
        left = lot.mass_kg - taken.get(lot.id, 0.0)
        if lot.piece_kg:
            left = math.floor(left / lot.piece_kg + 1e-6) * lot.piece_kg
        if left > MOST_KEPT_KG:
            found.append(replace(lot, mass_kg=left) if left < lot.mass_kg else lot)
    return found


def _melt_names(plan: record.Plan, again: set[str], now: ShopNow) -> Iterator[str]:
    """Names for melts: those of the melts that are planned anew, then the next numbers."""
    yield from (m.name for m in plan.melts if m.recipe in again and m.name not in now.pots)
    numbers = [int(m.name[1:]) for m in plan.melts if m.name[:1] == "M" and m.name[1:].isdigit()]
    at = max(numbers, default=0)
    while True:
        at += 1
        yield f"M{at:02d}"


def _written(
    plan: record.Plan,
    made: Sequence[_Made],
    cast: RestCast,
    now: ShopNow,
    settings: ShopSettings,
    density: Mapping[str, float],
) -> record.Plan:
    """The new plan's record: rows that did not change stay as they are."""
    again = {m.alloy for m in made}
    held, old = _held(now), {s.id: s for s in plan.sheets}
    rows: list[record.CutSheet] = [s for s in plan.sheets if s.alloy not in again or s.id in held]
    for m in made:
        rows += _sheet_rows(m, old, now, settings, density)
    lost = {u.blank for m in made for u in m.laid.unplaced}
    served = {b for m in made for b in m.pipes} - lost
    unserved = tuple(u for u in plan.unserved if u.blank not in served and u.blank not in lost)
    unserved += tuple(
        record.Unserved(u.blank, u.reason, u.kind, u.nearest_roll, u.miss_mm) for m in made for u in m.laid.unplaced
    )
    melts, pours = _melts_and_pours(plan, cast, again, now, settings)
    days = _days(plan, cast, pours, now)
    pours = _dated(pours, cast, plan, now)
    buying: dict[str, float] = {}
    for melt in melts:
        for element, kg in (melt.charge.to_buy_kg if melt.charge is not None else {}).items():
            buying[element] = buying.get(element, 0.0) + kg
    without = {pipe for pipe in (_pipe_of(plan, b) for b in {u.blank for u in unserved}) if pipe}
    return replace(
        plan,
        rolls_used=tuple(sorted((s for s in rows if not isinstance(s, record.NewSheet)), key=lambda s: s.id)),
        new_sheets=tuple(sorted((s for s in rows if isinstance(s, record.NewSheet)), key=lambda s: s.id)),
        melts=melts,
        pours=pours,
        days=days,
        unserved=unserved,
        to_buy_kg=buying,
        pipes_served=len(plan.pipes) - len(without),
        pipes=_with_chances(plan, rows),
        faults=_faults(made),
    )


def _pipe_of(plan: record.Plan, blank: str) -> str:
    return next((p.id for p in plan.pipes if blank.startswith(f"{p.id} ")), "")


def _faults(made: Sequence[_Made]) -> tuple[record.FaultRow, ...]:
    """What the independent check finds wrong with what was laid anew; places that are less sure are no fault."""
    found: list[record.FaultRow] = []
    for m in made:
        laid = {p.blank for p in m.layout.placements}
        problem = replace(m.problem, blanks=tuple(b for b in m.problem.blanks if b.id in laid), certainty=0.0)
        wrong = (f for f in verify(problem, m.layout) if f.kind != "totals")
        found += [record.FaultRow(f.kind, f.blank, f.roll, f.detail) for f in wrong]
    return tuple(found)


def _sheet_rows(
    m: _Made, old: Mapping[str, record.CutSheet], now: ShopNow, settings: ShopSettings, density: Mapping[str, float]
) -> list[record.CutSheet]:
    """The rows of an alloy's sheets; those on which nothing changed as they were."""
    rolls = {r.id: r for r in now.stock.rack if r.alloy == m.alloy}
    orders = {s.id: sheet_order(s, settings) for s in m.laid.sheets}
    known: dict[str, Roll] = dict(as_rolls(list(orders.values()), list(rolls.values())))
    masses = {r.id: roll_mass_kg(r, density[m.alloy]) for r in rolls.values()}
    masses |= {n: o.mass_kg(density[m.alloy], finished=True) for n, o in orders.items()}
    of_pipe = [replace(p, chance=m.chances.of(name)) for name, p in m.pipes.items()]
    found: list[record.CutSheet] = []
    for made in cut_rolls(m.layout, known, of_pipe, density, masses, settings.sheets.kerf_mm):
        row = new_sheet_row(made, orders[made.roll.id]) if made.is_new else roll_row(made)
        before = old.get(made.roll.id)
        same = before is not None and [(c.blank, c.x_mm, c.y_mm, c.turn_deg) for c in before.cuts] == [
            (c.blank, c.x_mm, c.y_mm, c.turn_deg) for c in row.cuts
        ]
        if same and before is not None and made.roll.id not in now.measured.values():
            chance = {c.blank: c.chance for c in row.cuts}
            row = replace(before, cuts=tuple(replace(c, chance=chance.get(c.blank)) for c in before.cuts))
        found.append(row)
    return found


def _melts_and_pours(
    plan: record.Plan, cast: RestCast, again: set[str], now: ShopNow, settings: ShopSettings
) -> tuple[tuple[record.Melt, ...], tuple[record.Pour, ...]]:
    done = _done(plan, now)
    new = {m.melt.name: melt_row(m, [p for p in cast.pours if p.melt == m.melt.name], settings) for m in cast.melts}
    pot = {p.melt: p for p in cast.pots}
    melts: list[record.Melt] = []
    for m in plan.melts:
        if m.name in now.pots and m.recipe in again:
            over = tuple(s for s in m.sheets if s in done)
            still = pot[m.name].sheets if m.name in pot else ()
            melts.append(replace(m, sheets=(*over, *still)))
        elif m.recipe not in again or m.name in now.pots:
            melts.append(m)
        elif m.name in new:
            melts.append(new.pop(m.name))
    melts += new.values()
    past = [p for p in plan.pours if p.sheet in done]
    rest = [p for p in plan.pours if p.sheet not in done and p.alloy not in again]
    return tuple(melts), (*past, *rest, *(pour_row(p, settings) for p in cast.pours))


def _last_day(plan: record.Plan, now: ShopNow) -> int:
    """The number of the last day on which something was cast."""
    done = _done(plan, now)
    return max((p.day for p in plan.pours if p.sheet in done), default=0)


def _days(
    plan: record.Plan, cast: RestCast, pours: Sequence[record.Pour], now: ShopNow
) -> tuple[record.CastingDay, ...]:
    """Days that are over as they were, then those of the rest."""
    last = _last_day(plan, now)
    first = _first_number(plan, cast, now)
    old = [d for d in plan.days if d.day <= last and d.day < first]
    dates = {d.day: d.date for d in plan.days}
    rows = (replace(day_row(d), day=first + k) for k, d in enumerate(cast.days))
    return (*old, *(replace(d, date=d.date or dates.get(d.day, "")) for d in rows))


def _first_number(plan: record.Plan, cast: RestCast, now: ShopNow) -> int:
    """The number of the first day of the rest: that of today where a pot is in hand, else the next."""
    last = _last_day(plan, now)
    return last if last and now.pots and cast.days and set(cast.days[0].melts) & set(now.pots) else last + 1


def _dated(pours: Sequence[record.Pour], cast: RestCast, plan: record.Plan, now: ShopNow) -> tuple[record.Pour, ...]:
    """The pours in the order of their days, each with its day, its number and its hour."""
    done = _done(plan, now)
    first = _first_number(plan, cast, now)
    past = [p for p in pours if p.sheet in done]
    at = {s: (first + k, d.pours()[s]) for k, d in enumerate(cast.days) for s in d.pours()}
    rest = sorted((p for p in pours if p.sheet in at and p.sheet not in done), key=lambda p: at[p.sheet])
    numbers: dict[int, int] = {}
    for p in past:
        numbers[p.day] = max(numbers.get(p.day, 0), p.number)
    dated: list[record.Pour] = []
    for p in rest:
        day, minute = at[p.sheet]
        numbers[day] = numbers.get(day, 0) + 1
        dated.append(replace(p, day=day, number=numbers[day], starts_at_min=minute))
    return (*past, *dated)


def _with_chances(plan: record.Plan, rows: Sequence[record.CutSheet]) -> tuple[record.PipeRow, ...]:
    """Each pipe with the chance of its blanks: those of one pipe lie apart mostly, so that it is their product."""
    chance: dict[str, float] = {}
    for s in rows:
        for c in s.cuts:
            if c.chance is not None:
                chance[c.pipe] = chance.get(c.pipe, 1.0) * c.chance
    return tuple(replace(p, chance=chance.get(p.id, p.chance)) for p in plan.pipes)


def _first(plan: record.Plan, cast: RestCast) -> tuple[str, ...]:
    """The sheets of the pot in hand, else of the next melt: first the one whose result settles most of what is in doubt."""
    doubt = {s.id: sum((c.chance or 0.0) * (1.0 - (c.chance or 0.0)) for c in s.cuts) for s in plan.new_sheets}
    names = next((p.sheets for p in cast.pots if p.sheets), ())
    if not names and cast.days:
        names = tuple(cast.days[0].pours())
    return tuple(sorted((n for n in names if n in doubt), key=lambda n: -doubt[n]))


def _stop(m: _Made) -> Stop:
    blanks = [p.blank for p in m.layout.placements]
    chance = 0.0 if m.laid.sheets or m.laid.unplaced else (m.chances.together(blanks) if blanks else 1.0)
    return Stop(m.alloy, len(m.laid.sheets), len(blanks), chance)
