"""Metal between liquid and solid as it leaves the sled: how much of it is solid, how thick it flows, what it carries
at rest.

What a caster calls slush is metal with a fifth to a third of its volume solid. No measured viscosity of such metal at
the speed and in the thirtieth of a second of this gate could be found, so the numbers are wide, and the shop's log
finds its own.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.freezing import HeatCurve, heat_curve
from pipemetal.casting.model import GRAVITY_M_S2, Array, ThermalSettings, fluid_of

__all__ = [
    "HALT_SOLID_SD",
    "base_heat_loss_j_m2",
    "edge_stress_pa",
    "halts",
    "slurry_viscosity_pa_s",
    "solid_at_gate",
    "solid_in_sled",
    "stirred_viscosity_pa_s",
    "temperature_of_solid_c",
    "yield_stress_pa",
]

# Solid that touches everywhere, by volume (Krieger & Dougherty, Trans. Soc. Rheol. 3 (1959) 137; not checked), and
# how near to it the formula still means something.
PACKING, NEAREST_PACKING = 0.60, 0.595
# Grains hold liquid between their arms: 1.5 to 2 times their own volume moves with them (estimate).
USUAL_GRAIN = 1.8
# Yield stress that holds the edge of a 2 mm sheet within 10 mm, and the share of solid that is taken to have it
# (estimate).
EDGE_HOLD_M, EDGE_SOLID, YIELD_POWER = 0.010, 0.15, 3.0
# A halt of the temperature: more heat than this goes within what a thermometer tells to either side (estimates).
_HALT_J_KG, _HALT_K = 5000.0, 0.5
# Solid beyond that at the beginning of a halt, on the mean, and how unsure it is (estimates).
HALT_SOLID, HALT_SOLID_SD = 0.03, 0.035
# What the metal touches under the sled, and what it gives off meanwhile: a usual film, speed and wait (estimates).
USUAL_FILM_M, USUAL_SPEED_M_S = 2.0e-3, 1.0


def base_heat_loss_j_m2(settings: ThermalSettings, difference_k: float, seconds: float) -> float:
    """Heat that metal gives to cool cloth in a short time through the contact, cloth taken as endlessly thick.

    Q = dT e^2/h [exp(s^2) erfc(s) - 1 + 2 s / sqrt(pi)], s = h sqrt(t) / e.

    Sources: Carslaw & Jaeger, Conduction of Heat in Solids (1959) (not checked); 173.03 kJ/m2 checked for h 2000, e
        312.2, 162.2 K, 10 s.

    >>> round(base_heat_loss_j_m2(ThermalSettings(), 162.2, 10.0) / 1e3, 1)
    173.0
    """
    contact = 1.0 / (settings.cloth_factor * settings.metal_contact_m2k_w)
    effusivity = math.sqrt(
        settings.cloth_conductivity_w_mk
        / settings.cloth_factor
        * settings.cloth_density_kg_m3
        * settings.cloth_heat_capacity_j_kgk
    )
    s = contact * math.sqrt(seconds) / effusivity
    # exp(s^2) erfc(s) overflows for great s, where it is 1/(s sqrt(pi)) to better than a part in a thousand.
    decay = math.exp(s * s) * math.erfc(s) if s < 20.0 else 1.0 / (s * math.sqrt(math.pi))
    return difference_k * effusivity**2 / contact * (decay - 1.0 + 2.0 * s / math.sqrt(math.pi))


@lru_cache(maxsize=4096)
def solid_in_sled(comp: Composition, temperature_c: float) -> float:
    """Share of the volume that is solid in metal of a temperature, quickly cooled.

    >>> round(solid_in_sled(Composition.parse("Sn 30 Sb 0.5 Bi 0.1 Cu 0.03 Pb bal"), 243.0), 2)
    0.19
    """
    curve = heat_curve(comp)
    return curve.solid_at(_heat_j_kg(curve, comp, temperature_c))


def halts(comp: Composition, temperature_c: float) -> bool:
    """Whether the temperature halts there while much freezes, so that it does not tell how much has.

    >>> halts(Composition.parse("Sn 50 Pb bal"), 182.5), halts(Composition.parse("Sn 50 Pb bal"), 200.0)
    (True, False)
    """
    curve = heat_curve(comp)
    return curve.heat_at(temperature_c + _HALT_K) - curve.heat_at(temperature_c - _HALT_K) > _HALT_J_KG


def _heat_j_kg(curve: HeatCurve, comp: Composition, temperature_c: float) -> float:
    """Heat in metal of a temperature. Where it halts, metal that still leaves a sled has little more solid than when the
    halt began (estimate).
    """
    if not halts(comp, temperature_c):
        return curve.heat_at(temperature_c)
    return curve.heat_at_solid(curve.solid_at(curve.heat_at(temperature_c + _HALT_K)) + HALT_SOLID)


@lru_cache(maxsize=4096)
def solid_at_gate(comp: Composition, temperature_c: float, box_m: float = 0.25, table_c: float = 20.0) -> float:
    """Share of solid in the layer that leaves: colder than the metal in the sled by what the cloth under the sled took.

    Sources: heat to the cloth by :func:`base_heat_loss_j_m2` over the time under the sled at 1 m/s, from a film of 2
    mm.

    >>> comp = Composition.parse("Sn 50 Pb bal")
    >>> solid_at_gate(comp, 260.0) == 0.0, solid_at_gate(comp, 205.0) > solid_in_sled(comp, 205.0)
    (True, True)
    """
    curve = heat_curve(comp)
    lost = base_heat_loss_j_m2(ThermalSettings(), max(temperature_c - table_c, 0.0), box_m / USUAL_SPEED_M_S)
    lost /= fluid_of(comp, max(temperature_c, 100.0)).density_kg_m3 * USUAL_FILM_M
    return curve.solid_at(_heat_j_kg(curve, comp, temperature_c) - lost)


def temperature_of_solid_c(comp: Composition, share: float, box_m: float = 0.25, table_c: float = 20.0) -> float:
    """Temperature in the sled at which the layer that leaves has this share of solid.

    >>> comp = Composition.parse("Sn 50 Pb bal")
    >>> round(solid_at_gate(comp, temperature_of_solid_c(comp, 0.2)), 2)
    0.2
    """
    curve = heat_curve(comp)
    heat = curve.heat_at_solid(share)
    metal_c = curve.temperature_at(heat)
    lost = base_heat_loss_j_m2(ThermalSettings(), max(metal_c - table_c, 0.0), box_m / USUAL_SPEED_M_S)
    return curve.temperature_at(heat + lost / (fluid_of(comp, max(metal_c, 100.0)).density_kg_m3 * USUAL_FILM_M))


def slurry_viscosity_pa_s(liquid_pa_s: Array | float, solid: Array | float, grain: float = USUAL_GRAIN) -> Array:
    """Viscosity of metal with a share of solid, grains holding `grain` times their own volume.

    Sources: Krieger & Dougherty 1959 (not checked): (1 - phi / 0.60)^-1.5, which gives 0.1 to 0.4 Pa s at 0.55 to
        0.58. Measured slurries (Joly & Mehrabian 1976; Laxmanan & Flemings 1980: abstracts only) lie at other shears
        and longer times.

    >>> [round(float(slurry_viscosity_pa_s(2.6e-3, s)), 3) for s in (0.0, 0.31, 0.325)]
    [0.003, 0.14, 0.658]
    """
    held = np.minimum(np.asarray(solid, dtype=float) * grain, NEAREST_PACKING)
    viscosity: Array = np.asarray(liquid_pa_s) * (1.0 - held / PACKING) ** (-2.5 * PACKING)
    return viscosity


def stirred_viscosity_pa_s(liquid_pa_s: Array | float, solid: Array | float) -> Array:
    """Viscosity of metal that was kept moving while it cooled: grows by a power of ten for every fifth of solid
    (estimate).

    Sources: stirred slurries are commonly fitted by an exponential of the solid (not checked); the rate gives 0.06 to
        0.3 Pa s at a fifth to a third of solid, where casters' sheets come out (docs/casting.md).

    >>> [round(float(stirred_viscosity_pa_s(2.6e-3, s)), 3) for s in (0.0, 0.2, 0.4)]
    [0.003, 0.056, 1.207]
    """
    viscosity: Array = np.asarray(liquid_pa_s) * 10.0 ** (np.asarray(solid, dtype=float) / 0.15)
    return viscosity


def yield_stress_pa(solid: Array | float) -> Array:
    """Stress below which metal with a share of solid rests: grows as its cube from 17 Pa at 15 % (estimate, wide).

    >>> round(float(yield_stress_pa(0.15)))
    17
    """
    stress: Array = 17.0 * (np.asarray(solid, dtype=float) / EDGE_SOLID) ** YIELD_POWER
    return stress


def edge_stress_pa(density_kg_m3: float, thickness_mm: float) -> float:
    """Stress that an edge of a sheet must bear to come to rest within 10 mm.

    Sources: hydrostatic thrust of the edge over the cloth it rests on, rho g t^2 / (2 x); derived.

    >>> round(edge_stress_pa(8700.0, 2.0))
    17
    """
    return density_kg_m3 * GRAVITY_M_S2 * (1e-3 * thickness_mm) ** 2 / (2.0 * EDGE_HOLD_M)
