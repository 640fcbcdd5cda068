"""From the parts of pipes to the blanks of a layout problem."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.layout.problem import Blank, Sector
from pipemetal.pipes.development import sector_blank
from pipemetal.pipes.pipe import Part, Pipe, RingSector
from pipemetal.pipes.rank import Organ
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.tolerances import check_tolerances, parse_tolerances, thin_parts, with_tolerance
from pipemetal.texts import Text

__all__ = [
    "OrderedBlank",
    "Place",
    "SheetLimits",
    "blanks_for",
    "largest_blank",
    "organ_for_shop",
    "told_of_thin_parts",
    "with_tolerances",
]


@dataclass(frozen=True)
class Place:
    """Which of the lengths from the mouth up, of a sector from its large arc, and which of the strips, a blank of a part is."""

    length: int = 1
    lengths: int = 1
    strip: int = 1
    strips: int = 1


@dataclass(frozen=True)
class OrderedBlank:
    """A blank with the pipe and part it is for. `share` is its share of the part, under 1 for one of several strips; `place`
    says which length and strip of its part it is."""

    blank: Blank
    pipe: Pipe
    part: Part
    share: float
    place: Place = Place()

    @property
    def finished_mass_kg(self) -> float:
        """Mass that reaches the pipe."""
        return self.part.finished_mass_kg * self.share


MOST_PIECES: Final = 12


@dataclass(frozen=True)
class SheetLimits:
    """The largest blank that a sheet of the shop holds, inside its trim, and the overlap of lengths soldered end to end."""

    longest_mm: float
    widest_mm: float
    joint_overlap_mm: float = 0.0


def largest_blank(settings: ShopSettings, joint_overlap_mm: float = 0.0) -> SheetLimits:
    """The largest blank that a sheet to cast holds, inside its trim.

    >>> largest_blank(ShopSettings())
    SheetLimits(longest_mm=5170.0, widest_mm=870.0, joint_overlap_mm=0.0)
    """
    trims, widest = 2.0 * settings.sheets.trim_mm, settings.sleds[0]
    return SheetLimits(settings.longest_mm(widest) - trims, widest.width_mm - trims, joint_overlap_mm)


def organ_for_shop(organ: Organ, settings: ShopSettings) -> Organ:
    """The organ with languids in layers that the shop's thickest sheet gives, and what its ear learned of lengths."""
    layer = min(organ.languids.layer_mm, settings.sheets.thickest_mm)
    learned = settings.lengths.learned
    return replace(organ, languids=replace(organ.languids, layer_mm=layer), learned=learned)


@dataclass(frozen=True)
class _Length:
    """One of the lengths that a part is made of, from its mouth end up: what it is cut as, its walls, its share of the part."""

    blank: Blank
    share: float
    place: Place


