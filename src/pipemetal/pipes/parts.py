"""Parts of a pipe and the flat blanks they are cut as: body, foot, languid, cap, chimney, ears, slide, resonator.

Every blank wants a thickness at its mouth end and at its top end, with a tolerance; a blank without taper says the same
twice. Bodies wider than the widest sheet are made of two or more strips with a seam each (Encyclopedie t. 11 (1765) p.
638: circumferences of 3 pieds and over in two half-width pieces); the planning room decides when.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.pipes.development import ConeDevelopment, cone_development, cylinder_width_mm, sector_blank
from pipemetal.pipes.fronts import Lining
from pipemetal.pipes.languid import languid_shape
from pipemetal.pipes.materials import BOUGHT_METALS
from pipemetal.pipes.pipe import Part, Pipe, RingSector
from pipemetal.pipes.rank import CLOSED, Allowances, Rank
from pipemetal.pipes.reeds import Resonator, between
from pipemetal.pipes.walls import wall_tolerance_mm

__all__ = ["default_foot_mm", "default_toe_mm", "flat_width_mm", "held_toe_mm", "pipe_parts"]

NEARLY_STRAIGHT: Final = 1e-4
WIDEST_TOE: Final = 0.9
"""A foot narrows to this share of its upper end at least, so that it stays a cone (common practice, no source)."""
STEP_WITHOUT_A_RING: Final = 0.01
SMALL_PARTS: Final = 0.15
"""Tolerance of languids, ears and caps as a share of their thickness (common practice, no source)."""


@dataclass(frozen=True)
class _Making:
    """How a part is made where it is not as its pipe: area of the development, metal, tolerance of the wall, planing."""

    finished_area_mm2: float | None = None
    alloy: str | None = None
    tolerance_mm: float | None = None
    bevel: bool = True
    planing_mm: float | None = None


_USUAL: Final = _Making()


class _PartMaker:
    """Carries what all parts of one pipe share: its name, metal and allowances."""

    def __init__(
        self, pipe: Pipe, allow: Allowances, density_g_cm3: Callable[[str], float], languid_alloy: str
    ) -> None:
        self.pipe, self.allow, self.density, self.languid_alloy = pipe, allow, density_g_cm3, languid_alloy

    def loose(
        self,
        kind: str,
        length_mm: float,
        width_mm: float,
        wall_mm: float,
        *,
        finished_area_mm2: float | None = None,
        alloy: str | None = None,
    ) -> Part:
        """A small rectangular blank of one thickness, whose thickness matters little and which has no bevelled seam."""
        made = _Making(finished_area_mm2, alloy, SMALL_PARTS * wall_mm, bevel=False, planing_mm=0.0)
        return self.rectangle(kind, (length_mm, width_mm), (wall_mm, wall_mm), made)

    def rectangle(
        self, kind: str, size_mm: tuple[float, float], walls_mm: tuple[float, float], made: _Making = _USUAL
    ) -> Part:
        """A rectangular blank around a development of the given length and width; walls at the mouth and at the top."""
        edge = self.allow.side_trim_mm + (self.allow.seam_bevel_mm if made.bevel else 0.0)
        length, width = size_mm[0] + 2.0 * self.allow.end_trim_mm, size_mm[1] + 2.0 * edge
        finished = size_mm[0] * size_mm[1] if made.finished_area_mm2 is None else made.finished_area_mm2
        return self._part(kind, (length, width), walls_mm, None, (finished, length * width), made, edge)

    def sector(
        self,
        kind: str,
        cone: ConeDevelopment,
        mouth_mm: float,
        top_mm: float,
        *,
        large_at_mouth: bool,
        alloy: str | None = None,
        planing_mm: float | None = None,
    ) -> Part:
        """A ring-sector blank around a cone's development; an inverted taper has its small arc at the mouth."""
        edge = self.allow.side_trim_mm + self.allow.seam_bevel_mm
        development = RingSector(cone.outer_radius_mm, cone.inner_radius_mm, cone.angle_deg)
        ring = sector_blank(development, edge, self.allow.end_trim_mm)
        # the layout keeps the large arc at the mouth end; where the mouth is at the small arc the two thicknesses swap
        walls = (mouth_mm, top_mm) if large_at_mouth else (top_mm, mouth_mm)
        areas = (cone.area_mm2, ring.area_mm2())
        part = self._part(kind, ring.box_mm(), walls, ring, areas, _Making(alloy=alloy, planing_mm=planing_mm))
        kg_per_mm3 = self.density(part.alloy) * 1e-6
        return replace(
            part,
            edge_mm=edge,
            development=development,
            lower_at_small_arc=not large_at_mouth,
            finished_mass_kg=cone.area_mm2 * kg_per_mm3 * development.mean_wall_mm(*walls),
            blank_mass_kg=ring.area_mm2()
            * kg_per_mm3
            * ring.mean_wall_mm(part.thickness_mouth_mm, part.thickness_top_mm),
        )

    def _part(
        self,
        kind: str,
        size_mm: tuple[float, float],
        walls_mm: tuple[float, float],
        ring: RingSector | None,
        areas_mm2: tuple[float, float],
        made: _Making,
        edge_mm: float = 0.0,
    ) -> Part:
        metal = made.alloy or self.pipe.alloy
        bought = made.alloy is None and self.pipe.made == "sheet"
        planed = 0.0 if bought else self.allow.planing_mm if made.planing_mm is None else made.planing_mm
        mouth, top = (wall + planed for wall in walls_mm)
        kg_per_mm3 = self.density(metal) * 1e-6
        tolerance = wall_tolerance_mm(walls_mm[0]) if made.tolerance_mm is None else made.tolerance_mm
        # a rectangle of one thickness may lie across the sheet; a tapered one only head to tail
        turns = (0, 90) if ring is None and mouth == top else (0, 180)
        finished, blank = areas_mm2
        return Part(
            f"{self.pipe.id} {kind}",
            kind,
            metal,
            size_mm[0],
            size_mm[1],
            mouth,
            top,
            tolerance,
            turns,
            ring,
            finished,
            finished * kg_per_mm3 * sum(walls_mm) / 2.0,
            blank,
            blank * kg_per_mm3 * (mouth + top) / 2.0,
            bought,
            edge_mm,
            self.allow.end_trim_mm,
            planed_mm=planed,
        )

    def piece(
        self, kind: str, length_mm: float, below_mm: float, above_mm: float, wall_below: float, wall_above: float
    ) -> Part:
        """A cylinder or cone on the mean diameter, from its lower to its upper end."""
        if abs(above_mm / below_mm - 1.0) < NEARLY_STRAIGHT:
            width = cylinder_width_mm(below_mm, (wall_below + wall_above) / 2)
            return self.rectangle(kind, (length_mm, width), (wall_below, wall_above))
        ends = sorted((below_mm + wall_below, above_mm + wall_above), reverse=True)
        cone = cone_development(ends[0], ends[1], length_mm)
        return self.sector(kind, cone, wall_below, wall_above, large_at_mouth=above_mm < below_mm)

    def body(self, rank: Rank) -> list[Part]:
        """The body: one cylinder or cone, or the pieces of a stepped body or of a resonator, from the mouth up."""
        p = self.pipe
        if p.construction == "resonator" and rank.resonator is not None:
            return self._stack(_resonator_pieces(p, rank.resonator), rank.resonator.sections)
        if rank.steps:
            return self._stack([(s.share, s.below * p.diameter_mm, s.above * p.diameter_mm) for s in rank.steps], 1)
        return [
            self.piece(
                "body", p.cut_length_mm, p.diameter_mm, p.top_diameter_mm, p.thickness_mouth_mm, p.thickness_top_mm
            )
        ]

    def _stack(self, pieces: list[tuple[float, float, float]], sections: int) -> list[Part]:
        """Pieces one above the other; what tuning adds is added to the uppermost. Steps in width get a ring between."""
        p, found = self.pipe, []
        if sections > 1:
            _, low, high = pieces[0]
            cuts = [low + (high - low) * k / sections for k in range(sections + 1)]
            pieces = [(1.0 / sections, a, b) for a, b in itertools.pairwise(cuts)]
        at = 0.0
        for number, (share, below, above) in enumerate(pieces, start=1):
            last = number == len(pieces)
            length = share * p.body_length_mm + (p.cut_length_mm - p.body_length_mm if last else 0.0)
            walls = [
                p.thickness_mouth_mm + (p.thickness_top_mm - p.thickness_mouth_mm) * place
                for place in (at, min(at + share, 1.0))
            ]
            kind = "body" if len(pieces) == 1 else f"body {number}"
            found.append(self.piece(kind, length, below, above, walls[0], walls[1]))
            if not last and abs(pieces[number][1] / above - 1.0) > STEP_WITHOUT_A_RING:
                wide, narrow = max(pieces[number][1], above), min(pieces[number][1], above)
                ring = math.pi * (wide**2 - narrow**2) / 4.0
                found.append(self.loose(f"joint {number}", wide, wide, walls[1], finished_area_mm2=ring))
            at += share
        return found

    def reed(self, rank: Rank) -> list[Part]:
        """Boot and sleeve of a reed, where the rank has them; the rest of a reed is not sheet metal."""
        held, p = rank.resonator, self.pipe
        found: list[Part] = []
        if held is None:
            return found
        if held.boot is not None:
            boot, wall = held.boot, held.boot.wall_mm
            share = (p.key - rank.first_key) / max(rank.last_key - rank.first_key, 1)
            wide = between(boot.diameter_mm, boot.diameter_last_mm, share)
            cone = boot.cone_share * boot.length_mm
            found.append(self.piece("boot toe", cone, boot.toe_mm, wide, wall, wall))
            found.append(self.piece("boot", boot.length_mm - cone, wide, wide, wall, wall))
        if held.sleeve_mm > 0.0:
            wall = p.thickness_mouth_mm
            inner = p.tip_diameter_mm + 2.0 * wall
            found.append(self.loose("sleeve", held.sleeve_mm, cylinder_width_mm(inner, wall), wall))
        return found

    def lips(self, rank: Rank) -> list[Part]:
        """Triangles of sheet laid on as lips; the body behind them is counted whole."""
        p, lips = self.pipe, rank.lips
        wall = lips.sheet_mm or p.thickness_mouth_mm
        width = flat_width_mm(p)
        return [
            self.loose(f"lip {name}", share * width, width, wall, finished_area_mm2=share * width**2 / 2.0)
            for name, share in (("upper", lips.upper), ("lower", lips.lower))
        ]

    def lining(self, lining: Lining) -> Part:
        """The cone inside the foot, from the toe up."""
        p, wall = self.pipe, lining.sheet_mm
        toe = max(p.toe_diameter_mm - 2.0 * p.thickness_foot_mm, 2.0)
        top = toe + (p.diameter_mm - toe) * lining.share
        cone = cone_development(max(top - wall, toe), max(toe - wall, wall), lining.share * p.foot_length_mm)
        part = self.sector("lining", cone, wall, wall, large_at_mouth=True, alloy=lining.alloy, planing_mm=0.0)
        return replace(part, bought=part.bought or lining.alloy in BOUGHT_METALS)

    def foot(self) -> Part:
        """Cone from the body's diameter down to the toe, whose size is its outer diameter."""
        p, wall = self.pipe, self.pipe.thickness_foot_mm
        large = p.diameter_mm + wall
        cone = cone_development(large, held_toe_mm(p.toe_diameter_mm, p.diameter_mm, wall) - wall, p.foot_length_mm)
        return self.sector("foot", cone, wall, wall, large_at_mouth=True)

    def languid(self, layer_mm: float) -> list[Part]:
        """The plate between body and foot behind the flat lower lip, cut from languid metal.

        A languid thicker than `layer_mm` is made of layers that are soldered together (common practice, no source).
        """
        pipe, whole = self.pipe, self.pipe.languid_thickness_mm
        layers = max(1, math.ceil(whole / layer_mm - 1e-9))
        shape = languid_shape(pipe.diameter_mm, pipe.mouth_width_mm)
        kinds = ["languid"] if layers == 1 else [f"languid {n}" for n in range(1, layers + 1)]
        return [
            self.loose(
                kind,
                shape.depth_mm,
                shape.width_mm,
                whole / layers,
                finished_area_mm2=shape.area_mm2,
                alloy=self.languid_alloy,
            )
            for kind in kinds
        ]

    def cap(self, packing_mm: float) -> list[Part]:
        """Disc and rim of a cap; a disc alone where it is soldered on; nothing for a stopper, which is no sheet metal."""
        p, fit, wall = self.pipe, self.pipe.cap, self.pipe.thickness_mouth_mm
        if fit is None or fit.kind == "stopper":
            return []
        outside = p.diameter_mm + 2.0 * p.thickness_top_mm
        inner = outside if fit.kind == "soldered" else outside + 2.0 * packing_mm
        across = outside if fit.kind == "soldered" else inner + 2.0 * wall
        hole = math.pi * max(p.chimney_diameter_mm, p.hole_diameter_mm) ** 2 / 4.0
        disc = self.loose("cap disc", across, across, wall, finished_area_mm2=math.pi * across**2 / 4 - hole)
        if fit.kind == "soldered":
            return [disc]
        return [disc, self.loose("cap rim", cylinder_width_mm(inner, wall), fit.rim_mm, wall)]

    def ears(self) -> Part:
        """Both ears in one strip: each as high as 1.5 cut-ups and as deep as one (common practice, no source)."""
        wall, cut_up = self.pipe.thickness_mouth_mm, max(self.pipe.cut_up_mm, 4.0)
        return self.loose("ears", 3.0 * cut_up + 4.0, cut_up, wall)

    def slide(self) -> Part:
        """The sleeve that slides on the top of the body."""
        p, wall = self.pipe, self.pipe.thickness_top_mm
        return self.loose("slide", p.slide_length_mm, cylinder_width_mm(p.top_diameter_mm + 2.0 * wall, wall), wall)

    def chimney(self) -> Part:
        """The tube on the cap."""
        wall = self.pipe.thickness_top_mm
        return self.loose(
            "chimney", self.pipe.chimney_length_mm, cylinder_width_mm(self.pipe.chimney_diameter_mm, wall), wall
        )


