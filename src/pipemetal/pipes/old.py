"""Pipes that exist already: what was measured on them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.scale_fit import MeasuredPipe
from pipemetal.texts import Amount, Text

__all__ = ["CONDITIONS", "CONDITION_WORDS", "OldPipe", "OldRank"]

CONDITION_WORDS: Final = {
    "good": "good",
    "dented": "dented",
    "oval": "out of round",
    "toe": "toe sunk in",
    "top": "top torn",
    "cracked": "cracked",
    "corroded": "corroded",
}
"""The conditions of a file in words."""
CONDITIONS: Final = tuple(CONDITION_WORDS)
"""As found: fit to play, dented, out of round, its toe sunk in, its top torn, cracked through, eaten by corrosion."""


STRAIGHT: Final = 0.02
"""A body whose top differs by less from its mouth is a cylinder, out of round or hit (common practice, no source)."""
TAPER_RANGE: Final = (0.15, 2.5)
"""Top over mouth diameter of tapered bodies, as in the organ file."""


@dataclass(frozen=True)
class OldPipe:
    """An existing pipe; what was not measured is None. `diameter_mm` is the inner one at the mouth.

    A pipe that is missing has no diameter. `where` is its place in the file it was read from,
    `condition` one of CONDITIONS. `top_diameter_mm` is the inner diameter at the top of a tapered pipe, None for a cylinder.

    Errors: PipeError for sizes that no pipe can have, with its field.

    >>> OldPipe(0, "C", 100.0, length_mm=1200.0, top_diameter_mm=50.0).is_cone, OldPipe(0, "C", 100.0).is_cone
    (True, False)
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
    top_diameter_mm: float | None = None

    def __post_init__(self) -> None:
        if self.diameter_mm is None:
            if self.top_diameter_mm is not None:
                raise PipeError(
                    "stands without the diameter at the mouth", field="top_diameter_mm", allowed="both, or neither"
                )
            return
        around = math.pi * self.diameter_mm
        if self.mouth_width_mm is not None and self.mouth_width_mm >= around:
            raise PipeError(
                "is wider than the pipe is around",
                field="mouth_width_mm",
                value=Amount.short(self.mouth_width_mm, "mm"),
                allowed=Text(
                    "less than {around}, the inner circumference; a mouth takes about a quarter of it",
                    around=Amount(around, "mm", 1),
                ),
            )
        if self.length_mm is not None and self.cut_up_mm is not None and self.cut_up_mm >= self.length_mm:
            raise PipeError(
                "is higher than the body is long",
                field="cut_up_mm",
                value=Amount.short(self.cut_up_mm, "mm"),
                allowed="a part of the mouth's width",
            )
        if self.top_diameter_mm is not None:
            low, high = TAPER_RANGE
            share = self.top_diameter_mm / self.diameter_mm
            if not low <= share <= high:
                raise PipeError(
                    "is no taper of a pipe",
                    field="top_diameter_mm",
                    value=Amount.short(self.top_diameter_mm, "mm"),
                    allowed=Text(
                        "{low} to {high} times the {across} at the mouth",
                        low=Amount.short(low),
                        high=Amount.short(high),
                        across=Amount(self.diameter_mm, "mm", 1),
                    ),
                )

    @property
    def is_cone(self) -> bool:
        """Whether its top differs from its mouth by more than a cylinder that is out of round."""
        return (
            self.diameter_mm is not None
            and self.top_diameter_mm is not None
            and abs(self.top_diameter_mm / self.diameter_mm - 1.0) > STRAIGHT
        )

    def top_share(self, length_mm: float) -> float:
        """Top over mouth diameter of a body of this length that goes on with the slope of this pipe; 1 for a cylinder.

        >>> OldPipe(0, "C", 100.0, length_mm=1000.0, top_diameter_mm=50.0).top_share(800.0)
        0.6
        """
        if not self.is_cone or self.length_mm is None or self.diameter_mm is None or self.top_diameter_mm is None:
            return 1.0
        return 1.0 - (1.0 - self.top_diameter_mm / self.diameter_mm) * length_mm / self.length_mm


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
