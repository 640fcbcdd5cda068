"""The bench card of a pipe: everything that the hands at the bench need, from the flat metal to the stamp.

Sources: languid bevel of 60 degrees, one teacher of metal pipes (read), 45 to 75 common practice; body and foot butt-seamed.
Solder by a bead four walls squared in section, held against the 1 to 2 % of a pipe's mass that shops speak of (both common
practice, no source). Side of planing: planing takes the spots away (not checked), so metal of 40 to 55 % tin keeps its outside
as cast.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.languid import languid_shape
from pipemetal.pipes.mandrels import Mandrel, MandrelChoice, choose_mandrel
from pipemetal.pipes.parts import flat_width_mm
from pipemetal.pipes.pipe import Part, Pipe, RingSector
from pipemetal.pipes.rank import Rank

__all__ = [
    "BenchCard",
    "CardPart",
    "CardPiece",
    "Languid",
    "MouthLines",
    "SolderEstimate",
    "bench_card",
    "solder_estimate",
]

BEVEL_DEG: Final = 60.0
BEVEL_SPAN_DEG: Final = (45.0, 75.0)
BEAD_WALLS: Final = 4.0
"""Section of a bead of solder in squares of the wall, its share above and below (common practice, no source)."""
BEAD_SPREAD: Final = 2.0
SOLDER_G_CM3: Final = 8.4
"""Density of Sn63Pb37 (foundry tables)."""
SPOTTED_TIN: Final = (40.0, 55.0)
ROUND: Final = ("body", "foot", "lining", "boot", "chimney", "slide", "sleeve", "cap")


@dataclass(frozen=True)
class CardPiece:
    """One blank of a part as it is cut: its number among the lengths from the mouth end of the flat metal up (the large arc of a
    sector), and among the strips side by side; its walls from the lower end in the pipe to the upper one."""

    name: str
    length_mm: float
    width_mm: float
    wall_below_mm: float
    wall_above_mm: float
    ring: RingSector | None = None
    length_number: int = 1
    lengths: int = 1
    strip: int = 1
    strips: int = 1


@dataclass(frozen=True)
class CardPart:
    """A part flat and round. `flat` is the finished development, `mandrel` what it is rolled on, None for what is not rolled."""

    part: Part
    pieces: tuple[CardPiece, ...]
    flat_length_mm: float
    flat_width_mm: float
    flat: RingSector | None
    below_mm: float
    above_mm: float
    mandrel: MandrelChoice | None

    @property
    def lengths(self) -> int:
        """How many lengths it is made of, end to end."""
        return max(p.lengths for p in self.pieces)

    @property
    def strips(self) -> int:
        """How many strips its widest length is made of."""
        return max(p.strips for p in self.pieces)


@dataclass(frozen=True)
class MouthLines:
    """The mouth on the flat body: width on the flat metal, cut-up, heights of the lips' triangles, and where its middle lies from
    either finished edge."""

    width_mm: float
    flat_width_mm: float
    cut_up_mm: float
    rise_mm: float
    upper_lip_mm: float
    lower_lip_mm: float
    centre_mm: float
    made: str
    lip: str


@dataclass(frozen=True)
class Languid:
    """The languid: the circle it is cut from, its depth behind the straight edge, that edge's width, layers, and the bevel of its
    front edge."""

    diameter_mm: float
    depth_mm: float
    edge_mm: float
    thickness_mm: float
    layers: int
    bevel_deg: float = BEVEL_DEG
    bevel_span_deg: tuple[float, float] = BEVEL_SPAN_DEG


@dataclass(frozen=True)
class SolderEstimate:
    """Seams of a pipe in mm and the solder in them in kg, with the least and the most (an estimate)."""

    length_mm: float
    mass_kg: float
    least_kg: float
    most_kg: float


@dataclass(frozen=True)
class BenchCard:
    """Everything about making one pipe.

    `stamp` is what is struck into body and foot, `keep_outside` whether the outside stays as cast. `parts_kg` is the mass of the
    finished parts, `blanks_kg` of the metal as cut; an old pipe's share is in `old_kg`. `not_served`: each cause for which
    no sheet of the shop holds a part, with the part; none for a pipe that can be made. `planed_up_to_mm` is the thickest sheet
    that the shop planes, None where that is not known.
    """

    pipe: Pipe
    rank: Rank
    organ: str
    stamp: tuple[str, ...]
    parts: tuple[CardPart, ...]
    mouth: MouthLines | None
    languid: Languid | None
    solder: SolderEstimate
    keep_outside: bool
    parts_kg: float
    blanks_kg: float
    old_kg: float
    not_served: tuple[tuple[str, str], ...] = ()
    planed_up_to_mm: float | None = None

    @property
    def body_mm(self) -> float:
        """Length of all pieces of the body along the metal."""
        return sum(part.flat_length_mm for part in self.parts if part.part.kind.startswith("body"))

    def hood_rise_mm(self, share: float) -> float:
        """Height between the lowest and the highest point of a cut at half a right angle at this share of a resonator's length:
        the mean diameter there."""
        at = share * self.body_mm
        for held in (part for part in self.parts if part.part.kind.startswith("body")):
            if at <= held.flat_length_mm:
                wall = (held.part.wall_below_mm + held.part.wall_above_mm) / 2.0
                return held.below_mm + (held.above_mm - held.below_mm) * at / held.flat_length_mm + wall
            at -= held.flat_length_mm
        return 0.0

    @property
    def whole_kg(self) -> float:
        """The finished pipe with its solder."""
        return self.parts_kg + self.old_kg + self.solder.mass_kg


def solder_estimate(pipe: Pipe, parts: Sequence[CardPart]) -> SolderEstimate:
    """Length of all seams of a pipe and the solder in them: seams along parts, joints around, the languid's two edges."""
    beads = [_beads(card) for card in parts]
    length = sum(seam for seam, _ in beads)
    volume = sum(seam * wall**2 for seam, wall in beads)
    around = 2.0 * math.pi * pipe.diameter_mm if pipe.languid_thickness_mm > 0.0 and parts else 0.0
    length += around
    volume += around * pipe.thickness_mouth_mm**2
    mass = BEAD_WALLS * volume * SOLDER_G_CM3 * 1e-6
    return SolderEstimate(length, mass, mass / BEAD_SPREAD, mass * BEAD_SPREAD)


