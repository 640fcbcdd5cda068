"""A casting day or season: sheets grouped into melts.

The pot keeps a heel that cannot be ladled out. Leftovers from the sled go back into the pot after each cast, so a melt
needs what its sheets take up and the largest charge that still has to be ladled near its end, not the sum of all charges.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import MeltError
from pipemetal.texts import Amount, Text

__all__ = ["Fits", "MeltPlan", "SheetDemand", "fewest_melts", "group_into_melts", "held_kg", "metal_needed_kg"]

SEARCH_NODES: Final = 5_000
"""Places tried by the exact grouping before the first-fit answer is kept."""
MOST_SHEETS: Final = 1000
MOST_SLEDS_ORDERED: Final = 4
"""In every order of so many sleds a melt is tried; of more, in that of their largest leftovers."""
Fits = Callable[[Sequence["SheetDemand"], float], bool]
"""Whether sheets can be cast from one melt that must hold so much metal, beside what the pot holds."""


@dataclass(frozen=True)
class SheetDemand:
    """A sheet to cast: the charge its sled is filled with, what of it stays on the table, and which sled it is."""

    id: str
    recipe: str
    charge_kg: float
    used_kg: float
    sled: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.charge_kg) and 0.0 < self.used_kg <= self.charge_kg):
            raise MeltError(
                "does not fit its fill",
                field="used_kg",
                value=self.used_kg,
                allowed=Text("above 0 to {charge_kg}", charge_kg=Amount.short(self.charge_kg, "kg")),
                where=Text("sheet {id}", id=repr(self.id)),
            )


@dataclass(frozen=True)
class MeltPlan:
    """A melt: its recipe, its sheets in the order of casting, the metal that the pot must hold for them, and which pot: the main
    one where none is named."""

    name: str
    recipe: str
    sheets: tuple[SheetDemand, ...]
    wanted_kg: float
    pot: str = ""

    @property
    def used_kg(self) -> float:
        """Metal that stays on the table over all its sheets."""
        return sum(sheet.used_kg for sheet in self.sheets)


def metal_needed_kg(sheets: Sequence[SheetDemand], heel_kg: float) -> tuple[float, tuple[SheetDemand, ...]]:
    """Metal that a melt must hold, and the order of its sheets: one sled after the other, largest leftover first.

    >>> a, b = SheetDemand("A", "m", 80.0, 30.0), SheetDemand("B", "m", 60.0, 40.0)
    >>> metal_needed_kg([b, a], 15.0)[0]
    105.0
    """
    by_sled: dict[str, list[SheetDemand]] = {}
    for sheet in sorted(sheets, key=lambda s: (s.used_kg - s.charge_kg, s.id)):
        by_sled.setdefault(sheet.sled, []).append(sheet)
    orders = itertools.permutations(by_sled.values()) if len(by_sled) <= MOST_SLEDS_ORDERED else [by_sled.values()]
    tried = ([sheet for held in order for sheet in held] for order in orders)
    needed, best = min(((held_kg(order), order) for order in tried), key=lambda found: found[0])
    return needed + heel_kg, tuple(best)


def held_kg(order: Sequence[SheetDemand]) -> float:
    """Metal above the heel that sheets in this order need: leftovers go back into the pot after each cast."""
    poured = needed = 0.0
    for sheet in order:
        needed = max(needed, poured + sheet.charge_kg)
        poured += sheet.used_kg
    return max(needed, poured)


def fewest_melts(
    sheets: Sequence[SheetDemand], capacity_kg: float, heel_kg: float, most_sheets: int = MOST_SHEETS
) -> int:
    """A number of melts below which one alloy's sheets cannot be cast: metal over what a pot can give, sheets over the
    most in a melt, and sheets of which no two go together.

    >>> fewest_melts([SheetDemand(f"S{i}", "m", 260.0, 230.0) for i in range(3)], 450.0, 15.0)
    3
    """
    if not sheets:
        return 0
    room = capacity_kg - heel_kg
    by_metal = math.ceil(math.fsum(s.used_kg for s in sheets) / room - 1e-9)
    alone = sum(2.0 * s.used_kg > room for s in sheets)
    return max(by_metal, math.ceil(len(sheets) / most_sheets), alone, 1)


def group_into_melts(
    sheets: Sequence[SheetDemand],
    capacity_kg: float,
    heel_kg: float,
    order: Sequence[str] | None = None,
    *,
    most_sheets: int = MOST_SHEETS,
    fits: Fits | None = None,
) -> tuple[MeltPlan, ...]:
    """Sheets of each alloy into the fewest melts, alloys in the given order, a fuller melt before an emptier one.

    First-fit decreasing gives a grouping (at most 11/9 of the fewest melts: D. S. Johnson 1973, not checked); where the
    metal would fit into fewer, depth-first search looks for them, so that a day's grouping is the fewest. For a long season
    the search may give up; `fewest_melts` is the bound. `fits` is what a melt must keep besides; a sheet alone always may.

    Errors: MeltError for a sheet whose charge is more than the pot holds above its heel.

    >>> sheets = [SheetDemand(f"S{i}", "m", 90.0, 70.0) for i in range(7)]
    >>> [len(melt.sheets) for melt in group_into_melts(sheets, 450.0, 15.0)]
    [5, 2]
    """
    recipes = list(order) if order is not None else sorted({s.recipe for s in sheets})
    melts: list[MeltPlan] = []
    for recipe in recipes:
        wanted = sorted((s for s in sheets if s.recipe == recipe), key=lambda s: (-s.used_kg, s.id))
        for sheet in wanted:
            if metal_needed_kg([sheet], heel_kg)[0] > capacity_kg:
                raise MeltError(
                    "is more than the pot can ladle",
                    field="charge_kg",
                    value=round(sheet.charge_kg, 1),
                    allowed=Text("up to {value}", value=Amount.short(capacity_kg - heel_kg, "kg")),
                    where=Text("sheet {id}", id=repr(sheet.id)),
                )
        for held in _fewest_groups(wanted, _Pot(capacity_kg, heel_kg, most_sheets, fits)):
            needed, in_order = metal_needed_kg(held, heel_kg)
            melts.append(MeltPlan("", recipe, in_order, needed))
    return named(melts)


def named(melts: Sequence[MeltPlan]) -> tuple[MeltPlan, ...]:
    """Melts with names in their order."""
    return tuple(replace(melt, name=f"M{number:02d}") for number, melt in enumerate(melts, 1))


@dataclass(frozen=True)
class _Pot:
    """What one melt can serve."""

    capacity_kg: float
    heel_kg: float
    most_sheets: int
    fits: Fits | None

    def holds(self, sheets: Sequence[SheetDemand]) -> bool:
        """Whether these sheets can be cast from one melt."""
        if len(sheets) > self.most_sheets:
            return False
        needed = metal_needed_kg(sheets, self.heel_kg)[0]
        return needed <= self.capacity_kg and (self.fits is None or len(sheets) == 1 or self.fits(sheets, needed))


def _fewest_groups(sheets: Sequence[SheetDemand], pot: _Pot) -> list[list[SheetDemand]]:
    groups: list[list[SheetDemand]] = []
    for sheet in sheets:
        for held in groups:
            if pot.holds([*held, sheet]):
                held.append(sheet)
                break
        else:
            groups.append([sheet])
    least = fewest_melts(sheets, pot.capacity_kg, pot.heel_kg, pot.most_sheets)
    while len(groups) > least:
        fewer = _packed(sheets, len(groups) - 1, pot)
        if fewer is None:
            break
        groups = fewer
    return sorted(groups, key=lambda held: -metal_needed_kg(held, pot.heel_kg)[0])


def _packed(sheets: Sequence[SheetDemand], count: int, pot: _Pot) -> list[list[SheetDemand]] | None:
    """The sheets in so many melts, or None where there is no way, or none was found within the nodes."""
    groups: list[list[SheetDemand]] = [[] for _ in range(count)]
    nodes = 0

    def place(index: int) -> bool:
        nonlocal nodes
        nodes += 1
        if index == len(sheets):
            return True
        if nodes > SEARCH_NODES:
            return False
        tried: set[float] = set()
        for held in groups:
            filled = round(metal_needed_kg(held, pot.heel_kg)[0], 6) if held else 0.0
            if filled in tried:
                continue
            tried.add(filled)
            if not pot.holds([*held, sheets[index]]):
                continue
            held.append(sheets[index])
            if place(index + 1):
                return True
            held.pop()
        return False

    return groups if place(0) else None
