"""When a charge cannot be met: which element blocks it, by how much, and the smallest addition that would mend it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot

__all__ = ["Blockage", "Blocked", "charge", "pure_additions"]

ADDITION_PREMIUM: Final = 9_999.0
"""Price of a kilogram of an addition in the search for the least of them: above any lot's."""


@dataclass(frozen=True)
class Blockage:
    """One element's window that the lots cannot meet: the nearest that can be reached, and the window."""

    element: str
    reached_wt_pct: float
    low_wt_pct: float
    high_wt_pct: float


@dataclass(frozen=True)
class Blocked:
    """Why a melt cannot be charged, and what would mend it.

    `missing_kg` are the least masses of pure metal to buy or find; empty where no addition helps, in which case `words`
    says what to do instead.
    """

    request: ChargeRequest
    blockages: tuple[Blockage, ...]
    missing_kg: tuple[tuple[str, float], ...]
    words: str


def pure_additions(
    mass_kg: float, wanted: Iterable[str], *, price_per_kg: float = ADDITION_PREMIUM, prefix: str = "buy"
) -> tuple[Lot, ...]:
    """A lot of each wanted element in its pure state, to be bought.

    Only what a recipe aims at should be wanted: a window that leaves silver free does not ask for silver.

    >>> [lot.id for lot in pure_additions(10.0, ("Pb", "Sn"))]
    ['buy Pb', 'buy Sn']
    """
    return tuple(
        Lot(
            f"{prefix} {e}",
            "buy",
            Composition.from_wt_pct({e: 100.0}),
            mass_kg,
            price_per_kg=price_per_kg,
            note="to be bought",
        )
        for e in ELEMENTS
        if e in set(wanted)
    )


def _widened(recipe: Recipe, element: str) -> Recipe:
    return replace(recipe, windows_wt_pct=tuple(w for w in recipe.windows_wt_pct if w[0] != element))


def _blockages(request: ChargeRequest, lots: Sequence[Lot], losses: LossModel, certainty: str) -> tuple[Blockage, ...]:
    """Elements whose window alone stands in the way: drop it, and the rest can be met, were every piece divisible."""
    found = []
    divisible = [replace(lot, piece_kg=None) for lot in lots]
    for element, low, high in request.recipe.windows_wt_pct:
        relaxed = replace(request, recipe=_widened(request.recipe, element))
        try:
            answer = solve_charges([relaxed], divisible, losses=losses, certainty=certainty, gap=0.05, seconds=2.0)
        except ConvergenceError:
            continue
        if answer is not None:
            found.append(Blockage(element, answer[0].composition.wt_pct(element), low, high))
    return tuple(found)


def charge(
    request: ChargeRequest,
    lots: Sequence[Lot],
    *,
    losses: LossModel | None = None,
    objective: str = "cost",
    certainty: str = "95",
    weigh_step_kg: float = 0.5,
    least_weighed_kg: float = 0.0,
    extra_cost_per_kg: Mapping[str, float] | None = None,
    gap: float = 0.005,
    seconds: float = 2.0,
    nodes: int = 200_000,
) -> Charge | Blocked:
    """The weighing list of one melt, or why there is none.

    Arguments and errors as `solve_charges`.

    >>> tin, lead = Composition.parse("Sn 100"), Composition.parse("Pb 100")
    >>> lots = (Lot("tin", "pig", tin, 25.0, 25.0), Lot("lead", "pig", lead, 300.0, 50.0))
    >>> recipe = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> answer = charge(ChargeRequest("M1", recipe, 100.0, 450.0), lots)
    >>> answer.blockages[0].element, answer.missing_kg
    ('Sn', (('Sn', 26.0),))
    """
    model = losses or LossModel()
    found = solve_charges(
        [request],
        lots,
        losses=model,
        objective=objective,
        certainty=certainty,
        weigh_step_kg=weigh_step_kg,
        least_weighed_kg=least_weighed_kg,
        extra_cost_per_kg=extra_cost_per_kg,
        gap=gap,
        seconds=seconds,
        nodes=nodes,
    )
    if found is not None:
        return found[0]
    blockages = _blockages(request, lots, model, certainty)
    with_bought = [replace(lot, price_per_kg=0.0) for lot in lots] + list(
        pure_additions(request.capacity_kg, request.recipe.target.present(), price_per_kg=1.0, prefix="missing")
    )
    mended = solve_charges(
        [request],
        with_bought,
        losses=model,
        certainty=certainty,
        weigh_step_kg=weigh_step_kg,
        gap=0.02,
        seconds=seconds,
    )
    if mended is None:
        return Blocked(request, blockages, (), _no_addition_helps(request))
    missing = tuple(
        (line.lot.composition.present()[0], line.mass_kg)
        for line in mended[0].lines
        if line.lot.id.startswith("missing ")
    )
    listed = ", ".join(f"{mass:g} kg of {element}" for element, mass in missing)
    return Blocked(request, blockages, missing, f"the lots do not reach the recipe; {listed} would mend it")


def _no_addition_helps(request: ChargeRequest) -> str:
    heel = request.heel
    if heel is not None:
        for element, _, high in request.recipe.windows_wt_pct:
            held = heel.mass_kg * heel.composition.wt_pct(element) / 100.0
            most = request.capacity_kg * high / 100.0
            if held > most:
                excess = heel.mass_kg * (1.0 - most / held)
                return f"the heel brings too much {element}: ladle out at least {excess:.1f} kg of it first"
    return "no addition of pure metal mends it: the pot is too small for the windows, or the analyses are too unsure"
