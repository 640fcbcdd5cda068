"""From the sheets to cast to melts: grouped, put in order, and charged from the lots that are there or must be bought."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge, ChargeRequest, least_cost, shadow_prices, solve_charges
from pipemetal.melts.day import Fits, MeltPlan, SheetDemand, fewest_melts, group_into_melts, named
from pipemetal.melts.lots import Heel, Lot, take_from
from pipemetal.melts.mend import Blocked, charge, pure_additions
from pipemetal.melts.mixing import Effort, SearchCosts, Weighing
from pipemetal.melts.order import ChangeOver, Order, change_over, order_melts
from pipemetal.melts.worth import KEPT_SHARE, MetalPrices, metal_prices, needed_elements
from pipemetal.melts.worth import priced as with_prices
from pipemetal.planning.settings import ShopSettings

__all__ = ["PlannedMelt", "Season", "aimed_at", "plan_season"]

MELT_GAP = 0.01
"""Of a melt's cost: half of it takes twice the time and saves less than an errand."""
HURRIED_GAP, HURRIED_NODES = 0.1, 20
"""When somebody waits for the search to end."""
MOST_NODES, MOST_SECONDS = 2_000, 60.0
"""A charge's search ends by its nodes, so that a plan is the same on a busy machine; the seconds are for a machine in trouble."""


@dataclass(frozen=True)
class PlannedMelt:
    """A melt of the season with its weighing list, or why there is none.

    `heel` is what the pot holds before; `emptied` says that the pot is ladled out to the bottom before this melt, because
    the heel before would spoil it, or would cost more to dilute. `heel_dross_kg` is what the heel loses when it is melted again
    (a heel sets overnight and drosses as an ingot does). `left_kg` stays in the pot when the last sheet is cast.
    """

    melt: MeltPlan
    charge: Charge | Blocked
    heel: Heel | None
    emptied: bool
    heel_dross_kg: float = 0.0

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
    fits: Fits | None = None,
) -> Season:
    """All melts of a season, in order, each with its weighing list.

    Lots are shared out over all melts at once: the problem with divisible pieces says what each scarce lot is worth to the
    others, and each melt is then weighed out in whole pieces at that price, on the heel that the one before really leaves.
    Bought metal costs its price and an errand, so what is there is used first; a lot without a price is worth its metal.
    `in_pot` is what the pot holds at the start. `fits` is what the sheets of a melt must keep besides.
    `hurried` takes the first good list of each melt.
    """
    prices = metal_prices(lots)
    if not demands:
        return Season((), 0, 0.0, 0.0, 0.0, prices)
    lots = with_prices(lots, prices)
    pot = settings.pot
    room_kg, most = pot.capacity_kg - pot.spare_kg, min(pot.most_sheets, settings.casting.casts_a_day)
    grouped = group_into_melts(demands, room_kg, pot.heel_kg, most_sheets=most, fits=fits)
    by_alloy = _by_alloy(grouped, recipes)
    fewest = sum(
        fewest_melts([d for d in demands if d.recipe == alloy], room_kg, pot.heel_kg, most) for alloy in by_alloy
    )
    used = [recipes[alloy] for alloy in by_alloy]
    offered = [*lots, *_bought_lots(sum(d.used_kg for d in demands) * 1.5 + pot.capacity_kg, used, prices)]
    changes = _Changes(by_alloy, recipes, offered, settings, in_pot)
    order = order_melts({alloy: len(melts) for alloy, melts in by_alloy.items()}, changes.cost)
    melts = named(_in_order(order, by_alloy))
    requests, emptied = _requests(melts, recipes, settings, changes)
    priced = shadow_prices(requests, offered, losses=settings.losses)
    worth = priced[0] if priced is not None else {}
    planned = _weighed_out(melts, requests, emptied, _Floor(lots, worth, prices), settings, hurried)
    gap = _gap_percent(planned, offered, settings, prices)
    return Season(planned, fewest, order.cost, order.bound, gap, prices)


def _errand(settings: ShopSettings, prices: MetalPrices) -> float:
    """What fetching one metal costs beside its price."""
    return settings.errand_costs_kg * prices.per_kg["Pb"]


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


@dataclass(frozen=True)
class _Floor:
    """The lots with their prices, what each is worth to the other melts, and what bought metal costs."""

    lots: Sequence[Lot]
    worth: Mapping[str, float]
    prices: MetalPrices


