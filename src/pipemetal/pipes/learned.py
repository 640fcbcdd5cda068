"""What a shop's finished pipes taught about lengths: how far open bodies come out longer than the rule."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["LEARNED_OF", "MIDDLE_HZ", "LearnedLengths"]

MIDDLE_HZ: Final = 261.6256
"""Where the share without a slope holds: c1 of an 8' rank at 440 Hz."""
LEARNED_OF: Final = ("open", "tapered", "harmonic", "stepped")
"""Constructions whose open tops are trimmed; a cap is moved instead."""


@dataclass(frozen=True)
class LearnedLengths:
    """How much longer open bodies are than the rule says, by their diameter: at 261.6 Hz, and more by each octave above.

    >>> round(LearnedLengths(0.02, 0.01).added_mm("open", 523.2511, 50.0), 3)
    1.5
    >>> LearnedLengths(0.02).added_mm("stopped", 440.0, 50.0)
    0.0
    """

    by_diameter: float = 0.0
    by_octave: float = 0.0

    def added_mm(self, construction: str, frequency_hz: float, diameter_mm: float) -> float:
        """What is added to the body of a pipe."""
        if construction not in LEARNED_OF or not (self.by_diameter or self.by_octave):
            return 0.0
        return diameter_mm * (self.by_diameter + self.by_octave * math.log2(frequency_hz / MIDDLE_HZ))
