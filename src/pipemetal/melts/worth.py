"""What metal is worth by the kilogram: from the prices on the floor and on offer, so that a lot without one is not free."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.lots import Lot

__all__ = ["KEPT_SHARE", "MetalPrices", "metal_prices", "needed_elements", "priced"]

PROGRAM_PRICES: Final = {"Pb": 2.1, "Sn": 28.0, "Sb": 13.0, "Bi": 12.0, "Cu": 9.0, "Ag": 900.0, "As": 3.0}
"""EUR a kilogram where the shop has no price (estimate, of the order of traded prices of 2024 and 2025, not checked).
Only how they stand to each other decides: they are scaled to the prices that the shop does have."""
NEARLY_PURE_WT_PCT: Final = 99.0
KEPT_SHARE: Final = 0.9
"""What metal that is there counts against its price when it is bought: it is paid for, waits and takes room (estimate)."""
TELLING_WT_PCT: Final = 10.0
"""A lot with less of an element than this says nothing about that element's price."""
BASE_WT_PCT: Final = 5.0
"""From this share on an element is one that the metal is made of, whatever its window begins at."""


@dataclass(frozen=True)
class MetalPrices:
    """A price per kilogram for every element; `guessed` are those that no lot or offer tells."""

    per_kg: Mapping[str, float]
    guessed: frozenset[str]

    def of(self, metal: Composition) -> float:
        """What the metal in a kilogram is worth.

        >>> prices = MetalPrices({"Pb": 2.0, "Sn": 28.0}, frozenset())
        >>> prices.of(Composition.parse("Sn 50 Pb bal"))
        15.0
        """
        return sum(self.per_kg[e] * metal.wt_pct(e) / 100.0 for e in metal.present())


def metal_prices(lots: Iterable[Lot], offers: Iterable[Lot] = ()) -> MetalPrices:
    """What a kilogram of each element costs to buy.

    An offer of the nearly pure element tells it best, the cheapest of them; then the dearest nearly pure lot on the floor (what
    was paid last is not known). Where there is neither, a master alloy tells it by what its other metal costs. The
    rest is guessed by how the program's own prices stand to those that were found.

    >>> lead = Lot("P", "pig", Composition.parse("Pb 100"), 50.0, price_per_kg=2.0)
    >>> master = Lot("A", "master", Composition.parse("Sb 25 Pb bal"), 50.0, price_per_kg=4.5)
    >>> found = metal_prices([lead, master])
    >>> found.per_kg["Pb"], found.per_kg["Sb"], round(found.per_kg["Sn"], 1), "Sn" in found.guessed
    (2.0, 12.0, 26.7, True)
    """
    told = [lot for lot in lots if lot.price_per_kg > 0.0 and lot.is_new_metal]
    offered = [lot for lot in offers if lot.price_per_kg > 0.0]
    found = {e: price for e in ELEMENTS if (price := _pure_price(e, told, offered)) > 0.0}
    scale = statistics.median(found[e] / PROGRAM_PRICES[e] for e in found) if found else 1.0
    for lot in (*offered, *told):
        metal = lot.composition
        unknown = [e for e in metal.present() if e not in found and metal.wt_pct(e) >= TELLING_WT_PCT]
        if len(unknown) != 1:
            continue
        rest = sum(
            found.get(e, PROGRAM_PRICES[e] * scale) * metal.wt_pct(e) / 100.0
            for e in metal.present()
            if e != unknown[0]
        )
        if lot.price_per_kg > rest:
            found[unknown[0]] = (lot.price_per_kg - rest) / (metal.wt_pct(unknown[0]) / 100.0)
    guessed = {e: PROGRAM_PRICES[e] * scale for e in ELEMENTS if e not in found}
    return MetalPrices(found | guessed, frozenset(guessed))


def _pure_price(element: str, told: Sequence[Lot], offered: Sequence[Lot]) -> float:
    def prices(lots: Sequence[Lot]) -> list[float]:
        return [lot.price_per_kg for lot in lots if lot.composition.wt_pct(element) > NEARLY_PURE_WT_PCT]

    return min(prices(offered), default=0.0) or max(prices(told), default=0.0)


def priced(lots: Iterable[Lot], prices: MetalPrices) -> list[Lot]:
    """The lots, each without a price at what its metal is worth.

    >>> ingot = Lot("I", "ingot", Composition.parse("Sn 50 Pb bal"), 30.0)
    >>> priced([ingot], MetalPrices({"Pb": 2.0, "Sn": 28.0}, frozenset()))[0].price_per_kg
    15.0
    """
    return [lot if lot.price_per_kg > 0.0 else replace(lot, price_per_kg=prices.of(lot.composition)) for lot in lots]


def needed_elements(recipe: Recipe) -> tuple[str, ...]:
    """The elements that a melt of this recipe may have to be bought: its base metals, and what a window asks a least of.

    A window that begins at zero asks for nothing.

    >>> recipe = Recipe("half", Composition.parse("Sn 50 Sb 0.3 Pb bal"), (("Sn", 49.0, 51.0), ("Sb", 0.0, 0.6)))
    >>> needed_elements(recipe)
    ('Pb', 'Sn')
    """
    present = recipe.target.present()
    asked = {e for e, low, _ in recipe.windows_wt_pct if low > 0.0}
    asked |= {e for e in present if recipe.target.wt_pct(e) >= BASE_WT_PCT}
    if sum(recipe.window(e)[1] for e in asked) < 100.0:
        asked |= set(present)
    return tuple(e for e in ELEMENTS if e in asked)
