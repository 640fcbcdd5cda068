"""Heat to melt a charge: energy, gas and time.

Sources: heat content from the assessed database of the alloys room; steel 500 J/(kg K), net heating values 35.8 MJ/m3 of
natural gas and 46.35 MJ/kg of propane (not checked; a public range for natural gas is 34 to 52 MJ/m3); efficiency is an
estimate until the shop reads its meter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import heat_content_kj_kg
from pipemetal.errors import MeltError

__all__ = ["MeltHeat", "heat_to_melt"]

STEEL_J_KGK: Final = 500.0
GAS_MJ_M3: Final = 35.8
PROPANE_MJ_KG: Final = 46.35


@dataclass(frozen=True)
class MeltHeat:
    """Energy in metal and pot, and what it takes to bring it in."""

    metal_mj: float
    pot_mj: float
    fuel_kwh: float
    natural_gas_m3: float
    propane_kg: float
    hours: float


def heat_to_melt(
    comp: Composition,
    mass_kg: float,
    temperature_c: float,
    *,
    pot_kg: float = 150.0,
    start_c: float = 25.0,
    efficiency: float = 0.30,
    burner_kw: float = 20.0,
) -> MeltHeat:
    """Heat from `start_c` (taken as 25 C in the metal) to a temperature.

    Errors: MeltError for a mass, an efficiency or a burner that cannot be.

    >>> heat = heat_to_melt(Composition.parse("Sn 50 Pb bal"), 450.0, 350.0)
    >>> 48.0 < heat.metal_mj < 51.0, 23.0 < heat.pot_mj < 25.0
    (True, True)
    """
    for name, value, low, high in (
        ("mass_kg", mass_kg, 0.0, 5000.0),
        ("pot_kg", pot_kg, 0.0, 2000.0),
        ("efficiency", efficiency, 0.05, 1.0),
        ("burner_kw", burner_kw, 0.5, 500.0),
    ):
        if not low <= value <= high:
            raise MeltError("is out of range", field=name, value=value, limits=(low, high))
    metal = mass_kg * heat_content_kj_kg(comp, temperature_c) / 1000.0
    pot = pot_kg * STEEL_J_KGK * max(temperature_c - start_c, 0.0) / 1e6
    fuel = (metal + pot) / efficiency
    return MeltHeat(metal, pot, fuel / 3.6, fuel / GAS_MJ_M3, fuel / PROPANE_MJ_KG, fuel * 1000.0 / burner_kw / 3600.0)
