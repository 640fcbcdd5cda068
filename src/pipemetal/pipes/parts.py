"""Parts of a pipe and the flat blanks they are cut as: body, foot, languid, cap, chimney and ears.

Every blank wants a thickness at its mouth end and at its top end, with a tolerance; a blank without taper says the same
twice. Bodies wider than the widest sheet are made of two or more strips with a seam each (Encyclopedie t. 11 (1765) p.
638: circumferences of 3 pieds and over in two half-width pieces); the planning room decides when.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from pipemetal.pipes.development import ConeDevelopment, cone_development, cylinder_width_mm
from pipemetal.pipes.pipe import Part, Pipe, RingSector
from pipemetal.pipes.rank import Allowances, Rank
from pipemetal.pipes.walls import wall_tolerance_mm

__all__ = ["pipe_parts"]

NEARLY_STRAIGHT: Final = 1e-4
CAP_RIM_RATIO: Final = 0.5
CAP_RIM_LEAST_MM: Final = 15.0
LANGUID_SEGMENT: Final = 0.92
"""Depth of a languid over its diameter: the circle less the segment at the lower lip (common practice, no source)."""
SMALL_PARTS: Final = 0.15
"""Tolerance of languids, ears and caps as a share of their thickness (common practice, no source)."""


class _PartMaker:
    """Carries what all parts of one pipe share: its name, metal and allowances."""

    def __init__(
        self, pipe: Pipe, allow: Allowances, density_g_cm3: Callable[[str], float], languid_alloy: str
    ) -> None:
        self.pipe, self.allow, self.density, self.languid_alloy = pipe, allow, density_g_cm3, languid_alloy

    def rectangle(
        self, kind: str, length_mm: float, width_mm: float, mouth_mm: float, top_mm: float, *,
        finished_area_mm2: float | None = None, alloy: str | None = None, tolerance_mm: float | None = None,
    ) -> Part:  # fmt: skip
        """A rectangular blank around a development of the given size."""
        length = length_mm + 2.0 * self.allow.end_trim_mm
        width = width_mm + 2.0 * self.allow.side_trim_mm
        finished = length_mm * width_mm if finished_area_mm2 is None else finished_area_mm2
        return self._part(kind, length, width, mouth_mm, top_mm, None, finished, length * width, alloy, tolerance_mm)

    def sector(self, kind: str, cone: ConeDevelopment, mouth_mm: float, top_mm: float, *, large_at_mouth: bool) -> Part:
        """A ring-sector blank around a cone's development; an inverted taper has its small arc at the mouth."""
        ring = RingSector(
            cone.outer_radius_mm + self.allow.end_trim_mm,
            max(cone.inner_radius_mm - self.allow.end_trim_mm, 0.0),
            min(cone.angle_deg + math.degrees(2.0 * self.allow.side_trim_mm / cone.outer_radius_mm), 360.0),
        )
        length, width = ring.box_mm()
        # the layout keeps the large arc at the mouth end; where the mouth is at the small arc the two thicknesses swap
        first, last = (mouth_mm, top_mm) if large_at_mouth else (top_mm, mouth_mm)
        return self._part(kind, length, width, first, last, ring, cone.area_mm2, ring.area_mm2(), None, None)

    def _part(
        self, kind: str, length: float, width: float, mouth_mm: float, top_mm: float, ring: RingSector | None,
        finished: float, blank: float, alloy: str | None, tolerance_mm: float | None,
    ) -> Part:  # fmt: skip
        metal = alloy or self.pipe.alloy
        kg_per_mm2 = self.density(metal) * 1e-6 * (mouth_mm + top_mm) / 2.0
        tolerance = wall_tolerance_mm(mouth_mm) if tolerance_mm is None else tolerance_mm
        # a rectangle of one thickness may lie across the sheet; a tapered one only head to tail
        turns = (0, 90) if ring is None and mouth_mm == top_mm else (0, 180)
        return Part(
            f"{self.pipe.id} {kind}", kind, metal, length, width, mouth_mm, top_mm, tolerance, turns, ring,
            finished, finished * kg_per_mm2, blank, blank * kg_per_mm2,
        )  # fmt: skip

    def body(self) -> Part:
        """Cylinder or cone on the mean diameter."""
        p = self.pipe
        mouth, top = p.thickness_mouth_mm, p.thickness_top_mm
        if abs(p.top_diameter_mm / p.diameter_mm - 1.0) < NEARLY_STRAIGHT:
            return self.rectangle(
                "body", p.cut_length_mm, cylinder_width_mm(p.diameter_mm, (mouth + top) / 2), mouth, top
            )
        ends = sorted((p.diameter_mm + mouth, p.top_diameter_mm + top), reverse=True)
        cone = cone_development(ends[0], ends[1], p.cut_length_mm)
        return self.sector("body", cone, mouth, top, large_at_mouth=p.top_diameter_mm < p.diameter_mm)

    def foot(self, toe_diameter_mm: float | None) -> Part:
        """Cone from the body's diameter down to the toe."""
        p, wall = self.pipe, self.pipe.thickness_foot_mm
        large = p.diameter_mm + wall
        toe = toe_diameter_mm if toe_diameter_mm is not None else min(max(0.18 * p.diameter_mm, 8.0), 25.0)
        cone = cone_development(large, min(toe + wall, 0.9 * large), p.foot_length_mm)
        return self.sector("foot", cone, wall, wall, large_at_mouth=True)

    def languid(self) -> Part:
        """The disc between body and foot, less its segment at the lower lip, cut from languid metal."""
        d, wall = self.pipe.diameter_mm, self.pipe.languid_thickness_mm
        depth = LANGUID_SEGMENT * d
        angle = 2.0 * math.acos(2.0 * LANGUID_SEGMENT - 1.0)
        area = math.pi * d**2 / 4.0 - d**2 / 8.0 * (angle - math.sin(angle))
        return self.rectangle(
            "languid",
            depth,
            d,
            wall,
            wall,
            finished_area_mm2=area,
            alloy=self.languid_alloy,
            tolerance_mm=SMALL_PARTS * wall,
        )

    def cap(self) -> list[Part]:
        """Disc and rim of a cap, or of a chimneyed pipe's canister."""
        d, wall = self.pipe.diameter_mm + 2.0 * self.pipe.thickness_top_mm, self.pipe.thickness_mouth_mm
        rim = max(CAP_RIM_RATIO * d, CAP_RIM_LEAST_MM)
        loose = SMALL_PARTS * wall
        hole = math.pi * self.pipe.chimney_diameter_mm**2 / 4.0
        disc = self.rectangle(
            "cap disc", d, d, wall, wall, finished_area_mm2=math.pi * d**2 / 4 - hole, tolerance_mm=loose
        )
        return [disc, self.rectangle("cap rim", cylinder_width_mm(d, wall), rim, wall, wall, tolerance_mm=loose)]

    def ears(self) -> Part:
        """Both ears in one strip: each as high as 1.5 cut-ups and as deep as one (common practice, no source)."""
        wall, cut_up = self.pipe.thickness_mouth_mm, max(self.pipe.cut_up_mm, 4.0)
        return self.rectangle("ears", 3.0 * cut_up + 4.0, cut_up, wall, wall, tolerance_mm=SMALL_PARTS * wall)


def pipe_parts(pipe: Pipe, rank: Rank, allow: Allowances, density_g_cm3: Callable[[str], float]) -> tuple[Part, ...]:
    """All parts of a pipe as flat blanks.

    Stopped and chimneyed pipes get a cap and ears (ears on all of them: Dom Bedos, art. 152), others get ears only where
    the rank asks for them.
    """
    maker = _PartMaker(pipe, allow, density_g_cm3, rank.languid_alloy or rank.alloy)
    parts = [maker.body(), maker.foot(rank.toe_diameter_mm), maker.languid()]
    closed = pipe.construction in ("stopped", "chimney")
    if closed:
        parts += maker.cap()
    if pipe.chimney_length_mm > 0.0:
        wall = pipe.thickness_top_mm
        width = cylinder_width_mm(pipe.chimney_diameter_mm, wall)
        parts.append(
            maker.rectangle("chimney", pipe.chimney_length_mm, width, wall, wall, tolerance_mm=SMALL_PARTS * wall)
        )
    if rank.ears if rank.ears is not None else closed:
        parts.append(maker.ears())
    return tuple(parts)
