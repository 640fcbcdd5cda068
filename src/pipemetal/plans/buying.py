"""The melts of a plan, for ordering metal: recipe, mass, heel and day of each, and the offcuts that the plan will leave."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import PlanError
from pipemetal.melts.buying import DatedMelt
from pipemetal.melts.charge import ChargeRequest
from pipemetal.melts.lots import Heel, Lot
from pipemetal.planning.settings import PotSettings
from pipemetal.plans.record import Melt, Plan
from pipemetal.texts import Text

__all__ = ["PlanMelts", "melts_to_buy_for"]

MOST_DAYS = 10_000
OFFCUT_HALF_WIDTHS = (("Sn", 1.0), ("Sb", 0.1), ("Bi", 0.05), ("Cu", 0.03))
"""95 % half-widths of offcuts whose melts were assayed (estimate)."""
LEAST_OFFCUTS_KG = 1.0


@dataclass(frozen=True)
class PlanMelts:
    """A plan's melts with their days, the offcuts it will leave, and the day after its last pour."""

    melts: tuple[DatedMelt, ...]
    offcuts: tuple[Lot, ...]
    ends: dt.date


def melts_to_buy_for(
    plan: Plan, recipes: Mapping[str, Recipe], pot: PotSettings, start: dt.date, name: str
) -> PlanMelts:
    """The melts of a plan when casting begins on `start` (a working day; Saturdays and Sundays are passed over).

    `name` tells the plan's melts from those of others. Errors: PlanError for an alloy that is no recipe, a melt that no pour is
    cast from, a day out of range.
    """
    first = {pour.melt: pour.day for pour in reversed(plan.pours)}
    last = max((pour.day for pour in plan.pours), default=0)
    melts, before = [], None
    for melt in plan.melts:
        if melt.name not in first:
            raise PlanError("has no pour", field="melt", value=melt.name, where=name)
        request = _request(melt, before, recipes, pot, f"{name} ")
        melts.append(DatedMelt(request, _working_day(start, first[melt.name])))
        before = melt.recipe
    return PlanMelts(tuple(melts), _offcuts(plan, recipes, name), _working_day(start, last + 1))


def _request(
    melt: Melt, before: str | None, recipes: Mapping[str, Recipe], pot: PotSettings, prefix: str
) -> ChargeRequest:
    if melt.recipe not in recipes:
        raise PlanError("is not a recipe of this shop", field="recipe", value=melt.recipe, allowed=", ".join(recipes))
    heel = Heel(melt.heel_kg, recipes[before].target) if before is not None and melt.heel_kg > 0.0 else None
    wanted = min(melt.wanted_kg, pot.capacity_kg)
    return ChargeRequest(f"{prefix}{melt.name}", recipes[melt.recipe], wanted, pot.capacity_kg, pot.spare_kg, heel)


def _working_day(start: dt.date, number: int) -> dt.date:
    """The working day of this number from `start`, which is number 1."""
    if not 0 <= number <= MOST_DAYS:
        raise PlanError(
            "is out of range", field="day", value=number, allowed=Text("1 to {most_days}", most_days=MOST_DAYS)
        )
    day = start
    while day.weekday() > 4:
        day += dt.timedelta(days=1)
    for _ in range(number - 1):
        day += dt.timedelta(days=3 if day.weekday() == 4 else 1)
    return day


def _offcuts(plan: Plan, recipes: Mapping[str, Recipe], name: str) -> tuple[Lot, ...]:
    """What cutting and trimming will leave for the next melts, by alloy."""
    found = []
    for alloy, places in plan.metal.by_alloy.items():
        kg = places.get("offcuts_kg", 0.0) + places.get("bench_trimmings_kg", 0.0)
        if kg > LEAST_OFFCUTS_KG and alloy in recipes:
            found.append(
                Lot(f"offcuts of {alloy} from {name}", "scrap", recipes[alloy].target, kg, None, OFFCUT_HALF_WIDTHS)
            )
    return tuple(found)
