"""What the ear taught about lengths, as a shop's settings keep it."""

from __future__ import annotations

from dataclasses import dataclass

from pipemetal.pipes.learned import LearnedLengths
from pipemetal.planning.habits import Limits, check_limits

__all__ = ["LengthSettings"]


@dataclass(frozen=True)
class LengthSettings:
    """How much longer open bodies come out than by the length rule, as a share of their diameter: at 261.6 Hz, and more by each
    octave above it. `pipemetal organ ear learn` finds both; 0 and 0 is the rule as it is."""

    by_diameter: float = 0.0
    by_octave: float = 0.0

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {"by_diameter": (-0.5, 0.5), "by_octave": (-0.1, 0.1)}

    def __post_init__(self) -> None:
        check_limits("lengths", self, self.limits)

    @property
    def learned(self) -> LearnedLengths:
        """The same for the pipes."""
        return LearnedLengths(self.by_diameter, self.by_octave)
