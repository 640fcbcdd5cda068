"""What a pipe is: its sizes, and its parts as flat blanks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from pipemetal.pipes.caps import CapFit
from pipemetal.texts import Text, joined

__all__ = ["Part", "Pipe", "RingSector", "footage_text", "span_text"]


def footage_text(footage: Fraction) -> str:
    """A footage as it stands on a stop knob.

    >>> footage_text(Fraction(8, 3)), footage_text(Fraction(8)), footage_text(Fraction(2, 3))
    ("2 2/3'", "8'", "2/3'")
    """
    whole, rest = divmod(footage, 1)
    pieces = [str(whole)] if whole else []
    if rest:
        pieces.append(f"{rest.numerator}/{rest.denominator}")
    return " ".join(pieces) + "'"


class Noted(Protocol):
    """Anything that has a key and the name of its note."""

    @property
    def key(self) -> int: ...

    @property
    def note(self) -> str: ...


def span_text(pipes: Sequence[Noted]) -> Text:
    """The notes of some pipes of one rank, neighbours together: `C to F#, a`.

    >>> from types import SimpleNamespace as P
    >>> span_text([P(key=0, note="C"), P(key=1, note="C#"), P(key=2, note="D"), P(key=9, note="A")])
    'C to D, A'
    """
    notes = {p.key: p.note for p in pipes}
    runs: list[list[int]] = []
    for key in sorted(notes):
        if runs and key == runs[-1][-1] + 1:
            runs[-1].append(key)
        else:
            runs.append([key])
    return joined(
        (notes[r[0]] if len(r) == 1 else Text("{first} to {last}", first=notes[r[0]], last=notes[r[-1]]) for r in runs),
        ", ",
    )


@dataclass(frozen=True)
class RingSector:
    """A blank that is a ring sector: radii in mm, angle in degrees, allowances included."""

    outer_radius_mm: float
    inner_radius_mm: float
    angle_deg: float

    def box_mm(self) -> tuple[float, float]:
        """Length along the axis and width across it of the box around the sector.

        >>> [round(v, 1) for v in RingSector(291.629, 43.879, 97.0583).box_mm()]
        [262.6, 437.0]
        """
        half = math.radians(self.angle_deg) / 2.0
        if half >= math.pi / 2.0:
            return self.outer_radius_mm * (1.0 - math.cos(half)), 2.0 * self.outer_radius_mm
        return (
            self.outer_radius_mm - self.inner_radius_mm * math.cos(half),
            2.0 * self.outer_radius_mm * math.sin(half),
        )

    def mean_wall_mm(self, outer_mm: float, inner_mm: float) -> float:
        """Mean thickness over the area of a sector whose wall runs straight from its large arc to its small one.

        >>> round(RingSector(300.0, 0.0, 90.0).mean_wall_mm(1.0, 0.7), 3)
        0.9
        """
        large, small = self.outer_radius_mm, self.inner_radius_mm
        return (outer_mm * (2.0 * large + small) + inner_mm * (large + 2.0 * small)) / (3.0 * (large + small))

    def area_mm2(self) -> float:
        """Area of the sector."""
        return math.radians(self.angle_deg) / 2.0 * (self.outer_radius_mm**2 - self.inner_radius_mm**2)


@dataclass(frozen=True)
class Part:
    """One part as a flat blank. `length_mm` runs from mouth end to top end, `width_mm` across it, allowances included.

    `finished_area_mm2` and `finished_mass_kg` are of the part without its allowances; `blank_area_mm2` and
    `blank_mass_kg` of what is cut out of the sheet. `bought` parts are of flat sheet that no pot of the shop gives. `edge_mm` and
    `end_mm` are the allowances within the blank, along each seam edge and at each end; `development` is a sector without them.
    A sector has its large arc at the mouth end of the blank; `lower_at_small_arc` where its lower end in the pipe is at the small
    one, as in resonators. `planed_mm` is what is planed or scraped off the blank's thickness until the part is finished.
    """

    id: str
    kind: str
    alloy: str
    length_mm: float
    width_mm: float
    thickness_mouth_mm: float
    thickness_top_mm: float
    tolerance_mm: float
    turns_deg: tuple[int, ...]
    sector: RingSector | None
    finished_area_mm2: float
    finished_mass_kg: float
    blank_area_mm2: float
    blank_mass_kg: float
    bought: bool = False
    edge_mm: float = 0.0
    end_mm: float = 0.0
    development: RingSector | None = None
    lower_at_small_arc: bool = False
    planed_mm: float = 0.0

    @property
    def wall_below_mm(self) -> float:
        """The blank's wall at the part's lower end, as it stands in the pipe."""
        return self.thickness_top_mm if self.lower_at_small_arc else self.thickness_mouth_mm

    @property
    def wall_above_mm(self) -> float:
        """The blank's wall at the part's upper end, as it stands in the pipe."""
        return self.thickness_mouth_mm if self.lower_at_small_arc else self.thickness_top_mm

    @property
    def planed_share(self) -> float:
        """Share of the blank's thickness that stays after planing; 1 where nothing is planed off."""
        return 1.0 - 2.0 * self.planed_mm / (self.thickness_mouth_mm + self.thickness_top_mm)


@dataclass(frozen=True)
class Pipe:
    """One pipe. Lengths in mm at the tuning temperature; `choir` is 1 for a simple rank.

    `body_length_mm` is the sounding length by formula, `cut_length_mm` what the body is cut to before tuning. `made` says
    where it comes from: cast, sheet (bought), wood or old. A reed's resonator has its wide end as `diameter_mm`, its tip
    as `tip_diameter_mm`, and no mouth. `visible_length_mm` is above zero for front pipes, whose opening at the back
    stands at the sounding length. `ising` needs the wind. `remarks` are what a maker must know of this pipe.
    """

    id: str
    rank: str
    division: str
    alloy: str
    construction: str
    key: int
    note: str
    choir: int
    footage: Fraction
    frequency_hz: float
    diameter_mm: float
    top_diameter_mm: float
    half_tones: float
    mouth_width_mm: float
    cut_up_mm: float
    body_length_mm: float
    cut_length_mm: float
    foot_length_mm: float
    chimney_diameter_mm: float
    chimney_length_mm: float
    thickness_mouth_mm: float
    thickness_top_mm: float
    thickness_foot_mm: float
    languid_thickness_mm: float
    parts: tuple[Part, ...]
    made: str = "cast"
    lip: str = "flat"
    flue_mm: float = 0.0
    toe_bore_mm: float = 0.0
    tip_diameter_mm: float = 0.0
    hole_diameter_mm: float = 0.0
    slide_length_mm: float = 0.0
    visible_length_mm: float = 0.0
    wall_source: str = ""
    ising: float | None = None
    cap: CapFit | None = None
    toe_diameter_mm: float = 0.0
    old_mass_kg: float = 0.0
    remarks: tuple[Text, ...] = ()

    @property
    def mass_kg(self) -> float:
        """Mass of the whole pipe: all finished parts, and what an old pipe brings along."""
        return self.old_mass_kg + sum(part.finished_mass_kg for part in self.parts)

    @property
    def cast_kg(self) -> float:
        """Mass of the finished parts that the shop casts."""
        return sum(part.finished_mass_kg for part in self.parts if not part.bought)