def _blank(
    part: Part, name: str, size_mm: tuple[float, float], walls: tuple[float, float], ring: RingSector | None
) -> Blank:
    sector = Sector(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None
    return Blank(name, part.kind, part.alloy, *size_mm, *walls, part.tolerance_mm, part.turns_deg, sector=sector)


def _walls(part: Part, low: float, high: float) -> tuple[float, float]:
    """The wall at two shares of a part's length."""
    rise = part.thickness_top_mm - part.thickness_mouth_mm
    return part.thickness_mouth_mm + rise * low, part.thickness_mouth_mm + rise * high


def _rectangles(part: Part, limits: SheetLimits) -> list[_Length]:
    """A rectangular part as equal lengths end to end, each as equal strips side by side, with their own trims."""
    bare_length, bare_width = part.length_mm - 2.0 * part.end_mm, part.width_mm - 2.0 * part.edge_mm
    room_along = limits.longest_mm - 2.0 * part.end_mm - limits.joint_overlap_mm
    lengths = 1 if part.length_mm <= limits.longest_mm else math.ceil(bare_length / max(room_along, 1.0))
    strips = 1
    if part.width_mm > limits.widest_mm:
        strips = math.ceil(bare_width / max(limits.widest_mm - 2.0 * part.edge_mm, 1.0))
    if lengths > MOST_PIECES or strips > MOST_PIECES:
        return [
            _Length(_blank(part, part.id, (part.length_mm, part.width_mm), _walls(part, 0.0, 1.0), None), 1.0, Place())
        ]
    found = []
    for n in range(lengths):
        overlap = limits.joint_overlap_mm if n > 0 else 0.0
        size = (bare_length / lengths + overlap + 2.0 * part.end_mm, bare_width / strips + 2.0 * part.edge_mm)
        walls = _walls(part, n / lengths, (n + 1) / lengths)
        names = _names(part.id, n, lengths, strips)
        share = 1.0 / (lengths * strips)
        found += [
            _Length(_blank(part, name, size, walls, None), share, Place(n + 1, lengths, k, strips))
            for k, name in enumerate(names, start=1)
        ]
    return found


def _names(part_id: str, number: int, lengths: int, strips: int) -> list[str]:
    """Names of the strips of one length: the part's own where there is one piece only."""
    name = part_id if lengths == 1 else f"{part_id} length {number + 1} of {lengths}"
    return [name] if strips == 1 else [f"{name} {k} of {strips}" for k in range(1, strips + 1)]


def _sectors(part: Part, cone: RingSector, limits: SheetLimits) -> list[_Length]:
    """A part that is a sector as lengths between arcs, each as equal sectors, with their own trims.

    The lengths are counted from the large arc.
    """
    slant, whole = cone.outer_radius_mm - cone.inner_radius_mm, cone.area_mm2()
    for lengths in range(1, MOST_PIECES + 1):
        found: list[_Length] = []
        for n in range(lengths):
            outer = cone.outer_radius_mm - slant * n / lengths
            inner = cone.outer_radius_mm - slant * (n + 1) / lengths
            overlap = limits.joint_overlap_mm if n > 0 else 0.0
            piece = RingSector(outer + overlap, inner, cone.angle_deg)
            strips = _strips(piece, part, limits)
            if strips is None:
                break
            number, ring = strips
            walls = _walls(part, n / lengths, (n + 1) / lengths)
            share = RingSector(outer, inner, cone.angle_deg).area_mm2() / whole / number
            names = _names(part.id, n, lengths, number)
            found += [
                _Length(_blank(part, name, ring.box_mm(), walls, ring), share, Place(n + 1, lengths, k, number))
                for k, name in enumerate(names, start=1)
            ]
        else:
            return found
    # nothing makes it small enough: left whole, so that the layout names it as what cannot be served
    size = (part.length_mm, part.width_mm)
    return [_Length(_blank(part, part.id, size, _walls(part, 0.0, 1.0), part.sector), 1.0, Place())]


def _strips(cone: RingSector, part: Part, limits: SheetLimits) -> tuple[int, RingSector] | None:
    """In how many equal sectors a cone fits, and the blank of one; None where no number does."""
    for number in range(1, MOST_PIECES + 1):
        piece = RingSector(cone.outer_radius_mm, cone.inner_radius_mm, cone.angle_deg / number)
        ring = sector_blank(piece, part.edge_mm, part.end_mm)
        length, width = ring.box_mm()
        if width <= limits.widest_mm:
            return (number, ring) if length <= limits.longest_mm else None
    return None


def blanks_for(pipes: Sequence[Pipe], limits: SheetLimits) -> tuple[OrderedBlank, ...]:
    """All blanks of all pipes that are cut from the shop's own sheet; bought flat sheet is no part of the layout.

    A part wider than a sheet becomes equal strips (cylinders) or sectors (cones), each with its own side trim; a part longer than
    a sheet becomes lengths soldered end to end, each with its own walls.

    Sources: strips: Encyclopedie t. 11 (1765) p. 638, circumferences of 3 pieds and over in two half-width pieces; lengths:
    common practice, no source.
    """
    found = []
    for pipe in pipes:
        for part in pipe.parts:
            if part.bought:
                continue
            cone = part.development
            pieces = _rectangles(part, limits) if cone is None else _sectors(part, cone, limits)
            found += [OrderedBlank(piece.blank, pipe, part, piece.share, piece.place) for piece in pieces]
    return tuple(found)


def with_tolerances(blanks: Sequence[OrderedBlank], said: str, recipes: Collection[str]) -> tuple[OrderedBlank, ...]:
    """The blanks with what the shop lets their thickness be (`sure.tolerances`). Errors: PlanError where that cannot be."""
    tolerances = parse_tolerances(said)
    check_tolerances(tolerances, recipes, (b.blank for b in blanks))
    return tuple(replace(b, blank=with_tolerance(b.blank, tolerances)) for b in blanks)


def told_of_thin_parts(blanks: Sequence[OrderedBlank], said: str) -> tuple[Text, ...]:
    """A caution where the shop lets more than a third of a wall be missing."""
    parts = thin_parts(parse_tolerances(said), (b.blank for b in blanks))
    words = (
        "By the shop's tolerances more than a third of the wall may be missing of: {parts}. Such pipes may neither sound nor"
        " stand as reckoned."
    )
    return (Text(words, parts=", ".join(parts)),) if parts else ()