def flat_width_mm(pipe: Pipe) -> float:
    """Width of the mouth on the flat blank: its share of the inner circumference, on the middle of the wall."""
    return pipe.mouth_width_mm * (1.0 + pipe.thickness_mouth_mm / pipe.diameter_mm)


def _resonator_pieces(pipe: Pipe, held: Resonator) -> list[tuple[float, float, float]]:
    """Pieces of a resonator from the tip up: share of the length, inner diameters below and above."""
    if held.shape == "conical":
        return [(1.0 / held.sections, pipe.tip_diameter_mm, pipe.diameter_mm)]
    neck = min(held.neck * pipe.diameter_mm / pipe.body_length_mm, 0.5)
    return [(neck, pipe.tip_diameter_mm, pipe.diameter_mm), (1.0 - neck, pipe.diameter_mm, pipe.diameter_mm)]


def held_toe_mm(toe_mm: float, diameter_mm: float, wall_mm: float) -> float:
    """A toe's outer diameter, held so that the foot stays a cone.

    >>> held_toe_mm(8.0, 4.7, 0.5)
    5.18
    """
    return round(min(max(toe_mm - wall_mm, wall_mm), WIDEST_TOE * (diameter_mm + wall_mm)) + wall_mm, 9)


def default_toe_mm(diameter_mm: float, foot_wall_mm: float, bore_mm: float = 0.0) -> float:
    """Outer diameter of the toe where the organ file does not say it: 0.18 of the body's, at least 8 mm, and never so small that
    the toe's bore would leave less than the foot's own wall (common practice, no source).

    >>> default_toe_mm(100.0, 1.0), round(default_toe_mm(339.0, 2.0), 1), default_toe_mm(100.0, 1.0, 20.0)
    (18.0, 61.0, 22.0)
    """
    return max(0.18 * diameter_mm, 8.0, bore_mm + 2.0 * foot_wall_mm)


