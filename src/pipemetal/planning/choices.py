"""Three plans that a foreman chooses between: least metal, least work, and the safest, all of the same shop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from statistics import fmean
from typing import Final

from pipemetal.planning.plan import Plan
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.variants import Change, Figures
from pipemetal.texts import Text

__all__ = [
    "FETCH_MIN",
    "LEAST_METAL",
    "LEAST_WORK",
    "SAFEST",
    "TAKE_DOWN_MIN",
    "WISHES",
    "Choice",
    "Spread",
    "Work",
    "choices",
    "chosen",
    "priced",
    "work_of",
]

LEAST_METAL, LEAST_WORK, SAFEST = "least metal", "least work", "safest"
WISHES: Final = (LEAST_METAL, LEAST_WORK, SAFEST)
WORK_WEIGHS: Final = 3.0
"""For the plan of least work a sheet to cast, a melt and a sled cost so many times as much as usual (estimate). A roll taken down
costs as much as the shop says: the sheet that is cast instead is more work."""
SAFE_CERTAINTY: Final = 0.99
SAFE_ROOM: Final = 0.7
SAFE_MISFIT: Final = 2.0
"""Of the shop's own cast room, and times its own cost of a misfit (estimates)."""
TAKE_DOWN_MIN: Final = 10.0
"""Minutes for taking a roll down, unrolling it and putting its rest back (estimate)."""
FETCH_MIN: Final = 5.0
"""Minutes for fetching one more sheet to the bench for a rank, and holding it against the others for colour (estimate)."""
SEARCHED: Final = "One of three plans to choose from; searched for as: {wish}."
SAME: Final = 9
"""Decimals to which two plans are compared: less is rounding."""


def choices(settings: ShopSettings) -> tuple[Change, ...]:
    """What the search for each of the three plans minds differently.

    Least metal: work costs nothing, and blanks may lie less sure where that saves metal. Least work: sheets to cast, melts and
    sleds cost three times as much. Safest: 99 % certainty (or the shop's own, where it is more), a narrower room on sheets
    to cast, misfits dearer.

    >>> [change.name for change in choices(ShopSettings())]
    ['least metal', 'least work', 'safest']
    """
    metal = replace(
        settings,
        take_down_costs_kg=0.0,
        melt_costs_kg=0.0,
        sled_costs_kg=0.0,
        sure=replace(settings.sure, save_metal="yes"),
    )
    work = replace(
        settings,
        melt_costs_kg=WORK_WEIGHS * settings.melt_costs_kg,
        sled_costs_kg=WORK_WEIGHS * settings.sled_costs_kg,
    )
    sure = replace(
        settings.sure,
        certainty=max(SAFE_CERTAINTY, settings.sure.certainty),
        save_metal="no",
        cast_room=max(SAFE_ROOM * settings.sure.cast_room, 0.1),
        misfit_costs=min(SAFE_MISFIT * settings.sure.misfit_costs, 100.0),
    )
    found = (
        Change(LEAST_METAL, metal),
        Change(LEAST_WORK, work, cast_weighs=WORK_WEIGHS),
        Change(SAFEST, replace(settings, sure=sure)),
    )
    return tuple(replace(change, notes=(Text(SEARCHED, wish=Text(change.name)),)) for change in found)


@dataclass(frozen=True)
class Spread:
    """On how many rolls and sheets the bodies of a rank lie, and of how many melts these are, each roll of the rack for one."""

    rank: str
    sheets: int
    melts: int


@dataclass(frozen=True)
class Work:
    """What a plan asks for beside metal.

    `sled_changes`: how often another sled is set up; `sheets_of_a_rank`, `melts_of_a_rank`: means of `ranks`; `kept_m2`: rests
    that go back to the rack; `pipes_expected`: of those served, how many are expected to fit, `pipes_low` to `pipes_high` in 95
    of 100 times; `hours`: of the casting days (`casting_hours`), of taking rolls down, and of fetching each sheet for each rank;
    `worked_kg`: what rolls, melts and sleds cost as metal, by the shop's own prices of work; `cost`: that at `kg_price`.
    """

    sled_changes: int
    sheets_of_a_rank: float
    melts_of_a_rank: float
    kept_m2: float
    pipes_expected: float
    pipes_low: int
    pipes_high: int
    casting_hours: float
    hours: float
    worked_kg: float
    kg_price: float = 0.0
    cost: float = 0.0
    ranks: tuple[Spread, ...] = field(default=())


