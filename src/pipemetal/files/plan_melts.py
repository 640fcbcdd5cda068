"""The melts of a plan that was written before (`plan.json`), for ordering metal: recipe, mass, heel and day of each."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import FileFormatError, InputError
from pipemetal.files.layout_file import read_json
from pipemetal.files.plan_json import PLAN_FORMAT
from pipemetal.melts.buying import DatedMelt
from pipemetal.melts.charge import ChargeRequest
from pipemetal.melts.lots import Heel, Lot
from pipemetal.planning.settings import PotSettings

__all__ = ["PlanMelts", "read_plan_melts"]

MOST_DAYS = 10_000
OFFCUT_HALF_WIDTHS = (("Sn", 1.0), ("Sb", 0.1), ("Bi", 0.05), ("Cu", 0.03))
"""95 % half-widths of offcuts whose melts were assayed (estimate)."""


@dataclass(frozen=True)
class PlanMelts:
    """A plan's melts with their days, the offcuts it will leave, and the day after its last pour."""

    melts: tuple[DatedMelt, ...]
    offcuts: tuple[Lot, ...]
    ends: dt.date


def read_plan_melts(
    path: Path, recipes: Mapping[str, Recipe], pot: PotSettings, start: dt.date, name: str
) -> PlanMelts:
    """The melts of `plan.json` when casting begins on `start` (a working day; Saturdays and Sundays are passed over).

    Errors: FileFormatError for what is not a plan, or an alloy that is no recipe.
    """
    data = read_json(path)
    if not isinstance(data, dict) or data.get("format") != PLAN_FORMAT:
        raise FileFormatError("is not a plan", where=path.name, allowed=f"a plan.json of format {PLAN_FORMAT!r}")
    try:
        first = {pour["melt"]: pour["day"] for pour in reversed(data["pours"])}
        last = max((int(pour["day"]) for pour in data["pours"]), default=0)
        melts, before = [], None
        for melt in data["melts"]:
            melts.append(_melt(melt, before, recipes, pot, _working_day(start, int(first[melt["name"]])), f"{name} "))
            before = str(melt["recipe"])
        offcuts = _offcuts(data, recipes, name)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        if isinstance(error, InputError):
            raise error.at(path.name) from None
        raise FileFormatError(f"is not complete: {error}", where=path.name) from None
    return PlanMelts(tuple(melts), offcuts, _working_day(start, last + 1))


def _melt(
    melt: Mapping[str, Any],
    before: str | None,
    recipes: Mapping[str, Recipe],
    pot: PotSettings,
    day: dt.date,
    prefix: str,
) -> DatedMelt:
    alloy, heel_kg = str(melt["recipe"]), float(melt["heel_kg"])
    if alloy not in recipes:
        raise FileFormatError("is not a recipe of this shop", field="recipe", value=alloy, allowed=", ".join(recipes))
    heel = Heel(heel_kg, recipes[before].target) if before is not None and heel_kg > 0.0 else None
    wanted = min(float(melt["wanted_kg"]), pot.capacity_kg)
    request = ChargeRequest(f"{prefix}{melt['name']}", recipes[alloy], wanted, pot.capacity_kg, pot.spare_kg, heel)
    return DatedMelt(request, day)


def _working_day(start: dt.date, number: int) -> dt.date:
    """The working day of this number from `start`, which is number 1."""
    if not 0 <= number <= MOST_DAYS:
        raise FileFormatError("is out of range", field="day", value=number, allowed=f"1 to {MOST_DAYS}")
    day = start
    while day.weekday() > 4:
        day += dt.timedelta(days=1)
    for _ in range(number - 1):
        day += dt.timedelta(days=3 if day.weekday() == 4 else 1)
    return day


def _offcuts(data: Mapping[str, Any], recipes: Mapping[str, Recipe], name: str) -> tuple[Lot, ...]:
    """What cutting and trimming will leave for the next melts, by alloy."""
    found = []
    for alloy, places in data["metal"]["by_alloy"].items():
        kg = float(places.get("offcuts_kg", 0.0)) + float(places.get("bench_trimmings_kg", 0.0))
        if kg > 1.0 and alloy in recipes:
            found.append(
                Lot(f"offcuts of {alloy} from {name}", "scrap", recipes[alloy].target, kg, None, OFFCUT_HALF_WIDTHS)
            )
    return tuple(found)
