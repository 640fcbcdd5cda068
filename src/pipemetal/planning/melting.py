"""From the sheets to cast to melts: grouped, put in order, and charged from the lots that are there or must be bought."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError
from pipemetal.melts.charge import Charge, ChargeRequest, least_cost, shadow_prices
from pipemetal.melts.day import MeltPlan, SheetDemand, fewest_melts, group_into_melts, named
from pipemetal.melts.lots import Heel, Lot
from pipemetal.melts.order import ChangeOver, Order, change_over, order_melts
from pipemetal.melts.worth import MetalPrices, metal_prices
from pipemetal.melts.worth import priced as with_prices
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.weighed import Floor, PlannedMelt, bought_lots, errand, weighed_out

__all__ = ["FitsIn", "PlannedMelt", "Season", "plan_season"]


@dataclass(frozen=True)
class Season:
    """All melts in order, and how near the best they are.

    `fewest_melts` is a number below which the sheets cannot be cast. `change_cost` is what going from alloy to alloy costs and
    `change_bound` what no order can cost less than. `gap_percent` is how far all weighing lists together, errands counted, may
    be off the best for these melts on these heels, lots shared in any way. `prices` are what a kilogram of each element
    was counted at.
    """

    melts: tuple[PlannedMelt, ...]
    fewest_melts: int
    change_cost: float
    change_bound: float
    gap_percent: float
    prices: MetalPrices


def plan_season(
    demands: Sequence[SheetDemand],
    recipes: Mapping[str, Recipe],
    lots: Sequence[Lot],
    settings: ShopSettings,
    *,
    in_pot: Heel | None = None,
    hurried: bool = False,
    fits: FitsIn | None = None,
    visits: Sequence[str] = (),
) -> Season:
    """All melts of a season, in order, each with its weighing list.

    Lots are shared out over all melts at once: the problem with divisible pieces says what each scarce lot is worth to the
    others, and each melt is then weighed out in whole pieces at that price, on the heel that the one before really leaves.
    Bought metal costs its price and an errand, so what is there is used first; a lot without a price is worth its metal.
    `in_pot` is what the pot holds at the start. `fits` is what the sheets of a melt must keep besides, in a pot by its name. A
    melt goes into the smallest pot that holds it; a further pot is emptied after every melt, what it leaves goes into ingots.
    `hurried` takes the first good list of each melt. `visits`: the alloys in the order in which they are melted, where that is
    settled already.
    """
    prices = metal_prices(lots)
    if not demands:
        return Season((), 0, 0.0, 0.0, 0.0, prices)
    lots = with_prices(lots, prices)
    pot = settings.pot
    room_kg, most = pot.capacity_kg - pot.spare_kg, min(pot.most_sheets, settings.casting.casts_a_day)
    in_main = (lambda sheets, kg: fits(sheets, kg, "")) if fits is not None else None
    grouped = group_into_melts(demands, room_kg, pot.heel_kg, most_sheets=most, fits=in_main)
    placed = [_in_fitting_pot(melt, settings, fits) for melt in grouped]
    by_alloy = _by_alloy(placed, recipes)
    fewest = sum(
        fewest_melts([d for d in demands if d.recipe == alloy], room_kg, pot.heel_kg, most) for alloy in by_alloy
    )
    used = [recipes[alloy] for alloy in by_alloy]
    offered = [*lots, *bought_lots(sum(d.used_kg for d in demands) * 1.5 + pot.capacity_kg, used, prices)]
    changes = _Changes(by_alloy, recipes, offered, settings, in_pot)
    main = {alloy: [m for m in held if not m.pot] for alloy, held in by_alloy.items()}
    main = {alloy: held for alloy, held in main.items() if held}
    order = (
        _settled_order(visits, main, changes)
        if visits
        else order_melts({alloy: len(held) for alloy, held in main.items()}, changes.cost)
    )
    melts = named(_with_further(_in_order(order, main), [m for m in placed if m.pot]))
    requests, emptied = _requests(melts, recipes, settings, changes)
    priced = _shared(requests, offered, settings)
    worth = priced[0] if priced is not None else {}
    asked = list(zip(melts, requests, emptied, strict=True))
    planned = weighed_out(asked, Floor(lots, worth, prices), settings, hurried=hurried)
    gap = _gap_percent(planned, offered, settings, prices)
    return Season(planned, fewest, order.cost, order.bound, gap, prices)


def _shared(
    requests: Sequence[ChargeRequest], lots: Sequence[Lot], settings: ShopSettings
) -> tuple[dict[str, float], float] | None:
    """What scarce lots are worth to the other melts, and the least cost of all; None where it is not found.

    It guides the weighing lists: a plan does not fail for want of it.
    """
    try:
        return shadow_prices(requests, lots, losses=settings.losses)
    except ConvergenceError:
        return None


def _by_alloy(melts: Sequence[MeltPlan], recipes: Mapping[str, Recipe]) -> dict[str, list[MeltPlan]]:
    """Melts by alloy, rising tin first, which is how shops like to work (common practice, no source)."""
    alloys = sorted({melt.recipe for melt in melts}, key=lambda name: (recipes[name].target.wt_pct("Sn"), name))
    return {alloy: [melt for melt in melts if melt.recipe == alloy] for alloy in alloys}


FitsIn = Callable[[Sequence[SheetDemand], float, str], bool]
"""As `Fits`, in a pot by its name."""


def _in_fitting_pot(melt: MeltPlan, settings: ShopSettings, fits: FitsIn | None) -> MeltPlan:
    """A melt in the smallest pot that holds it and heats it in time: a further pot where there is one, without a heel."""
    needed_kg = melt.wanted_kg - settings.pot.heel_kg
    for name, pot in settings.further_pots.items():
        if needed_kg <= pot.capacity_kg - pot.spare_kg and (fits is None or fits(melt.sheets, needed_kg, name)):
            return replace(melt, wanted_kg=needed_kg, pot=name)
    return melt


def _with_further(main: Sequence[MeltPlan], further: Sequence[MeltPlan]) -> list[MeltPlan]:
    """The melts of further pots, each after the last of its alloy in the main pot, or at the end."""
    found = list(main)
    for melt in further:
        after = [place for place, held in enumerate(found) if held.recipe == melt.recipe]
        found.insert(after[-1] + 1 if after else len(found), melt)
    return found


def _settled_order(visits: Sequence[str], by_alloy: Mapping[str, list[MeltPlan]], changes: _Changes) -> Order:
    """The alloys in an order that is settled, such as it does not name last."""
    asked = [*(alloy for alloy in visits if alloy in by_alloy), *(alloy for alloy in by_alloy if alloy not in visits)]
    names = [alloy for alloy, _ in itertools.groupby(asked)]
    cost = sum(max(changes.cost(a, b), 0.0) for a, b in zip([None, *names], names, strict=False))
    return Order(tuple(names), cost, 0.0)


def _in_order(order: Order, by_alloy: Mapping[str, list[MeltPlan]]) -> list[MeltPlan]:
    """The melts in the order of alloys: a visit on the way takes one melt, the last visit of an alloy takes the rest."""
    waiting = {alloy: list(melts) for alloy, melts in by_alloy.items()}
    visits_left, found = Counter(order.names), []
    for alloy in order.names:
        visits_left[alloy] -= 1
        count = 1 if visits_left[alloy] else len(waiting[alloy])
        found += waiting[alloy][:count]
        waiting[alloy] = waiting[alloy][count:]
    return found


class _Changes:
    """What going from one alloy to the next costs, worked out once for each pair."""

    def __init__(
        self,
        by_alloy: Mapping[str, list[MeltPlan]],
        recipes: Mapping[str, Recipe],
        offered: Sequence[Lot],
        settings: ShopSettings,
        in_pot: Heel | None,
    ) -> None:
        self.by_alloy, self.recipes, self.settings, self.in_pot = by_alloy, recipes, settings, in_pot
        self.lots = offered
        self.known: dict[tuple[str | None, str], ChangeOver] = {}
        self.worth: dict[str, float] = {}

    def heel_of(self, alloy: str | None) -> Heel | None:
        """What the pot holds after an alloy; what it holds at the start for None."""
        if alloy is None:
            return self.in_pot
        if alloy not in self.worth:
            request = self.request(self.by_alloy[alloy][0])
            cost = least_cost(request, self.lots, losses=self.settings.losses)
            self.worth[alloy] = max(cost or 0.0, 0.0) / request.wanted_kg
        return Heel(self.settings.pot.heel_kg, self.recipes[alloy].target, self.worth[alloy])

    def request(self, melt: MeltPlan) -> ChargeRequest:
        pot = self.settings.pot_of(melt.pot)
        return ChargeRequest(melt.name, self.recipes[melt.recipe], melt.wanted_kg, pot.capacity_kg, pot.spare_kg)

    def between(self, before: str | None, after: str) -> ChangeOver:
        heel = self.heel_of(before)
        if before == after or heel is None or heel.mass_kg <= 0.0:
            return ChangeOver(0.0, False, 0.0)
        if (before, after) not in self.known:
            emptying = self.settings.emptying_costs_kg * heel.price_per_kg
            self.known[before, after] = change_over(
                heel,
                self.request(self.by_alloy[after][0]),
                self.lots,
                emptying_cost=emptying,
                losses=self.settings.losses,
            )
        return self.known[before, after]

    def cost(self, before: str | None, after: str) -> float:
        return self.between(before, after).cost


def _requests(
    melts: Sequence[MeltPlan], recipes: Mapping[str, Recipe], settings: ShopSettings, changes: _Changes
) -> tuple[list[ChargeRequest], list[bool]]:
    """What each melt is asked to be, on the heel that is expected, and before which ones the pot is emptied."""
    requests, emptied = [], []
    before: str | None = None
    for melt in melts:
        if melt.pot:
            requests.append(changes.request(melt))
            emptied.append(False)
            continue
        change = changes.between(before, melt.recipe)
        heel = None if change.emptied else changes.heel_of(before)
        request = replace(changes.request(melt), wanted_kg=melt.wanted_kg + change.extra_kg)
        requests.append(replace(request, heel=heel if heel is not None and heel.mass_kg > 0.0 else None))
        emptied.append(change.emptied)
        before = melt.recipe
    return requests, emptied


def _gap_percent(
    planned: Sequence[PlannedMelt], offered: Sequence[Lot], settings: ShopSettings, prices: MetalPrices
) -> float:
    """How far the weighing lists and their errands together may be off the best."""
    charged = [m.charge for m in planned if isinstance(m.charge, Charge)]
    if not charged:
        return 0.0
    fetched = {line.lot.id for answer in charged for line in answer.lines if line.lot.kind == "buy"}
    cost = sum(answer.cost for answer in charged) + len(fetched) * errand(settings, prices)
    left = [planned_melt.ingots for planned_melt in planned if planned_melt.ingots is not None]
    bound = _shared([answer.request for answer in charged], [*offered, *left], settings)
    if bound is None or cost <= 0.0:
        return math.nan
    return 100.0 * max(cost - bound[1], 0.0) / cost