Row = tuple[Figures, Work]


def work_of(plan: Plan, prices: ShopSettings) -> Work:
    """The work of a plan, as metal by the settings of a shop; `priced` turns it into money."""
    sleds = sum(step.kind == "sled" for day in plan.days for step in day.steps)
    rolls = sum(not cut.is_new for cut in plan.cut_rolls)
    minutes = sum(day.to_min - min(step.from_min for step in day.steps) for day in plan.days if day.steps)
    ranks = _spreads(plan)
    fetched = sum(spread.sheets for spread in ranks)
    pipes = plan.chances.pipes
    return Work(
        sleds,
        fmean(spread.sheets for spread in ranks) if ranks else 0.0,
        fmean(spread.melts for spread in ranks) if ranks else 0.0,
        (plan.layout.opened_mm2 - plan.layout.consumed_mm2) / 1e6,
        pipes.expected,
        pipes.low,
        pipes.high,
        minutes / 60.0,
        (minutes + TAKE_DOWN_MIN * rolls + FETCH_MIN * fetched) / 60.0,
        rolls * prices.take_down_costs_kg + len(plan.melts) * prices.melt_costs_kg + sleds * prices.sled_costs_kg,
        ranks=ranks,
    )


def _spreads(plan: Plan) -> tuple[Spread, ...]:
    """How far the bodies of each rank are spread; nothing of a rank that is not laid."""
    lying = {p.blank: p.roll for p in plan.layout.placements}
    melt_of = {sheet.id: planned.melt.name for planned in plan.melts for sheet in planned.melt.sheets}
    ranks: dict[str, set[str]] = {}
    for ordered in plan.blanks:
        if ordered.blank.kind == "body" and ordered.blank.id in lying:
            ranks.setdefault(ordered.pipe.rank, set()).add(lying[ordered.blank.id])
    return tuple(Spread(rank, len(on), len({melt_of.get(sheet, sheet) for sheet in on})) for rank, on in ranks.items())


def priced(rows: Mapping[str, Row]) -> dict[str, Row]:
    """The plans with their work in money: for all at the one mean price of what goes into their pots."""
    charged_kg = sum(figures.charged_kg for figures, _ in rows.values())
    price = sum(figures.cost for figures, _ in rows.values()) / charged_kg if charged_kg > 0.0 else 0.0
    return {
        name: (figures, replace(work, kg_price=price, cost=price * work.worked_kg))
        for name, (figures, work) in rows.items()
    }


@dataclass(frozen=True)
class Choice:
    """The plan that meets a wish best, of all that were found; `found_by` names the wish whose search found it."""

    name: str
    found_by: str
    figures: Figures
    work: Work


MEASURES: Final[Mapping[str, Callable[[Figures, Work], float]]] = {
    LEAST_METAL: lambda figures, work: figures.consumed_m2,
    LEAST_WORK: lambda figures, work: work.hours,
    SAFEST: lambda figures, work: -work.pipes_expected,
}


def chosen(rows: Mapping[str, Row]) -> tuple[Choice, ...]:
    """For each wish the plan that meets it best by its own measure, whichever search found it: metal used, hours of work, pipes
    expected to fit. Plans that serve more pipes, and whose melts can all be charged, go before others.

    `rows`: what was found, by the wish that was searched for; none gives none.

    >>> chosen({})
    ()
    """
    if not rows:
        return ()
    found = []
    for name in WISHES:

        def rank(other: str, name: str = name) -> tuple[int, bool, float, bool]:
            figures, work = rows[other]
            measure = round(MEASURES[name](figures, work), SAME)
            return -figures.pipes_served, not figures.is_complete, measure, other != name

        best = min(rows, key=rank)
        found.append(Choice(name, best, *rows[best]))
    return tuple(found)
