"""A plan in hand planned anew from what the shop is now: what is cut, poured or pinned stays, the rest follows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.errors import PlanError
from pipemetal.layout.plan import NewSheet
from pipemetal.melts.lots import Lot
from pipemetal.planning.anew_casting import Beside, InPot, PotNow, RestCast, cast_rest
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_melts import MeltName
from pipemetal.planning.anew_stop import Stop, stop_of
from pipemetal.planning.chances import CardGives
from pipemetal.planning.day import MeltWork, SheetWork
from pipemetal.planning.habits import parse_dates
from pipemetal.planning.learning import Learned
from pipemetal.planning.pours import Pour
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_order
from pipemetal.planning.stock import Stock
from pipemetal.plans import record
from pipemetal.plans.account_rows import with_account
from pipemetal.plans.anew_carded import as_carded, poured_so_far
from pipemetal.plans.anew_day import begun_of, date_of, last_day, pots_now
from pipemetal.plans.anew_layout import Made, Means, one_alloy
from pipemetal.plans.anew_rows import as_planned, with_cards, written
from pipemetal.plans.by_hand import new_sheet_of
from pipemetal.plans.differences import Difference, differences
from pipemetal.plans.left import left_to_do
from pipemetal.plans.measured import hung_sheet, planing_of
from pipemetal.plans.now import ShopNow, changed_rolls, melts_begun, melts_unknown, sheets_done
from pipemetal.plans.scale import unexplained_words, with_scale
from pipemetal.plans.why import why_next
from pipemetal.sheets.readings import Reading
from pipemetal.texts import Text

__all__ = ["Anew", "ShopNow", "Stop", "plan_anew", "with_measured"]

MOST_SECONDS: Final = 20.0
"""The search ends by its moves, in two to six seconds; the seconds are for a busy machine."""
MOST_KEPT_KG: Final = 1e-3
FEW: Final = 2
"""A sheet that carries no more blanks is cast after the others of its alloy (estimate)."""
Tell = Callable[[float, str], None]


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

    @property
    def to_come(self) -> frozenset[str]:
        """The sheets that are still to be cast."""
        return frozenset(s.id for s in self.plan.new_sheets) - sheets_done(self.plan, self.now)

    @property
    def why(self) -> tuple[Text, ...]:
        """Why the first sheet is cast first, in words."""
        return why_next(self.plan, self.first[0], self.to_come, self.now.pots) if self.first else ()

    @property
    def unexplained(self) -> tuple[Text, ...]:
        """What the scale found in the pots more or less than the cards leave, in words."""
        return unexplained_words(self.plan, tuple(self.now.pots))

    @property
    def left(self) -> tuple[Text, ...]:
        """What is left to do once all sheets are cast, in words; nothing while some are to come."""
        now = self.now
        return left_to_do(self.plan, self.to_come, poured=now.poured, cut=now.cut, pots=now.pots)


def with_measured(
    plan: record.Plan,
    now: ShopNow,
    readings: Mapping[str, Sequence[Reading]],
    trim_mm: float,
    most_planing_mm: float = 0.0,
) -> ShopNow:
    """The shop with sheets of a plan hanging as rolls, by readings of them as cast; each roll is called as its sheet.

    `trim_mm`: where the plan does not say it. `most_planing_mm`: up to so much is planed off a sheet that came out thick, as
    little as gives a clean face off a thin one; 0: as planned. Errors: PlanError for a sheet that the plan does not cast;
    SheetError.
    """
    sheets = {s.id: s for s in plan.new_sheets}
    for name in readings:
        if name not in sheets:
            raise PlanError("is no sheet to cast of this plan", field="sheet", value=name, allowed=", ".join(sheets))
    planing = {
        name: planing_of(sheets[name], read, most_planing_mm) if most_planing_mm else sheets[name].planing_mm
        for name, read in readings.items()
    }
    rolls = tuple(hung_sheet(sheets[name], read, trim_mm, planing_mm=planing[name]) for name, read in readings.items())
    rack = tuple(r for r in now.stock.rack if r.id not in readings)
    measured = {**now.measured, **{name: name for name in readings}}
    planed = {**now.planing_mm, **{name: mm for name, mm in planing.items() if mm > 0.0}}
    return replace(now, stock=replace(now.stock, rack=(*rack, *rolls)), measured=measured, planing_mm=planed)


def plan_anew(
    plan: record.Plan,
    now: ShopNow,
    settings: ShopSettings,
    learned: Learned | None = None,
    *,
    seconds: float = MOST_SECONDS,
    effort: float = 1.0,
    alloys: Sequence[str] | None = None,
    tell: Tell = lambda share, words: None,
) -> Anew:
    """The rest of a plan planned anew.

    Laid anew are the alloys of sheets that were measured or failed, and of rolls that are gone or were read otherwise since; or
    those that are named. Melts
    that would charge ingots of theirs are charged anew with them. Of all others nothing moves but the days.
    A pot that does not hold enough for its sheets has them melted again. `effort`: how many moves the search makes, as a share
    of the usual number: with the same, the plan is the same on every machine, but for one so busy that `seconds` end the search.
    Errors: PlanError; as the rooms that it asks.
    """
    learned = learned or Learned()
    _check_failed(now)
    told = pots_now(plan, now, settings)
    again = tuple(sorted(set(alloys) if alloys is not None else _touched(plan, now, told)))
    tell(0.05, "laying the rest anew")
    density = {name: solid_density_g_cm3(r.target) for name, r in now.stock.recipes.items()}
    made = []
    laid = [a for a in again if alloys is not None or a in _changed(plan, now)]
    known = frozenset(s.id for s in plan.sheets) | {p.sheet for p in plan.pours}
    search = Effort.within(seconds, effort)
    for k, alloy in enumerate(laid):
        made.append(one_alloy(plan, alloy, now, Means(settings, learned, search, known)))
        known |= {s.id for s in made[-1].laid.sheets}
        tell(0.05 + 0.5 * (k + 1) / len(laid), "laying the rest anew")
    tell(0.6, "charging melts")
    cast = _cast(plan, made, set(again), now, settings, learned)
    gives = _cards(plan, cast)
    carded = [as_carded(m, gives, settings, poured_so_far(plan, now, m.alloy)) for m in made]
    made = [m for m, _ in carded]
    if any(gone for _, gone in carded):
        cast = _cast(plan, made, set(again), now, settings, learned)
    tell(0.9, "writing out")
    new = written(plan, made, cast, now, settings, density, set(again))
    first = _first(new, now)
    fresh = {p.order.sheet.id for p in cast.pours if p.card is not None}
    new = with_cards(new, _next_poured(new, first, now) - fresh, now.stock.recipes, settings, learned)
    new = with_scale(new, plan, now, density, settings.losses)
    new = with_account(new, now.stock.recipes, settings.losses, frozenset(r.id for r in now.stock.rack))
    stops = tuple(stop_of(m.alloy, m.rest, m.laid, search) for m in made)
    pots = (*cast.pots, *(p for name, p in told.items() if name not in {q.melt for q in cast.pots}))
    return Anew(plan, new, again, pots, stops, first, now)


def _check_failed(now: ShopNow) -> None:
    """Errors: PlanError for a sheet that failed and is said to lie or hang there too."""
    for name in sorted(now.failed):
        for there, words in ((now.poured, "poured"), (now.measured, "measured"), (now.cut, "cut")):
            if name in there:
                raise PlanError(
                    Text("has failed, and is said to be {words} too", words=Text(words)),
                    field="sheet",
                    value=name,
                    allowed="one of the two",
                )


def _changed(plan: record.Plan, now: ShopNow) -> set[str]:
    """The alloys of which a sheet or a roll is not as planned."""
    rack = {r.id for r in now.stock.rack}
    found = {s.alloy for s in plan.new_sheets if s.id in now.failed or s.id in now.measured} | now.again
    gone = {s.id for s in plan.rolls_used if s.id not in rack and s.id not in now.cut}
    return found | {s.alloy for s in plan.rolls_used if s.id in gone | changed_rolls(plan, now)}


def _touched(plan: record.Plan, now: ShopNow, pots: Mapping[str, PotNow]) -> set[str]:
    """The alloys in which something is not as planned, or whose pot is short or unknown, and those whose melts charge ingots of
    them."""
    short = {name for name, pot in pots.items() if not pot.suffices} | melts_unknown(plan, now)
    found = _changed(plan, now) | {m.recipe for m in plan.melts if m.name in short}
    while more := {
        m.recipe
        for m in plan.melts
        if m.recipe not in found
        and m.name not in now.pots
        and any((o := plan.ingots_of.get(line.id)) is not None and o.recipe in found for line in m.lots)
    }:
        found |= more
    return found


def _cast(
    plan: record.Plan, made: Sequence[Made], again: set[str], now: ShopNow, settings: ShopSettings, learned: Learned
) -> RestCast:
    """Melts, pours and days of what is left of the alloys that are melted again."""
    done, laid = sheets_done(plan, now), {m.alloy for m in made}
    rest = [s for s in plan.new_sheets if s.alloy in again - laid and s.id not in done]
    sheets = [s for m in made for s in m.laid.sheets] + [new_sheet_of(s, settings.sheets.trim_mm) for s in rest]
    waits = {p.melt for p in plan.pours if p.sheet not in done}
    held = melts_begun(plan, now)
    kept = [m for m in plan.melts if m.name not in now.pots and m.recipe not in again and m.name in waits]
    to_charge = [m for m in kept if m.name not in held]
    to_come = {s.id for s in sheets}
    lost = parse_dates(settings.day.lost_days, "day.lost_days")
    begun, poured = begun_of(plan, now, lost), {p.melt for p in plan.pours if p.sheet in done}
    pots = [
        InPot(
            m.name,
            m.recipe,
            now.pots[m.name],
            tuple(s for s in m.sheets if s in to_come),
            m.pot,
            hot=begun is not None or m.name not in poured,
        )
        for m in plan.melts
        if m.name in now.pots and m.recipe in again
    ]
    works = [*_waiting_pots(plan, again, now), *(_kept_work(m, plan, done) for m in kept)]
    free = [MeltName(m.name, m.recipe, m.sheets) for m in plan.melts if m.recipe in again and m.name not in held]
    as_was = _as_planned(plan, sheets, now, settings)
    beside = Beside(
        _further_names(plan),
        free,
        works,
        [m.name for m in plan.melts],
        _late(made),
        now.today,
        as_was,
        begun,
        date_of(plan, last_day(plan, now)),
        _doubts(made, rest),
    )
    return cast_rest(sheets, pots, replace(now.stock, lots=_free(now.stock, to_charge)), settings, learned, beside)


def _cards(plan: record.Plan, cast: RestCast) -> dict[str, CardGives]:
    """What the cards of sheets to come give: those of sheets as they were planned, and new ones."""
    made = {p.order.sheet.id: CardGives.of(p) for p in cast.pours}
    kept = {p.order.sheet.id: p.order.planing_mm for p in cast.pours if p.card is None}
    rows = [(p.sheet, p.card.thickness_mm) for p in plan.pours if p.sheet in kept and p.card is not None]
    old = {s: CardGives(x[0].thickness, x[-1].thickness, kept[s]) for s, x in rows if x}
    return old | {name: gives for name, gives in made.items() if gives is not None}


def _as_planned(plan: record.Plan, sheets: Sequence[NewSheet], now: ShopNow, settings: ShopSettings) -> dict[str, Pour]:
    """The pours of sheets that are as they were planned."""
    rows = {p.sheet: p for p in plan.pours}
    known = [s for s in sheets if s.id in rows]
    targets = {name: r.target for name, r in now.stock.recipes.items()}
    found = {s.id: as_planned(rows[s.id], sheet_order(s, settings), targets[s.alloy]) for s in known}
    return {name: pour for name, pour in found.items() if pour is not None}


def _late(made: Sequence[Made]) -> frozenset[str]:
    """Sheets of few blanks beside others of their alloy: what comes of those may have room for them."""
    found: set[str] = set()
    for m in made:
        laid = [p.roll for p in m.laid.placements]
        few = {s.id for s in m.laid.sheets if laid.count(s.id) <= FEW}
        found |= few if len(few) < len(m.laid.sheets) else set()
    return frozenset(found)


def _waiting_pots(plan: record.Plan, again: set[str], now: ShopNow) -> list[MeltWork]:
    """Charged melts of other alloys with the sheets that they still pour."""
    over = sheets_done(plan, now)
    found = []
    for m in plan.melts:
        if m.name in now.pots and m.recipe not in again:
            left = tuple(_sheet_work(p) for p in plan.pours if p.melt == m.name and p.sheet not in over)
            if left:
                found.append(MeltWork(m.name, m.recipe, 0.0, 0.0, left, m.pot, ready=True))
    return found


def _kept_work(melt: record.Melt, plan: record.Plan, done: frozenset[str]) -> MeltWork:
    """A melt that stays as planned, with the sheets that it still pours."""
    minutes = melt.charge.heat.hours * 60.0 if melt.charge is not None else 60.0
    sheets = tuple(_sheet_work(p) for p in plan.pours if p.melt == melt.name and p.sheet not in done)
    return MeltWork(melt.name, melt.recipe, minutes, minutes, sheets, melt.pot)


def _sheet_work(pour: record.Pour) -> SheetWork:
    lift = pour.freezing.lift_after_s / 60.0 if pour.freezing is not None else 10.0
    return SheetWork(pour.sheet, pour.sled, lift, lift + 5.0)


def _free(stock: Stock, kept: Sequence[record.Melt]) -> tuple[Lot, ...]:
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
    return tuple(found)


def _further_names(plan: record.Plan) -> Iterator[str]:
    """Names that no melt has: the next numbers."""
    numbers = [int(m.name[1:]) for m in plan.melts if m.name[:1] == "M" and m.name[1:].isdigit()]
    at = max(numbers, default=0)
    while True:
        at += 1
        yield f"M{at:02d}"


def _next_poured(plan: record.Plan, first: Sequence[str], now: ShopNow) -> set[str]:
    """The sheets that are cast first, and all of the same day that are not cast yet."""
    days = {p.day for p in plan.pours if p.sheet in first}
    return {p.sheet for p in plan.pours if p.day in days} - sheets_done(plan, now)


def _first(plan: record.Plan, now: ShopNow) -> tuple[str, ...]:
    """The sheets of the next melt, the pot in hand before others, in the order in which the plan pours them."""
    to_come = {s.id for s in plan.new_sheets} - sheets_done(plan, now)
    coming = [p for p in plan.pours if p.sheet in to_come]
    return tuple(p.sheet for p in coming if (p.melt, p.day) == (coming[0].melt, coming[0].day))


def _doubts(made: Sequence[Made], rest: Sequence[record.NewSheet]) -> dict[str, float]:
    """How much metal of each sheet to come is in doubt, mm2: its result settles that."""
    found = {s.id: sum(_doubt(c.chance or 0.0) * c.length_mm * c.width_mm for c in s.cuts) for s in rest}
    for m in made:
        blanks = m.rest.blanks
        for p in m.laid.placements:
            found[p.roll] = found.get(p.roll, 0.0) + _doubt(m.chances.of(p.blank)) * blanks[p.blank].area_mm2()
    return found


def _doubt(chance: float) -> float:
    return chance * (1.0 - chance)
