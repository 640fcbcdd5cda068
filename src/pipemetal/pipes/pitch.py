"""Pitch: the speed of sound in the church's air, the names of notes, and the frequency that every pipe must give."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipemetal.errors import PipeError

__all__ = ["Pitch", "note_name", "parse_note", "sounding_semitones", "speed_of_sound_m_s"]

C_8_FOOT_BELOW_A: Final = 33
"""Semitones from the C that an 8' pipe of the lowest key sounds up to a1 of the reference pitch."""

# Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. on p. 2514: coefficients a0 to a15.
_CRAMER: Final = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip

_TRADE_STEPS: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_LETTER_STEP: Final = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}


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
                "lies outside the range of the formula", field=name, value=value, allowed=f"{low:g} to {high:g}"
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
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * xw
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * xc
        + a[12] * xw**2 + a[13] * p**2 + a[14] * xc**2 + a[15] * xw * p * xc
    )  # fmt: skip


def parse_note(text: str, *, field: str = "note") -> int:
    """The key that a note name means, counted from great C = 0.

    `C` `F#` `Bb` are the great octave, `c` `g#` the small one, `c1` `c2` `g3` the ones above (one, two, three strokes);
    scientific names have a capital and a number: `C2` is great C, `C4` the middle one. `B` is the note below C.

    >>> parse_note("C"), parse_note("c1"), parse_note("C4"), parse_note("g3")
    (0, 24, 24, 55)
    """
    match = re.fullmatch(r"([A-Ga-g])([#♯b♭]?)(-?\d)?", text.strip())
    if match is None:
        raise PipeError("is not a note", field=field, value=text, allowed="C, F#, c, g#, c1, g3 or scientific C2, G6")
    letter, accidental, number = match.groups()
    step = _LETTER_STEP[letter.lower()] + {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[accidental]
    if letter.isupper():
        octave = 2 if number is None else int(number)
        return step + 12 * (octave - 2)
    if number is not None and int(number) < 1:
        raise PipeError("is not a note", field=field, value=text, allowed="c, c1, c2, c3")
    return step + 12 * (1 + int(number or 0))


def note_name(key: int) -> str:
    """The name of a key counted from great C = 0, as the trade stamps it on a pipe.

    >>> [note_name(key) for key in (0, 13, 24, 55)]
    ['C', 'c#', 'c1', 'g3']
    """
    octave, step = divmod(key, 12)
    name = _TRADE_STEPS[step]
    if octave <= 0:
        return name + ("" if octave == 0 else str(octave))
    return name.lower() + (str(octave - 1) if octave > 1 else "")


def sounding_semitones(key: int, footage: Fraction, *, pure: bool = True) -> float:
    """Semitones from the 8' C up to what a key of a rank of this footage sounds.

    A mutation is pure (2 2/3' is exactly the twelfth) or, with `pure=False`, tempered to the nearest semitone.

    >>> sounding_semitones(0, Fraction(4)), round(sounding_semitones(0, Fraction(8, 3)), 3)
    (12.0, 19.02)
    """
    interval = 12.0 * math.log2(8 / footage)
    return key + (interval if pure else float(round(interval)))


@dataclass(frozen=True)
class Pitch:
    """Reference pitch and the air in which the organ is tuned.

    `a_hz` is the pitch of a1 at `at_c`; `tuning_c` is the temperature at which the lengths are to be right. Flue pipes
    follow the speed of sound, so the pitch at the tuning temperature is `a_hz` times the ratio of the two speeds.
    `temperament_cents` are offsets from equal temperament for C, C#, ... B, with a1 kept at its own offset.

    >>> round(Pitch(a_hz=435.0, at_c=15.0, tuning_c=20.0, standard="iso9613").a_at_tuning_hz, 2)
    438.76
    """

    a_hz: float = 440.0
    at_c: float = 18.0
    tuning_c: float = 18.0
    humidity_percent: float = 50.0
    pressure_pa: float = 101_325.0
    standard: str = "cramer"
    temperament_cents: tuple[float, ...] = (0.0,) * 12

    def __post_init__(self) -> None:
        if not 300.0 <= self.a_hz <= 600.0:
            raise PipeError("is not a pitch of a1", field="a_hz", value=self.a_hz, allowed="300 to 600 Hz")
        if len(self.temperament_cents) != 12:
            raise PipeError(
                "must have twelve offsets", field="temperament_cents", value=len(self.temperament_cents), allowed="12"
            )
        if not all(abs(cents) <= 100.0 for cents in self.temperament_cents):
            raise PipeError("has an offset past a semitone", field="temperament_cents", allowed="-100 to 100 cents")
        speed_of_sound_m_s(self.at_c, self.humidity_percent, self.pressure_pa, standard=self.standard)
        speed_of_sound_m_s(self.tuning_c, self.humidity_percent, self.pressure_pa, standard=self.standard)

    @property
    def speed_m_s(self) -> float:
        """Speed of sound at the tuning temperature."""
        return speed_of_sound_m_s(self.tuning_c, self.humidity_percent, self.pressure_pa, standard=self.standard)

    @property
    def a_at_tuning_hz(self) -> float:
        """Pitch of a1 at the tuning temperature."""
        at = speed_of_sound_m_s(self.at_c, self.humidity_percent, self.pressure_pa, standard=self.standard)
        return self.a_hz * self.speed_m_s / at

    def frequency_hz(self, key: int, footage: Fraction, *, pure: bool = True) -> float:
        """What the pipe of a key of a rank sounds at the tuning temperature.

        >>> round(Pitch().frequency_hz(0, Fraction(8)), 4)
        65.4064
        """
        semitones = sounding_semitones(key, footage, pure=pure)
        cents = self.temperament_cents[key % 12]
        return self.a_at_tuning_hz * math.exp2((semitones - C_8_FOOT_BELOW_A) / 12.0 + cents / 1200.0)
