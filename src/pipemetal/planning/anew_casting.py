"""The casting of the rest anew: what the pot in hand still pours, melts for what is left of an alloy, and the days of all."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import PlanError
from pipemetal.layout.plan import NewSheet
from pipemetal.melts.charge import ChargeRequest
from pipemetal.melts.day import MeltPlan, SheetDemand, held_kg, metal_needed_kg
from pipemetal.melts.lots import Heel
from pipemetal.melts.mend import Blocked, Cause
from pipemetal.planning.anew_melts import MeltName, called
from pipemetal.planning.calendar import casting_dates
from pipemetal.planning.day import Begun, CastingDay, MeltWork, PastCast, casting_days
from pipemetal.planning.day_work import fits_the_day, heated_days, melt_heat, sheet_work
from pipemetal.planning.learning import Learned
from pipemetal.planning.melting import PlannedMelt, plan_season
from pipemetal.planning.pours import Pour, demand_of, plan_pours, prepare_pour
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_order
from pipemetal.planning.stock import Stock
from pipemetal.texts import Amount, Text

__all__ = [
    "Beside",
    "InPot",
    "PotNow",
    "RestCast",
    "cast_rest",
    "heel_found",
    "pot_serves",
    "settles_first",
]

LEAST_HEEL_KG: Final = 0.1
STRETCHED: Final = 0.67
"""Before another melt is charged for what is left, a pot in hand is ladled to this share of its usual heel (estimate)."""


@dataclass(frozen=True)
class InPot:
    """A melt that is charged: what is left of it in its pot, the sheets that the plan still pours from it, in their order, and
    whether it is hot: one that was poured from on a day that is over is not."""

    melt: str
    recipe: str
    left_kg: float
    sheets: tuple[str, ...] = ()
    pot: str = ""
    hot: bool = True


@dataclass(frozen=True)
class PotNow:
    """What a charged melt still pours: its sheets in order, what they need it to hold, and those that it no longer serves."""

    melt: str
    left_kg: float
    needed_kg: float
    sheets: tuple[str, ...]
    not_served: tuple[str, ...]

    @property
    def suffices(self) -> bool:
        """Whether it serves every sheet that it was meant for."""
        return not self.not_served


@dataclass(frozen=True, eq=False)
class Beside:
    """What stands beside the alloys that are planned anew: melts of `before` that give their names, further `names` for new
    melts, the melts that are `kept`, the `order` of melts by name, sheets that are cast `late` (their few blanks may find room
    on others), the first day on which may be cast, the pours of sheets that did not change, as `planned`: their cards are not
    worked out again; the day that is under way; after which date the others are; and how much metal is in `doubt` on each
    sheet, mm2."""

    names: Iterator[str]
    before: Sequence[MeltName] = ()
    kept: Sequence[MeltWork] = ()
    order: Sequence[str] = ()
    late: frozenset[str] = frozenset()
    today: dt.date | None = None
    planned: Mapping[str, Pour] = field(default_factory=dict)
    begun: Begun | None = None
    after: dt.date | None = None
    doubt: Mapping[str, float] = field(default_factory=dict)

    @property
    def past(self) -> tuple[PastCast, ...]:
        """What was cast on the day that is under way."""
        return self.begun.past if self.begun is not None else ()


@dataclass(frozen=True, eq=False)
class RestCast:
    """The casting of what is left of some alloys: melts to come with their weighing lists, pots in hand, pours, and days.

    `as_before`: sheets of days on which nothing changed; their pours have no window. `goes_on`: the first day is the rest of one
    that is under way.
    """

    melts: tuple[PlannedMelt, ...]
    pots: tuple[PotNow, ...]
    pours: tuple[Pour, ...]
    days: tuple[CastingDay, ...]
    as_before: frozenset[str] = frozenset()

    @property
    def goes_on(self) -> bool:
        """Whether the first day is what is left of one that is under way."""
        return bool(self.days) and self.days[0].number == 0


def settles_first(sheets: Sequence[SheetDemand], doubt: Mapping[str, float], room_kg: float) -> tuple[SheetDemand, ...]:
    """Sheets of a melt, first those whose result settles most metal that is in doubt, one sled after the other, as far as the pot
    holds enough for it; else as they were.

    >>> a, b = SheetDemand("A", "m", 60.0, 40.0), SheetDemand("B", "m", 60.0, 55.0)
    >>> [[s.id for s in settles_first([a, b], {"B": 1.0}, kg)] for kg in (120.0, 100.0)]
    [['B', 'A'], ['A', 'B']]
    """
    sleds: dict[str, list[SheetDemand]] = {}
    for s in sorted(sheets, key=lambda s: -doubt.get(s.id, 0.0)):
        sleds.setdefault(s.sled, []).append(s)
    wanted = [s for held in sleds.values() for s in held]
    first = [*wanted[:1], *(s for s in sheets if s not in wanted[:1])]
    return next((tuple(o) for o in (wanted, first) if held_kg(o) <= room_kg + 1e-6), tuple(sheets))


def pot_serves(pot: InPot, demands: Sequence[SheetDemand], heel_kg: float) -> tuple[PotNow, tuple[SheetDemand, ...]]:
    """What a pot in hand pours of some sheets, its own first, then others that it still gives; and those that it serves.

    Its heel is stretched where that saves another melt: to two thirds of the usual one.

    >>> a, b = SheetDemand("A", "m", 60.0, 40.0), SheetDemand("B", "m", 60.0, 40.0)
    >>> now, served = pot_serves(InPot("M1", "m", 90.0, ("A", "B")), [a, b], 15.0)
    >>> now.sheets, now.not_served
    (('A',), ('B',))
    """
    own = {name: k for k, name in enumerate(pot.sheets)}
    mine = [d for d in demands if d.recipe == pot.recipe]
    served: list[SheetDemand] = []
    for demand in sorted(mine, key=lambda d: (own.get(d.id, len(own)), -d.used_kg)):
        if metal_needed_kg([*served, demand], STRETCHED * heel_kg)[0] <= pot.left_kg + 1e-6:
            served.append(demand)
    needed, in_order = metal_needed_kg(served, STRETCHED * heel_kg) if served else (0.0, ())
    asked = [d for d in mine if d.id in own]
    wanted = metal_needed_kg(asked, STRETCHED * heel_kg)[0] if asked else needed
    names = tuple(d.id for d in in_order)
    lacking = tuple(d.id for d in asked if d.id not in names)
    return PotNow(pot.melt, pot.left_kg, max(wanted, needed), names, lacking), in_order


def cast_rest(
    sheets: Sequence[NewSheet],
    pots: Sequence[InPot],
    metal: Stock,
    settings: ShopSettings,
    learned: Learned,
    beside: Beside,
) -> RestCast:
    """Melts, days and pours of the sheets to come of the alloys that changed, beside the melts of others.

    The days are those of all melts: the pots in hand first, then the rest in the order of their names, further ones after the
    last of their alloy.
    Errors: as the rooms that it asks.
    """
    recipes, lots = metal.recipes, metal.lots
    before = beside.planned
    prepared = [
        before[s.id]
        if s.id in before
        else prepare_pour(sheet_order(s, settings), recipes[s.alloy].target, settings, learned)
        for s in sheets
    ]
    demands = [demand_of(p) for p in prepared]
    now, poured = [], list[PlannedMelt]()
    for pot in pots:
        heel_kg = settings.pot.heel_kg if not pot.pot else 0.0
        early = [d for d in demands if d.id not in beside.late or d.id in pot.sheets]
        told, served = pot_serves(pot, early or demands, heel_kg)
        if not served and early:
            told, served = pot_serves(pot, demands, heel_kg)
        served = settles_first(served, beside.doubt, pot.left_kg - STRETCHED * heel_kg)
        now.append(replace(told, sheets=tuple(d.id for d in served)))
        if served:
            gone = {d.id for d in served}
            demands = [d for d in demands if d.id not in gone]
            poured.append(_in_hand(pot, served, recipes[pot.recipe], settings))
    fits = fits_the_day(prepared, recipes, settings, 0.0)
    left = _left_in_pot(pots, now, poured, recipes, settings.pot.capacity_kg)
    heel = heel_found(left, beside, {p.melt for p in pots}, recipes, settings.pot.heel_kg)
    visits = tuple(m.recipe for m in beside.before)
    season = plan_season(demands, recipes, lots, settings, in_pot=heel, hurried=True, fits=fits, visits=visits)
    melts = called(season.melts, beside.before, beside.names)
    melts = melts if poured else _settled(melts, beside, settings)
    mine = {m.melt.name for m in (*poured, *melts)}
    cold, in_hand = (
        {p.melt for p in pots if not p.hot},
        {p.melt for p in pots} | {w.melt for w in beside.kept if w.ready},
    )

    def planned(asked: Sequence[Pour]) -> tuple[tuple[CastingDay, ...], tuple[Pour, ...]]:
        waiting = [*beside.kept, *(_work(m, asked, settings) for m in melts)]
        hand = (_work(m, asked, settings, hot=m.melt.name not in cold) for m in poured)
        works = _as_begun([*hand, *_in_order(waiting, beside.order)], beside.begun, in_hand)
        dates = _dates(settings, beside)
        days = casting_days(works, settings.day, settings.casting.casts_a_day, dates, beside.begun)
        own_days = [replace(d, melts=tuple(n for n in d.melts if n in mine)) for d in days]
        new_days = [d for d in own_days if d.melts and not all(name in before for name in d.pours())]
        return days, plan_pours(asked, (*poured, *melts), new_days, settings, learned, past=beside.past)

    days, pours = heated_days(prepared, planned)
    done = {p.order.sheet.id for p in pours}
    rest = {d.id: m.melt.name for m in (*poured, *melts) for d in m.melt.sheets if d.id not in done}
    unchanged = tuple(replace(before[name], melt=melt) for name, melt in rest.items())
    return RestCast(melts, tuple(now), (*pours, *unchanged), days, frozenset(rest))


def _left_in_pot(
    pots: Sequence[InPot],
    now: Sequence[PotNow],
    poured: Sequence[PlannedMelt],
    recipes: Mapping[str, Recipe],
    capacity_kg: float,
) -> Heel | None:
    """What the main pot holds when its sheets are poured: the next melt finds it. Errors: PlanError for more than it holds."""
    used = {m.melt.name: m.melt.used_kg for m in poured}
    left = [(pot, told.left_kg - used.get(pot.melt, 0.0)) for pot, told in zip(pots, now, strict=True) if not pot.pot]
    pot, kg = max(left, key=lambda held: held[1], default=(None, 0.0))
    if pot is not None and kg >= capacity_kg:
        raise PlanError(
            Text(
                "leaves {left} in a pot that holds {capacity}",
                left=Amount(kg, "kg"),
                capacity=Amount(capacity_kg, "kg"),
            ),
            field="in the pot",
            value=f"{pot.melt}:{pot.left_kg:g}",
            allowed="what is left in the pot now, in kilograms",
        )
    return Heel(kg, recipes[pot.recipe].target) if pot is not None and kg > LEAST_HEEL_KG else None


def heel_found(
    left: Heel | None, beside: Beside, in_hand: set[str], recipes: Mapping[str, Recipe], heel_kg: float
) -> Heel | None:
    """What the first new melt finds in the main pot: what is `left` of the pots in hand, or the heel of a melt of another alloy
    that stays as planned and is cast before it."""
    place = {name: k for k, name in enumerate(beside.order)}
    kept = {w.melt for w in beside.kept}
    first = min((k for name, k in place.items() if name not in kept | in_hand), default=len(place))
    between = [w for w in beside.kept if not w.ready and not w.pot and place.get(w.melt, len(place)) < first]
    if not between or heel_kg <= 0.0:
        return left
    last = max(between, key=lambda w: place[w.melt])
    return Heel(heel_kg, recipes[last.alloy].target)


def _in_hand(pot: InPot, served: Sequence[SheetDemand], recipe: Recipe, settings: ShopSettings) -> PlannedMelt:
    """A melt in the pot, as the pours ask for it: its metal is taken as its recipe's target."""
    held = settings.pot_of(pot.pot)
    request = ChargeRequest(pot.melt, recipe, max(pot.left_kg, 1.0), max(held.capacity_kg, pot.left_kg), 0.0)
    nothing = Cause("in the pot")
    melt = MeltPlan(pot.melt, pot.recipe, tuple(served), pot.left_kg, pot.pot)
    return PlannedMelt(melt, Blocked(request, (), (), nothing, nothing), None, False)


