"""From the sheets to cast to melts: grouped, put in order, and charged from the lots that are there or must be bought."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge, ChargeRequest, least_cost, shadow_prices
from pipemetal.melts.day import MeltPlan, SheetDemand, fewest_melts, group_into_melts, named
from pipemetal.melts.lots import Heel, Lot, take_from
from pipemetal.melts.mend import Blocked, charge, pure_additions
from pipemetal.melts.order import ChangeOver, Order, change_over, order_melts
from pipemetal.planning.settings import ShopSettings

__all__ = ["PlannedMelt", "Season", "plan_season"]

BUYING_PREMIUM = 400.0
"""What a bought kilogram costs the search above its price, so that the floor's metal is used first."""
BAR_KG = 1.0
MOST_NODES, MOST_SECONDS = 2_000, 60.0
"""A charge's search ends by its nodes, so that a plan is the same on a busy machine; the seconds are for a machine in trouble."""
NEARLY_PURE_WT_PCT = 99.0


@dataclass(frozen=True)
class PlannedMelt:
    """A melt of the season with its weighing list, or why there is none.

    `heel` is what the pot holds before; `emptied` says that the pot is ladled out to the bottom before this melt, because
    the heel before would spoil it, or would cost more to dilute. `left_kg` stays in the pot when the last sheet is cast.
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
    def left_worth(self) -> float:
        """What the metal left in the pot has cost."""
        return self.left_kg * self.charge.worth_per_kg if isinstance(self.charge, Charge) else 0.0

    @property
    def bought_kg(self) -> dict[str, float]:
        """Metal of this melt that is not on the floor and must be bought, by element."""
        if isinstance(self.charge, Blocked):
            return dict(self.charge.missing_kg)
        return {line.lot.composition.present()[0]: line.mass_kg for line in self.charge.lines if line.lot.kind == "buy"}


@dataclass(frozen=True)
class Season:
    """All melts in order, and how near the best they are.

    `fewest_melts` is a number below which the sheets cannot be cast. `change_cost` is what going from alloy to alloy costs and
    `change_bound` what no order can cost less than. `gap_percent` is how far all weighing lists together may be off the best
    for these melts on these heels, lots shared in any way.
    """

    melts: tuple[PlannedMelt, ...]
    fewest_melts: int
    change_cost: float
    change_bound: float
    gap_percent: float


def plan_season(
    demands: Sequence[SheetDemand],
    recipes: Mapping[str, Recipe],
    lots: Sequence[Lot],
    settings: ShopSettings,
    *,
    in_pot: Heel | None = None,
) -> Season:
    """All melts of a season, in order, each with its weighing list.

    Lots are shared out over all melts at once: the problem with divisible pieces says what each scarce lot is worth to the
    others, and each melt is then weighed out in whole pieces at that price, on the heel that the one before really leaves.
    Only what the floor cannot give is bought. `in_pot` is what the pot holds at the start.
    """
    if not demands:
        return Season((), 0, 0.0, 0.0, 0.0)
    pot = settings.pot
    room_kg, most = pot.capacity_kg - pot.spare_kg, pot.most_sheets
    by_alloy = _by_alloy(group_into_melts(demands, room_kg, pot.heel_kg, most_sheets=most), recipes)
    fewest = sum(
        fewest_melts([d for d in demands if d.recipe == alloy], room_kg, pot.heel_kg, most) for alloy in by_alloy
    )
    offered = [*lots, *_bought_lots(sum(d.used_kg for d in demands) * 1.5 + pot.capacity_kg, recipes.values(), lots)]
    changes = _Changes(by_alloy, recipes, offered, settings, in_pot)
    order = order_melts({alloy: len(melts) for alloy, melts in by_alloy.items()}, changes.cost)
    melts = named(_in_order(order, by_alloy))
    requests, emptied = _requests(melts, recipes, settings, changes)
    priced = shadow_prices(requests, _with_premium(offered), losses=settings.losses)
    worth = priced[0] if priced is not None else {}
    planned = _weighed_out(melts, requests, emptied, lots, worth, settings)
    return Season(planned, fewest, order.cost, order.bound, _gap_percent(planned, offered, settings))


def _by_alloy(melts: Sequence[MeltPlan], recipes: Mapping[str, Recipe]) -> dict[str, list[MeltPlan]]:
    """Melts by alloy, rising tin first, which is how shops like to work (common practice, no source)."""
    alloys = sorted({melt.recipe for melt in melts}, key=lambda name: (recipes[name].target.wt_pct("Sn"), name))
    return {alloy: [melt for melt in melts if melt.recipe == alloy] for alloy in alloys}


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
        self.lots = _with_premium(offered)
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
        pot = self.settings.pot
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
    for number, melt in enumerate(melts):
        before = melts[number - 1].recipe if number else None
        change = changes.between(before, melt.recipe)
        heel = None if change.emptied else changes.heel_of(before)
        request = replace(changes.request(melt), wanted_kg=melt.wanted_kg + change.extra_kg)
        requests.append(replace(request, heel=heel if heel is not None and heel.mass_kg > 0.0 else None))
        emptied.append(change.emptied)
    return requests, emptied


def _weighed_out(
    melts: Sequence[MeltPlan],
    requests: Sequence[ChargeRequest],
    emptied: Sequence[bool],
    lots: Sequence[Lot],
    worth: Mapping[str, float],
    settings: ShopSettings,
) -> tuple[PlannedMelt, ...]:
    """Melt after melt in whole pieces, each on the heel that the one before leaves, from what is still there."""
    pot, free = settings.pot, tuple(lots)
    planned: list[PlannedMelt] = []
    for number, (melt, request) in enumerate(zip(melts, requests, strict=True)):
        heel = request.heel if number == 0 else None if emptied[number] else _heel_after(planned[-1], settings)
        bought = _bought_lots(request.wanted_kg, [request.recipe], lots)
        answer = charge(
            replace(request, heel=heel),
            [*free, *bought],
            losses=settings.losses,
            weigh_step_kg=pot.weigh_step_kg,
            least_weighed_kg=pot.least_weighed_kg,
            gap=0.01,
            seconds=MOST_SECONDS,
            nodes=MOST_NODES,
            extra_cost_per_kg=dict(worth) | {lot.id: BUYING_PREMIUM for lot in bought},
        )
        if isinstance(answer, Charge):
            free = take_from(free, {line.lot.id: line.mass_kg for line in answer.lines if line.lot.kind != "buy"})
        planned.append(PlannedMelt(melt, answer, heel, emptied[number]))
    return tuple(planned)


def _bought_lots(mass_kg: float, recipes: Iterable[Recipe], lots: Sequence[Lot]) -> list[Lot]:
    """What can be bought for recipes: what they aim at, tin and lead in bars, the others by the weighing step.

    The price is that of the dearest lot on the floor that is nearly pure; nought, which is no price, where there is none.
    """
    whole = math.ceil(mass_kg / BAR_KG) * BAR_KG
    wanted = {element for recipe in recipes for element in recipe.target.present()}
    return [
        replace(
            lot,
            mass_kg=whole,
            piece_kg=BAR_KG if lot.id in ("buy Sn", "buy Pb") else None,
            price_per_kg=_price_of(lot.composition.present()[0], lots),
        )
        for lot in pure_additions(mass_kg, wanted)
    ]


def _price_of(element: str, lots: Sequence[Lot]) -> float:
    pure = [
        lot.price_per_kg for lot in lots if lot.is_new_metal and lot.composition.wt_pct(element) > NEARLY_PURE_WT_PCT
    ]
    return max(pure, default=0.0)


def _with_premium(lots: Iterable[Lot]) -> list[Lot]:
    """Bought metal at what it costs the search."""
    return [replace(lot, price_per_kg=lot.price_per_kg + BUYING_PREMIUM) if lot.kind == "buy" else lot for lot in lots]


def _heel_after(planned: PlannedMelt, settings: ShopSettings) -> Heel | None:
    heel_kg = settings.pot.heel_kg
    if isinstance(planned.charge, Blocked):
        return Heel(heel_kg, planned.charge.request.recipe.target)
    left = min(heel_kg, max(planned.left_kg, 0.0))
    return Heel(left, planned.charge.composition, planned.charge.worth_per_kg)


def _gap_percent(planned: Sequence[PlannedMelt], offered: Sequence[Lot], settings: ShopSettings) -> float:
    """How far the weighing lists together may be off the best, bought metal at what it costs the search."""
    charged = [m.charge for m in planned if isinstance(m.charge, Charge)]
    if not charged:
        return 0.0
    cost = sum(
        line.mass_kg * (line.lot.price_per_kg + (BUYING_PREMIUM if line.lot.kind == "buy" else 0.0))
        for answer in charged
        for line in answer.lines
    )
    priced = shadow_prices([answer.request for answer in charged], _with_premium(offered), losses=settings.losses)
    if priced is None or cost <= 0.0:
        return math.nan
    return 100.0 * max(cost - priced[1], 0.0) / cost