def _weighed_out(
    melts: Sequence[MeltPlan],
    requests: Sequence[ChargeRequest],
    emptied: Sequence[bool],
    floor: _Floor,
    settings: ShopSettings,
    hurried: bool,
) -> tuple[PlannedMelt, ...]:
    """Melt after melt in whole pieces, each on the heel that the one before leaves, from what is still there."""
    pot, free = settings.pot, tuple(floor.lots)
    planned: list[PlannedMelt] = []
    fetched: set[str] = set()
    for number, (melt, request) in enumerate(zip(melts, requests, strict=True)):
        heel = request.heel if number == 0 else None if emptied[number] else _heel_after(planned[-1], settings)
        before_kg = heel.mass_kg if heel is not None and number else 0.0
        heel = _melted_again(heel, settings) if before_kg > 0.0 else heel
        heel_dross_kg = before_kg - (heel.mass_kg if heel is not None and number else 0.0)
        bought = _bought_lots(request.wanted_kg, [request.recipe], floor.prices)
        errand = _errand(settings, floor.prices)
        errands = {lot.id: errand for lot in bought if lot.id not in fetched}
        extra = {lot.id: floor.worth.get(lot.id, 0.0) for lot in free}
        extra |= {lot.id: (1.0 / KEPT_SHARE - 1.0) * lot.price_per_kg for lot in bought}
        rules = Weighing(
            losses=settings.losses,
            weigh_step_kg=pot.weigh_step_kg,
            least_weighed_kg=pot.least_weighed_kg,
            costs=SearchCosts(extra, errands),
            least_bought_kg=settings.habits.least_bought_kg,
            fewest_within=0.0 if hurried else settings.habits.lots_within,
        )
        effort = Effort(
            gap=HURRIED_GAP if hurried else MELT_GAP,
            seconds=MOST_SECONDS,
            nodes=HURRIED_NODES if hurried else MOST_NODES,
        )
        answer = _by_habit(replace(request, heel=heel), [*free, *bought], rules, effort, settings.habits.aim)
        if isinstance(answer, Charge):
            fetched |= {line.lot.id for line in answer.lines if line.lot.kind == "buy"}
            free = take_from(free, {line.lot.id: line.mass_kg for line in answer.lines if line.lot.kind != "buy"})
        planned.append(PlannedMelt(melt, answer, heel, emptied[number], heel_dross_kg))
    return tuple(planned)


def _by_habit(
    request: ChargeRequest, lots: Sequence[Lot], rules: Weighing, effort: Effort, aim: float
) -> Charge | Blocked:
    """The weighing list as the shop is used to; where its habits leave none, as the recipe alone asks."""
    aimed = replace(request, recipe=aimed_at(request.recipe, aim))
    finer = replace(rules, least_bought_kg=0.0)
    tried = ([(aimed, rules)] if aim > 0.0 else []) + [(request, rules), (aimed, finer), (request, finer)]
    for asked, by in tried[:-1]:
        found = solve_charges([asked], lots, rules=by, effort=effort)
        if found is not None:
            return replace(found[0], request=request)
    return charge(request, lots, rules=finer, effort=effort)


def aimed_at(recipe: Recipe, aim: float) -> Recipe:
    """A recipe whose window of tin is narrowed towards its target by a share of its width.

    >>> from pipemetal.alloys.composition import Composition
    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 48.0, 52.0),))
    >>> aimed_at(half, 0.5).windows_wt_pct
    (('Sn', 49.0, 51.0),)
    """
    target = recipe.target.wt_pct("Sn")
    windows = tuple(
        (e, low + aim * (target - low), high - aim * (high - target)) if e == "Sn" else (e, low, high)
        for e, low, high in recipe.windows_wt_pct
    )
    return replace(recipe, windows_wt_pct=windows) if aim > 0.0 else recipe


def _bought_lots(mass_kg: float, recipes: Iterable[Recipe], prices: MetalPrices) -> list[Lot]:
    """What can be bought for recipes, pure and weighed as finely as the scale: what they need, at its price."""
    wanted = {element for recipe in recipes for element in needed_elements(recipe)}
    return [
        replace(lot, price_per_kg=prices.per_kg[lot.composition.present()[0]])
        for lot in pure_additions(math.ceil(mass_kg), wanted)
    ]


def _heel_after(planned: PlannedMelt, settings: ShopSettings) -> Heel | None:
    heel_kg = settings.pot.heel_kg
    if isinstance(planned.charge, Blocked):
        return Heel(heel_kg, planned.charge.request.recipe.target)
    left = min(heel_kg, max(planned.left_kg, 0.0))
    return Heel(left, planned.charge.composition, planned.charge.worth_per_kg)


def _melted_again(heel: Heel | None, settings: ShopSettings) -> Heel | None:
    """What is left of a heel that has set overnight: it drosses as an ingot, and what is left has cost as much."""
    if heel is None:
        return None
    kept = 1.0 - settings.losses.share_of("ingot")
    return replace(heel, mass_kg=kept * heel.mass_kg, price_per_kg=heel.price_per_kg / kept)


def _gap_percent(
    planned: Sequence[PlannedMelt], offered: Sequence[Lot], settings: ShopSettings, prices: MetalPrices
) -> float:
    """How far the weighing lists and their errands together may be off the best."""
    charged = [m.charge for m in planned if isinstance(m.charge, Charge)]
    if not charged:
        return 0.0
    fetched = {line.lot.id for answer in charged for line in answer.lines if line.lot.kind == "buy"}
    cost = sum(answer.cost for answer in charged) + len(fetched) * _errand(settings, prices)
    bound = shadow_prices([answer.request for answer in charged], offered, losses=settings.losses)
    if bound is None or cost <= 0.0:
        return math.nan
    return 100.0 * max(cost - bound[1], 0.0) / cost