def _beads(card: CardPart) -> tuple[float, float]:
    """Length of a part's seams and its wall: along every strip, around every joint of two lengths."""
    part = card.part
    wall = (part.thickness_mouth_mm + part.thickness_top_mm) / 2.0
    if card.mandrel is None:
        return 0.0, wall
    around = math.pi * (card.below_mm + card.above_mm) / 2.0
    return card.flat_length_mm * card.strips + around * (card.lengths - 1), wall


def _round_mm(part: Part) -> tuple[float, float] | None:
    """Inner diameters of a part's ends when it is round, the mouth's end first; None for what stays flat."""
    if part.kind.split()[0] not in ROUND or part.kind == "cap disc":
        return None
    ring = part.development
    wall = (part.thickness_mouth_mm + part.thickness_top_mm) / 2.0
    if ring is None:
        # the rim of a cap has its way around along its length, every other tube across it
        around = part.length_mm - 2.0 * part.end_mm if part.kind == "cap rim" else part.width_mm - 2.0 * part.edge_mm
        return around / math.pi - wall, around / math.pi - wall
    turn = math.radians(ring.angle_deg) / math.pi
    ends = ring.outer_radius_mm * turn - wall, ring.inner_radius_mm * turn - wall
    return ends[::-1] if part.lower_at_small_arc else ends


