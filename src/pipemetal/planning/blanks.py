"""From the parts of pipes to the blanks of a layout problem."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.layout.problem import Blank, Sector
from pipemetal.pipes.pipe import Part, Pipe, RingSector

__all__ = ["OrderedBlank", "blanks_for"]


@dataclass(frozen=True)
class OrderedBlank:
    """A blank with the pipe and part it is for. `share` is its share of the part, under 1 for one of several strips."""

    blank: Blank
    pipe: Pipe
    part: Part
    share: float

    @property
    def finished_mass_kg(self) -> float:
        """Mass that reaches the pipe."""
        return self.part.finished_mass_kg * self.share


MOST_PIECES = 8


def _blank(part: Part, length_mm: float, width_mm: float, ring: RingSector | None, suffix: str) -> Blank:
    return Blank(
        part.id + suffix,
        part.kind,
        part.alloy,
        length_mm,
        width_mm,
        part.thickness_mouth_mm,
        part.thickness_top_mm,
        part.tolerance_mm,
        part.turns_deg,
        sector=Sector(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None,
    )


def _pieces(part: Part, widest_mm: float, side_trim_mm: float) -> list[Blank]:
    """A part as one blank, or as equal strips or sectors where it is wider than a sheet."""
    ring = part.sector
    if part.width_mm <= widest_mm:
        return [_blank(part, part.length_mm, part.width_mm, ring, "")]
    if ring is None:
        bare = part.width_mm - 2.0 * side_trim_mm
        number = math.ceil(bare / max(widest_mm - 2.0 * side_trim_mm, 1.0))
        width = bare / number + 2.0 * side_trim_mm
        return [_blank(part, part.length_mm, width, None, f" {k} of {number}") for k in range(1, number + 1)]
    trim_deg = math.degrees(2.0 * side_trim_mm / ring.outer_radius_mm)
    for number in range(2, MOST_PIECES + 1):
        piece = RingSector(ring.outer_radius_mm, ring.inner_radius_mm, (ring.angle_deg - trim_deg) / number + trim_deg)
        length, width = piece.box_mm()
        if width <= widest_mm:
            return [_blank(part, length, width, piece, f" {k} of {number}") for k in range(1, number + 1)]
    # no number of pieces is narrow enough: left whole, so that the layout names it as what cannot be served
    return [_blank(part, part.length_mm, part.width_mm, ring, "")]


def blanks_for(pipes: Sequence[Pipe], widest_mm: float, side_trim_mm: float) -> tuple[OrderedBlank, ...]:
    """All blanks of all pipes that are cut from the shop's own sheet; bought flat sheet is no part of the layout.

    A part wider than `widest_mm` becomes equal strips (cylinders) or sectors (cones), each with its own side trim.

    Source of the strips: Encyclopedie t. 11 (1765) p. 638, circumferences of 3 pieds and over in two half-width pieces.
    """
    found = []
    for pipe in pipes:
        for part in pipe.parts:
            if part.bought:
                continue
            pieces = _pieces(part, widest_mm, side_trim_mm)
            found += [OrderedBlank(piece, pipe, part, 1.0 / len(pieces)) for piece in pieces]
    return tuple(found)
