"""From the sheets to cast to melts: grouped, put in order, and charged from the lots that are there or must be bought."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge, ChargeRequest, shadow_prices
from pipemetal.melts.day import MeltPlan, SheetDemand, change_cost_kg, group_into_melts, order_recipes
from pipemetal.melts.lots import Heel, Lot, take_from
from pipemetal.melts.mend import Blocked, charge, pure_additions
from pipemetal.planning.settings import ShopSettings

__all__ = ["PlannedMelt", "plan_melts"]

BUYING_PREMIUM = 400.0
"""What a bought kilogram costs the search above every lot, so that the floor's metal is used first."""
BAR_KG = 1.0


@dataclass(frozen=True)
class PlannedMelt:
    """A melt of the season with its weighing list, or why there is none.

    `heel` is what the pot holds before; `emptied` says that the pot is ladled out to the bottom before this melt, because
    the heel before would spoil it. `left_kg` stays in the pot when the last sheet is cast.
    """

    melt: MeltPlan
    charge: Charge | Blocked
    heel: Heel | None
    emptied: bool

    @property
    def left_kg(self) -> float:
        """Metal left in the pot after the last sheet."""
        return self.charge.mass_kg - self.melt.used_kg if isinstance(self.charge, Charge) else 0.0

    @property
    def bought_kg(self) -> dict[str, float]:
        """Metal of this melt that is not on the floor and must be bought, by element."""
        if isinstance(self.charge, Blocked):
            return dict(self.charge.missing_kg)
        return {line.lot.composition.present()[0]: line.mass_kg for line in self.charge.lines if line.lot.kind == "buy"}


def _bought_lots(mass_kg: float, recipes: Iterable[Recipe]) -> list[Lot]:
    """What can be bought for recipes: what they aim at, tin and lead in bars, the others by the weighing step."""
    whole = math.ceil(mass_kg / BAR_KG) * BAR_KG
    wanted = {element for recipe in recipes for element in recipe.target.present()}
    return [
        replace(lot, mass_kg=whole, piece_kg=BAR_KG if lot.id in ("buy Sn", "buy Pb") else None)
        for lot in pure_additions(mass_kg, wanted, price_per_kg=BUYING_PREMIUM)
    ]


def plan_melts(
    demands: Sequence[SheetDemand], recipes: Mapping[str, Recipe], lots: Sequence[Lot], settings: ShopSettings
) -> tuple[PlannedMelt, ...]:
    """All melts of a season, in order, each with its weighing list.

    Lots are shared out over all melts at once: the problem with divisible pieces says what each scarce lot is worth to the
    others, and each melt is then weighed out in whole pieces at that price, on the heel that the one before really leaves.
    Only what the floor cannot give is bought.
    """
    if not demands:
        return ()
    pot = settings.pot
    used: dict[str, float] = defaultdict(float)
    for demand in demands:
        used[demand.recipe] += demand.used_kg
    order, _ = order_recipes(recipes, used, pot.heel_kg, empty_cost_kg=settings.emptying_costs_kg)
    melts = group_into_melts(demands, pot.capacity_kg - pot.spare_kg, pot.heel_kg, order)
    emptied = _where_emptied(melts, recipes, settings)
    requests = []
    for number, melt in enumerate(melts):
        before = melts[number - 1].recipe if number else None
        heel = None if before is None or emptied[number] else Heel(pot.heel_kg, recipes[before].target)
        requests.append(
            ChargeRequest(melt.name, recipes[melt.recipe], melt.wanted_kg, pot.capacity_kg, pot.spare_kg, heel)
        )
    offered = [*lots, *_bought_lots(sum(melt.wanted_kg for melt in melts), (r.recipe for r in requests))]
    priced = shadow_prices(requests, offered, losses=settings.losses)
    worth = priced[0] if priced is not None else {}
    planned: list[PlannedMelt] = []
    free = tuple(lots)
    for number, (melt, request) in enumerate(zip(melts, requests, strict=True)):
        heel = None if number == 0 or emptied[number] else _heel_after(planned[-1], settings)
        answer = charge(
            replace(request, heel=heel), [*free, *_bought_lots(melt.wanted_kg, [request.recipe])], losses=settings.losses,
            weigh_step_kg=pot.weigh_step_kg, least_weighed_kg=pot.least_weighed_kg, extra_cost_per_kg=worth, gap=0.01,
            seconds=2.0,
        )  # fmt: skip
        if isinstance(answer, Charge):
            free = take_from(free, {line.lot.id: line.mass_kg for line in answer.lines if line.lot.kind != "buy"})
        planned.append(PlannedMelt(melt, answer, heel, emptied[number]))
    return tuple(planned)


def _where_emptied(melts: Sequence[MeltPlan], recipes: Mapping[str, Recipe], settings: ShopSettings) -> list[bool]:
    """Before which melts the pot is ladled out: where diluting its heel would cost more than emptying it."""
    flags = [False]
    for before, after in itertools.pairwise(melts):
        cost = change_cost_kg(
            recipes[before.recipe],
            recipes[after.recipe],
            settings.pot.heel_kg,
            after.wanted_kg,
            settings.emptying_costs_kg,
        )
        flags.append(before.recipe != after.recipe and cost >= settings.emptying_costs_kg)
    return flags


def _heel_after(planned: PlannedMelt, settings: ShopSettings) -> Heel | None:
    if isinstance(planned.charge, Blocked):
        return Heel(settings.pot.heel_kg, planned.charge.request.recipe.target)
    return Heel(min(settings.pot.heel_kg, max(planned.left_kg, 0.0)), planned.charge.composition)