def _work(planned: PlannedMelt, prepared: Sequence[Pour], settings: ShopSettings, *, hot: bool = False) -> MeltWork:
    by_sheet = {p.order.sheet.id: p for p in prepared}
    pours = [by_sheet[s.id] for s in planned.melt.sheets]
    cold_min, hot_min = (
        (0.0, 0.0) if hot else tuple(melt_heat(planned, pours, settings, hot_pot=h).hours * 60.0 for h in (False, True))
    )
    melt = planned.melt
    return MeltWork(melt.name, melt.recipe, cold_min, hot_min, tuple(sheet_work(p, settings) for p in pours), melt.pot)


def _in_order(works: Sequence[MeltWork], order: Sequence[str]) -> list[MeltWork]:
    place = {name: float(k) for k, name in enumerate(order)}
    last: dict[str, float] = {}
    for work in works:
        if work.melt in place:
            last[work.alloy] = max(last.get(work.alloy, -1.0), place[work.melt])
    return sorted(works, key=lambda w: place.get(w.melt, last.get(w.alloy, len(order)) + 0.5))


def _as_begun(works: Sequence[MeltWork], begun: Begun | None, in_hand: set[str]) -> list[MeltWork]:
    """The melts from which was poured on the day under way first: they are ready."""
    poured = begun.melts if begun is not None else ()
    ready = [replace(w, ready=w.melt in in_hand and w.melt in poured) for w in works]
    return sorted(ready, key=lambda w: not w.ready)


def _settled(melts: Sequence[PlannedMelt], beside: Beside, settings: ShopSettings) -> tuple[PlannedMelt, ...]:
    """The melts with the first of them in the order that settles most."""
    place = {name: k for k, name in enumerate(beside.order)}
    first = min(melts, key=lambda m: place.get(m.melt.name, len(place)), default=None)
    found = []
    for m in melts:
        if m is first:
            room_kg = m.melt.wanted_kg - (settings.pot.heel_kg if not m.melt.pot else 0.0)
            m = replace(m, melt=replace(m.melt, sheets=settles_first(m.melt.sheets, beside.doubt, room_kg)))
        found.append(m)
    return tuple(found)


def _dates(settings: ShopSettings, beside: Beside) -> Iterator[dt.date] | None:
    dates, today, after = casting_dates(settings.day), beside.today, beside.after
    if dates is None:
        return None
    return itertools.dropwhile(
        lambda day: (today is not None and day < today) or (after is not None and day <= after), dates
    )
