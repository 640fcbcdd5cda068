"""Melt after melt weighed out from what is still on the floor: each on what the one before leaves, ingots of earlier ones too.

A shop weighs whole pigs; where those alone would have metal bought, or serve not at all, a piece may be sawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError
from pipemetal.melts.charge import Charge, ChargeRequest, least_cost, solve_charges
from pipemetal.melts.day import MeltPlan
from pipemetal.melts.lots import Heel, Lot, take_from
from pipemetal.melts.mend import Blocked, charge, pure_additions
from pipemetal.melts.mixing import Effort, SearchCosts, Weighing
from pipemetal.melts.sawing import SAWN, is_sawn, rejoined, sawable
from pipemetal.melts.worth import KEPT_SHARE, MetalPrices, needed_elements
from pipemetal.planning.settings import ShopSettings
from pipemetal.texts import Text

__all__ = ["LEAST_INGOTS_KG", "Floor", "PlannedMelt", "aimed_at", "bought_lots", "errand", "heel_after", "weighed_out"]

MELT_GAP: Final = 0.01
"""Of a melt's cost: half of it takes twice the time and saves less than an errand."""
HURRIED_GAP, HURRIED_NODES = 0.1, 20
"""When somebody waits for the search to end."""
MOST_NODES, MOST_SECONDS = 2_000, 60.0
"""A charge's search ends by its nodes, so that a plan is the same on a busy machine; the seconds are for a machine in trouble."""
LEAST_INGOTS_KG: Final = 1.0
"""Less is ladled back or skimmed; nobody casts an ingot of it (common practice, no source)."""
MOST_LEFT_SHARE: Final = 0.5
"""Of what the next melt of the same alloy wants, so much at most is left in the pot for it; the rest goes into ingots."""
SAVES_MUCH: Final = 0.03
"""Of a list's cost: a pig is sawn for no less (estimate)."""

MOST_SAWN: Final = (1, 2)
"""Lots that are sawn for one melt: one where that serves, then two, then any number (common practice, no source)."""
PURE_WT_PCT: Final = 95.0
"""A lot of so much of one element does what bought metal of it would."""
MASTER_WT_PCT: Final = 2.0
"""A master alloy of so much of an element is made to bring it (estimate)."""


@dataclass(frozen=True)
class PlannedMelt:
    """A melt of the season with its weighing list, or why there is none.

    `heel` is what the pot holds before; `emptied` says that the pot is ladled out to the bottom before this melt, because
    the heel before would spoil it, or would cost more to dilute. `heel_dross_kg` is what the heel loses when it is melted again
    (a heel sets overnight and drosses as an ingot does). `left_kg` stays in the pot when the last sheet is cast; what of it
    the next melt does not find in the pot is cast in `ingots`, a lot of its own for any later melt.
    """

    melt: MeltPlan
    charge: Charge | Blocked
    heel: Heel | None
    emptied: bool
    heel_dross_kg: float = 0.0
    ingots: Lot | None = None

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
class Floor:
    """The lots with their prices, what each is worth to the other melts, and what bought metal costs."""

    lots: Sequence[Lot]
    worth: Mapping[str, float]
    prices: MetalPrices


def errand(settings: ShopSettings, prices: MetalPrices) -> float:
    """What fetching one metal costs beside its price."""
    return settings.errand_costs_kg * prices.per_kg["Pb"]


def bought_lots(mass_kg: float, recipes: Iterable[Recipe], prices: MetalPrices) -> list[Lot]:
    """What can be bought for recipes, pure and weighed as finely as the scale: what they need, at its price."""
    wanted = {element for recipe in recipes for element in needed_elements(recipe)}
    return [
        replace(lot, price_per_kg=prices.per_kg[lot.composition.present()[0]])
        for lot in pure_additions(math.ceil(mass_kg), wanted)
    ]


