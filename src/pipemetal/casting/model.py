"""What the casting model rests on: sled, gate, table, heat settings and the metal that flows.

Every default says where it comes from. ``estimate`` means an engineering guess that the shop's own log must replace.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import (
    freezing_shrinkage_pct,
    liquid_density_kg_m3,
    surface_tension_n_m,
    viscosity_mpa_s,
)
from pipemetal.errors import CastingError
from pipemetal.quantities import CAST

__all__ = [
    "GRAVITY_M_S2",
    "CastingTable",
    "Fluid",
    "Gate",
    "Sled",
    "ThermalSettings",
    "checked",
    "fluid_of",
    "laid_thickness_mm",
]

Array = npt.NDArray[np.floating[Any]]

GRAVITY_M_S2 = 9.81

# A bound of 95 % lies this many standard deviations out.
TWO_SIDED_95 = 1.96


def checked(field_name: str, value: float, low: float, high: float, unit: str) -> float:
    """The value as a float; refused when it is no number or outside low to high.

    Raises:
        CastingError: with the field, the value and what is allowed.
    """
    number = float(value)
    if not math.isfinite(number) or not low <= number <= high:
        raise CastingError("is out of range", field=field_name, value=value, limits=(low, high, unit))
    return number


@dataclass(frozen=True, slots=True)
class Sled:
    """The box that is pushed: inner length along the push, inner width, height of its walls."""

    inner_length_mm: float
    inner_width_mm: float
    wall_height_mm: float = 120.0

    def __post_init__(self) -> None:
        checked("inner_length_mm", self.inner_length_mm, *CAST["sled_length_mm"].limits, "mm")
        checked("inner_width_mm", self.inner_width_mm, *CAST["sled_width_mm"].limits, "mm")
        checked("wall_height_mm", self.wall_height_mm, 30.0, 500.0, "mm")

    def head_mm(self, mass_kg: float, density_kg_m3: float) -> float:
        """Depth of a mass of metal in the box."""
        return mass_kg / density_kg_m3 / (self.inner_length_mm * self.inner_width_mm) * 1e9


@dataclass(frozen=True, slots=True)
class Gate:
    """The gate at the rear of the sled: thickness of its lip along the flow (a board: common practice, no source),
    range of opening, steel that metal must warm. `fixed_mm` is the gap of a box without a gate."""

    lip_mm: float = 20.0
    smallest_mm: float = 1.0
    largest_mm: float = 8.0
    steel_kg: float = 2.5
    fixed_mm: float | None = None

    def __post_init__(self) -> None:
        if self.fixed_mm is not None:
            checked("fixed_mm", self.fixed_mm, 0.5, 20.0, "mm")
        checked("lip_mm", self.lip_mm, 0.0, 40.0, "mm")
        checked("smallest_mm", self.smallest_mm, 0.3, 10.0, "mm")
        checked("largest_mm", self.largest_mm, self.smallest_mm, 20.0, "mm")
        checked("steel_kg", self.steel_kg, 0.0, 100.0, "kg")


@dataclass(frozen=True, slots=True)
class CastingTable:
    """The table: usable length and width, stone and cloth thickness, fall in the direction of the push, bars along
    the sides.
    """

    length_mm: float
    width_mm: float
    stone_thickness_mm: float = 75.0
    cloth_thickness_mm: float = 1.0
    slope_mm_m: float = 0.0
    side_bars: bool = False

    def __post_init__(self) -> None:
        checked("length_mm", self.length_mm, 200.0, 20000.0, "mm")
        checked("width_mm", self.width_mm, 100.0, 5000.0, "mm")
        checked("stone_thickness_mm", self.stone_thickness_mm, 10.0, 500.0, "mm")
        checked("cloth_thickness_mm", self.cloth_thickness_mm, 0.05, 10.0, "mm")
        CAST["slope_mm_m"].checked(self.slope_mm_m, error=CastingError)


@dataclass(frozen=True, slots=True)
class ThermalSettings:
    """Heat flow from sheet to air and through cloth to stone.

    Sources: stone by 33 granite samples 2.90 +/- 0.26 W/mK (2015); emissivities by thermography tables (lead grey
        oxidised 0.28, at 200 C 0.63); cloth, contacts: estimates (cloth 0.05-0.25 W/mK, metal on cloth 1e-4 to 1e-3,
        cloth on stone 2e-4 to 2e-3 m2K/W). The cloth decides, by a factor of two: ``cloth_factor`` scales its
        resistance with the metal's contact on it, and is what logged freezing times correct.
    """

    cloth_conductivity_w_mk: float = 0.10
    cloth_density_kg_m3: float = 650.0
    cloth_heat_capacity_j_kgk: float = 1500.0
    metal_contact_m2k_w: float = 5e-4
    stone_contact_m2k_w: float = 1e-3
    stone_conductivity_w_mk: float = 2.8
    stone_density_kg_m3: float = 2650.0
    stone_heat_capacity_j_kgk: float = 800.0
    stone_thickness_mm: float = 75.0
    cloth_thickness_mm: float = 1.0
    emissivity_metal: float = 0.25
    emissivity_cloth: float = 0.9
    underside_w_m2k: float = 8.0
    cloth_factor: float = 1.0

    def __post_init__(self) -> None:
        checked("cloth_conductivity_w_mk", self.cloth_conductivity_w_mk, 0.01, 5.0, "W/mK")
        checked("stone_conductivity_w_mk", self.stone_conductivity_w_mk, 0.1, 400.0, "W/mK")
        checked("metal_contact_m2k_w", self.metal_contact_m2k_w, 1e-6, 0.1, "m2K/W")
        checked("stone_contact_m2k_w", self.stone_contact_m2k_w, 1e-6, 0.1, "m2K/W")
        checked("stone_thickness_mm", self.stone_thickness_mm, 10.0, 500.0, "mm")
        checked("cloth_thickness_mm", self.cloth_thickness_mm, 0.05, 10.0, "mm")
        checked("cloth_factor", self.cloth_factor, 0.1, 10.0, "")
        checked("underside_w_m2k", self.underside_w_m2k, 0.0, 1000.0, "W/m2K")
        for name in ("emissivity_metal", "emissivity_cloth"):
            checked(name, getattr(self, name), 0.0, 1.0, "")
        for name in (
            "cloth_density_kg_m3",
            "stone_density_kg_m3",
            "cloth_heat_capacity_j_kgk",
            "stone_heat_capacity_j_kgk",
        ):
            checked(name, getattr(self, name), 10.0, 20000.0, "")

    @classmethod
    def of_table(cls, table: CastingTable) -> ThermalSettings:
        """The defaults with a table's own stone and cloth."""
        return cls(stone_thickness_mm=table.stone_thickness_mm, cloth_thickness_mm=table.cloth_thickness_mm)


