"""The record of a restoration: the pipes that there are, as they were measured, and what is known beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipemetal.alloys.assay import Reading, Weighing
from pipemetal.errors import PipeError
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.old import OldPipe, OldRank
from pipemetal.texts import Amount, Text

__all__ = ["ALTERED", "SIZES", "SURE_95", "Added", "Choice", "FoundPipe", "PitchRange", "Restoration"]

ALTERED: Final = ("as made", "shortened", "lengthened", "unsure")
"""What became of a body's length since it was made."""
SIZES: Final = (
    "diameter_mm",
    "length_mm",
    "foot_length_mm",
    "mouth_width_mm",
    "cut_up_mm",
    "thickness_mm",
    "wall_middle_mm",
    "wall_top_mm",
    "wall_foot_mm",
    "toe_mm",
    "windway_mm",
)
"""What is measured on a pipe, each with its own error and the way it was measured where they are known."""
SURE_95: Final = 1.96
"""Standard errors in a plus-or-minus of 95 %."""
USUAL_HALF_MM: Final[Mapping[str, float]] = {
    "diameter_mm": 0.3,
    "length_mm": 0.5,
    "foot_length_mm": 1.0,
    "mouth_width_mm": 0.3,
    "cut_up_mm": 0.3,
    "thickness_mm": 0.04,
    "wall_middle_mm": 0.04,
    "wall_top_mm": 0.04,
    "wall_foot_mm": 0.04,
    "toe_mm": 0.2,
    "windway_mm": 0.1,
}
"""Plus or minus of a size that comes without one (common practice, no source)."""


@dataclass(frozen=True)
class FoundPipe:
    """A pipe that was found, or a note whose pipe is missing (no size in `pipe`).

    Parameters
    ----------
    pipe : note, diameter inside at the mouth, wall there, body, foot, mouth, cut-up, mass, condition; mm and kg
    sizes_mm : the other sizes by their names in SIZES
    altered : one of ALTERED
    altered_by_mm : what was cut off or added, where marks show it
    sounds_hz, sounds_plus_minus_cents, air_c : what it speaks, recorded in air of this temperature
    mark, photos : what is scratched or stamped on it, and the names of pictures
    plus_minus_mm : half-widths of 95 % by the names of sizes
    how : how each size was measured, by its name
    guessed : names of sizes that were not measured but worked out when the file was read
    stated : which of `condition` and `altered` somebody wrote down; the others are taken for granted
    """

    pipe: OldPipe
    sizes_mm: Mapping[str, float] = field(default_factory=dict)
    altered: str = "as made"
    altered_by_mm: float | None = None
    sounds_hz: float | None = None
    sounds_plus_minus_cents: float = 2.0
    air_c: float | None = None
    mark: str = ""
    photos: tuple[str, ...] = ()
    plus_minus_mm: Mapping[str, float] = field(default_factory=dict)
    how: Mapping[str, str] = field(default_factory=dict)
    guessed: tuple[str, ...] = ()
    stated: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.altered not in ALTERED:
            raise PipeError("is not known", field="altered", value=self.altered, allowed=", ".join(ALTERED))
        cut_up, mouth = self.pipe.cut_up_mm, self.pipe.mouth_width_mm
        if cut_up is not None and mouth is not None and cut_up > mouth:
            raise PipeError(
                "is higher than the mouth is wide",
                field="cut_up_mm",
                value=Amount.short(cut_up, "mm"),
                allowed=Text(
                    "less than {mouth}; a cut-up takes about a quarter of it", mouth=Amount.short(mouth, "mm")
                ),
            )
        if self.altered_by_mm is not None and self.altered not in ("shortened", "lengthened"):
            raise PipeError(
                "goes with a pipe that was shortened or lengthened", field="altered_by_mm", value=self.altered_by_mm
            )
        first = self.first_length_mm
        if first is not None and first <= 0.0:
            raise PipeError(
                "is more than the whole body",
                field="altered_by_mm",
                value=self.altered_by_mm,
                allowed=Text(
                    "less than {length}, the body as it is", length=Amount(self.pipe.length_mm or 0.0, "mm", 1)
                ),
            )
        if self.sounds_hz is not None and self.air_c is None:
            raise PipeError(
                "is missing: a pitch says nothing without the temperature of the air",
                field="air_c",
                allowed="0 to 40 °C",
            )

    @property
    def is_there(self) -> bool:
        """Whether anything of it was measured."""
        return any(self.size_mm(name) is not None for name in SIZES) or self.sounds_hz is not None

    def size_mm(self, name: str) -> float | None:
        """A size by its name in SIZES, None where it was not measured.

        >>> FoundPipe(OldPipe(0, "C", 100.0), {"toe_mm": 9.0}).size_mm("toe_mm")
        9.0
        """
        if name in self.sizes_mm:
            return self.sizes_mm[name]
        found = getattr(self.pipe, name, None)
        return float(found) if isinstance(found, int | float) else None

    def sigma_mm(self, name: str) -> float:
        """The standard error of a size: its own, or the usual one.

        >>> FoundPipe(OldPipe(0, "C", 100.0), plus_minus_mm={"diameter_mm": 0.196}).sigma_mm("diameter_mm")
        0.1
        """
        return self.plus_minus_mm.get(name, USUAL_HALF_MM[name]) / SURE_95

    def share_error(self, names: Sequence[str]) -> float:
        """The standard error of a share or a size as a share of it, from those of the sizes that it is worked out of.

        >>> round(FoundPipe(OldPipe(0, "C", 100.0, mouth_width_mm=75.0)).share_error(("mouth_width_mm", "diameter_mm")), 4)
        0.0026
        """
        sizes = [(name, size) for name in names if (size := self.size_mm(name))]
        return math.hypot(*(self.sigma_mm(name) / size for name, size in sizes))

    @property
    def first_length_mm(self) -> float | None:
        """The body as it was made, as far as it can be known; None where it was altered by who knows how much."""
        length = self.pipe.length_mm
        if length is None or self.pipe.condition == "top":
            return None
        if self.altered == "as made":
            return length
        if self.altered_by_mm is None:
            return None
        return length + (self.altered_by_mm if self.altered == "shortened" else -self.altered_by_mm)


