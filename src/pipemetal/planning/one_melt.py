"""One melt that no plan asks for: its weighing list with the heat it takes, or what stands in the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError, MeltError
from pipemetal.melts.charge import Charge, ChargeRequest
from pipemetal.melts.day import MeltPlan
from pipemetal.melts.lots import Heel, Lot
from pipemetal.melts.mend import Blocked, charge
from pipemetal.melts.mixing import Effort, Weighing
from pipemetal.melts.relax import GAP, Relaxed, what_relaxing_saves
from pipemetal.melts.worth import metal_prices, priced
from pipemetal.planning.melting import PlannedMelt
from pipemetal.planning.settings import ShopSettings

__all__ = ["MeltAsked", "OneMelt", "weigh_out"]

EDGE_NODES: Final = 300
"""Of the search for each edge of a window that is tried wider: somebody waits at the scale."""


@dataclass(frozen=True)
class MeltAsked:
    """What somebody wants in the pot after skimming, and on what."""

    name: str
    recipe: Recipe
    wanted_kg: float
    heel: Heel | None = None
    objective: str = "cost"
    certainty: str = "95"


@dataclass(frozen=True)
class OneMelt:
    """The answer as a melt of a plan is one, and what wider windows would save."""

    planned: PlannedMelt
    relaxed: tuple[Relaxed, ...]

    @property
    def charge(self) -> Charge | Blocked:
        """The weighing list, or why there is none."""
        return self.planned.charge


def weigh_out(asked: MeltAsked, lots: Sequence[Lot], settings: ShopSettings) -> OneMelt:
    """The weighing list from these lots, in the shop's pot, by its weighing step and its dross; a lot without a price is
    worth its metal.

    Errors: MeltError, also where the search over unsure analyses does not settle.

    >>> from pipemetal.alloys.composition import Composition
    >>> tin = Lot("tin", "pig", Composition.parse("Sn 100"), 300.0, 25.0)
    >>> lead = Lot("lead", "pig", Composition.parse("Pb 100"), 300.0, 50.0)
    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 48.0, 52.0),))
    >>> answer = weigh_out(MeltAsked("M", half, 195.0), (tin, lead), ShopSettings())
    >>> [(line.lot.id, line.mass_kg) for line in answer.charge.lines]
    [('lead', 100.0), ('tin', 100.0)]
    """
    pot = settings.pot
    heel = asked.heel if asked.heel is not None and asked.heel.mass_kg > 0.0 else None
    request = ChargeRequest(asked.name, asked.recipe, asked.wanted_kg, pot.capacity_kg, pot.spare_kg, heel)
    lots = priced(lots, metal_prices(lots))
    rules = Weighing(settings.losses, asked.objective, asked.certainty, pot.weigh_step_kg, pot.least_weighed_kg)
    relaxed: tuple[Relaxed, ...] = ()
    try:
        answer = charge(request, lots, rules=rules)
    except ConvergenceError:
        raise MeltError(
            "does not settle for these analyses", field="certainty", value=asked.certainty, allowed="worst"
        ) from None
    if isinstance(answer, Charge):
        relaxed = _relaxed(answer, lots, rules)
    melt = MeltPlan(asked.name, asked.recipe.name, (), asked.wanted_kg)
    return OneMelt(PlannedMelt(melt, answer, heel, False), relaxed)


def _relaxed(answer: Charge, lots: Sequence[Lot], rules: Weighing) -> tuple[Relaxed, ...]:
    try:
        return what_relaxing_saves(answer, lots, rules=rules, effort=Effort(gap=GAP, nodes=EDGE_NODES))
    except ConvergenceError:
        return ()  # the list stands; what a wider window would save stays untold
