"""Pipes that exist already: what was measured on them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.scale_fit import MeasuredPipe

__all__ = ["CONDITIONS", "OldPipe", "OldRank"]

CONDITIONS: Final = ("good", "dented", "oval", "toe", "top", "cracked", "corroded")
"""As found: fit to play, dented, out of round, its toe sunk in, its top torn, cracked through, eaten by corrosion."""


@dataclass(frozen=True)
class OldPipe:
    """An existing pipe; what was not measured is None. `diameter_mm` is the inner one at the mouth.

    A pipe that is missing has no diameter. `where` is its place in the file it was read from,
    `condition` one of CONDITIONS.
    """

    key: int
    note: str
    diameter_mm: float | None = None
    thickness_mm: float | None = None
    length_mm: float | None = None
    foot_length_mm: float | None = None
    mouth_width_mm: float | None = None
    cut_up_mm: float | None = None
    mass_kg: float | None = None
    remark: str = ""
    where: str = ""
    condition: str = "good"


@dataclass(frozen=True)
class OldRank:
    """The measured pipes of one rank, which speaks at this footage."""

    name: str
    footage: Fraction
    pipes: tuple[OldPipe, ...]

    def measured(self) -> tuple[MeasuredPipe, ...]:
        """The pipes as the search for their scale wants them, by sounding pitch.

        >>> rank = OldRank("Octave", Fraction(4), (OldPipe(0, "C", 90.0), OldPipe(1, "C#")))
        >>> [(p.semitones, p.diameter_mm) for p in rank.measured()]
        [(12.0, 90.0), (13.0, None)]
        """
        return tuple(
            MeasuredPipe(p.note, p.key, sounding_semitones(p.key, self.footage), p.diameter_mm, p.remark)
            for p in self.pipes
        )