@dataclass(frozen=True, slots=True)
class Fluid:
    """Liquid metal as the gate sees it, in SI."""

    density_kg_m3: float
    viscosity_pa_s: float
    surface_tension_n_m: float

    def __post_init__(self) -> None:
        checked("density_kg_m3", self.density_kg_m3, 1000.0, 20000.0, "kg/m3")
        checked("viscosity_pa_s", self.viscosity_pa_s, 1e-5, 1e4, "Pa s")
        checked("surface_tension_n_m", self.surface_tension_n_m, 0.0, 2.0, "N/m")


@lru_cache(maxsize=1024)
def fluid_of(comp: Composition, temperature_c: float) -> Fluid:
    """The liquid metal of a composition at a temperature.

    Sources: see :mod:`pipemetal.alloys.properties`.

    >>> fluid = fluid_of(Composition.parse("Sn 50 Pb bal"), 233.8)
    >>> round(fluid.density_kg_m3), round(1e3 * fluid.viscosity_pa_s, 2), round(fluid.surface_tension_n_m, 3)
    (8470, 2.64, 0.475)
    """
    CAST["pour_temperature_c"].checked(temperature_c, error=CastingError)
    return Fluid(
        liquid_density_kg_m3(comp, temperature_c),
        1e-3 * viscosity_mpa_s(comp, temperature_c),
        surface_tension_n_m(comp, temperature_c),
    )


@lru_cache(maxsize=1024)
def laid_thickness_mm(comp: Composition, sheet_thickness_mm: float) -> float:
    """Thickness of the liquid that freezes to a sheet of a thickness: the metal shrinks downwards, not along the table.

    Sources: shrinkage by :func:`pipemetal.alloys.properties.freezing_shrinkage_pct` (2.8 to 3.5 % of the liquid).

    >>> round(laid_thickness_mm(Composition.parse("Sn 50 Pb bal"), 2.0), 3)
    2.06
    """
    return sheet_thickness_mm / (1.0 - freezing_shrinkage_pct(comp) / 100.0)
