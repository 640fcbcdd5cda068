"""What a plan is made from beside the organ: recipes, rolls on the rack, lots on the floor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.lots import Lot
from pipemetal.sheets.roll import Roll

__all__ = ["Stock"]


@dataclass(frozen=True, eq=False)
class Stock:
    """A shop's metal. `unknown` are ids of lots that wait for an analysis; `notes` what a plan should repeat of all this."""

    recipes: Mapping[str, Recipe]
    rack: tuple[Roll, ...] = ()
    lots: tuple[Lot, ...] = ()
    unknown: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())
