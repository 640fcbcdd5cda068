"""From the parts of pipes to the blanks of a layout problem."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.layout.problem import Blank, Sector
from pipemetal.pipes.pipe import Part, Pipe

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


def _blank(part: Part, width_mm: float, suffix: str) -> Blank:
    ring = part.sector
    return Blank(
        part.id + suffix, part.kind, part.alloy, part.length_mm, width_mm, part.thickness_mouth_mm, part.thickness_top_mm,
        part.tolerance_mm, part.turns_deg,
        sector=Sector(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None,
    )  # fmt: skip


def blanks_for(pipes: Sequence[Pipe], widest_mm: float, side_trim_mm: float) -> tuple[OrderedBlank, ...]:
    """All blanks of all pipes. A cylinder wider than `widest_mm` becomes equal strips, each with its own side trim.

    Source of the strips: Encyclopedie t. 11 (1765) p. 638, circumferences of 3 pieds and over in two half-width pieces.
    """
    found = []
    for pipe in pipes:
        for part in pipe.parts:
            if part.width_mm <= widest_mm or part.sector is not None:
                found.append(OrderedBlank(_blank(part, part.width_mm, ""), pipe, part, 1.0))
                continue
            bare = part.width_mm - 2.0 * side_trim_mm
            strips = math.ceil(bare / max(widest_mm - 2.0 * side_trim_mm, 1.0))
            for number in range(1, strips + 1):
                strip = _blank(part, bare / strips + 2.0 * side_trim_mm, f" {number} of {strips}")
                found.append(OrderedBlank(strip, pipe, part, 1.0 / strips))
    return tuple(found)