@dataclass(frozen=True)
class PitchRange:
    """Where a1 may lie before anything is measured, at a temperature.

    The usual one is the range of the pitches that A. J. Ellis listed in 1880, as the Encyclopaedia Britannica (1911, "Musical
    Pitch") reports them, reduced to 59 F.
    """

    low_hz: float = 370.0
    high_hz: float = 567.0
    at_c: float = 15.0

    def __post_init__(self) -> None:
        if not 200.0 <= self.low_hz < self.high_hz <= 900.0:
            raise PipeError(
                "must lie below high_hz" if self.low_hz >= self.high_hz else "is no range of a1",
                field="low_hz",
                value=self.low_hz,
                allowed=Text("200 to 900 Hz, below high_hz {high}", high=Amount.short(self.high_hz)),
            )


@dataclass(frozen=True)
class Added:
    """What a restoration added or changed, to be known again: what, where it is marked, when, why."""

    what: str
    mark: str = ""
    when: str = ""
    why: str = ""


@dataclass(frozen=True)
class Choice:
    """What a person decided for the new pipes; None leaves it to what the old ones say."""

    alloy: str | None = None
    a_hz: float | None = None
    temperament: str | None = None


@dataclass(frozen=True)
class Restoration:
    """An old rank and all that is known of it. `first_key` and `last_key` are the compass that it had, `without` keys that never
    had a pipe, as in a short octave.

    >>> pipes = (FoundPipe(OldPipe(0, "C", 90.0)), FoundPipe(OldPipe(1, "C#")))
    >>> old = Restoration("Chapel", "Octave", Fraction(4), 0, 2, pipes)
    >>> [note_name(key) for key in old.missing_keys]
    ['C#', 'D']
    """

    name: str
    rank: str
    footage: Fraction
    first_key: int
    last_key: int
    pipes: tuple[FoundPipe, ...]
    naming: str = "trade"
    construction: str | None = None
    place: str = ""
    built: str = ""
    owner: str = ""
    note: str = ""
    pitch: PitchRange = field(default_factory=PitchRange)
    readings: tuple[Reading, ...] = ()
    added: tuple[Added, ...] = ()
    sources: tuple[str, ...] = ()
    photos: tuple[str, ...] = ()
    choice: Choice = field(default_factory=Choice)
    without: frozenset[int] = frozenset()
    weighings: tuple[Weighing, ...] = ()

    def __post_init__(self) -> None:
        seen: set[int] = set()
        for found in self.pipes:
            key = found.pipe.key
            if not self.first_key <= key <= self.last_key:
                raise PipeError(
                    "lies outside the compass",
                    field="note",
                    value=found.pipe.note,
                    allowed=Text(
                        "{low}-{high}",
                        low=note_name(self.first_key, self.naming),
                        high=note_name(self.last_key, self.naming),
                    ),
                    where=found.pipe.where,
                )
            if key in seen:
                raise PipeError(
                    "stands twice",
                    field="note",
                    value=found.pipe.note,
                    allowed="each note once: give a pipe of unsure place the note that is marked on it",
                    where=found.pipe.where,
                )
            seen.add(key)
            if key in self.without and found.is_there:
                raise PipeError(
                    "was measured, and stands among the notes that never had a pipe",
                    field="without",
                    value=found.pipe.note,
                    allowed="leave it out of one of the two",
                    where=found.pipe.where,
                )

    @property
    def there(self) -> tuple[FoundPipe, ...]:
        """The pipes that were found."""
        return tuple(found for found in self.pipes if found.is_there)

    @property
    def missing_keys(self) -> tuple[int, ...]:
        """Keys of the compass that have no pipe."""
        held = {found.pipe.key for found in self.there}
        return tuple(key for key in range(self.first_key, self.last_key + 1) if key not in held | self.without)

    def as_old_rank(self) -> OldRank:
        """The pipes as the search for a scale, and the reuse of old pipes, want them."""
        return OldRank(self.rank, self.footage, tuple(found.pipe for found in self.pipes))
