"""Three plans that a foreman chooses between: least metal, least work, and the safest, all of the same shop."""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import fmean
from typing import Final

from pipemetal.melts.charge import Charge
from pipemetal.planning.plan import Plan
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.variants import Change

__all__ = ["LEAST_METAL", "LEAST_WORK", "SAFEST", "Work", "choices", "work_of"]

LEAST_METAL, LEAST_WORK, SAFEST = "least metal", "least work", "safest"
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


def choices(settings: ShopSettings) -> tuple[Change, ...]:
    """What differs in each of the three plans.

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
    least_work = Change(LEAST_WORK, work, cast_weighs=WORK_WEIGHS)
    return Change(LEAST_METAL, metal), least_work, Change(SAFEST, replace(settings, sure=sure))


@dataclass(frozen=True)
class Work:
    """What a plan asks for beside metal.

    `sled_changes`: how often another sled is set up; `sheets_of_a_rank`: on how many rolls and sheets the bodies of a rank lie,
    in the mean, and `melts_of_a_rank` of how many melts these are, each roll of the rack for one; `kept_m2`: rests that go
    back to the rack; `pipes_expected`: of those served, how many are expected to fit; `hours`: of the casting days, of taking
    rolls down, and of fetching each sheet for each rank; `cost`: of rolls, melts and sleds, by the shop's own prices of work
    (kilograms of metal, at the mean price of what goes into the pot).
    """

    sled_changes: int
    sheets_of_a_rank: float
    melts_of_a_rank: float
    kept_m2: float
    pipes_expected: float
    hours: float
    cost: float


def work_of(plan: Plan, prices: ShopSettings) -> Work:
    """The work of a plan, priced by the settings of a shop."""
    steps = [step for day in plan.days for step in day.steps]
    sleds = sum(step.kind == "sled" for step in steps)
    rolls = sum(not cut.is_new for cut in plan.cut_rolls)
    minutes = sum(day.to_min - min(step.from_min for step in day.steps) for day in plan.days if day.steps)
    charges = [m.charge for m in plan.melts if isinstance(m.charge, Charge)]
    charged_kg = sum(charge.charged_kg for charge in charges)
    kg_price = sum(charge.cost for charge in charges) / charged_kg if charged_kg > 0.0 else 0.0
    worked_kg = (
        rolls * prices.take_down_costs_kg + len(plan.melts) * prices.melt_costs_kg + sleds * prices.sled_costs_kg
    )
    ranks = _sheets_of_ranks(plan)
    melt_of = {sheet.id: planned.melt.name for planned in plan.melts for sheet in planned.melt.sheets}
    return Work(
        sleds,
        fmean(len(sheets) for sheets in ranks) if ranks else 0.0,
        fmean(len({melt_of.get(sheet, sheet) for sheet in sheets}) for sheets in ranks) if ranks else 0.0,
        (plan.layout.opened_mm2 - plan.layout.consumed_mm2) / 1e6,
        plan.chances.pipes.expected,
        (minutes + TAKE_DOWN_MIN * rolls + FETCH_MIN * sum(map(len, ranks))) / 60.0,
        worked_kg * kg_price,
    )


def _sheets_of_ranks(plan: Plan) -> list[set[str]]:
    """The rolls and sheets that the bodies of each rank lie on; nothing of a rank that is not laid."""
    lying = {p.blank: p.roll for p in plan.layout.placements}
    ranks: dict[str, set[str]] = {}
    for ordered in plan.blanks:
        if ordered.blank.kind == "body" and ordered.blank.id in lying:
            ranks.setdefault(ordered.pipe.rank, set()).add(lying[ordered.blank.id])
    return list(ranks.values())
