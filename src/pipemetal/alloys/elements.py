"""Properties of the pure elements, line by line from the packaged table, and how they mix."""

from __future__ import annotations

import math

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.tables import read_rows
from pipemetal.errors import AlloyError
from pipemetal.texts import Amount, Text

__all__ = ["ZERO_C_IN_K", "checked_temperature_c", "element_value", "specific_volume"]

ZERO_C_IN_K = 273.15

_ROWS = {(row["quantity"], row["element"]): row for row in read_rows("elements.csv")}


def checked_temperature_c(temperature_c: float, low_c: float = 50.0, high_c: float = 900.0) -> float:
    """The temperature as a float, refused when it is no number or outside what the tables reach.

    Raises:
        AlloyError: not finite, or outside low_c to high_c.
    """
    value = float(temperature_c)
    if not math.isfinite(value) or not low_c <= value <= high_c:
        raise AlloyError(
            "is outside what the tables reach",
            field="temperature_c",
            value=temperature_c,
            allowed=Text(
                "{low_c} to {high_c}", low_c=Amount.short(low_c, "C", bare=True), high_c=Amount.short(high_c, "C")
            ),
        )
    return value


def element_value(quantity: str, element: str, temperature_c: float) -> float:
    """One property of one pure element at a temperature, by the line of ``data/elements.csv``.

    >>> element_value("liquid_density", "Pb", 327.46)
    10660.0
    """
    row = _ROWS[quantity, element]
    a = float(row["a"])
    temperature_k = temperature_c + ZERO_C_IN_K
    if row["form"] == "constant":
        return a
    b = float(row["b"])
    if row["form"] == "linear_k":
        return a + b * (temperature_k - float(row["c"]))
    if row["form"] == "linear_c":
        return a + b * temperature_c
    if row["form"] == "exponential":
        return a * math.exp(b / temperature_k)
    # Thresh & Crawley 1970: viscosity * v^(1/3) = A exp(C / (v T)), v the specific volume in cm3/g.
    volume = 1000.0 / element_value("liquid_density", element, temperature_c)
    return a * math.exp(b / (volume * temperature_k)) / math.cbrt(volume)


def has_value(quantity: str, element: str) -> bool:
    """Whether the table holds this property for this element."""
    return (quantity, element) in _ROWS


def specific_volume(comp: Composition, quantity: str, temperature_c: float) -> float:
    """Reciprocal of the density by the rule that volumes add; ``quantity`` is solid_density or liquid_density."""
    return math.fsum(
        fraction / element_value(quantity, element, temperature_c)
        for element, fraction in zip(ELEMENTS, comp.fractions, strict=True)
        if fraction > 0.0
    )


def mass_mean(comp: Composition, quantity: str, temperature_c: float) -> float:
    """Mean by mass over the elements that the table holds, the others left out."""
    held = [
        (fraction, element_value(quantity, element, temperature_c))
        for element, fraction in zip(ELEMENTS, comp.fractions, strict=True)
        if fraction > 0.0 and has_value(quantity, element)
    ]
    return _weighted(held, quantity)


def volume_mean(comp: Composition, quantity: str, density: str, temperature_c: float) -> float:
    """Mean by volume over the elements that the table holds, the others left out."""
    held = [
        (fraction / element_value(density, element, temperature_c), element_value(quantity, element, temperature_c))
        for element, fraction in zip(ELEMENTS, comp.fractions, strict=True)
        if fraction > 0.0 and has_value(quantity, element)
    ]
    return _weighted(held, quantity)


def _weighted(held: list[tuple[float, float]], quantity: str) -> float:
    total = math.fsum(weight for weight, _ in held)
    if total <= 0.0:
        raise AlloyError("has no element with a known value", field=quantity)
    return math.fsum(weight * value for weight, value in held) / total
