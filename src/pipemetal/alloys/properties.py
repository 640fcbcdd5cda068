"""Densities, heat, flow, conduction, hardness and lead vapour of pipe metal.

What each rests on, and how sure it is: :mod:`pipemetal.alloys.property_table`.
"""

from __future__ import annotations

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.elements import (
    ZERO_C_IN_K,
    checked_temperature_c,
    element_value,
    mass_mean,
    specific_volume,
    volume_mean,
)
from pipemetal.alloys.equilibrium import atomic_weights, equilibrium
from pipemetal.alloys.liquidus import dissolved, liquidus
from pipemetal.alloys.solidus import solidus_c
from pipemetal.alloys.surface import surface_tension_n_m
from pipemetal.alloys.tables import read_rows
from pipemetal.alloys.vapour import (
    RED_LIMIT_C,
    LeadLimit,
    PotCheck,
    lead_limits,
    lead_vapour_mg_m3,
    lead_vapour_pressure_pa,
    pot_check,
)
from pipemetal.errors import AlloyError

__all__ = [
    "RED_LIMIT_C",
    "LeadLimit",
    "PotCheck",
    "brinell_hb",
    "cooling_contraction_pct",
    "freezing_shrinkage_pct",
    "heat_content_kj_kg",
    "heat_to_liquid_kj_kg",
    "lead_limits",
    "lead_vapour_mg_m3",
    "lead_vapour_pressure_pa",
    "liquid_conductivity_w_mk",
    "liquid_density_kg_m3",
    "liquid_heat_capacity_j_kgk",
    "pot_check",
    "solid_conductivity_w_mk",
    "solid_density_g_cm3",
    "solid_heat_capacity_j_kgk",
    "solid_hot_density_kg_m3",
    "surface_tension_n_m",
    "viscosity_mpa_s",
]

ROOM_C = 25.0

# A two-phase mix conducts about a tenth worse than its volumes add up to (maker's values of 40 to 63 % Sn, 2010).
_MIXED_CONDUCTION = 0.9
_PURE_WITHIN = 0.05


def solid_density_g_cm3(comp: Composition) -> float:
    """Density of the sound solid at 20 C, volumes adding. A casting with pores is lighter.

    Sources: ideal volume mixing holds to 0.1-0.3 % in Pb-Sn (Khairulin & Stankus, High Temp. 44 (2006)); elements from
        the CRC Handbook, see ``data/elements.csv``.

    >>> round(solid_density_g_cm3(Composition.parse("Sn 50 Pb bal")), 3)
    8.873
    """
    return 1.0 / specific_volume(comp, "solid_density", 20.0)


def liquid_density_kg_m3(comp: Composition, temperature_c: float) -> float:
    """Density of the liquid, volumes adding; below the liquidus it is that of the undercooled liquid.

    Arguments:
        temperature_c: 50 to 900 C.
    Raises:
        AlloyError: temperature outside that.
    Sources: CRC Handbook, density of molten elements; mixing rule as for the solid (Khairulin & Stankus 2006).

    >>> round(liquid_density_kg_m3(Composition.parse("Sn 63 Pb bal"), 183))
    8064
    """
    return 1.0 / specific_volume(comp, "liquid_density", checked_temperature_c(temperature_c))


def viscosity_mpa_s(comp: Composition, temperature_c: float) -> float:
    """Viscosity of the liquid, linear in percent by mass between the elements (copper, silver and arsenic left out).

    The source says that isothermal viscosities are linear in composition; read as atomic instead of mass percent it
    would come out up to 10 % lower in the middle.

    Arguments:
        temperature_c: 50 to 900 C.
    Raises:
        AlloyError: temperature outside that.
    Sources: Thresh & Crawley, Metall. Trans. 1 (1970) 1531; antimony by Crawley & Kiff 1972; bismuth by OECD/NEA 2015.

    >>> round(viscosity_mpa_s(Composition.parse("Sn 50 Pb bal"), 233.8), 2)
    2.64
    """
    t_c = checked_temperature_c(temperature_c)
    # The table holds the three of Thresh & Crawley's form in poise and bismuth in Pa s: scaled to mPa s here.
    total = weight = 0.0
    for element, scale in (("Pb", 100.0), ("Sn", 100.0), ("Sb", 100.0), ("Bi", 1000.0)):
        share = comp.wt_pct(element)
        if share > 0.0:
            total += share * scale * element_value("viscosity", element, t_c)
            weight += share
    if weight <= 0.0:
        raise AlloyError("has no element with a known viscosity", field="composition", value=comp.text())
    return total / weight


def solid_conductivity_w_mk(comp: Composition) -> float:
    """Thermal conductivity of the solid at 25 C: 0.9 of the mean by volume, rising to the mean within 5 % of pure metal.

    Sources: elements from handbooks; factor from a maker's compilation of 2010 (44 to 51 W/mK at 40 to 63 % Sn).

    >>> round(solid_conductivity_w_mk(Composition.parse("Sn 50 Pb bal")))
    49
    """
    mean = volume_mean(comp, "solid_conductivity", "solid_density", 20.0)
    smaller = 1.0 - max(comp.fractions)
    return mean * (1.0 - (1.0 - _MIXED_CONDUCTION) * min(smaller / _PURE_WITHIN, 1.0))


