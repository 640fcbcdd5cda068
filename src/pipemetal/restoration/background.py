"""Published pitches of old organs and forks, as background: they say nothing of the rank at hand, only of its times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.scale_fit import Estimate

__all__ = ["PITCHES", "OldPitch", "near_pitches"]

_BRITANNICA: Final = 'Encyclopaedia Britannica, 11th ed. (1911), "Musical Pitch", after A. J. Ellis, reduced to 59 F'


@dataclass(frozen=True)
class OldPitch:
    """A pitch of a1 as it was published, with the temperature that it was reduced to where one is known."""

    a_hz: float
    what: str
    date: str
    at_c: float | None
    source: str


PITCHES: Final = (
    OldPitch(376.6, "Dom Bedos, mean tone", "1766", 15.0, _BRITANNICA),
    OldPitch(393.2, "Strasbourg minster, organ", "1713-16", 15.0, _BRITANNICA),
    OldPitch(395.8, "Versailles, organ", "1789", 15.0, _BRITANNICA),
    OldPitch(422.5, "Handel's fork", "1751", None, "A. J. Ellis's list, second hand; another page dates it 1740"),
    OldPitch(435.0, "Diapason normal, fork", "1859", 15.0, "law of France of 1859, as A. J. Ellis reports it"),
    OldPitch(439.0, "New Philharmonic", "1896", 20.0, "page on standards; 435 at 15 °C gives 438.8 at 20 °C"),
    OldPitch(441.7, "Hampton Court, organ", "1690", 15.0, _BRITANNICA),
    OldPitch(452.5, "Old Philharmonic", "1842-96", None, "page on standards"),
    OldPitch(474.1, "Durham, organ", "1662", 15.0, _BRITANNICA),
)
"""Pitches with their sources. A. J. Ellis's whole list runs from 370 to 567 Hz."""
USUAL_C: Final = 15.0


def near_pitches(a_hz: Estimate, at_c: float) -> tuple[OldPitch, ...]:
    """Published pitches that lie within the limits of a pitch, each brought to its temperature.

    >>> [p.what for p in near_pitches(Estimate(394.0, 390.0, 397.0), 15.0)]
    ['Strasbourg minster, organ', 'Versailles, organ']
    """
    here = speed_of_sound_m_s(at_c)

    def brought(pitch: OldPitch) -> float:
        return pitch.a_hz * here / speed_of_sound_m_s(USUAL_C if pitch.at_c is None else pitch.at_c)

    return tuple(p for p in PITCHES if a_hz.low <= brought(p) <= a_hz.high)
