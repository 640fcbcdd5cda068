"""After an assay of the pot: what to add, and what to ladle out first where there is no room to add it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Heel, Lot
from pipemetal.melts.mend import Blocked, charge
from pipemetal.melts.mixing import Effort, Weighing

__all__ = ["CORRECTION", "Correction", "correct"]

CORRECTION: Final = "correction"
LADLE_STEP_KG: Final = 1.0
MOST_LADLED: Final = 0.95
"""Share of the pot that may be ladled out; beyond it the melt is a new one."""


@dataclass(frozen=True)
class Correction:
    """What brings a pot back: additions, or why there are none; `ladle_out_kg` goes out first, cast in ingots.

    `room_left_kg` is what the pot still takes when all is in.
    """

    answer: Charge | Blocked
    ladle_out_kg: float
    room_left_kg: float


def correct(
    pot: Heel,
    recipe: Recipe,
    lots: Sequence[Lot],
    capacity_kg: float,
    *,
    losses: LossModel | None = None,
    weigh_step_kg: float = 0.5,
    least_weighed_kg: float = 0.0,
) -> Correction:
    """What to add to a melt that has been assayed: the least addition that brings it half way from its limits to its target.

    `pot` is the whole melt with its assay. An empty list of lines means that it meets its recipe as it is. Where the pot has
    no room to go half way, the windows themselves are enough; where it has no room even for these, the least that must be
    ladled out first is found by halving, in whole kilograms.

    >>> from pipemetal.alloys.composition import Composition
    >>> pot = Heel(400.0, Composition.parse("Sn 48 Pb bal"))
    >>> recipe = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.5, 50.5),))
    >>> tin = Lot("tin", "pig", Composition.parse("Sn 100"), 100.0)
    >>> added = correct(pot, recipe, [tin], 450.0)
    >>> [(line.lot.id, line.mass_kg) for line in added.answer.lines], added.room_left_kg
    ([('tin', 14.5)], 35.5)
    >>> correct(pot, recipe, [tin], 405.0).ladle_out_kg
    7.0
    """
    same_price = [replace(lot, price_per_kg=1.0) for lot in lots]
    aims = [recipe] if not recipe.misses(pot.composition) else [_half_way(recipe), recipe]
    model = losses or LossModel()
    for aim in aims:
        answer = charge(
            _request(pot, aim, capacity_kg),
            same_price,
            rules=Weighing(losses=model, weigh_step_kg=weigh_step_kg, least_weighed_kg=least_weighed_kg),
            effort=Effort(gap=1e-4),
        )
        if isinstance(answer, Charge):
            return _with_own_prices(answer, recipe, lots, 0.0)
    ladled = _least_ladled_kg(pot, recipe, same_price, capacity_kg, model, weigh_step_kg)
    if ladled is None:
        answer = replace(answer, request=replace(answer.request, recipe=recipe))
        return Correction(answer, 0.0, capacity_kg - pot.mass_kg)
    after = replace(pot, mass_kg=pot.mass_kg - ladled)
    answer = charge(
        _request(after, recipe, capacity_kg),
        same_price,
        rules=Weighing(losses=model, weigh_step_kg=weigh_step_kg, least_weighed_kg=least_weighed_kg),
        effort=Effort(gap=1e-4),
    )
    if isinstance(answer, Charge):
        return _with_own_prices(answer, recipe, lots, ladled)
    return Correction(answer, 0.0, capacity_kg - pot.mass_kg)


def _request(pot: Heel, aim: Recipe, capacity_kg: float) -> ChargeRequest:
    # A little less than the pot holds, so that rounding never asks for an addition.
    return ChargeRequest(CORRECTION, aim, pot.mass_kg * 0.9999, capacity_kg, capacity_kg, pot)


def _least_ladled_kg(
    pot: Heel, recipe: Recipe, lots: Sequence[Lot], capacity_kg: float, losses: LossModel, weigh_step_kg: float
) -> float | None:
    """The least whole kilograms that must go out before the recipe can be reached, or None where that does not help."""

    def helps(steps: int) -> bool:
        left = replace(pot, mass_kg=pot.mass_kg - steps * LADLE_STEP_KG)
        try:
            found = solve_charges(
                [_request(left, recipe, capacity_kg)],
                lots,
                rules=Weighing(losses=losses, weigh_step_kg=weigh_step_kg),
                effort=Effort(gap=0.5, nodes=500),
            )
        except ConvergenceError:
            return False
        return found is not None

    too_little, enough = 0, math.floor(MOST_LADLED * pot.mass_kg / LADLE_STEP_KG)
    if enough < 1 or not helps(enough):
        return None
    while enough - too_little > 1:
        middle = (too_little + enough) // 2
        if helps(middle):
            enough = middle
        else:
            too_little = middle
    return enough * LADLE_STEP_KG


def _with_own_prices(answer: Charge, recipe: Recipe, lots: Sequence[Lot], ladled_kg: float) -> Correction:
    """Least mass was sought, and half way: the true prices come back, and an edge of the aim is no edge of the recipe."""
    own = {lot.id: lot for lot in lots}
    lines = tuple(replace(line, lot=own[line.lot.id]) for line in answer.lines)
    cost = sum(line.mass_kg * line.lot.price_per_kg for line in lines)
    request = replace(answer.request, recipe=recipe)
    mended = replace(answer, request=request, lines=lines, cost=cost, binding=())
    return Correction(mended, ladled_kg, round(request.capacity_kg - mended.mass_kg - mended.dross_kg, 6))


def _half_way(recipe: Recipe) -> Recipe:
    """The recipe with every edge moved half way to its target."""
    halves = (
        (e, 0.5 * (low + recipe.target.wt_pct(e)), 0.5 * (high + recipe.target.wt_pct(e)))
        for e, low, high in recipe.windows_wt_pct
    )
    return replace(recipe, windows_wt_pct=tuple(halves))