def default_foot_mm(diameter_mm: float) -> float:
    """Length of the foot where the organ file does not say it: 195 mm as all inside pipes of a documented organ of 1881 have it
    (read), 1.4 diameters where that is more (common practice, no source). Feet of plain pipes may be of any length
    (Encyclopedie t. 11 (1765) p. 638).

    >>> default_foot_mm(55.0), round(default_foot_mm(339.0))
    (195.0, 475)
    """
    return max(195.0, 1.4 * diameter_mm)


def pipe_parts(
    pipe: Pipe,
    rank: Rank,
    allow: Allowances,
    density_g_cm3: Callable[[str], float],
    languid_alloy: str,
    layer_mm: float,
) -> tuple[Part, ...]:
    """All parts of a pipe as flat blanks; no layer of a languid is thicker than `layer_mm`.

    Stopped, chimneyed and half-covered pipes get a cap and ears (ears on all of them: Dom Bedos, art. 152), others get
    ears only where the rank asks for them. A reed has its resonator, and boot and sleeve where the rank has them; block, shallot
    and tongue are not sheet metal.
    """
    if pipe.visible_length_mm > 0.0:
        allow = replace(allow, planing_mm=allow.planing_mm + rank.burnish_mm)
    maker = _PartMaker(pipe, allow, density_g_cm3, languid_alloy)
    parts = maker.body(rank)
    if pipe.construction == "resonator":
        return (*parts, *maker.reed(rank))
    parts += [maker.foot(), *maker.languid(layer_mm)]
    if rank.lips.made == "applied":
        parts += maker.lips(rank)
    if rank.foot_lining is not None:
        parts.append(maker.lining(rank.foot_lining))
    closed = pipe.construction in CLOSED
    if closed:
        parts += maker.cap(rank.cap.packing_mm)
    if pipe.chimney_length_mm > 0.0:
        parts.append(maker.chimney())
    if rank.ears if rank.ears is not None else closed:
        parts.append(maker.ears())
    if pipe.slide_length_mm > 0.0:
        parts.append(maker.slide())
    return tuple(parts)