def _card_part(part: Part, pieces: Sequence[CardPiece], mandrels: Sequence[Mandrel]) -> CardPart:
    ring = part.development
    length, width = part.length_mm - 2.0 * part.end_mm, part.width_mm - 2.0 * part.edge_mm
    if ring is not None:
        length = ring.outer_radius_mm - ring.inner_radius_mm
        width = math.radians(ring.angle_deg) * ring.outer_radius_mm
    ends = _round_mm(part)
    choice = choose_mandrel(mandrels, min(ends), max(ends)) if ends is not None else None
    whole = CardPiece(part.id, part.length_mm, part.width_mm, part.wall_below_mm, part.wall_above_mm, part.sector)
    below, above = ends or (0.0, 0.0)
    return CardPart(part, tuple(pieces) or (whole,), length, width, ring, below, above, choice)


def _mouth_lines(pipe: Pipe, rank: Rank, parts: Sequence[CardPart]) -> MouthLines | None:
    if pipe.mouth_width_mm <= 0.0:
        return None
    flat = flat_width_mm(pipe)
    body = next((c for c in parts if c.part.kind in ("body", "body 1")), None)
    around = math.pi * (pipe.diameter_mm + pipe.thickness_mouth_mm)
    if body is not None and body.flat is None:
        around = body.flat_width_mm
    return MouthLines(
        pipe.mouth_width_mm,
        flat,
        pipe.cut_up_mm,
        rank.arch * pipe.mouth_width_mm if pipe.lip == "arched" else 0.0,
        rank.lips.upper * flat,
        rank.lips.lower * flat,
        around / 2.0,
        rank.lips.made,
        pipe.lip,
    )


def _languid(pipe: Pipe, parts: Sequence[CardPart]) -> Languid | None:
    layers = [c.part for c in parts if c.part.kind.startswith("languid")]
    if not layers:
        return None
    shape = languid_shape(pipe.diameter_mm, pipe.mouth_width_mm)
    return Languid(
        2.0 * shape.radius_mm, shape.depth_mm, shape.edge_mm, sum(p.thickness_mouth_mm for p in layers), len(layers)
    )


def bench_card(
    pipe: Pipe,
    rank: Rank,
    organ: str,
    pieces: Mapping[str, Sequence[CardPiece]] | None = None,
    mandrels: Sequence[Mandrel] = (),
    tin_percent: float | None = None,
) -> BenchCard:
    """The card of a pipe of a rank.

    `pieces` are the blanks that each part is cut as, by the part's id; a part without any is one piece. `tin_percent` of the
    pipe's metal decides which side is planed.

    >>> from fractions import Fraction
    >>> from pipemetal.pipes.make import rank_pipes
    >>> from pipemetal.pipes.pitch import Pitch
    >>> from pipemetal.pipes.rank import Organ
    >>> rank = Rank("Octave 4", "Great", "spotted", Fraction(4), 0, 0)
    >>> (pipe,) = rank_pipes(Organ("Chapel", Pitch(), (rank,)), rank, lambda alloy: 8.9)
    >>> card = bench_card(pipe, rank, "Chapel", tin_percent=50.0)
    >>> card.stamp, card.keep_outside, round(card.mouth.flat_width_mm, 1)
    (('Chapel', 'Octave 4', 'C'), True, 73.2)
    """
    parts = tuple(_card_part(part, (pieces or {}).get(part.id, ()), mandrels) for part in pipe.parts)
    number = f"{pipe.note}/{pipe.choir}" if rank.footage is None else pipe.note
    low, high = SPOTTED_TIN
    return BenchCard(
        pipe,
        rank,
        organ,
        (organ, rank.name, number),
        parts,
        _mouth_lines(pipe, rank, parts),
        _languid(pipe, parts),
        solder_estimate(pipe, parts),
        tin_percent is not None and low <= tin_percent <= high,
        sum(p.finished_mass_kg for p in pipe.parts),
        sum(p.blank_mass_kg for p in pipe.parts),
        pipe.old_mass_kg,
    )
