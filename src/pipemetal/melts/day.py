"""A casting season: sheets grouped into melts, and alloys put in the order that wastes least between them.

The pot keeps a heel that cannot be ladled out. Leftovers from the sled go back into the pot after each cast, so a melt
needs what its sheets take up and the largest charge that still has to be ladled near its end, not the sum of all charges.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import MeltError

__all__ = ["MeltPlan", "SheetDemand", "change_cost_kg", "group_into_melts", "metal_needed_kg", "order_recipes"]


@dataclass(frozen=True)
class SheetDemand:
    """A sheet to cast: the charge its sled is filled with and what of it stays on the table."""

    id: str
    recipe: str
    charge_kg: float
    used_kg: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.charge_kg) and 0.0 < self.used_kg <= self.charge_kg):
            raise MeltError(
                "does not fit its charge", field="used_kg", value=self.used_kg, allowed=f"above 0 to {self.charge_kg:g} kg",
                where=f"sheet {self.id!r}",
            )  # fmt: skip


@dataclass(frozen=True)
class MeltPlan:
    """A melt: its recipe, its sheets in the order of casting, and the metal that the pot must hold for them."""

    name: str
    recipe: str
    sheets: tuple[SheetDemand, ...]
    wanted_kg: float

    @property
    def used_kg(self) -> float:
        """Metal that stays on the table over all its sheets."""
        return sum(sheet.used_kg for sheet in self.sheets)


def metal_needed_kg(sheets: Sequence[SheetDemand], heel_kg: float) -> tuple[float, tuple[SheetDemand, ...]]:
    """Metal that a melt must hold, and the order of its sheets: largest leftover first.

    >>> a, b = SheetDemand("A", "m", 80.0, 30.0), SheetDemand("B", "m", 60.0, 40.0)
    >>> metal_needed_kg([b, a], 15.0)[0]
    105.0
    """
    order = sorted(sheets, key=lambda s: (s.used_kg - s.charge_kg, s.id))
    poured = needed = 0.0
    for sheet in order:
        needed = max(needed, poured + sheet.charge_kg)
        poured += sheet.used_kg
    return max(needed, poured) + heel_kg, tuple(order)


def group_into_melts(
    sheets: Sequence[SheetDemand], capacity_kg: float, heel_kg: float, order: Sequence[str] | None = None
) -> tuple[MeltPlan, ...]:
    """Sheets of each alloy into as few melts as first-fit decreasing finds, alloys in the given order.

    The number of melts is at least the metal over what a pot can give, and first-fit decreasing needs at most 11/9 of
    the fewest (D. S. Johnson 1973, from memory).

    Errors: MeltError for a sheet whose charge is more than the pot holds above its heel.

    >>> sheets = [SheetDemand(f"S{i}", "m", 90.0, 70.0) for i in range(7)]
    >>> [len(melt.sheets) for melt in group_into_melts(sheets, 450.0, 15.0)]
    [5, 2]
    """
    recipes = list(order) if order is not None else sorted({s.recipe for s in sheets})
    melts: list[MeltPlan] = []
    for recipe in recipes:
        bins: list[list[SheetDemand]] = []
        for sheet in sorted((s for s in sheets if s.recipe == recipe), key=lambda s: (-s.used_kg, s.id)):
            if metal_needed_kg([sheet], heel_kg)[0] > capacity_kg:
                raise MeltError(
                    "is more than the pot can ladle", field="charge_kg", value=round(sheet.charge_kg, 1),
                    allowed=f"up to {capacity_kg - heel_kg:g} kg", where=f"sheet {sheet.id!r}",
                )  # fmt: skip
            for held in bins:
                if metal_needed_kg([*held, sheet], heel_kg)[0] <= capacity_kg:
                    held.append(sheet)
                    break
            else:
                bins.append([sheet])
        for held in bins:
            needed, in_order = metal_needed_kg(held, heel_kg)
            melts.append(MeltPlan(f"M{len(melts) + 1:02d}", recipe, in_order, needed))
    return tuple(melts)


def change_cost_kg(before: Recipe, after: Recipe, heel_kg: float, wanted_kg: float, empty_cost_kg: float) -> float:
    """What going from one alloy to the next costs, as metal: the extra mass that dilutes the heel below every upper
    window, or emptying the pot if that is cheaper.

    A wrong order is priced, not forbidden.

    >>> from pipemetal.alloys.composition import Composition
    >>> hard = Recipe("hard", Composition.parse("Sn 20 Sb 1.5 Pb bal"))
    >>> fine = Recipe("fine", Composition.parse("Sn 75 Pb bal"), (("Sb", 0.0, 0.05),))
    >>> round(change_cost_kg(hard, fine, 15.0, 300.0, 1000.0)), change_cost_kg(fine, hard, 15.0, 300.0, 1000.0)
    (150, 0.0)
    """
    extra = 0.0
    for element, _, high in after.windows_wt_pct:
        held = heel_kg * before.target.wt_pct(element)
        if held <= 0.0:
            continue
        extra = max(extra, held / high - wanted_kg if high > 0.0 else math.inf)
    return min(max(extra, 0.0), empty_cost_kg)


def order_recipes(
    recipes: Mapping[str, Recipe], wanted_kg: Mapping[str, float], heel_kg: float, *, in_pot: str | None = None,
    empty_cost_kg: float = 20.0,
) -> tuple[tuple[str, ...], float]:  # fmt: skip
    """Order of alloys that costs least in changes, exact by dynamic programming over subsets, and its cost in kg.

    Ties go to rising tin, which is how shops like to work (common practice, no source). `in_pot` is the alloy of the heel
    at the start.

    Errors: MeltError for more than 14 alloys.
    """
    names = sorted(wanted_kg, key=lambda n: (recipes[n].target.wt_pct("Sn"), n))
    if len(names) > 14:
        raise MeltError("are too many for one season", field="alloys", value=len(names), allowed="up to 14")
    if not names:
        return (), 0.0

    def cost(a: str | None, b: str) -> float:
        return (
            0.0 if a is None or a == b else change_cost_kg(recipes[a], recipes[b], heel_kg, wanted_kg[b], empty_cost_kg)
        )

    best: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
    for last, name in enumerate(names):
        best[1 << last, last] = (cost(in_pot, name), (last,))
    for members in range(1, 1 << len(names)):
        for last in range(len(names)):
            if (members, last) not in best:
                continue
            so_far, path = best[members, last]
            for following in range(len(names)):
                if members >> following & 1:
                    continue
                key = (members | 1 << following, following)
                candidate = (so_far + cost(names[last], names[following]), (*path, following))
                if key not in best or candidate < best[key]:
                    best[key] = candidate
    full = (1 << len(names)) - 1
    total, path = min(best[full, last] for last in range(len(names)))
    return tuple(names[i] for i in path), total
