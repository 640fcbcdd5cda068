"""What a shop's finished pipes taught about lengths: how far bodies come out longer than the rule, and by what of a pipe."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["CLOSED", "LEARNED_OF", "MIDDLE_HZ", "USUAL", "LearnedLengths", "Traits"]

MIDDLE_HZ: Final = 261.6256
"""Where the share without a slope holds: c1 of an 8' rank at 440 Hz."""
OPEN: Final = ("open", "tapered", "harmonic", "stepped")
CLOSED: Final = ("stopped", "chimney")
LEARNED_OF: Final = (*OPEN, *CLOSED)
"""Constructions whose length is learned; the others are tuned otherwise."""
OWN_SHARE: Final = ("tapered", "harmonic", "stepped")


@dataclass(frozen=True)
class Traits:
    """What of a pipe its length may depend on beyond the rule.

    Parameters
    ----------
    construction : as the organ file names it
    frequency_hz : what it sounds
    diameter_mm : inner, at the mouth
    mouth : width of the mouth by the inner circumference
    cut_up : cut-up by the width of the mouth
    wind_mm_water : None where it is not known
    """

    construction: str
    frequency_hz: float
    diameter_mm: float
    mouth: float
    cut_up: float
    wind_mm_water: float | None = None


USUAL: Final = Traits("open", MIDDLE_HZ, 50.0, 0.25, 0.25, 70.0)
"""The pipe that the share of the diameter is of: mouth a quarter of the circumference, cut up a quarter, wind of 70 mm."""


@dataclass(frozen=True)
class LearnedLengths:
    """How much longer bodies are than the rule says, in shares of the inner diameter.

    Parameters
    ----------
    by_diameter : open pipes as `USUAL`
    by_octave : more by each octave above 261.6 Hz
    by_mouth : more for a mouth wider by a tenth of the circumference
    by_cut_up : more for a cut-up higher by a tenth of the mouth's width
    by_wind : more for 10 mm of wind more
    tapered, harmonic, stepped : what these have beyond open pipes
    stopped : stopped pipes and chimney flutes, in place of `by_diameter`; 0 leaves them to the rule

    >>> round(LearnedLengths(0.02, 0.01).added_mm(Traits("open", 523.2511, 50.0, 0.25, 0.25)), 3)
    1.5
    >>> round(LearnedLengths(0.02, by_mouth=-0.01).added_mm(Traits("open", 261.6256, 50.0, 0.20, 0.25)), 3)
    1.25
    >>> LearnedLengths(0.02).added_mm(Traits("stopped", 440.0, 50.0, 0.25, 0.25))
    0.0
    """

    by_diameter: float = 0.0
    by_octave: float = 0.0
    by_mouth: float = 0.0
    by_cut_up: float = 0.0
    by_wind: float = 0.0
    tapered: float = 0.0
    harmonic: float = 0.0
    stepped: float = 0.0
    stopped: float = 0.0

    def added_mm(self, pipe: Traits) -> float:
        """What is added to the body of a pipe."""
        closed = pipe.construction in CLOSED
        if pipe.construction not in LEARNED_OF or (closed and self.stopped == 0.0):
            return 0.0
        share = self.stopped if closed else self.by_diameter
        own: dict[str, float] = vars(self)
        share += math.fsum(own[name] * value for name, value in slopes_of(pipe).items())
        share += own[pipe.construction] if pipe.construction in OWN_SHARE else 0.0
        return pipe.diameter_mm * share


def slopes_of(pipe: Traits) -> dict[str, float]:
    """How far a pipe is from `USUAL`, by the parameter of `LearnedLengths` that goes with it; a wind that is not known is usual.

    >>> slopes_of(Traits("open", 523.2512, 50.0, 0.25, 0.25))["by_octave"]
    1.0
    """
    wind = pipe.wind_mm_water if pipe.wind_mm_water is not None else USUAL.wind_mm_water or 0.0
    return {
        "by_octave": math.log2(pipe.frequency_hz / MIDDLE_HZ),
        "by_mouth": (pipe.mouth - USUAL.mouth) / 0.1,
        "by_cut_up": (pipe.cut_up - USUAL.cut_up) / 0.1,
        "by_wind": (wind - (USUAL.wind_mm_water or 0.0)) / 10.0,
    }
