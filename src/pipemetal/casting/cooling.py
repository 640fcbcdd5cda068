"""Bringing ladled metal down to its pouring temperature: how fast the pot cools, and cold pieces to add in two
steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import (
    heat_content_kj_kg,
    liquid_heat_capacity_j_kgk,
    solid_heat_capacity_j_kgk,
)
from pipemetal.casting.base import STEFAN_BOLTZMANN, film_coefficient_w_m2k
from pipemetal.casting.model import checked
from pipemetal.errors import CastingError
from pipemetal.texts import Amount, Text

__all__ = ["ColdPieces", "CoolingPot", "cold_pieces", "cooling_k_min", "wait_s"]

STEEL_HEAT_CAPACITY_J_KGK = 500.0
_SURFACE_EMISSIVITY = 0.3
_WALL_EMISSIVITY = 0.85


@dataclass(frozen=True, slots=True)
class CoolingPot:
    """A steel pot of metal that stands and cools: diameter, height of the warm wall, steel, share of bare side loss."""

    diameter_mm: float = 260.0
    warm_height_mm: float = 200.0
    steel_kg: float = 10.0
    side_loss_share: float = 1.0

    def __post_init__(self) -> None:
        checked("diameter_mm", self.diameter_mm, 50.0, 3000.0, "mm")
        checked("warm_height_mm", self.warm_height_mm, 20.0, 3000.0, "mm")
        checked("steel_kg", self.steel_kg, 0.0, 2000.0, "kg")
        checked("side_loss_share", self.side_loss_share, 0.0, 2.0, "")


@dataclass(frozen=True, slots=True)
class ColdPieces:
    """Cold metal of the same alloy to stir in, in two steps: add ``first_kg``, wait, stir, read, then the rest.

    ``low_kg`` and ``high_kg`` bound the whole: solid quickly cast takes less heat than solid in equilibrium.
    """

    total_kg: float
    first_kg: float
    then_kg: float
    low_kg: float
    high_kg: float
    cautions: tuple[str, ...]


def cooling_k_min(
    comp: Composition,
    mass_kg: float,
    temperature_c: float,
    air_temperature_c: float = 20.0,
    pot: CoolingPot | None = None,
) -> float:
    """How fast standing liquid metal cools, in K per minute.

    Sources: plate formulas (textbook): 1.5 dT^(1/3) from the top, 1.42 (dT/L)^(1/4) from the wall, with grey radiation.

    >>> 5.0 < cooling_k_min(Composition.parse("Sn 50 Pb bal"), 60, 300) < 6.5
    True
    """
    pot = pot or CoolingPot()
    checked("mass_kg", mass_kg, 0.5, 5000.0, "kg")
    checked("temperature_c", temperature_c, 60.0, 600.0, "C")
    checked("air_temperature_c", air_temperature_c, -20.0, 60.0, "C")
    difference = temperature_c - air_temperature_c
    top = film_coefficient_w_m2k(temperature_c, air_temperature_c, _SURFACE_EMISSIVITY)
    hot, cold = temperature_c + 273.15, air_temperature_c + 273.15
    wall: float = 1.42 * (max(difference, 0.0) / (pot.warm_height_mm * 1e-3)) ** 0.25
    wall += _WALL_EMISSIVITY * STEFAN_BOLTZMANN * (hot**2 + cold**2) * (hot + cold)
    top_m2 = math.pi / 4.0 * (pot.diameter_mm * 1e-3) ** 2
    wall_m2 = math.pi * pot.diameter_mm * pot.warm_height_mm * 1e-6
    loss_w = (top * top_m2 + wall * wall_m2 * pot.side_loss_share) * difference
    stored = mass_kg * liquid_heat_capacity_j_kgk(comp, temperature_c) + pot.steel_kg * STEEL_HEAT_CAPACITY_J_KGK
    return float(60.0 * loss_w / stored)


def wait_s(
    comp: Composition,
    mass_kg: float,
    from_c: float,
    to_c: float,
    air_temperature_c: float = 20.0,
    pot: CoolingPot | None = None,
) -> float:
    """How long standing liquid metal takes to cool from one temperature to a lower one.

    Raises:
        CastingError: a target not below the start, below the liquidus, or not above the air.
    """
    _check_fall(comp, from_c, to_c)
    steps = 24
    fall = (from_c - to_c) / steps
    rates = [cooling_k_min(comp, mass_kg, from_c - fall * (i + 0.5), air_temperature_c, pot) for i in range(steps)]
    return math.fsum(60.0 * fall / rate for rate in rates)


def cold_pieces(
    comp: Composition,
    mass_kg: float,
    from_c: float,
    to_c: float,
    piece_temperature_c: float = 20.0,
    pot_steel_kg: float = 0.0,
) -> ColdPieces:
    """Cold pieces of the same alloy that bring liquid metal down to a temperature, all of them melting.

    x = [M (h(T1) - h(T2)) + m_pot c_pot (T1 - T2)] / [h(T2) - h(T0)]

    Arguments:
        mass_kg: liquid metal. piece_temperature_c: 0 to 150 C. pot_steel_kg: steel that cools along.
    Raises:
        CastingError: a target not below the start or below the liquidus, or a value out of range.
    Sources: heat contents from the assessed Gibbs energies (3 %); derived. The pot lags, so a first reading is too low
        by up to the pot's share.

    >>> round(cold_pieces(Composition.parse("Sn 50 Pb bal"), 60, 340, 290).total_kg, 1)
    5.9
    """
    checked("mass_kg", mass_kg, 0.5, 5000.0, "kg")
    checked("piece_temperature_c", piece_temperature_c, 0.0, 150.0, "C")
    checked("pot_steel_kg", pot_steel_kg, 0.0, 2000.0, "kg")
    _check_fall(comp, from_c, to_c)
    given = mass_kg * (heat_content_kj_kg(comp, from_c) - heat_content_kj_kg(comp, to_c))
    given += pot_steel_kg * STEEL_HEAT_CAPACITY_J_KGK * 1e-3 * (from_c - to_c)
    # Between the solid in equilibrium and the quickly cast one lies the heat of what dissolves on warming.
    taken = heat_content_kj_kg(comp, to_c) - (piece_temperature_c - 25.0) * 1e-3 * solid_heat_capacity_j_kgk(comp)
    total = given / taken
    first = total * 2.0 / 3.0
    cautions = (
        "pieces must be dry and warm: a wet or cold-sweating piece throws metal by steam",
        "add two thirds, wait, stir, read the thermometer, then work out the rest from the reading",
        "the pieces count in the charge; same alloy only",
    )
    return ColdPieces(total, first, total - first, 0.97 * total, 1.2 * total, cautions)


def _check_fall(comp: Composition, from_c: float, to_c: float) -> None:
    checked("from_c", from_c, 100.0, 600.0, "C")
    start = liquidus(comp).temperature_c
    if not math.isfinite(to_c) or not start <= to_c < from_c:
        raise CastingError(
            "must be below the start and not below the liquidus",
            field="to_c",
            value=to_c,
            allowed=Text(
                "{start} to {from_c}", start=Amount(start, "C", 0, bare=True), from_c=Amount.short(from_c, "C")
            ),
        )