def weighed_out(
    requests: Sequence[tuple[MeltPlan, ChargeRequest, bool]], floor: Floor, settings: ShopSettings, *, hurried: bool
) -> tuple[PlannedMelt, ...]:
    """Melt after melt in whole pieces, each on the heel that the one before leaves, from what is still there.

    `requests`: each melt, what it is asked to be on the heel that is expected, and whether the pot is emptied before it.
    """
    free = tuple(floor.lots)
    planned: list[PlannedMelt] = []
    fetched: set[str] = set()
    names = {lot.id for lot in floor.lots}
    last = -1  # of the main pot
    for melt, request, emptied in requests:
        heel, heel_dross_kg = request.heel, 0.0
        if last >= 0 and not melt.pot:
            heel = heel_after(planned[last], melt, settings, emptied=emptied)
            planned[last], free = _poured_off(planned[last], heel, names, free)
            before_kg = heel.mass_kg if heel is not None else 0.0
            heel = _melted_again(heel, settings)
            heel_dross_kg = before_kg - (heel.mass_kg if heel is not None else 0.0)
        asked = replace(request, heel=heel if heel is not None and heel.mass_kg > 0.0 else None)
        answer = _by_habit(asked, free, floor, fetched, settings, hurried=hurried)
        if isinstance(answer, Charge):
            fetched |= {line.lot.id for line in answer.lines if line.lot.kind == "buy"}
            free = _taken(free, answer)
        planned.append(PlannedMelt(melt, answer, asked.heel, emptied, heel_dross_kg))
        if melt.pot:
            planned[-1], free = _poured_off(planned[-1], None, names, free)
        else:
            last = len(planned) - 1
    if last >= 0:
        planned[last], _ = _poured_off(planned[last], None, names, free)
    return tuple(planned)


def _poured_off(
    planned: PlannedMelt, heel: Heel | None, names: set[str], free: tuple[Lot, ...]
) -> tuple[PlannedMelt, tuple[Lot, ...]]:
    """A melt with its ingots, and the floor with them."""
    made = _with_ingots(planned, heel, names)
    return made, (*free, made.ingots) if made.ingots is not None else free


def _by_habit(
    request: ChargeRequest,
    free: Sequence[Lot],
    floor: Floor,
    fetched: set[str],
    settings: ShopSettings,
    *,
    hurried: bool,
) -> Charge | Blocked:
    """The weighing list as the shop is used to; where its habits leave none, as the recipe alone asks.

    First with whole pieces. Where those have metal bought, cost much more than pieces that can be divided would, or leave no
    list, a piece may be sawn; the cheaper of both stands.
    Bought metal by the handful is the last way, for nobody sells it so. One lot is sawn for a melt, more where nothing else
    serves; and whatever the search ended with, no metal is bought that a pure lot or a master alloy on the floor gives.
    """
    scale = _Scale(request, settings, floor, fetched, hurried)
    return scale.without_needless(_first_listed(scale, free), free)


def _first_listed(scale: _Scale, free: Sequence[Lot]) -> Charge | Blocked:
    whole = scale.listed(free)
    if whole is not None and not scale.may_saw(whole, free):
        return whole
    sawn = scale.sawn(free)
    found = [answer for answer in (whole, sawn) if answer is not None]
    if found:
        return min(found, key=scale.counted)
    finer = scale.listed(sawable(free), least_bought=False)
    if finer is not None:
        return rejoined(finer, free)
    return charge(
        scale.request, [*free, *scale.bought], rules=scale.rules(free, least_bought=False), effort=scale.effort
    )


