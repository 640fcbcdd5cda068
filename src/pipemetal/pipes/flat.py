"""Where things lie on a flat part: its finished outline, its mouth, its lips, its sounding length, its hood.

Places count from the middle of the finished edge at the bottom of the blank, x across, y up. A sector lies with its large arc at
the bottom; the mouth end of most bodies and feet is there, of an inverted taper and of a resonator it is at the small arc.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.parts import flat_width_mm
from pipemetal.pipes.pipe import Part, Pipe
from pipemetal.pipes.rank import Rank

__all__ = ["FlatLine", "FlatPart", "circle", "finished_line", "flat_lines"]

Point = tuple[float, float]
STEPS: Final = 24
ARCH_DROPS: Final = 12


@dataclass(frozen=True)
class FlatLine:
    """A line on a flat part: what it is for, its points in mm, and whether it comes back to its first point."""

    kind: str
    points: tuple[Point, ...]
    closed: bool = False

    @property
    def width_mm(self) -> float:
        """How wide it is across."""
        across = [x for x, _ in self.points]
        return max(across) - min(across)


@dataclass(frozen=True)
class FlatPart:
    """A part laid flat without its allowances: a rectangle, or a sector by its radii and angle."""

    length_mm: float
    width_mm: float
    outer_mm: float = 0.0
    inner_mm: float = 0.0
    angle_deg: float = 0.0
    at_small_arc: bool = False

    @classmethod
    def of(cls, part: Part, *, at_small_arc: bool = False) -> FlatPart:
        """The finished part within a blank."""
        ring = part.development
        if ring is None:
            return cls(part.length_mm - 2.0 * part.end_mm, part.width_mm - 2.0 * part.edge_mm)
        length = ring.outer_radius_mm - ring.inner_radius_mm
        width = math.radians(ring.angle_deg) * ring.outer_radius_mm
        return cls(length, width, ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg, at_small_arc)

    def at(self, around_mm: float, up_mm: float) -> Point:
        """Place of a point by its way around from the middle and its way up from the mouth end."""
        if self.outer_mm == 0.0:
            return around_mm, up_mm
        radius = self.inner_mm + up_mm if self.at_small_arc else self.outer_mm - up_mm
        angle = around_mm / max(radius, 1e-6)
        return radius * math.sin(angle), self.outer_mm - radius * math.cos(angle)

    def around_mm(self, up_mm: float) -> float:
        """Width of the part around at a height above its mouth end."""
        if self.outer_mm == 0.0:
            return self.width_mm
        radius = self.inner_mm + up_mm if self.at_small_arc else self.outer_mm - up_mm
        return math.radians(self.angle_deg) * radius

    def level(self, kind: str, up_mm: float, width_mm: float | None = None) -> FlatLine:
        """A line around at one height, over the whole width where none is given."""
        wide = self.around_mm(up_mm) if width_mm is None else width_mm
        return FlatLine(kind, tuple(self.at(wide * (k / STEPS - 0.5), up_mm) for k in range(STEPS + 1)))

    def upright(self, kind: str, around_mm: float, low_mm: float, high_mm: float) -> FlatLine:
        """A line up the part; on a sector it keeps its share of the way around."""
        base = self.around_mm(low_mm)
        return FlatLine(
            kind,
            tuple(self.at(around_mm * self.around_mm(up) / max(base, 1e-9), up) for up in (low_mm, high_mm)),
        )

    def outline(self) -> FlatLine:
        """The finished outline."""
        half = self.length_mm
        below = self.level("finished", 0.0).points
        above = self.level("finished", half).points
        return FlatLine("finished", below + above[::-1], closed=True)


def finished_line(part: Part, *, at_small_arc: bool = False) -> FlatLine:
    """The finished outline of a part within its blank: a disc's circle, a languid without its segment, a lip's triangle, else the
    rectangle or sector of its development."""
    flat = FlatPart.of(part, at_small_arc=at_small_arc)
    wide, high = flat.width_mm, flat.length_mm
    if part.kind.startswith("lip "):
        return FlatLine("finished", ((-wide / 2.0, 0.0), (wide / 2.0, 0.0), (0.0, high)), closed=True)
    if part.kind.startswith(("languid", "cap disc", "joint")):
        # the straight edge of a languid lies at the bottom, a whole disc has none; of a shallow one it is the widest place
        radius = wide / 2.0 if high >= wide / 2.0 else (wide**2 / 4.0 + high**2) / (2.0 * high)
        half = math.acos(min(max((high - radius) / radius, -1.0), 1.0))
        angles = (2.0 * (math.pi - half) * k / (4 * STEPS) - (math.pi - half) for k in range(4 * STEPS + 1))
        points = tuple((radius * math.sin(a), high - radius + radius * math.cos(a)) for a in angles)
        return FlatLine("finished", points, closed=True)
    return flat.outline()


def flat_lines(pipe: Pipe, part: Part, rank: Rank) -> tuple[FlatLine, ...]:
    """The finished outline of a part and what is marked within it.

    The mouth lies in the middle of the body's lower edge, so that the seam comes to the back; the lower lip in the middle of the
    foot's large arc. Widths are those of the flat metal, on the middle of the wall.
    """
    flat = FlatPart.of(part, at_small_arc=part.lower_at_small_arc)
    found = [finished_line(part, at_small_arc=part.lower_at_small_arc)]
    if pipe.mouth_width_mm > 0.0 and part.kind in ("body", "body 1"):
        found += _mouth(flat, pipe, rank)
    if pipe.mouth_width_mm > 0.0 and part.kind == "foot":
        wide = flat_width_mm(pipe)
        down = min(rank.lips.lower * wide, 0.9 * flat.length_mm)
        found.append(_triangle(flat, "lower lip", wide, 0.0, down))
    if part.kind == "body":
        found += _sounding(flat, pipe)
    hole = max(pipe.chimney_diameter_mm, pipe.hole_diameter_mm)
    if part.kind == "cap disc" and hole > 0.0:
        found.append(circle("hole", hole, flat.length_mm / 2.0))
    hood = _hood_mm(pipe, part, rank) if part.kind.startswith("body") else None
    if hood is not None and 0.0 < hood < flat.length_mm:
        found.append(_slant(flat, hood))
    return tuple(found)


def circle(kind: str, diameter_mm: float, up_mm: float) -> FlatLine:
    """A circle around a point on the middle line.

    >>> circle("hole", 20.0, 50.0).points[0], circle("hole", 20.0, 50.0).width_mm
    ((0.0, 60.0), 20.0)
    """
    angles = (2.0 * math.pi * k / (4 * STEPS) for k in range(4 * STEPS))
    points = tuple((diameter_mm / 2.0 * math.sin(a), up_mm + diameter_mm / 2.0 * math.cos(a)) for a in angles)
    return FlatLine(kind, points, closed=True)


def _hood_mm(pipe: Pipe, part: Part, rank: Rank) -> float | None:
    """Height above this piece's lower end at which a resonator is cut for its hood; None where it has none."""
    if rank.resonator is None or rank.resonator.hood is None:
        return None
    pieces = [(p.id, FlatPart.of(p).length_mm) for p in pipe.parts if p.kind.startswith("body")]
    start = sum(length for _, length in pieces[: [name for name, _ in pieces].index(part.id)])
    return rank.resonator.hood * sum(length for _, length in pieces) - start


