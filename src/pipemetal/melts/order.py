"""The order of alloys over a day or a season, so that the heel left each time is used up or diluted at least cost.

What a change costs is found with the charge's own linear problem (whole pieces taken as divisible): the next melt is
charged on the heel, and on a clean pot. Wrong orders, a high-tin melt after an antimonial one, are priced, not forbidden.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import MeltError
from pipemetal.melts.charge import ChargeRequest, least_cost
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Heel, Lot
from pipemetal.texts import Text

__all__ = ["ChangeOver", "Order", "change_over", "order_melts"]

DILUTIONS: Final = tuple(step / 8 for step in range(9))
"""Extra metal tried for diluting a heel, as a share of the heel: more would be dearer than ladling it out."""
MOST_ALLOYS: Final = 14


@dataclass(frozen=True)
class ChangeOver:
    """What it costs to go on with another melt: the pot ladled out first, or `extra_kg` more metal that dilutes its heel.

    `cost` is in the shop's currency, beside a clean pot; below zero where the heel saves more than it is worth.
    """

    cost: float
    emptied: bool
    extra_kg: float


def change_over(
    heel: Heel, request: ChargeRequest, lots: Sequence[Lot], *, emptying_cost: float, losses: LossModel | None = None
) -> ChangeOver:
    """The cheapest way from what is in the pot to the next melt. `request` is that melt; its own heel is not looked at.

    A heel that is diluted is paid for at its worth and saves new metal; more metal than was wanted is cast in ingots, which
    costs the work of emptying in proportion, and their dross. A heel that is ladled out is kept as ingots likewise.

    >>> from pipemetal.alloys.composition import Composition
    >>> from pipemetal.alloys.recipe import Recipe
    >>> tin = Lot("tin", "pig", Composition.parse("Sn 100"), 900.0, price_per_kg=28.0)
    >>> lead = Lot("lead", "pig", Composition.parse("Pb 100"), 900.0, price_per_kg=2.0)
    >>> fine = Recipe("fine", Composition.parse("Sn 75 Pb bal"), (("Sn", 73, 77), ("Sb", 0.0, 0.05)))
    >>> request = ChargeRequest("M", fine, 300.0, 450.0)
    >>> change_over(Heel(15.0, Composition.parse("Sn 20 Sb 1.5 Pb bal"), 8.0), request, [tin, lead], emptying_cost=40.0)
    ChangeOver(cost=40.0, emptied=True, extra_kg=0.0)
    >>> round(change_over(Heel(15.0, Composition.parse("Sn 50 Pb bal"), 15.0), request, [tin, lead], emptying_cost=40.0).cost)
    -2
    """
    clean = least_cost(replace(request, heel=None), lots, losses=losses)
    if heel.mass_kg <= 0.0 or clean is None:
        return ChangeOver(0.0, False, 0.0)
    model = losses or LossModel()
    worth = heel.mass_kg * heel.price_per_kg
    recast = emptying_cost / heel.mass_kg + model.share_of("ingot") * clean / request.wanted_kg
    best = ChangeOver(emptying_cost, True, 0.0)
    for share in DILUTIONS:
        extra = share * heel.mass_kg
        wanted = request.wanted_kg + extra
        if wanted + request.spare_kg > request.capacity_kg:
            break
        found = least_cost(replace(request, wanted_kg=wanted, heel=heel), lots, losses=losses)
        if found is None:
            continue
        own = clean * wanted / request.wanted_kg
        cost = found + worth - own + extra * recast
        if cost < best.cost:
            best = ChangeOver(cost, False, extra)
        if extra > 0.0:
            break  # the least that dilutes enough; with none, a little more may still be cheaper than a bad mixture
    return best


@dataclass(frozen=True)
class Order:
    """Alloys in order, each as often as it is visited, what the changes cost, and what no order can cost less than."""

    names: tuple[str, ...]
    cost: float
    bound: float


def order_melts(
    melts: Mapping[str, int], cost: Callable[[str | None, str], float], *, in_pot: str | None = None
) -> Order:
    """The order of alloys that costs least in changes. `melts` is how many melts of each there are, in the order preferred
    at a tie; `cost(before, after)` what a change costs, `before` None for an empty pot.

    Dynamic programming over subsets (Held & Karp, J. SIAM 10 (1962) 196) gives the best order of alloys each cast in one go.
    A way through another alloy may be cheaper than the direct change: the same with shortest ways is a bound for any order,
    and is taken itself where the melts suffice for its visits.

    Errors: MeltError for more than 14 alloys.

    >>> price = {("hard", "fine"): 40.0, ("fine", "hard"): 0.0}
    >>> order_melts({"hard": 1, "fine": 2}, lambda a, b: price.get((a, b), 0.0))
    Order(names=('fine', 'hard'), cost=0.0, bound=0.0)
    """
    names = list(melts)
    if len(names) > MOST_ALLOYS:
        raise MeltError(
            "are too many for one season",
            field="alloys",
            value=len(names),
            allowed=Text("up to {most_alloys}", most_alloys=MOST_ALLOYS),
        )
    if not names:
        return Order((), 0.0, 0.0)
    # What a heel saves is not counted for the order: ways that gain would go round and round.
    start = [max(cost(in_pot, name), 0.0) if in_pot != name else 0.0 for name in names]
    direct = [[0.0 if a == b else max(cost(a, b), 0.0) for b in names] for a in names]
    path, total = _best_path(start, direct)
    near, via = _shortest(direct)
    first = [min(start[k] + near[k][j] for k in range(len(names))) for j in range(len(names))]
    loose, bound = _best_path(first, near)
    if bound < total - 1e-9:
        visits = _expanded(loose, start, near, via)
        if all(visits.count(k) <= melts[name] for k, name in enumerate(names)):
            return Order(tuple(names[k] for k in visits), bound, bound)
    return Order(tuple(names[k] for k in path), total, min(bound, total))


def _best_path(start: Sequence[float], between: Sequence[Sequence[float]]) -> tuple[tuple[int, ...], float]:
    count = len(start)
    best: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {
        (1 << last, last): (start[last], (last,)) for last in range(count)
    }
    for members in range(1, 1 << count):
        for last in range(count):
            if (members, last) not in best:
                continue
            so_far, path = best[members, last]
            for following in range(count):
                if members >> following & 1:
                    continue
                key = (members | 1 << following, following)
                candidate = (so_far + between[last][following], (*path, following))
                if key not in best or candidate < best[key]:
                    best[key] = candidate
    total, path = min(best[(1 << count) - 1, last] for last in range(count))
    return path, total


def _shortest(direct: Sequence[Sequence[float]]) -> tuple[list[list[float]], dict[tuple[int, int], int]]:
    """Shortest ways between all alloys, and by which one each goes."""
    count = len(direct)
    near = [list(row) for row in direct]
    via: dict[tuple[int, int], int] = {}
    for middle, a, b in itertools.product(range(count), repeat=3):
        if a != b and near[a][middle] + near[middle][b] < near[a][b] - 1e-12:
            near[a][b], via[a, b] = near[a][middle] + near[middle][b], middle
    return near, via


def _expanded(
    path: Sequence[int], start: Sequence[float], near: Sequence[Sequence[float]], via: Mapping[tuple[int, int], int]
) -> list[int]:
    """The alloys really visited on a path of shortest ways."""

    def way(a: int, b: int) -> list[int]:
        return [*way(a, via[a, b]), *way(via[a, b], b)] if (a, b) in via else [b]

    begun = min(range(len(start)), key=lambda k: start[k] + (near[k][path[0]] if k != path[0] else 0.0))
    visits = [begun] if begun == path[0] else [begun, *way(begun, path[0])]
    for a, b in itertools.pairwise(path):
        visits += way(a, b)
    return [k for k, following in zip(visits, [*visits[1:], math.nan], strict=True) if k != following]