class _Scale:
    """The searches for one melt's weighing list."""

    def __init__(
        self, request: ChargeRequest, settings: ShopSettings, floor: Floor, fetched: set[str], hurried: bool
    ) -> None:
        self.request, self.settings, self.floor, self.fetched, self.hurried = (
            request,
            settings,
            floor,
            fetched,
            hurried,
        )
        self.bought = bought_lots(request.wanted_kg, [request.recipe], floor.prices)
        self.saw = settings.saw_costs_kg * floor.prices.per_kg["Pb"]
        self.effort = Effort(
            gap=HURRIED_GAP if hurried else MELT_GAP,
            seconds=MOST_SECONDS,
            nodes=HURRIED_NODES if hurried else MOST_NODES,
            guessed=not hurried,
        )

    def rules(
        self, lots: Sequence[Lot], *, least_bought: bool = True, most_sawn: int | None = None, any_piece: bool = False
    ) -> Weighing:
        """How the shop weighs, and what the search counts beside the prices."""
        pot, habits = self.settings.pot, self.settings.habits
        fetch = errand(self.settings, self.floor.prices)
        errands = {lot.id: fetch for lot in self.bought if lot.id not in self.fetched}
        errands |= {lot.id: self.saw for lot in lots if lot.id.endswith(SAWN)}
        extra = {lot.id: self.floor.worth.get(lot.id.removesuffix(SAWN), 0.0) for lot in lots}
        extra |= {lot.id: (1.0 / KEPT_SHARE - 1.0) * lot.price_per_kg for lot in self.bought}
        return Weighing(
            losses=self.settings.losses,
            weigh_step_kg=pot.weigh_step_kg,
            least_weighed_kg=0.0 if any_piece else pot.least_weighed_kg,
            costs=SearchCosts(extra, errands),
            least_bought_kg=habits.least_bought_kg if least_bought else 0.0,
            fewest_within=0.0 if self.hurried else habits.lots_within,
            most_sawn=most_sawn,
        )

    def listed(
        self,
        lots: Sequence[Lot],
        *,
        least_bought: bool = True,
        most_sawn: int | None = None,
        any_piece: bool = False,
        without: frozenset[str] = frozenset(),
    ) -> Charge | None:
        """A list from these lots, aimed at the target where the shop wants it so; nothing is bought of the lots `without`."""
        aim = self.settings.habits.aim
        rules = self.rules(lots, least_bought=least_bought, most_sawn=most_sawn, any_piece=any_piece)
        aimed = replace(self.request, recipe=aimed_at(self.request.recipe, aim))
        offered = [*lots, *(lot for lot in self.bought if lot.id not in without)]
        for asked in [aimed, self.request] if aim > 0.0 else [self.request]:
            found = solve_charges([asked], offered, rules=rules, effort=self.effort)
            if found is not None:
                return replace(found[0], request=self.request)
        return None

    def sawn(self, free: Sequence[Lot], *, without: frozenset[str] = frozenset()) -> Charge | None:
        """A list with one lot sawn, or with more where one does not serve."""
        for most in (*MOST_SAWN, None):
            try:
                found = self.listed(sawable(free), most_sawn=most, without=without)
            except ConvergenceError:
                continue
            if found is not None:
                return rejoined(found, free)
        return None

    def without_needless(self, answer: Charge | Blocked, free: Sequence[Lot]) -> Charge | Blocked:
        """The list, or one that takes a pure lot or master alloy of the floor for every metal that it buys and such a lot gives.

        The search counts an errand as more than the saw, but it ends by its nodes: what it ends with is not left to that.
        """
        without: frozenset[str] = frozenset()
        while isinstance(answer, Charge) and (needless := _needless(answer, free, _pure) - without):
            without |= needless
            answer = self.sawn(free, without=without) or self._swapped(answer, free, without) or answer
        if isinstance(answer, Charge) and (needless := _needless(answer, free, _gives) - without):
            without |= needless
            found = self.sawn(free, without=without) or self._swapped(answer, free, without)
            answer = found if found is not None and not _needless(found, free, _pure) else answer
        return answer

    def _swapped(self, answer: Charge, free: Sequence[Lot], without: frozenset[str]) -> Charge | None:
        """The list from its own lots and those that give what it buys: a small problem, solved to its end."""
        listed = {line.lot.id for line in answer.lines}
        elements = [lot.composition.present()[0] for lot in self.bought if lot.id in without]
        own = [lot for lot in free if lot.id in listed or any(_gives(lot, e) > 0.0 for e in elements)]
        for any_piece in (False, True):
            try:
                found = self.listed(sawable(own), least_bought=False, any_piece=any_piece, without=without)
            except ConvergenceError:
                continue
            if found is not None:
                return rejoined(found, free)
        return None

    def may_saw(self, whole: Charge, free: Sequence[Lot]) -> bool:
        """Whether a list of whole pieces leaves anything for the saw to save: metal bought, or much beside divisible pieces; in a
        hurry the metal alone counts."""
        buys = any(line.lot.kind == "buy" for line in whole.lines)
        if buys or self.hurried:
            return buys
        least = least_cost(self.request, [*free, *self.bought], losses=self.settings.losses)
        return least is not None and whole.cost - least > self.saw + SAVES_MUCH * whole.cost

    def counted(self, answer: Charge) -> float:
        """What a list costs with the errands and the sawing that it asks for."""
        fetch = errand(self.settings, self.floor.prices)
        new = {line.lot.id for line in answer.lines if line.lot.kind == "buy"} - self.fetched
        sawn = sum(is_sawn(line) for line in answer.lines)
        return answer.cost + fetch * len(new) + self.saw * sawn


