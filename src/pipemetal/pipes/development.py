"""Flat patterns: exact development of cylinders and cones on the mean diameter of the wall.

Sources: frustum and cone sectors as in W. W. Longfield, Sheet Metal Drafting (1921), p. 128, lateral area as in p. 91; a
foot as a sector whose radius is the side of the cone, Encyclopedie t. 11 (1765) p. 638. Pipes are butt-seamed: no lap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.errors import PipeError
from pipemetal.pipes.pipe import RingSector

__all__ = ["ConeDevelopment", "cone_development", "cylinder_width_mm", "offset_table_mm", "sector_blank"]


def cylinder_width_mm(inner_diameter_mm: float, thickness_mm: float) -> float:
    """Width of the flat blank of a cylinder: pi times the mean diameter.

    >>> round(cylinder_width_mm(155.5, 1.1), 2)
    491.97
    """
    return math.pi * (inner_diameter_mm + thickness_mm)


@dataclass(frozen=True)
class ConeDevelopment:
    """The ring sector that a cone frustum unrolls to.

    `slant_mm` is the side of the cone, the radii are those of the two arcs, `chord_mm` spans the large arc.
    """

    slant_mm: float
    outer_radius_mm: float
    inner_radius_mm: float
    angle_deg: float
    area_mm2: float

    @property
    def chord_mm(self) -> float:
        """Straight distance between the ends of the large arc."""
        return 2.0 * self.outer_radius_mm * math.sin(math.radians(min(self.angle_deg, 180.0)) / 2.0)


def cone_development(large_mean_mm: float, small_mean_mm: float, height_mm: float) -> ConeDevelopment:
    """Development of a frustum from the mean diameters of its ends and its height.

    >>> sector = cone_development(6.0, 3.0, 3.0)
    >>> [round(v, 4) for v in (sector.slant_mm, sector.outer_radius_mm, sector.angle_deg, sector.area_mm2)]
    [3.3541, 6.7082, 160.9969, 47.4175]

    Errors: PipeError where the ends are not two different positive diameters, or the height is not positive.
    """
    if not (large_mean_mm > small_mean_mm > 0.0 and height_mm > 0.0):
        raise PipeError(
            "is not a cone",
            field="diameters",
            value=(large_mean_mm, small_mean_mm, height_mm),
            allowed="large end above small end above 0, and a height above 0",
        )
    drop = large_mean_mm - small_mean_mm
    slant = math.hypot(height_mm, drop / 2.0)
    outer = slant * large_mean_mm / drop
    inner = slant * small_mean_mm / drop
    area = math.pi * (large_mean_mm + small_mean_mm) / 2.0 * slant
    return ConeDevelopment(slant, outer, inner, 180.0 * drop / slant, area)


WIDEST_FOR_PARALLEL_DEG = 330.0


def sector_blank(development: RingSector, edge_mm: float, end_mm: float) -> RingSector:
    """The blank around a development: `edge_mm` of metal along both straight edges, `end_mm` beyond both arcs.

    The allowance along an edge is a width, the same from end to end. Lines at that distance from the edges meet behind the
    development's own centre, so that the blank keeps its angle and has larger radii, measured from that point. A sector nearly
    as wide as the whole ring has its edges side by side: there the angle grows instead.

    >>> blank = sector_blank(RingSector(300.0, 60.0, 90.0), 2.0, 2.0)
    >>> [round(v, 2) for v in (blank.outer_radius_mm, blank.inner_radius_mm, blank.angle_deg)]
    [304.83, 60.03, 90.0]
    """
    half = math.radians(development.angle_deg) / 2.0
    outer, inner = development.outer_radius_mm, development.inner_radius_mm
    if development.angle_deg > WIDEST_FOR_PARALLEL_DEG:
        angle = min(development.angle_deg + math.degrees(2.0 * edge_mm / max(inner, 1.0)), 360.0)
        return RingSector(outer + end_mm, max(inner - end_mm, 0.0), angle)
    back = edge_mm / math.sin(half)
    nearest = math.hypot(back + inner * math.cos(half), inner * math.sin(half))
    return RingSector(outer + back + end_mm, max(nearest - end_mm, 0.0), development.angle_deg)


def offset_table_mm(radius_mm: float, angle_deg: float, stations: int = 11) -> tuple[tuple[float, float], ...]:
    """Offsets of an arc from its chord, for arcs that nobody swings with a trammel: (along the chord, height above it).

    >>> table = offset_table_mm(3473.0, 4.836, 3)
    >>> round(table[1][0], 1), round(table[1][1], 2)
    (146.5, 3.09)
    """
    if stations < 2 or not 0.0 < angle_deg <= 180.0 or not radius_mm > 0.0:
        raise PipeError("cannot be tabulated", field="arc", value=(radius_mm, angle_deg, stations))
    half_chord = radius_mm * math.sin(math.radians(angle_deg) / 2.0)
    rise = math.sqrt(max(radius_mm**2 - half_chord**2, 0.0))
    rows = []
    for index in range(stations):
        along = 2.0 * half_chord * index / (stations - 1)
        rows.append((along, math.sqrt(max(radius_mm**2 - (along - half_chord) ** 2, 0.0)) - rise))
    return tuple(rows)
