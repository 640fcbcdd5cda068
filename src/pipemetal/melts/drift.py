"""What becomes of metal that is remelted again and again, and what a lot of scrap is worth in use.

Each melt loses tin faster than lead to its dross, and keeps what new metal brings in of bismuth, copper and arsenic: the
metal drifts until a window of its recipe is left. With new metal to correct it, tin can always be brought back; what gathers
cannot, and then scrap must be diluted or sold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import MeltError
from pipemetal.melts.charge import ChargeRequest, least_cost, solve_charges
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.mixing import Effort, Weighing

__all__ = ["Drift", "ScrapWorth", "remelt_drift", "scrap_worth"]

MELT_KG: Final = 100.0
POT_KG: Final = 130.0
STEP_KG: Final = 0.01
HALVINGS: Final = 7
STEADY_WT_PCT: Final = 1e-4


@dataclass(frozen=True)
class Drift:
    """Metal remelted round after round at one share of scrap.

    `uncorrected` holds its composition after each round where the rest of every melt is fresh metal of the recipe's own target;
    `leaves` the first round at which an element has left its window that way. `corrected` is the same with new metal chosen
    to meet the recipe, as long as it can be; `blocked_by` names the windows that end it. `lasting_share` is the most scrap that
    can go into every melt for as many rounds as were asked for.
    """

    recipe: str
    share: float
    uncorrected: tuple[Composition, ...]
    leaves: tuple[tuple[str, int], ...]
    corrected: tuple[Composition, ...]
    blocked_by: tuple[str, ...]
    lasting_share: float


def remelt_drift(
    recipe: Recipe,
    new_metal: Sequence[Lot],
    *,
    share: float = 0.5,
    kind: str = "scrap",
    rounds: int = 30,
    start: Composition | None = None,
    losses: LossModel | None = None,
) -> Drift:
    """How an alloy drifts when a `share` of every melt is its own scrap from the round before.

    `new_metal` are the lots that correct it, taken as endless and with their own impurities; `start` the scrap's metal at first,
    the recipe's target where None.

    Errors: MeltError for a share outside 0 to 1 or a number of rounds outside 1 to 200.

    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.5, 51.0), ("Bi", 0.0, 0.1)))
    >>> new = [Lot("t", "pig", Composition.parse("Sn 100"), 25.0), Lot("l", "pig", Composition.parse("Pb 99.85 Bi 0.15"), 25.0)]
    >>> found = remelt_drift(half, new, share=1.0)
    >>> found.leaves, found.blocked_by
    ((('Sn', 9),), ())
    """
    if not 0.0 <= share <= 1.0:
        raise MeltError("is not a share", field="share", value=share, allowed="0 to 1")
    if not 1 <= rounds <= 200:
        raise MeltError("is out of range", field="rounds", value=rounds, allowed="1 to 200")
    model, first = losses or LossModel(), start or recipe.target
    plain = _uncorrected(recipe, first, share, kind, rounds, model)
    leaves = []
    for element, low, high in recipe.windows_wt_pct:
        outside = [n for n, metal in enumerate(plain, 1) if not low - 1e-9 <= metal.wt_pct(element) <= high + 1e-9]
        if outside:
            leaves.append((element, outside[0]))
    corrected, blocked = _corrected(recipe, first, new_metal, share, kind, rounds, model)
    lasting = share if not blocked else _lasting_share(recipe, first, new_metal, share, kind, rounds, model)
    return Drift(recipe.name, share, plain, tuple(sorted(leaves, key=lambda x: x[1])), corrected, blocked, lasting)


def _uncorrected(
    recipe: Recipe, first: Composition, share: float, kind: str, rounds: int, losses: LossModel
) -> tuple[Composition, ...]:
    metal, found = first, []
    tin = recipe.target.wt_pct("Sn") >= 1.0
    for _ in range(rounds):
        old = losses.kept_kg_per_kg(Lot("scrap", kind, metal, 1.0), tin_present=tin)
        new = losses.kept_kg_per_kg(Lot("fresh", "pig", recipe.target, 1.0), tin_present=tin)
        kept = np.maximum(share * np.array(old) + (1.0 - share) * np.array(new), 0.0)
        metal = Composition(tuple(float(f) for f in kept / kept.sum()))
        found.append(metal)
    return tuple(found)


def _corrected(
    recipe: Recipe,
    first: Composition,
    new_metal: Sequence[Lot],
    share: float,
    kind: str,
    rounds: int,
    losses: LossModel,
) -> tuple[tuple[Composition, ...], tuple[str, ...]]:
    metal = first
    found: list[Composition] = []
    for _ in range(rounds):
        following = _one_round(recipe, metal, new_metal, share, kind, losses)
        if following is None:
            return tuple(found), _in_the_way(recipe, metal, new_metal, share, kind, losses)
        steady = (
            max(abs(a - b) for a, b in zip(following.fractions, metal.fractions, strict=True)) * 100.0 < STEADY_WT_PCT
        )
        metal = following
        found.append(metal)
        if steady:
            found += [metal] * (rounds - len(found))
            break
    return tuple(found), ()


def _one_round(
    recipe: Recipe, metal: Composition, new_metal: Sequence[Lot], share: float, kind: str, losses: LossModel
) -> Composition | None:
    """The next melt with this share of the last one's scrap and the cheapest new metal, or None."""
    endless = [replace(lot, mass_kg=POT_KG, piece_kg=None, uncertainty_wt_pct=()) for lot in new_metal]
    scrap_kg = share * MELT_KG
    lots = endless if scrap_kg <= 0.0 else [*endless, Lot("scrap again", kind, metal, scrap_kg)]
    request = ChargeRequest("round", recipe, MELT_KG * (1.0 - 0.05), POT_KG, 0.05 * MELT_KG)
    found = solve_charges(
        [request],
        lots,
        rules=Weighing(losses=losses, objective="scrap", weigh_step_kg=STEP_KG),
        effort=Effort(gap=1e-3, nodes=1_000),
    )
    if found is None:
        return None
    used = sum(line.mass_kg for line in found[0].lines if line.lot.id == "scrap again")
    return found[0].composition if used >= scrap_kg - 2.0 * STEP_KG else None


