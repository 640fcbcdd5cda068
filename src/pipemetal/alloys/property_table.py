"""What every property of pipe metal rests on: its source, how sure it is, and where it was checked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import outside_assessed_range
from pipemetal.alloys.properties import (
    brinell_hb,
    cooling_contraction_pct,
    freezing_shrinkage_pct,
    heat_content_kj_kg,
    heat_to_liquid_kj_kg,
    lead_vapour_mg_m3,
    lead_vapour_pressure_pa,
    liquid_conductivity_w_mk,
    liquid_density_kg_m3,
    liquid_heat_capacity_j_kgk,
    solid_conductivity_w_mk,
    solid_density_g_cm3,
    solid_heat_capacity_j_kgk,
    solid_hot_density_kg_m3,
    surface_tension_n_m,
    viscosity_mpa_s,
)
from pipemetal.errors import AlloyError
from pipemetal.texts import Amount, Text

__all__ = ["PROPERTY_SOURCES", "Property", "Value", "value_of"]


@dataclass(frozen=True, slots=True)
class Value:
    """A property with what it rests on: value, lowest and highest, unit, source, and whether inside what was checked."""

    value: float
    low: float
    high: float
    unit: str
    source: str
    within_range: bool


@dataclass(frozen=True, slots=True)
class Property:
    """How a property is found: function, unit, uncertainty in percent, range of temperature in C, source, what it is.

    ``least_uncertainty`` is in the unit of the property: the interval is never narrower than that.
    """

    function: Callable[..., float]
    unit: str
    uncertainty_pct: float
    range_c: tuple[float, float] | None
    source: str
    words: str
    least_uncertainty: float = 0.0


_LIQUID_RANGE_C = (180.0, 560.0)

_GIBBS = "assessed Gibbs energies, footer of pbsn_pipe.tdb"
_VOLUMES = "volumes add (Khairulin & Stankus 2006)"

PROPERTY_SOURCES: dict[str, Property] = {
    "solid_density_g_cm3": Property(
        solid_density_g_cm3,
        "g/cm3",
        0.3,
        None,
        _VOLUMES + "; elements CRC Handbook; 0.6 % outside 30-90 % Sn",
        "density of the sound solid at 20 C",
    ),
    "solid_hot_density_kg_m3": Property(
        solid_hot_density_kg_m3,
        "kg/m3",
        1.0,
        (20.0, 327.0),
        _VOLUMES + "; expansions not checked",
        "density of the sound solid",
    ),
    "liquid_density_kg_m3": Property(
        liquid_density_kg_m3,
        "kg/m3",
        1.0,
        _LIQUID_RANGE_C,
        _VOLUMES + "; CRC Handbook, density of molten elements",
        "density of the liquid",
    ),
    "freezing_shrinkage_pct": Property(
        freezing_shrinkage_pct,
        "%",
        20.0,
        None,
        "densities of liquid and solid; expansions not checked",
        "loss of volume on freezing",
    ),
    "cooling_contraction_pct": Property(
        cooling_contraction_pct, "%", 10.0, None, "expansions not checked", "loss of length from the solidus to 20 C"
    ),
    "heat_to_liquid_kj_kg": Property(heat_to_liquid_kj_kg, "kJ/kg", 3.0, None, _GIBBS, "heat from 25 C to all melted"),
    "heat_content_kj_kg": Property(heat_content_kj_kg, "kJ/kg", 3.0, (25.0, 600.0), _GIBBS, "heat from 25 C to there"),
    "solid_heat_capacity_j_kgk": Property(
        solid_heat_capacity_j_kgk,
        "J/kgK",
        5.0,
        None,
        "mean by mass; CRC Handbook, tin not checked",
        "heat capacity of the solid",
    ),
    "liquid_heat_capacity_j_kgk": Property(
        liquid_heat_capacity_j_kgk, "J/kgK", 3.0, _LIQUID_RANGE_C, _GIBBS, "heat capacity of the liquid"
    ),
    "viscosity_mpa_s": Property(
        viscosity_mpa_s,
        "mPa s",
        10.0,
        _LIQUID_RANGE_C,
        "Thresh & Crawley 1970; Crawley & Kiff 1972; OECD/NEA 2015",
        "viscosity of the liquid",
    ),
    "surface_tension_n_m": Property(
        surface_tension_n_m,
        "N/m",
        5.0,
        _LIQUID_RANGE_C,
        "Butler's model on White 1971; clean metal, an oxide skin changes it more",
        "surface tension of the liquid",
    ),
    "solid_conductivity_w_mk": Property(
        solid_conductivity_w_mk,
        "W/mK",
        10.0,
        None,
        "0.9 of the mean by volume; maker's compilation 2010",
        "heat conduction of the solid at 25 C",
    ),
    "liquid_conductivity_w_mk": Property(
        liquid_conductivity_w_mk,
        "W/mK",
        20.0,
        _LIQUID_RANGE_C,
        "mean by volume; OECD/NEA 2015, Assael et al. 2017, tin not checked",
        "heat conduction of the liquid",
    ),
    "brinell_hb": Property(
        brinell_hb,
        "HB",
        15.0,
        None,
        "Saposhnikov 1908, quoted by Hiorns, by tin alone; sources differ by 2 HB; 1 % Sb adds 1 to 2",
        "Brinell hardness",
        2.0,
    ),
    "lead_vapour_pressure_pa": Property(
        lead_vapour_pressure_pa,
        "Pa",
        20.0,
        (327.0, 600.0),
        "Sobolev 2011 in OECD/NEA 2015; activity from pbsn_pipe.tdb",
        "pressure of lead vapour over the pot",
    ),
    "lead_vapour_mg_m3": Property(
        lead_vapour_mg_m3,
        "mg/m3",
        20.0,
        (327.0, 600.0),
        "Sobolev 2011 in OECD/NEA 2015; activity from pbsn_pipe.tdb",
        "most lead the air can hold as vapour",
    ),
}


def value_of(name: str, comp: Composition, temperature_c: float | None = None) -> Value:
    """A property by name, with its interval, its source, and whether it lies inside what was checked.

    Arguments:
        name: a key of ``PROPERTY_SOURCES``, which is the name of the function.
        temperature_c: for those that need one.
    Raises:
        AlloyError: unknown name, or a temperature missing.

    >>> found = value_of("solid_density_g_cm3", Composition.parse("Sn 50 Pb bal"))
    >>> f"{found.low:.2f} to {found.high:.2f} {found.unit}", found.within_range
    ('8.85 to 8.90 g/cm3', True)
    """
    if name not in PROPERTY_SOURCES:
        raise AlloyError("is not a property", field="name", value=name, allowed=", ".join(PROPERTY_SOURCES))
    held = PROPERTY_SOURCES[name]
    percent = held.uncertainty_pct
    if name == "solid_density_g_cm3" and not 30.0 <= comp.wt_pct("Sn") <= 90.0:
        percent = 0.6
    within = not outside_assessed_range(comp)
    if held.range_c is None:
        value = held.function(comp)
    elif temperature_c is None:
        raise AlloyError(
            "is needed",
            field="temperature_c",
            allowed=Text(
                "{low} to {high}",
                low=Amount.short(held.range_c[0], "C", bare=True),
                high=Amount.short(held.range_c[1], "C"),
            ),
        )
    else:
        value = held.function(comp, temperature_c)
        within = within and held.range_c[0] <= temperature_c <= held.range_c[1]
    reach = max(abs(value) * percent / 100.0, held.least_uncertainty)
    return Value(value, value - reach, value + reach, held.unit, held.source, within)
