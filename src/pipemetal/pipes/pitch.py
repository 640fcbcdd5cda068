"""Pitch: the reference pitch in the church's air, and the frequency that every pipe must give."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.notes import note_name, parse_note

__all__ = ["Pitch", "note_name", "parse_note", "sounding_semitones", "speed_of_sound_m_s"]

C_8_FOOT_BELOW_A: Final = 33
"""Semitones from the C that an 8' pipe of the lowest key sounds up to a1 of the reference pitch."""


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
    `transpose_semitones` moves every key: with 1, the key C sounds C sharp. Half tones are then counted at that pitch;
    diameters given by note or by halving stay with their key.

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
    temperament: str = "equal"
    transpose_semitones: int = 0

    def __post_init__(self) -> None:
        if not 300.0 <= self.a_hz <= 600.0:
            raise PipeError("is not a pitch of a1", field="a_hz", value=self.a_hz, allowed="300 to 600 Hz")
        if len(self.temperament_cents) != 12:
            raise PipeError(
                "must have twelve offsets", field="temperament_cents", value=len(self.temperament_cents), allowed="12"
            )
        if not all(abs(cents) <= 100.0 for cents in self.temperament_cents):
            raise PipeError("has an offset past a semitone", field="temperament_cents", allowed="-100 to 100 cents")
        if not -12 <= self.transpose_semitones <= 12:
            raise PipeError(
                "is out of range", field="transpose_semitones", value=self.transpose_semitones, allowed="-12 to 12"
            )
        speed_of_sound_m_s(self.at_c, self.humidity_percent, self.pressure_pa, standard=self.standard)
        speed_of_sound_m_s(self.tuning_c, self.humidity_percent, self.pressure_pa, standard=self.standard)

    @cached_property
    def speed_m_s(self) -> float:
        """Speed of sound at the tuning temperature."""
        return speed_of_sound_m_s(self.tuning_c, self.humidity_percent, self.pressure_pa, standard=self.standard)

    @cached_property
    def a_at_tuning_hz(self) -> float:
        """Pitch of a1 at the tuning temperature."""
        at = speed_of_sound_m_s(self.at_c, self.humidity_percent, self.pressure_pa, standard=self.standard)
        return self.a_hz * self.speed_m_s / at

    def semitones(self, key: int, footage: Fraction, *, pure: bool = True) -> float:
        """Semitones above the 8' C by sound, transposition included.

        >>> Pitch(transpose_semitones=-1).semitones(12, Fraction(8))
        11.0
        """
        return sounding_semitones(key, footage, pure=pure) + self.transpose_semitones

    def frequency_hz(self, key: int, footage: Fraction, *, pure: bool = True) -> float:
        """What the pipe of a key of a rank sounds at the tuning temperature.

        A pure mutation (and an octave) follows the temperament of its own key, of which it is an exact partial; a
        tempered mutation that of the note it sounds.

        >>> round(Pitch().frequency_hz(0, Fraction(8)), 4)
        65.4064
        """
        semitones = self.semitones(key, footage, pure=pure)
        step = key + self.transpose_semitones if pure else round(semitones)
        cents = self.temperament_cents[step % 12]
        return self.a_at_tuning_hz * math.exp2((semitones - C_8_FOOT_BELOW_A) / 12.0 + cents / 1200.0)