def _in_the_way(
    recipe: Recipe, metal: Composition, new_metal: Sequence[Lot], share: float, kind: str, losses: LossModel
) -> tuple[str, ...]:
    """The windows without which the round would go on."""
    found = []
    for element, _, _ in recipe.windows_wt_pct:
        without = replace(recipe, windows_wt_pct=tuple(w for w in recipe.windows_wt_pct if w[0] != element))
        if _one_round(without, metal, new_metal, share, kind, losses) is not None:
            found.append(element)
    return tuple(found)


def _lasting_share(
    recipe: Recipe,
    first: Composition,
    new_metal: Sequence[Lot],
    share: float,
    kind: str,
    rounds: int,
    losses: LossModel,
) -> float:
    lasts, too_much = 0.0, share
    for _ in range(HALVINGS):
        middle = 0.5 * (lasts + too_much)
        if _corrected(recipe, first, new_metal, middle, kind, rounds, losses)[1]:
            too_much = middle
        else:
            lasts = middle
    return lasts


@dataclass(frozen=True)
class ScrapWorth:
    """What a lot of scrap is worth in melts of one recipe.

    `most_share` of a melt can be this lot (zero where none can); `limited_by` names the windows that hold it there, none
    where the lot or the pot does. `worth_per_kg` is the new metal that a kilogram of it saves; `fetches_per_kg` its price as
    it lies.
    """

    lot: str
    recipe: str
    most_share: float
    limited_by: tuple[str, ...]
    worth_per_kg: float
    fetches_per_kg: float

    @property
    def verdict(self) -> str:
        """`use`, `correct` (use with new metal, a window holds it back) or `sell`."""
        if self.most_share <= 0.0 or self.worth_per_kg < self.fetches_per_kg:
            return "sell"
        return "correct" if self.limited_by else "use"


def scrap_worth(
    lot: Lot, recipe: Recipe, new_metal: Sequence[Lot], *, melt_kg: float = 400.0, losses: LossModel | None = None
) -> ScrapWorth:
    """What one lot of scrap is worth in melts of a recipe, made up with new metal.

    Its value in use is what the melt costs without it, less what it costs with it for nothing, over the kilograms used.

    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.5, 50.5),))
    >>> new = [Lot("t", "pig", Composition.parse("Sn 100"), 25.0, price_per_kg=28.0),
    ...        Lot("l", "pig", Composition.parse("Pb 100"), 25.0, price_per_kg=2.0)]
    >>> found = scrap_worth(Lot("S", "scrap", Composition.parse("Sn 30 Pb bal"), 80.0, price_per_kg=6.0), half, new)
    >>> found.verdict, round(found.worth_per_kg)
    ('use', 10)
    """
    endless = [replace(new, mass_kg=2.0 * melt_kg, piece_kg=None) for new in new_metal]
    free = replace(lot, id="this scrap", price_per_kg=0.0, piece_kg=None)
    request = ChargeRequest("worth", recipe, melt_kg, 1.2 * melt_kg, 0.01 * melt_kg)
    without = least_cost(request, endless, losses=losses)
    found = solve_charges(
        [request],
        [*endless, free],
        rules=Weighing(losses or LossModel(), "scrap"),
        effort=Effort(gap=1e-3, nodes=1_000),
    )
    used = 0.0 if found is None else sum(line.mass_kg for line in found[0].lines if line.lot.id == "this scrap")
    if found is None or used <= 0.0:
        return ScrapWorth(
            lot.id, recipe.name, 0.0, _holding(recipe, endless, free, request, losses), 0.0, lot.price_per_kg
        )
    limited = (
        () if used >= min(lot.mass_kg, 0.97 * melt_kg) - 1.0 else _holding(recipe, endless, free, request, losses, used)
    )
    taken = replace(free, mass_kg=used)
    with_it = least_cost(request, [*endless, taken], losses=losses)
    worth = 0.0 if without is None or with_it is None else (without - with_it) / used
    return ScrapWorth(lot.id, recipe.name, used / melt_kg, limited, worth, lot.price_per_kg)


def _holding(
    recipe: Recipe,
    endless: Sequence[Lot],
    scrap: Lot,
    request: ChargeRequest,
    losses: LossModel | None,
    used: float = 0.0,
) -> tuple[str, ...]:
    """Windows without which more of the scrap could go in."""
    found = []
    for element in ELEMENTS:
        if all(element != w[0] for w in recipe.windows_wt_pct):
            continue
        wider = replace(recipe, windows_wt_pct=tuple(w for w in recipe.windows_wt_pct if w[0] != element))
        answer = solve_charges(
            [replace(request, recipe=wider)],
            [*endless, scrap],
            rules=Weighing(losses or LossModel(), "scrap"),
            effort=Effort(gap=1e-3, nodes=1_000),
        )
        if answer is not None and sum(x.mass_kg for x in answer[0].lines if x.lot.id == scrap.id) > used + 1.0:
            found.append(element)
    return tuple(found)
