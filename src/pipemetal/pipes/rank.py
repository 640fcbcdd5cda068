"""An organ's ranks as they are ordered: what a person writes down before anything is computed."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.caps import Cap
from pipemetal.pipes.fronts import Lining, Lips
from pipemetal.pipes.learned import LearnedLengths
from pipemetal.pipes.mouth import Mouth
from pipemetal.pipes.notes import NAMINGS
from pipemetal.pipes.pitch import Pitch, note_name
from pipemetal.pipes.profile import Step
from pipemetal.pipes.ranges import NoteRange
from pipemetal.pipes.reeds import Resonator
from pipemetal.pipes.scale import HalfToneScale, Scale
from pipemetal.pipes.walls import DEFAULT_WALL, GivenWall, LanguidRule, WallRule
from pipemetal.texts import Text

__all__ = ["CONSTRUCTIONS", "TUNINGS", "Allowances", "Break", "Chimney", "Organ", "Rank", "said_construction"]

CONSTRUCTIONS: Final = (
    "open",
    "stopped",
    "chimney",
    "half_covered",
    "tapered",
    "stepped",
    "harmonic",
    "resonator",
)
CLOSED: Final = ("stopped", "chimney", "half_covered")
TUNINGS: Final = ("cone", "slide", "slot", "cap", "none")


def _amiss(construction: str, field: str, *, given: bool) -> PipeError:
    """What is said of a key that only one construction has: given with another, or lacking with its own."""
    if given:
        return PipeError(
            Text("goes with construction {construction}, and only with it", construction=construction), field=field
        )
    return PipeError(Text("is missing; construction {construction} needs it", construction=construction), field=field)


def _in_range(name: str, value: float, low: float, high: float, unit: str = "") -> None:
    if not low <= value <= high:
        raise PipeError("is out of range", field=name, value=value, limits=(low, high, unit.strip()))


LOWEST_KEY, HIGHEST_KEY = -12, 84
"""The keys that a rank may have, from the C below great C upwards."""


def said_construction(name: str) -> str:
    """A construction in words.

    >>> said_construction("chimney"), said_construction("half_covered")
    ('stopped with a chimney', 'half covered')
    """
    return "stopped with a chimney" if name == "chimney" else name.replace("_", " ")


@dataclass(frozen=True)
class Allowances:
    """What is added to a development so that the bench has metal to work with (common practice, no source).

    `side_trim_mm` is added at each edge along the seam, `end_trim_mm` at each end. `tuning_bass_percent` and
    `tuning_treble_percent` lengthen cone-tuned bodies (linear in octaves from 65 Hz to 4186 Hz), at least
    `tuning_least_mm`; caps and stoppers say their own travel (`pipes/caps.py`), or
    travel by `cap_travel` diameters, at least `cap_least_mm`, where these are given; a slot needs
    `slot_above` diameters of body above the sounding length (source: documented organ of 1881, seen); a body with a
    tuning slide is cut short by `slide_short` diameters and its sleeve is `slide_length` diameters long, at least
    `slide_least_mm`. `seam_bevel_mm` is added at each edge of a seam that is bevelled, `planing_mm` to the thickness of
    every body and foot blank that is planed after cutting. `joint_overlap_mm`: where a body is longer than a sheet it is made of
    lengths soldered end to end; each but the lowest is longer by this, 0 for a butt joint.
    """

    side_trim_mm: float = 2.0
    end_trim_mm: float = 2.0
    tuning_bass_percent: float = 3.0
    tuning_treble_percent: float = 8.0
    tuning_least_mm: float = 4.0
    cap_travel: float | None = None
    cap_least_mm: float | None = None
    joint_overlap_mm: float = 0.0
    slot_above: float = 2.0 / 3.0
    slide_short: float = 0.25
    slide_length: float = 1.25
    slide_least_mm: float = 20.0
    seam_bevel_mm: float = 0.0
    planing_mm: float = 0.0

    def __post_init__(self) -> None:
        for name, high in (
            ("cap_travel", 3.0),
            ("cap_least_mm", 200.0),
            ("side_trim_mm", 50.0),
            ("end_trim_mm", 50.0),
            ("tuning_bass_percent", 30.0),
            ("tuning_treble_percent", 30.0),
            ("tuning_least_mm", 100.0),
            ("joint_overlap_mm", 30.0),
            ("slot_above", 3.0),
            ("slide_short", 2.0),
            ("slide_length", 5.0),
            ("slide_least_mm", 200.0),
            ("seam_bevel_mm", 5.0),
            ("planing_mm", 1.0),
        ):
            _in_range(name, getattr(self, name) or 0.0, 0.0, high)


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
    `hole_ratio` is the hole in a half-covered pipe's cap by its diameter; `steps` are the pieces of a stepped body.
    `ranges` are notes that are not cast of the rank's own metal. `front` gives visible bodies, mouth to top in mm, at
    some keys, straight between: such a pipe has its opening at the back at the sounding length. `bodies` gives sounding
    lengths in mm at single keys, in place of the length rule. `lips`, `foot_lining` and
    `burnish_mm` (metal left on bodies and feet of front pipes for scraping and burnishing) are explained in `fronts`.
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
    foot_length_mm: float | None = None
    foot_factor: float = 1.15
    toe_diameter_mm: float | None = None
    top_ratio: float = 1.0
    chimney: Chimney | None = None
    tuning: str = "cone"
    pure_mutations: bool = True
    ears: bool | None = None
    languid_alloy: str | None = None
    lip: str = "flat"
    arch: float = 0.0
    flue_mm: float | None = None
    toe_bore_mm: float | None = None
    languid_factor: float = 1.0
    hole_ratio: float | None = None
    steps: tuple[Step, ...] = ()
    resonator: Resonator | None = None
    ranges: tuple[NoteRange, ...] = ()
    front: tuple[tuple[int, float], ...] = ()
    bodies: tuple[tuple[int, float], ...] = ()
    wind_mm_water: float | None = None
    cap: Cap = field(default_factory=Cap)
    lips: Lips = field(default_factory=Lips)
    foot_lining: Lining | None = None
    burnish_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.construction not in CONSTRUCTIONS:
            raise PipeError(
                "is not known", field="construction", value=self.construction, allowed=", ".join(CONSTRUCTIONS)
            )
        if self.tuning not in TUNINGS:
            raise PipeError("is not known", field="tuning", value=self.tuning, allowed=", ".join(TUNINGS))
        if not self.last_key >= self.first_key:
            raise PipeError("ends before it begins", field="compass", value=self.compass_words, example="C-g3")
        if self.first_key < LOWEST_KEY or self.last_key > HIGHEST_KEY:
            limits = Text("{low} to {high}", low=note_name(LOWEST_KEY), high=note_name(HIGHEST_KEY))
            raise PipeError(
                "is out of range", field="compass", value=self.compass_words, allowed=limits, example="C-g3"
            )
        _in_range("mouth_fraction", self.mouth_fraction, 0.1, 0.45)
        _in_range("cut_up_fraction", self.cut_up_fraction, 0.1, 0.8)
        if self.foot_length_mm is not None:
            _in_range("foot_length_mm", self.foot_length_mm, 40.0, 2500.0, " mm")
        _in_range("foot_factor", self.foot_factor, 0.5, 3.0)
        if self.toe_diameter_mm is not None:
            _in_range("toe_diameter_mm", self.toe_diameter_mm, 4.0, 150.0, " mm")
        _in_range("languid_factor", self.languid_factor, 0.3, 3.0)
        if self.wind_mm_water is not None:
            _in_range("wind_mm_water", self.wind_mm_water, 10.0, 1500.0, " mm")
        self.mouth  # noqa: B018  (a mouth that cannot be is refused here)
        self._check_kind()
        self._check_breaks()
        self._check_ranges()
        self._check_front()
        self._check_bodies()

    @cached_property
    def mouth(self) -> Mouth:
        """The mouth that all pipes of the rank have."""
        return Mouth(self.mouth_fraction, self.cut_up_fraction, self.lip, self.arch, self.flue_mm, self.toe_bore_mm)

    @property
    def compass_words(self) -> str:
        """First and last note, as the trade names them."""
        return f"{note_name(self.first_key)}-{note_name(self.last_key)}"

    @property
    def is_closed(self) -> bool:
        """Whether its pipes have a cap."""
        return self.construction in CLOSED

    def _check_kind(self) -> None:
        if self.construction == "tapered":
            _in_range("top_ratio", self.top_ratio, 0.15, 2.5)
            if self.top_ratio == 1.0:
                raise PipeError(
                    "is missing or 1, which is a cylinder; construction tapered needs it",
                    field="top",
                    allowed='0.15 to 2.5, as in top = 0.5; or construction = "open"',
                )
        elif self.top_ratio != 1.0:
            raise PipeError(
                "is for tapered ranks only", field="top_ratio", value=self.top_ratio, allowed="leave it out"
            )
        if (self.chimney is not None) != (self.construction == "chimney"):
            raise _amiss("chimney", "chimney", given=self.construction != "chimney")
        if (self.hole_ratio is not None) != (self.construction == "half_covered"):
            raise _amiss("half_covered", "hole", given=self.construction != "half_covered")
        if self.hole_ratio is not None:
            _in_range("hole", self.hole_ratio, 0.05, 0.9)
        if bool(self.steps) != (self.construction == "stepped"):
            raise _amiss("stepped", "step", given=self.construction != "stepped")
        if self.steps and (abs(sum(s.share for s in self.steps) - 1.0) > 1e-6 or self.steps[0].below != 1.0):
            raise PipeError(
                "must make up the whole body and begin with the diameter at the mouth",
                field="step",
                value=f"shares {sum(s.share for s in self.steps):g}, first below {self.steps[0].below:g}",
                allowed="1 and 1",
            )
        if (self.resonator is not None) != (self.construction == "resonator"):
            raise _amiss("resonator", "resonator", given=self.construction != "resonator")

    def _check_breaks(self) -> None:
        if (self.footage is None) != bool(self.breaks):
            raise PipeError("is given for a simple rank, breaks for a compound one: one of the two", field="footage")
        keys = [b.from_key for b in self.breaks]
        if keys and (keys[0] != self.first_key or keys != sorted(set(keys)) or keys[-1] > self.last_key):
            raise PipeError(
                "must begin at the lowest note and rise within the compass",
                field="breaks",
                value=", ".join(note_name(k) for k in keys),
            )
        for item in self.breaks:
            if not item.choirs:
                raise PipeError("has no choirs", field="breaks", value=note_name(item.from_key))

    def _check_ranges(self) -> None:
        taken: set[int] = set()
        for item in self.ranges:
            keys = set(range(item.first_key, item.last_key + 1))
            if not keys <= set(self.keys):
                raise PipeError(
                    "reaches past the compass of its rank",
                    field="range",
                    value=item.words,
                    allowed=Text(
                        "{low}-{high}",
                        low=note_name(self.first_key),
                        high=note_name(self.last_key),
                    ),
                )
            if keys & taken:
                raise PipeError("lies over another range", field="range", value=item.words, allowed="each note once")
            taken |= keys
            if self.footage is None and item.made in ("old", "borrowed"):
                raise PipeError(
                    Text("cannot be {made} in a compound rank", made=item.made),
                    field="range",
                    value=item.words,
                    allowed="a simple rank for each choir",
                )

    def _check_front(self) -> None:
        keys = [key for key, _ in self.front]
        if keys != sorted(set(keys)) or any(key not in self.keys for key in keys):
            raise PipeError(
                "must rise within the compass",
                field="front",
                value=", ".join(note_name(k) for k in keys),
            )
        if self.front and (self.footage is None or self.construction not in ("open", "tapered")):
            raise PipeError("goes with open and tapered simple ranks", field="front", value=self.construction)
        _in_range("burnish_mm", self.burnish_mm, 0.0, 0.5, " mm")
        if self.burnish_mm and not self.front:
            raise PipeError("goes with a rank that has front pipes", field="burnish_mm", value=self.burnish_mm)
        for _, visible in self.front:
            _in_range("front", visible, 50.0, 12_000.0, " mm")

    def _check_bodies(self) -> None:
        keys = [key for key, _ in self.bodies]
        if keys != sorted(set(keys)) or any(key not in self.keys for key in keys):
            words = ", ".join(note_name(k) for k in keys)
            raise PipeError("must rise within the compass", field="bodies_mm", value=words)
        if self.bodies and (self.footage is None or self.construction == "resonator"):
            raise PipeError("goes with simple ranks of flue pipes", field="bodies_mm", value=self.construction)
        for _, length in self.bodies:
            _in_range("bodies_mm", length, 3.0, 12_000.0, " mm")

    def range_at(self, key: int) -> NoteRange | None:
        """The range of notes that a key lies in; None where it is a plain pipe of the rank."""
        return next((r for r in self.ranges if r.first_key <= key <= r.last_key), None)

    def visible_mm(self, key: int) -> float | None:
        """Visible body of a front pipe; None where the key is no front pipe."""
        if not self.front or not self.front[0][0] <= key <= self.front[-1][0]:
            return None
        for (k0, v0), (k1, v1) in itertools.pairwise(self.front):
            if k0 <= key <= k1:
                return v0 + (v1 - v0) * (key - k0) / (k1 - k0)
        return self.front[0][1]

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
    """An organ: its pitch, its ranks, and the shop's allowances for it. `naming` is the way its notes are written.

    `wind_mm_water` is the wind of ranks that do not say their own. `learned` is what the shop's finished pipes taught of lengths.
    """

    name: str
    pitch: Pitch
    ranks: tuple[Rank, ...]
    allowances: Allowances = field(default_factory=Allowances)
    languids: LanguidRule = field(default_factory=LanguidRule)
    naming: str = "trade"
    wind_mm_water: float | None = None
    learned: LearnedLengths = field(default_factory=LearnedLengths)

    def __post_init__(self) -> None:
        if not self.ranks:
            raise PipeError("has no ranks", field="rank", allowed="at least one [[rank]]")
        if self.naming not in NAMINGS:
            raise PipeError("is not known", field="note_names", value=self.naming, allowed=", ".join(NAMINGS))
        if self.wind_mm_water is not None:
            _in_range("wind_mm_water", self.wind_mm_water, 10.0, 1500.0, " mm")
        seen: set[str] = set()
        for rank in self.ranks:
            if rank.name in seen:
                raise PipeError("is used for two ranks", field="name", value=rank.name, allowed="a name of its own")
            seen.add(rank.name)

    def wind_of(self, rank: Rank) -> float | None:
        """The wind of a rank in mm of water, its own or the organ's; None where neither is said."""
        return rank.wind_mm_water if rank.wind_mm_water is not None else self.wind_mm_water
