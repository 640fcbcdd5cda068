"""The freezing front in metal that lies on a cold half space: the classical similarity solutions, in closed form.

They hold for thick metal without a contact resistance, which a sheet on cloth is not; they say what bare stone would
do, why the cloth rules the freezing, and they are what a numerical scheme can be held against.

Sources: H. S. Carslaw & J. C. Jaeger, Conduction of Heat in Solids (1959), ch. XI (Neumann, Schwarz; not checked); J.
Crank, Free and Moving Boundary Problems (1984), eq. 3.14 (Stefan). Units: SI inside, C for temperatures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import (
    heat_content_kj_kg,
    liquid_conductivity_w_mk,
    liquid_density_kg_m3,
    liquid_heat_capacity_j_kgk,
    solid_conductivity_w_mk,
    solid_heat_capacity_j_kgk,
)
from pipemetal.alloys.solidus import solidus_c
from pipemetal.casting.model import ThermalSettings, checked
from pipemetal.errors import ConvergenceError

__all__ = ["Front", "FrontMetal", "effusivity", "freezing_front", "metal_of", "on_bare_stone_s", "touch_temperature_c"]


@dataclass(frozen=True, slots=True)
class FrontMetal:
    """A metal with one melting point: density, heat capacities and conductivities solid and liquid, latent heat in
    J/kg.
    """

    density_kg_m3: float
    solid_heat_capacity_j_kgk: float
    liquid_heat_capacity_j_kgk: float
    solid_conductivity_w_mk: float
    liquid_conductivity_w_mk: float
    latent_j_kg: float
    melting_c: float

    @property
    def solid_diffusivity_m2_s(self) -> float:
        """Diffusivity of the solid."""
        return self.solid_conductivity_w_mk / (self.density_kg_m3 * self.solid_heat_capacity_j_kgk)

    @property
    def liquid_diffusivity_m2_s(self) -> float:
        """Diffusivity of the liquid."""
        return self.liquid_conductivity_w_mk / (self.density_kg_m3 * self.liquid_heat_capacity_j_kgk)


@dataclass(frozen=True, slots=True)
class Front:
    """The front's number lambda and the temperature where metal and ground touch; depth = 2 lambda
    sqrt(diffusivity t).
    """

    number: float
    touch_c: float
    solid_diffusivity_m2_s: float

    def depth_mm(self, seconds: float) -> float:
        """Depth of the front after a time."""
        return 2e3 * self.number * math.sqrt(self.solid_diffusivity_m2_s * seconds)

    def seconds_to(self, depth_mm: float) -> float:
        """Time until the front is so deep."""
        return (depth_mm * 1e-3 / (2.0 * self.number)) ** 2 / self.solid_diffusivity_m2_s


def effusivity(conductivity_w_mk: float, density_kg_m3: float, heat_capacity_j_kgk: float) -> float:
    """Root of conductivity, density and heat capacity, in J/(m2 K s^0.5).

    >>> round(effusivity(2.8, 2650, 800)), round(effusivity(0.10, 650, 1500))
    (2436, 312)
    """
    return math.sqrt(conductivity_w_mk * density_kg_m3 * heat_capacity_j_kgk)


def touch_temperature_c(first: float, first_c: float, second: float, second_c: float) -> float:
    """Temperature at which two half spaces of given effusivities touch.

    >>> round(touch_temperature_c(5007, 327.0, 312, 20.0))
    309
    """
    return (first * first_c + second * second_c) / (first + second)


def freezing_front(metal: FrontMetal, start_c: float, ground_c: float, ground_effusivity: float = math.inf) -> Front:
    """The front in liquid metal at `start_c` laid on ground at `ground_c`; infinite effusivity holds the ground's face.

    Raises: CastingError for temperatures the wrong way round; ConvergenceError where no root is found.

    >>> lead = FrontMetal(10660, 140, 147, 31, 16, 23_000, 327.5)
    >>> round(freezing_front(lead, 360.0, 20.0).number, 4)
    0.7182
    """
    checked("start_c", start_c, metal.melting_c, 1500.0, "C")
    checked("ground_c", ground_c, -50.0, metal.melting_c - 1e-6, "C")
    solid, liquid = metal.solid_diffusivity_m2_s, metal.liquid_diffusivity_m2_s
    own = effusivity(metal.solid_conductivity_w_mk, metal.density_kg_m3, metal.solid_heat_capacity_j_kgk)
    ratio = ground_effusivity / own

    def touch_share(number: float) -> float:
        """Drop from melting point to touch temperature over the drop to the ground."""
        return 1.0 if math.isinf(ratio) else ratio * math.erf(number) / (1.0 + ratio * math.erf(number))

    def balance(number: float) -> float:
        slope = touch_share(number) / math.erf(number) * (metal.melting_c - ground_c)
        outward = metal.solid_conductivity_w_mk * slope * math.exp(-(number**2)) / math.sqrt(math.pi * solid)
        stretch = math.sqrt(solid / liquid)
        inward = 0.0
        if start_c > metal.melting_c:
            inward = metal.liquid_conductivity_w_mk * (start_c - metal.melting_c) * math.exp(-((number * stretch) ** 2))
            inward /= math.sqrt(math.pi * liquid) * math.erfc(number * stretch)
        return outward - inward - metal.density_kg_m3 * metal.latent_j_kg * number * math.sqrt(solid)

    low, high = 1e-9, 3.0
    if balance(low) <= 0.0:
        raise ConvergenceError("the metal is too hot for this ground to freeze it at once")
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if balance(middle) > 0.0 else (low, middle)
    number = 0.5 * (low + high)
    if math.isinf(ratio):
        return Front(number, ground_c, solid)
    return Front(number, metal.melting_c - touch_share(number) * (metal.melting_c - ground_c), solid)


def metal_of(comp: Composition) -> FrontMetal:
    """An alloy as if it froze at its liquidus, with all the heat it gives off between liquidus and solidus as
    latent heat.
    """
    melting = liquidus(comp).temperature_c
    latent = heat_content_kj_kg(comp, melting) - heat_content_kj_kg(comp, min(solidus_c(comp), melting - 1.0))
    return FrontMetal(
        liquid_density_kg_m3(comp, melting),
        solid_heat_capacity_j_kgk(comp),
        liquid_heat_capacity_j_kgk(comp, melting + 20.0),
        solid_conductivity_w_mk(comp),
        liquid_conductivity_w_mk(comp, melting + 20.0),
        1e3 * latent,
        melting,
    )


def on_bare_stone_s(
    comp: Composition, thickness_mm: float, film_c: float, stone_c: float, settings: ThermalSettings
) -> float:
    """How long bare stone would take to freeze a film: what the cloth saves the crew from.

    >>> 0.1 < on_bare_stone_s(Composition.parse("Sn 50 Pb bal"), 2.0, 234, 20, ThermalSettings()) < 5
    True
    """
    stone = effusivity(
        settings.stone_conductivity_w_mk, settings.stone_density_kg_m3, settings.stone_heat_capacity_j_kgk
    )
    metal = metal_of(comp)
    return freezing_front(metal, max(film_c, metal.melting_c), stone_c, stone).seconds_to(thickness_mm)