def liquid_conductivity_w_mk(comp: Composition, temperature_c: float) -> float:
    """Thermal conductivity of the liquid, mean by volume of lead, tin and bismuth.

    Sources: OECD/NEA Handbook 2015 (Pb, Bi); tin not checked; uncertainties by Assael et al. 2017.
    """
    return volume_mean(comp, "liquid_conductivity", "liquid_density", checked_temperature_c(temperature_c))


def solid_heat_capacity_j_kgk(comp: Composition) -> float:
    """Heat capacity of quickly cast solid, mean by mass of the elements, nothing dissolving on the way.

    >>> round(solid_heat_capacity_j_kgk(Composition.parse("Sn 50 Pb bal")), 1)
    182.5
    """
    return mass_mean(comp, "solid_heat_capacity", 20.0)


def liquid_heat_capacity_j_kgk(comp: Composition, temperature_c: float) -> float:
    """Heat capacity of the liquid, from the assessed Gibbs energies.

    >>> round(liquid_heat_capacity_j_kgk(Composition.parse("Sn 50 Pb bal"), 367))
    194
    """
    t_c = checked_temperature_c(temperature_c, 50.0, 600.0)
    return 500.0 * (_liquid_enthalpy_kj_kg(comp, t_c + 1.0) - _liquid_enthalpy_kj_kg(comp, t_c - 1.0))


def heat_content_kj_kg(comp: Composition, temperature_c: float) -> float:
    """Heat to bring a kilogram from 25 C to a temperature, melting included, slowly enough for equilibrium.

    Arguments:
        temperature_c: 25 to 600 C.
    Raises:
        AlloyError: temperature outside that.
    Sources: assessed Gibbs energies, see the footer of ``data/pbsn_pipe.tdb``; trust to 3 %.

    >>> round(heat_content_kj_kg(Composition.parse("Sn 50 Pb bal"), 350), 1)
    110.2
    """
    t_c = checked_temperature_c(temperature_c, ROOM_C, 600.0)
    cold = equilibrium(comp, ROOM_C).enthalpy_kj_kg
    if t_c > liquidus(comp).temperature_c:
        return _liquid_enthalpy_kj_kg(comp, t_c) - cold
    return equilibrium(comp, t_c).enthalpy_kj_kg - cold


def heat_to_liquid_kj_kg(comp: Composition) -> float:
    """Heat to bring a kilogram from 25 C to its liquidus, all melted.

    >>> round(heat_to_liquid_kj_kg(Composition.parse("Sn 50 Pb bal")), 1)
    83.7
    """
    cold = equilibrium(comp, ROOM_C).enthalpy_kj_kg
    return _liquid_enthalpy_kj_kg(comp, liquidus(comp).temperature_c) - cold


def freezing_shrinkage_pct(comp: Composition) -> float:
    """Loss of volume on freezing, percent of the liquid: liquid at the liquidus against solid at the same temperature.

    Sources: densities as above; linear expansion of lead 28.9e-6 and of tin 23.5e-6 per K, not checked.

    >>> round(freezing_shrinkage_pct(Composition.parse("Sn 100")), 1)
    2.8
    """
    t_c = liquidus(comp).temperature_c
    return 100.0 * (1.0 - liquid_density_kg_m3(comp, t_c) / _expanded_density_kg_m3(comp, t_c))


def solid_hot_density_kg_m3(comp: Composition, temperature_c: float) -> float:
    """Density of the sound solid at a temperature up to its solidus.

    Arguments:
        temperature_c: 20 C to the solidus.
    Raises:
        AlloyError: temperature outside that.
    Sources: density at 20 C as above; linear expansion of lead 28.9e-6 and of tin 23.5e-6 per K, not checked.

    >>> round(solid_hot_density_kg_m3(Composition.parse("Sn 50 Pb bal"), 180))
    8764
    """
    return _expanded_density_kg_m3(comp, checked_temperature_c(temperature_c, 20.0, solidus_c(comp)))


def _expanded_density_kg_m3(comp: Composition, temperature_c: float) -> float:
    linear = volume_mean(comp, "solid_expansion", "solid_density", 20.0)
    return 1000.0 * solid_density_g_cm3(comp) / (1.0 + linear * (temperature_c - 20.0)) ** 3


def cooling_contraction_pct(comp: Composition) -> float:
    """How much shorter a frozen sheet becomes from its solidus to 20 C, percent of its length.

    Sources: linear expansion of lead 28.9e-6 and of tin 23.5e-6 per K at 20 C, not checked; a little more when hot.

    >>> round(cooling_contraction_pct(Composition.parse("Sn 50 Pb bal")), 2)
    0.41
    """
    linear = volume_mean(comp, "solid_expansion", "solid_density", 20.0)
    grown = linear * (solidus_c(comp) - 20.0)
    return 100.0 * grown / (1.0 + grown)


def brinell_hb(comp: Composition) -> float:
    """Brinell hardness by tin content alone, straight between measured points; other elements raise it.

    Sources: Saposhnikov 1908, quoted by Hiorns (``data/hardness.csv``); sources differ by 2 HB.

    >>> brinell_hb(Composition.parse("Sn 50 Pb bal"))
    15.0
    """
    rows = read_rows("hardness.csv")
    tin = [float(row["sn_wt_pct"]) for row in rows]
    return float(np.interp(comp.wt_pct("Sn"), tin, [float(row["brinell_hb"]) for row in rows]))


def _liquid_enthalpy_kj_kg(comp: Composition, temperature_c: float) -> float:
    system, x = dissolved(comp)
    return system.at(temperature_c + ZERO_C_IN_K).enthalpy("LIQUID", x) / float(x @ atomic_weights(system))
