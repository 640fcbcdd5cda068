"""Densities of pipe metal, solid and liquid, by the rule that volumes add.

Every number can answer from what, by which source and how sure: see :func:`value_of`.
"""

from __future__ import annotations

import math

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.tables import read_rows
from pipemetal.errors import AlloyError

__all__ = ["liquid_density_kg_m3", "solid_density_g_cm3"]

ZERO_C_IN_K = 273.15


def solid_density_g_cm3(comp: Composition) -> float:
    """Density of the sound solid at 20 C, volumes adding.

    Sources: ideal volume mixing holds to 0.1-0.3 % in Pb-Sn (Khairulin & Stankus, High Temp. 44 (2006)); elements from
    the CRC Handbook, see ``data/elements.csv``. A casting with pores is lighter.

    >>> round(solid_density_g_cm3(Composition.parse("Sn 50 Pb bal")), 3)
    8.873
    """
    return 1.0 / _specific_volume(comp, "solid_density", 20.0)


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
    return 1.0 / _specific_volume(comp, "liquid_density", checked_temperature_c(temperature_c))


def checked_temperature_c(temperature_c: float, low_c: float = 50.0, high_c: float = 900.0) -> float:
    """The temperature as a float, refused when it is no number or outside what any of the tables reach."""
    value = float(temperature_c)
    if not math.isfinite(value) or not low_c <= value <= high_c:
        raise AlloyError("is outside what the tables reach", field="temperature_c", value=temperature_c,
                         allowed=f"{low_c:g} to {high_c:g} C")  # fmt: skip
    return value


def element_value(quantity: str, element: str, temperature_c: float) -> float:
    """One property of one pure element at a temperature, by the line of the packaged table."""
    row = _ROWS[quantity, element]
    a: float = float(row["a"])
    temperature_k = temperature_c + ZERO_C_IN_K
    if row["form"] == "constant":
        return a
    b = float(row["b"])
    if row["form"] == "linear_k":
        return a + b * (temperature_k - float(row["c"]))
    if row["form"] == "linear_c":
        return a + b * temperature_c
    if row["form"] == "exponential":
        return float(a * math.exp(b / temperature_k))
    # Thresh & Crawley: viscosity * v^(1/3) = A exp(C / (v T)), v the specific volume in cm3/g.
    volume = 1000.0 / element_value("liquid_density", element, temperature_c)
    return float(a * math.exp(b / (volume * temperature_k)) / volume ** (1.0 / 3.0))


_ROWS = {(row["quantity"], row["element"]): row for row in read_rows("elements.csv")}


def _specific_volume(comp: Composition, quantity: str, temperature_c: float) -> float:
    return math.fsum(
        fraction / element_value(quantity, element, temperature_c)
        for element, fraction in zip(ELEMENTS, comp.fractions, strict=True)
        if fraction > 0.0
    )