def _triangle(flat: FlatPart, kind: str, width_mm: float, low_mm: float, high_mm: float) -> FlatLine:
    corners = (flat.at(-width_mm / 2.0, low_mm), flat.at(0.0, high_mm), flat.at(width_mm / 2.0, low_mm))
    return FlatLine(kind, corners)


def _mouth(flat: FlatPart, pipe: Pipe, rank: Rank) -> list[FlatLine]:
    wide, high = flat_width_mm(pipe), pipe.cut_up_mm
    rise = rank.arch * pipe.mouth_width_mm if pipe.lip == "arched" else 0.0
    edge = []
    for k in range(ARCH_DROPS + 1):
        across = 2.0 * k / ARCH_DROPS - 1.0
        edge.append(flat.at(across * wide / 2.0, high - rise * across**2))
    mouth = FlatLine("mouth", (flat.at(-wide / 2.0, 0.0), *edge, flat.at(wide / 2.0, 0.0)))
    top = min(high + rank.lips.upper * wide, 0.9 * flat.length_mm)
    return [mouth, _triangle(flat, "upper lip", wide, high - rise, top)]


def _sounding(flat: FlatPart, pipe: Pipe) -> list[FlatLine]:
    """The sounding length, or the opening at the back, where the body goes on beyond it."""
    if not 0.0 < pipe.body_length_mm < flat.length_mm - 0.05:
        return []
    return [
        flat.level("opening at the back" if pipe.visible_length_mm > 0.0 else "sounding length", pipe.body_length_mm)
    ]


def _slant(flat: FlatPart, up_mm: float) -> FlatLine:
    """A cut at half a right angle through a round piece: a wave on the flat metal, half a diameter up and down."""
    wide, points = flat.around_mm(up_mm), []
    for k in range(2 * STEPS + 1):
        share = k / (2 * STEPS) - 0.5
        up = up_mm + wide / (2.0 * math.pi) * math.cos(2.0 * math.pi * share)
        points.append(flat.at(share * flat.around_mm(up), up))
    return FlatLine("hood", tuple(points))
