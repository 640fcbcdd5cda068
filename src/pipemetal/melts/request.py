"""What a melt is asked to be, and the weighing list that answers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import MeltError
from pipemetal.melts.lots import Heel, Lot
from pipemetal.texts import Amount, Text

__all__ = ["OBJECTIVES", "Charge", "ChargeLine", "ChargeRequest"]

OBJECTIVES: Final = ("cost", "scrap", "virgin tin")
"""What a charge may be the least of; of scrap the most."""

LEAST_KG: Final = 0.001
"""Less is no melt."""


@dataclass(frozen=True)
class ChargeRequest:
    """One melt wanted: how much metal of which recipe, in which pot, on which heel.

    `wanted_kg` is the metal that must be in the pot after skimming, heel included, and at most `spare_kg` more.
    """

    name: str
    recipe: Recipe
    wanted_kg: float
    capacity_kg: float
    spare_kg: float = 10.0
    heel: Heel | None = None

    def __post_init__(self) -> None:
        where = Text("melt {name}", name=repr(self.name))
        for name, value in (("wanted_kg", self.wanted_kg), ("capacity_kg", self.capacity_kg)):
            if not (math.isfinite(value) and value > 0.0):
                raise MeltError("is not a mass", field=name, value=value, allowed="above 0 kg", where=where)
        if self.wanted_kg < LEAST_KG:
            raise MeltError(
                "is too little to be weighed",
                field="wanted_kg",
                value=self.wanted_kg,
                allowed="1 g or more",
                where=where,
            )
        if not (math.isfinite(self.spare_kg) and self.spare_kg >= 0.0):
            raise MeltError("is not a mass", field="spare_kg", value=self.spare_kg, allowed="0 kg or more", where=where)
        if self.heel is not None and self.heel.mass_kg >= self.capacity_kg:
            raise MeltError(
                "does not hold the heel that is in it",
                field="capacity_kg",
                value=self.capacity_kg,
                allowed=Text("above {mass_kg}", mass_kg=Amount.short(self.heel.mass_kg, "kg")),
                where=where,
            )
        if self.wanted_kg > self.capacity_kg:
            raise MeltError(
                "is more than the pot holds",
                field="wanted_kg",
                value=self.wanted_kg,
                allowed=Text("up to {capacity_kg}", capacity_kg=Amount.short(self.capacity_kg, "kg")),
                where=where,
            )


@dataclass(frozen=True)
class ChargeLine:
    """What to weigh of one lot."""

    lot: Lot
    mass_kg: float
    pieces: int


@dataclass(frozen=True)
class Charge:
    """A weighing list with what it gives, in the order of loading.

    `composition` is of the melt after skimming; `half_width_wt_pct` its 95 % half-widths from the lots' analyses.
    `element_kg` is what the melt holds of each element: with `loss_kg`, which leaves as dross, it adds up to what was charged
    and the heel. `binding` names the windows at whose edge the melt lies. `cost` is of what is weighed in.
    """

    request: ChargeRequest
    lines: tuple[ChargeLine, ...]
    composition: Composition
    half_width_wt_pct: tuple[tuple[str, float], ...]
    element_kg: tuple[tuple[str, float], ...]
    loss_kg: tuple[tuple[str, float], ...]
    cost: float
    gap_percent: float
    binding: tuple[Text, ...] = field(default=())

    @property
    def mass_kg(self) -> float:
        """Mass of the melt after skimming, heel included."""
        return math.fsum(mass for _, mass in self.element_kg)

    @property
    def worth_per_kg(self) -> float:
        """What a kilogram of the melt has cost, heel and dross included: the value of what stays in the pot."""
        heel = self.request.heel
        return (self.cost + (heel.mass_kg * heel.price_per_kg if heel else 0.0)) / self.mass_kg

    @property
    def charged_kg(self) -> float:
        """Mass weighed in, without the heel."""
        return sum(line.mass_kg for line in self.lines)

    @property
    def new_kg(self) -> float:
        """New metal among what is weighed in."""
        return sum(line.mass_kg for line in self.lines if line.lot.is_new_metal)

    @property
    def dross_kg(self) -> float:
        """Metal that leaves with the dross."""
        return sum(mass for _, mass in self.loss_kg)
