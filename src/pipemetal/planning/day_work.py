"""From melts and sheets to the work of a casting day: how long the burner needs, and how long each sheet holds the table."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge
from pipemetal.melts.day import MeltPlan, SheetDemand
from pipemetal.melts.heat import MeltHeat, heat_to_melt
from pipemetal.melts.lots import Heel
from pipemetal.planning.calendar import casting_dates
from pipemetal.planning.day import CastingDay, MeltWork, SheetWork, casting_days, one_day
from pipemetal.planning.learning import Learned
from pipemetal.planning.melting import FitsIn, PlannedMelt, Season, plan_season
from pipemetal.planning.pours import Pour, demand_of, heated_to_c, plan_pours, prepare_pour
from pipemetal.planning.settings import PotSettings, ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder
from pipemetal.planning.stock import Stock
from pipemetal.texts import Amount, Text, clock_text

__all__ = [
    "USUAL_POT_C",
    "Casting",
    "fits_the_day",
    "heated_days",
    "melt_heat",
    "plan_casting",
    "plan_days",
    "sheet_work",
    "told_of_days",
]

USUAL_POT_C: Final = 350.0
"""Where no pour says how hot (estimate)."""
ROUNDED_UP: Final = 1.03
"""More than asked comes of whole pigs and of what is skimmed (estimate)."""
HEAT_ROUNDS: Final = 4
"""A hotter melt is ready later, which leaves the stone a little cooler: it settles within two."""
NEAR_K, COOLS_K = 0.5, 5.0
"""What no thermometer tells, and what a pot loses while a sled is filled (estimate)."""
ALONE: Final = 2
"""So many people are all at the pour; nobody else lays the sheet aside."""


def pot_c(pours: Sequence[Pour]) -> float:
    """How hot the pot must be: as the hottest of its pours wants it."""
    return max((pour.pot_c for pour in pours), default=0.0) or USUAL_POT_C


def _heat(metal: Composition, mass_kg: float, temperature_c: float, pot: PotSettings, steel_kg: float) -> MeltHeat:
    return heat_to_melt(
        metal, mass_kg, temperature_c, pot_kg=steel_kg, efficiency=pot.efficiency, burner_kw=pot.burner_kw
    )


def melt_heat(
    planned: PlannedMelt, pours: Sequence[Pour], settings: ShopSettings, *, hot_pot: bool = False
) -> MeltHeat:
    """What a melt takes from cold metal, its heel cold too; or, in a pot hot from the melt before, what is charged alone.

    `pours` are those of this melt.
    """
    answer = planned.charge
    if isinstance(answer, Charge):
        metal, charged = answer.composition, answer.charged_kg
    else:
        metal, charged = answer.request.recipe.target, planned.melt.wanted_kg
    heel = planned.heel.mass_kg if planned.heel is not None else 0.0
    pot = settings.pot_of(planned.melt.pot)
    mass, steel = (charged, 0.0) if hot_pot else (charged + heel, pot.steel_kg)
    return _heat(metal, mass, pot_c(pours), pot, steel)


def sheet_work(pour: Pour, settings: ShopSettings) -> SheetWork:
    """How long its sled is filled, how long a sheet lies, and how long until the next may be poured."""
    lift = pour.lift_after_s / 60.0
    cycle = max(settings.casting.minutes_between, lift + 1.0)
    if settings.day.people <= ALONE:
        cycle += settings.day.lay_aside_minutes
    scoops = math.ceil(pour.charge_kg / settings.casting.scoop_kg - 1e-6)
    return SheetWork(
        pour.order.sheet.id, pour.order.sled.name, lift, cycle, ladle_min=scoops * settings.day.ladle_minutes
    )


def fits_the_day(
    prepared: Sequence[Pour], recipes: Mapping[str, Recipe], settings: ShopSettings, spare_kg: float
) -> FitsIn:
    """Whether sheets can be cast from one melt, begun with a cold pot, before the shift ends; with so much more in the pot."""
    by_sheet = {pour.order.sheet.id: pour for pour in prepared}

    def fits(sheets: Sequence[SheetDemand], needed_kg: float, name: str) -> bool:
        pours = [by_sheet[sheet.id] for sheet in sheets]
        pot, alloy = settings.pot_of(name), sheets[0].recipe
        mass = min(ROUNDED_UP * (needed_kg + spare_kg), pot.capacity_kg)
        heat = _heat(recipes[alloy].target, mass, max(pot_c(pours), pours[0].first_c), pot, pot.steel_kg)
        work = MeltWork("", alloy, heat.hours * 60.0, 0.0, tuple(sheet_work(p, settings) for p in pours))
        return one_day([work], settings.day).over_min == 0.0

    return fits


def plan_days(prepared: Sequence[Pour], melts: Sequence[PlannedMelt], settings: ShopSettings) -> tuple[CastingDay, ...]:
    """The casting days of a season, hour by hour. Errors: PlanError for holidays that cannot be looked up."""
    by_sheet = {pour.order.sheet.id: pour for pour in prepared}

    def work(planned: PlannedMelt) -> MeltWork:
        melt: MeltPlan = planned.melt
        pours = [by_sheet[sheet.id] for sheet in melt.sheets]
        cold, hot = (melt_heat(planned, pours, settings, hot_pot=hot).hours * 60.0 for hot in (False, True))
        return MeltWork(melt.name, melt.recipe, cold, hot, tuple(sheet_work(p, settings) for p in pours), melt.pot)

    works = [work(planned) for planned in melts]
    return casting_days(works, settings.day, settings.casting.casts_a_day, casting_dates(settings.day))


@dataclass(frozen=True)
class Casting:
    """What casting a list of sheets comes to: its melts, its days and its pours."""

    season: Season
    days: tuple[CastingDay, ...]
    pours: tuple[Pour, ...]


def plan_casting(
    orders: Sequence[SheetOrder],
    metal: Stock,
    settings: ShopSettings,
    learned: Learned,
    *,
    in_pot: Heel | None = None,
    hurried: bool = False,
    measured_c: Mapping[int, float] | None = None,
) -> Casting:
    """From sheets to melts that fit their days, the days hour by hour, and the pours at those hours.

    `in_pot` is what the pot holds at the start, `measured_c` as `plan_pours`; `hurried` takes the first good weighing lists.
    Errors: as the rooms that it asks.
    """
    recipes = metal.recipes
    prepared = [prepare_pour(order, recipes[order.sheet.alloy].target, settings, learned) for order in orders]
    demands = [demand_of(pour) for pour in prepared]
    # full melts first; where whole pieces then make one last too long, melts that leave the hours for them
    for spare_kg in (0.0, settings.pot.spare_kg):
        fits = fits_the_day(prepared, recipes, settings, spare_kg)
        season = plan_season(demands, recipes, metal.lots, settings, in_pot=in_pot, hurried=hurried, fits=fits)
        melts = season.melts

        def planned(
            asked: Sequence[Pour], melts: Sequence[PlannedMelt] = melts
        ) -> tuple[tuple[CastingDay, ...], tuple[Pour, ...]]:
            days = plan_days(asked, melts, settings)
            return days, plan_pours(asked, melts, days, settings, learned, measured_c)

        days, pours = heated_days(prepared, planned)
        if not any(day.over_min > 0.0 and len(day.pours()) > 1 for day in days):
            break
    return Casting(season, days, pours)


def heated_days(
    prepared: Sequence[Pour], planned: Callable[[Sequence[Pour]], tuple[tuple[CastingDay, ...], tuple[Pour, ...]]]
) -> tuple[tuple[CastingDay, ...], tuple[Pour, ...]]:
    """Days and pours with every melt heated to what its own cards ask; `planned` gives both for prepared pours.

    Cards hang on the hours, and hours on the heat, so they are worked out until no card asks more.
    """
    for _ in range(HEAT_ROUNDS):
        days, pours = planned(prepared)
        asked = {p.order.sheet.id: heated_to_c(p.window) for p in pours if p.window is not None}
        hotter = [replace(p, pot_c=max(p.pot_c, asked.get(p.order.sheet.id, 0.0))) for p in prepared]
        if all(b.pot_c - a.pot_c < NEAR_K for a, b in zip(prepared, hotter, strict=True)):
            break
        prepared = hotter
    return days, pours


def told_of_days(days: Sequence[CastingDay], pours: Sequence[Pour], settings: ShopSettings) -> list[Text]:
    """What a foreman must know of the days: which run over."""
    found = [
        Text(
            "Day {day} ends at {end}, {minutes} minutes after the shift: {melt} takes long to heat, or its sheets to cast.",
            day=day.number,
            end=clock_text(day.to_min),
            minutes=round(day.over_min),
            melt=day.melts[-1],
        )
        for day in days
        if day.over_min > 0.0
    ]
    least = settings.habits.least_charge_kg
    found += _told_of_cooling(pours)
    found += [
        Text(
            "{sheet} takes {mass} only, less than is worth a push: cast it along with another sheet of {alloy}, or in a mould for"
            " samples.",
            sheet=pour.order.sheet.id,
            mass=Amount(pour.cast_kg, "kg", 1),
            alloy=pour.order.sheet.alloy,
        )
        for pour in pours
        if pour.cast_kg < least
    ]
    return found


def _told_of_cooling(pours: Sequence[Pour]) -> list[Text]:
    """Which pots must cool before a sheet, for no day counts the minutes of it."""
    cooler: dict[str, float] = {}
    for name in dict.fromkeys(pour.melt for pour in pours):
        mine = [pour for pour in pours if pour.melt == name]
        least_c = min((p.window.try_high_c for p in mine if p.window is not None), default=math.inf)
        if pot_c(mine) - least_c > COOLS_K:
            cooler[name] = pot_c(mine) - least_c
    words = (
        "A pot is heated to what its hottest sheet asks, and to be skimmed; it must cool before other sheets, by up to"
        " {cooler} in {melts}. The days count no minutes for it."
    )
    return [Text(words, cooler=Amount(max(cooler.values()), "K"), melts=", ".join(cooler))] if cooler else []