def _pure(lot: Lot, element: str) -> float:
    """The share of a lot that is as good as bought metal of an element: all of a pure one, nothing of others."""
    return float(lot.composition.wt_pct(element) >= PURE_WT_PCT)


def _gives(lot: Lot, element: str) -> float:
    """As `_pure`, and of a master alloy what it is made for."""
    share = lot.composition.wt_pct(element) / 100.0
    made_for = lot.kind == "master" and MASTER_WT_PCT <= 100.0 * share < 50.0
    return share if made_for else _pure(lot, element)


def _needless(answer: Charge, free: Sequence[Lot], gives: Callable[[Lot, str], float]) -> frozenset[str]:
    """The bought lots of a list of whose metal as much lies in lots that give it and that the list leaves."""
    used = {line.lot.id: line.mass_kg for line in answer.lines}
    left = {lot.id: lot.mass_kg - used.get(lot.id, 0.0) for lot in free}
    return frozenset(
        line.lot.id
        for line in answer.lines
        if line.lot.kind == "buy"
        and sum(left[lot.id] * gives(lot, line.lot.composition.present()[0]) for lot in free) >= line.mass_kg
    )


def _taken(free: tuple[Lot, ...], answer: Charge) -> tuple[Lot, ...]:
    """What is left when a list has gone into the pot; the rest of a sawn piece is a piece."""
    masses = {line.lot.id: line.mass_kg for line in answer.lines if line.lot.kind != "buy"}
    kept = {lot.id: lot for lot in take_from(free, masses)}
    rests = {
        lot.id: replace(lot, mass_kg=lot.mass_kg - masses[lot.id], piece_kg=lot.mass_kg - masses[lot.id])
        for lot in free
        if lot.id in masses and lot.id not in kept and lot.mass_kg - masses[lot.id] > LEAST_INGOTS_KG
    }
    return tuple(kept.get(lot.id) or rests[lot.id] for lot in free if lot.id in kept or lot.id in rests)


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


def heel_after(before: PlannedMelt, following: MeltPlan, settings: ShopSettings, *, emptied: bool) -> Heel | None:
    """What the pot holds for the melt that follows: all that is left where it is of the same alloy, else the heel alone."""
    if emptied:
        return None
    heel_kg, answer = settings.pot.heel_kg, before.charge
    if isinstance(answer, Blocked):
        return Heel(heel_kg, answer.request.recipe.target)
    left_kg = max(before.left_kg, 0.0)
    most_kg = max(heel_kg, MOST_LEFT_SHARE * following.wanted_kg) if following.recipe == before.melt.recipe else heel_kg
    return Heel(min(left_kg, most_kg), answer.composition, answer.worth_per_kg, _unsure(answer))


def _unsure(answer: Charge) -> tuple[tuple[str, float], ...]:
    return tuple((e, half) for e, half in answer.half_width_wt_pct if half > 0.0)


def _with_ingots(planned: PlannedMelt, heel: Heel | None, names: set[str]) -> PlannedMelt:
    """A melt with the ingots of what the next one does not find in the pot; their lot is called as the recipe and the melt."""
    answer = planned.charge
    mass_kg = planned.left_kg - (heel.mass_kg if heel is not None else 0.0)
    if not isinstance(answer, Charge) or mass_kg <= LEAST_INGOTS_KG:
        return planned
    head = f"{planned.melt.recipe} {planned.melt.name}"
    name = next(n for k in range(1, len(names) + 2) if (n := head if k == 1 else f"{head} ({k})") not in names)
    price = KEPT_SHARE * answer.worth_per_kg
    note = Text("left of melt {melt}", melt=planned.melt.name)
    ingots = Lot(name, "ingot", answer.composition, mass_kg, None, _unsure(answer), price, note=note)
    return replace(planned, ingots=ingots)


def _melted_again(heel: Heel | None, settings: ShopSettings) -> Heel | None:
    """What is left of a heel that has set overnight: it drosses as an ingot, and what is left has cost as much."""
    if heel is None:
        return None
    kept = 1.0 - settings.losses.share_of("ingot")
    return replace(heel, mass_kg=kept * heel.mass_kg, price_per_kg=heel.price_per_kg / kept)
