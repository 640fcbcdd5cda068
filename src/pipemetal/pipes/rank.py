"""An organ's ranks as they are ordered: what a person writes down before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.pitch import Pitch, note_name
from pipemetal.pipes.scale import HalfToneScale, Scale
from pipemetal.pipes.walls import DEFAULT_WALL, GivenWall, LanguidRule, WallRule

__all__ = ["CONSTRUCTIONS", "TUNINGS", "Allowances", "Break", "Chimney", "Organ", "Rank"]

CONSTRUCTIONS: Final = ("open", "stopped", "chimney", "tapered", "harmonic")
TUNINGS: Final = ("cone", "slide", "slot", "cap", "none")


def _in_range(name: str, value: float, low: float, high: float, unit: str = "") -> None:
    if not low <= value <= high:
        raise PipeError("is out of range", field=name, value=value, allowed=f"{low:g} to {high:g}{unit}")


@dataclass(frozen=True)
class Allowances:
    """What is added to a development so that the bench has metal to work with (common practice, no source).

    `side_trim_mm` is added at each edge along the seam, `end_trim_mm` at each end. `tuning_bass_percent` and
    `tuning_treble_percent` lengthen cone-tuned bodies (linear in octaves from 65 Hz to 4186 Hz), at least
    `tuning_least_mm`; a stopper or cap overlaps by `cap_travel` diameters, at least `cap_least_mm`; a slot needs
    `slot_above` diameters of body above the sounding length.
    """

    side_trim_mm: float = 2.0
    end_trim_mm: float = 2.0
    tuning_bass_percent: float = 3.0
    tuning_treble_percent: float = 8.0
    tuning_least_mm: float = 4.0
    cap_travel: float = 1.0
    cap_least_mm: float = 20.0
    slot_above: float = 2.0 / 3.0

    def __post_init__(self) -> None:
        for name, high in (
            ("side_trim_mm", 50.0), ("end_trim_mm", 50.0), ("tuning_bass_percent", 30.0), ("tuning_treble_percent", 30.0),
            ("tuning_least_mm", 100.0), ("cap_travel", 3.0), ("cap_least_mm", 200.0), ("slot_above", 3.0),
        ):  # fmt: skip
            _in_range(name, getattr(self, name), 0.0, high)


@dataclass(frozen=True)
class Chimney:
    """A chimney by the diameter of its pipe: Mersenne's proportions by default.

    Source: Mersenne, Harmonie universelle (1636), prop. VII: circumference 1/4 of the pipe's, height half the pipe's
    circumference (1.571 diameters).
    """

    diameter_ratio: float = 0.25
    length_ratio: float = 1.571

    def __post_init__(self) -> None:
        _in_range("chimney.diameter_ratio", self.diameter_ratio, 0.05, 0.9)
        _in_range("chimney.length_ratio", self.length_ratio, 0.05, 6.0)


@dataclass(frozen=True)
class Break:
    """From this key on, a compound rank has these choirs."""

    from_key: int
    choirs: tuple[Fraction, ...]


@dataclass(frozen=True)
class Rank:
    """One rank: compass, construction, scale, walls and metal.

    `keys` counts from great C = 0. `footage` is that of a simple rank, None for a compound one, which has `breaks`
    instead. `mouth_fraction` is of the inner circumference, `cut_up_fraction` of the mouth width; `top_ratio` is top
    over mouth diameter of a tapered body (above 1: inverted). `foot_factor` scales the body's wall for its foot.
    """

    name: str
    division: str
    alloy: str
    footage: Fraction | None
    first_key: int
    last_key: int
    construction: str = "open"
    scale: Scale = field(default_factory=lambda: HalfToneScale(((0.0, 0.0),)))
    wall: WallRule | GivenWall = DEFAULT_WALL
    breaks: tuple[Break, ...] = ()
    mouth_fraction: float = 0.25
    cut_up_fraction: float = 0.25
    foot_length_mm: float = 200.0
    foot_factor: float = 1.15
    toe_diameter_mm: float | None = None
    top_ratio: float = 1.0
    chimney: Chimney | None = None
    tuning: str = "cone"
    pure_mutations: bool = True
    ears: bool | None = None
    languid_alloy: str | None = None

    def __post_init__(self) -> None:
        if self.construction not in CONSTRUCTIONS:
            raise PipeError(
                "is not known", field="construction", value=self.construction, allowed=", ".join(CONSTRUCTIONS)
            )
        if self.tuning not in TUNINGS:
            raise PipeError("is not known", field="tuning", value=self.tuning, allowed=", ".join(TUNINGS))
        if not self.last_key >= self.first_key:
            raise PipeError("ends before it begins", field="compass", value=f"{self.first_key} to {self.last_key}")
        _in_range("compass", self.first_key, -12, 84)
        _in_range("compass", self.last_key, -12, 84)
        _in_range("mouth_fraction", self.mouth_fraction, 0.1, 0.45)
        _in_range("cut_up_fraction", self.cut_up_fraction, 0.1, 0.8)
        _in_range("foot_length_mm", self.foot_length_mm, 40.0, 2500.0, " mm")
        _in_range("foot_factor", self.foot_factor, 0.5, 3.0)
        if self.toe_diameter_mm is not None:
            _in_range("toe_diameter_mm", self.toe_diameter_mm, 4.0, 80.0, " mm")
        self._check_kind()
        self._check_breaks()

    def _check_kind(self) -> None:
        if self.construction == "tapered":
            _in_range("top_ratio", self.top_ratio, 0.15, 2.5)
        elif self.top_ratio != 1.0:
            raise PipeError(
                "is for tapered ranks only", field="top_ratio", value=self.top_ratio, allowed="leave it out"
            )
        if (self.chimney is not None) != (self.construction == "chimney"):
            raise PipeError("goes with construction chimney, and only with it", field="chimney")

    def _check_breaks(self) -> None:
        if (self.footage is None) != bool(self.breaks):
            raise PipeError("is given for a simple rank, breaks for a compound one: one of the two", field="footage")
        keys = [b.from_key for b in self.breaks]
        if keys and (keys[0] != self.first_key or keys != sorted(set(keys)) or keys[-1] > self.last_key):
            raise PipeError(
                "must begin at the lowest note and rise within the compass", field="breaks",
                value=", ".join(note_name(k) for k in keys),
            )  # fmt: skip
        for item in self.breaks:
            if not item.choirs:
                raise PipeError("has no choirs", field="breaks", value=note_name(item.from_key))

    @property
    def keys(self) -> range:
        """All keys of the compass."""
        return range(self.first_key, self.last_key + 1)

    def choirs_at(self, key: int) -> tuple[Fraction, ...]:
        """Footages that sound on a key.

        >>> rank = Rank("Mixture", "I", "M", None, 0, 55, breaks=(Break(0, (Fraction(4, 3), Fraction(1))),))
        >>> rank.choirs_at(12)
        (Fraction(4, 3), Fraction(1, 1))
        """
        if self.footage is not None:
            return (self.footage,)
        return [b for b in self.breaks if b.from_key <= key][-1].choirs


@dataclass(frozen=True)
class Organ:
    """An organ: its pitch, its ranks, and the shop's allowances for it."""

    name: str
    pitch: Pitch
    ranks: tuple[Rank, ...]
    allowances: Allowances = field(default_factory=Allowances)
    languids: LanguidRule = field(default_factory=LanguidRule)

    def __post_init__(self) -> None:
        if not self.ranks:
            raise PipeError("has no ranks", field="rank", allowed="at least one [[rank]]")
        seen: set[str] = set()
        for rank in self.ranks:
            if rank.name in seen:
                raise PipeError("is used for two ranks", field="name", value=rank.name, allowed="a name of its own")
            seen.add(rank.name)
