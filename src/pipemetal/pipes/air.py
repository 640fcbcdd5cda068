"""The air that a pipe sounds in: the speed of sound by two published formulas."""

from __future__ import annotations

import math
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.texts import Amount, Text

__all__ = ["SPEED_STANDARDS", "speed_of_sound_m_s"]

SPEED_STANDARDS: Final = ("cramer", "iso9613")

# Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. on p. 2514: coefficients a0 to a15.
_CRAMER: Final = (
    331.5024,
    0.603055,
    -0.000528,
    51.471935,
    0.1495874,
    -0.000782,
    -1.82e-7,
    3.73e-8,
    -2.93e-10,
    -85.20931,
    -0.228525,
    5.91e-5,
    -2.835149,
    -2.15e-13,
    29.179762,
    0.000486,
)


def _saturation_pressure_pa(temperature_c: float) -> float:
    """Saturation vapour pressure as Cramer 1993 gives it (after Giacomo, Metrologia 18 (1982) 33)."""
    kelvin = temperature_c + 273.15
    return math.exp(1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin)


def speed_of_sound_m_s(
    temperature_c: float,
    humidity_percent: float = 50.0,
    pressure_pa: float = 101_325.0,
    *,
    co2_ppm: float = 400.0,
    standard: str = "cramer",
) -> float:
    """Speed of sound in moist air.

    `standard` is `cramer` (humidity, pressure and carbon dioxide count; 0 to 30 C, 75 to 102 kPa) or `iso9613`
    (temperature alone).

    Errors: PipeError outside 0 to 40 C, 0 to 100 % humidity, 60 to 110 kPa or for an unknown standard.

    Sources: Cramer, J. Acoust. Soc. Am. 93 (1993) 2510; ISO 9613-1:1993, c = 343.2 sqrt(T / 293.15) (clause from
    memory).

    >>> round(speed_of_sound_m_s(20.0, 50.0), 2), round(speed_of_sound_m_s(20.0, standard="iso9613"), 2)
    (343.99, 343.2)
    """
    for name, value, low, high in (
        ("temperature_c", temperature_c, 0.0, 40.0),
        ("humidity_percent", humidity_percent, 0.0, 100.0),
        ("pressure_pa", pressure_pa, 60_000.0, 110_000.0),
    ):
        if not low <= value <= high:
            raise PipeError(
                "lies outside the range of the formula",
                field=name,
                value=value,
                allowed=Text("{low} to {high}", low=Amount.short(low), high=Amount.short(high)),
            )
    if standard == "iso9613":
        return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)
    if standard != "cramer":
        raise PipeError("is not known", field="speed_of_sound", value=standard, allowed="cramer or iso9613")
    a, t, p = _CRAMER, temperature_c, pressure_pa
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    xw = humidity_percent / 100.0 * enhancement * _saturation_pressure_pa(t) / p
    xc = co2_ppm * 1e-6
    return (
        a[0]
        + a[1] * t
        + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * xw
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * xc
        + a[12] * xw**2
        + a[13] * p**2
        + a[14] * xc**2
        + a[15] * xw * p * xc
    )
