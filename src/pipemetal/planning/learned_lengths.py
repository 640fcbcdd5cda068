"""What the ear taught about lengths, as a shop's settings keep it."""

from __future__ import annotations

from dataclasses import dataclass, fields

from pipemetal.pipes.learned import LearnedLengths
from pipemetal.planning.habits import Limits, check_limits

__all__ = ["LengthSettings"]


@dataclass(frozen=True)
class LengthSettings:
    """How much longer bodies come out than by the length rule, in shares of their diameter: see `LearnedLengths`, whose fields
    these are. `pipemetal organ ear learn` finds them; all 0 is the rule as it is."""

    by_diameter: float = 0.0
    by_octave: float = 0.0
    by_mouth: float = 0.0
    by_cut_up: float = 0.0
    by_wind: float = 0.0
    tapered: float = 0.0
    harmonic: float = 0.0
    stepped: float = 0.0
    stopped: float = 0.0

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {f.name: (-0.1, 0.1) if f.name in ("by_octave", "by_wind") else (-0.5, 0.5) for f in fields(self)}

    def __post_init__(self) -> None:
        check_limits("lengths", self, self.limits)

    @property
    def learned(self) -> LearnedLengths:
        """The same for the pipes."""
        return LearnedLengths(**{f.name: getattr(self, f.name) for f in fields(self)})
