"""Rolls and remnants: what a catalogued sheet is, what it weighs, and what is left when blanks are cut out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from pipemetal.errors import SheetError
from pipemetal.sheets.checks import checked_number, checked_text
from pipemetal.sheets.field import ThicknessField
from pipemetal.texts import Amount, Text

__all__ = ["CutOut", "Remnant", "Roll", "cut_out", "roll_mass_kg"]

Point = tuple[float, float]
Polygonal = tuple[Point, ...]
# common practice, no source: a shorter or narrower rest goes back to the pot
LEAST_END_PIECE_MM = 500.0
LEAST_STRIP_MM = 150.0


@dataclass(frozen=True, eq=False)
class Roll:
    """A catalogued sheet. Its coordinates: x along from 0 to `length_mm`, y across from 0 to `width_mm`.

    `trim_mm` is taken off every edge before blanks are laid out. `outline` is the true edge where the sheet is not a
    rectangle, `no_go` are blemishes that nothing may use. `parent` and `offset_mm` say from which roll it was cut and
    where its corner lay there.

    >>> f = ThicknessField.from_grid([0.0, 1000.0], [[1.0, 1.0]], width_mm=500.0)
    >>> Roll("R1", "Sn 50", 1000.0, 500.0, 10.0, f).net_area_mm2()
    470400.0
    """

    id: str
    alloy: str
    length_mm: float
    width_mm: float
    trim_mm: float
    field: ThicknessField
    outline: Polygonal | None = None
    no_go: tuple[Polygonal, ...] = ()
    place: str = ""
    parent: str | None = None
    offset_mm: Point = (0.0, 0.0)

    def __post_init__(self) -> None:
        where = Text("roll {id}", id=repr(self.id))
        checked_text(self.id, field="id", where="roll")
        checked_text(self.alloy, field="alloy", where=where)
        checked_number(self.length_mm, field="length_mm", above=0.0, where=where)
        checked_number(self.width_mm, field="width_mm", above=0.0, where=where)
        checked_number(self.trim_mm, field="trim_mm", low=0.0, where=where)
        if 2.0 * self.trim_mm >= min(self.length_mm, self.width_mm):
            raise SheetError("leaves nothing of the sheet", field="trim_mm", value=self.trim_mm, where=where)
        same = abs(self.field.length_mm - self.length_mm) < 1e-6 and abs(self.field.width_mm - self.width_mm) < 1e-6
        if not same:
            raise SheetError(
                "is not as large as the roll",
                field="field",
                value=(self.field.length_mm, self.field.width_mm),
                allowed=Text(
                    "{length_mm} x {width_mm}",
                    length_mm=Amount.short(self.length_mm),
                    width_mm=Amount.short(self.width_mm),
                ),
                where=where,
            )
        for name, polygons in (("outline", (self.outline,) if self.outline else ()), ("no_go", self.no_go)):
            for polygon in polygons:
                _checked_polygon(polygon, name, where)

    def trimmed_outline(self) -> tuple[Point, ...] | None:
        """The outline with the trim taken off it; None for a sheet that is its rectangle.

        Where the trim parts the sheet in two, the larger piece.
        """
        if self.outline is None:
            return None
        inner = Polygon(self.outline).buffer(-self.trim_mm, join_style="mitre")
        largest = max(getattr(inner, "geoms", [inner]), key=lambda part: part.area)
        return tuple((float(x), float(y)) for x, y in largest.exterior.coords[:-1])

    def usable(self) -> BaseGeometry:
        """The area that blanks may use, as a shapely geometry: inside trim and outline, without the no-go areas."""
        t = self.trim_mm
        area: BaseGeometry = box(t, t, self.length_mm - t, self.width_mm - t)
        if self.outline is not None:
            area = area.intersection(Polygon(self.outline).buffer(-t, join_style="mitre"))
        for polygon in self.no_go:
            area = area.difference(Polygon(polygon))
        return area

    def net_area_mm2(self) -> float:
        """Area in mm2 that blanks may use."""
        return float(self.usable().area)

    def planed(self, allowance_mm: float) -> Roll:
        """The roll after planing or hammering has taken `allowance_mm` off its thickness everywhere."""
        return replace(self, field=self.field.planed(allowance_mm))


@dataclass(frozen=True, eq=False)
class Remnant:
    """What is left of a roll, in the coordinates of the roll it was cut from; the parent's field stays its field.

    >>> f = ThicknessField.from_grid([0.0, 2000.0], [[1.2, 1.0]], width_mm=500.0)
    >>> parent = Roll("R1", "Sn 50", 2000.0, 500.0, 0.0, f)
    >>> piece = Remnant("R1-1", parent, ((1000.0, 0.0), (2000.0, 0.0), (2000.0, 500.0), (1000.0, 500.0)))
    >>> round(float(piece.as_roll().field.at(0.0, 0.0)), 6)
    1.1
    """

    id: str
    parent: Roll
    polygon: Polygonal

    @property
    def area_mm2(self) -> float:
        """Area in mm2."""
        return float(Polygon(self.polygon).area)

    def as_roll(self) -> Roll:
        """The remnant as a roll of its own: corner at (0, 0), no trim (its edges are cut or already trimmed)."""
        x0, y0, x1, y1 = Polygon(self.polygon).bounds
        piece = box(x0, y0, x1, y1)
        moved = tuple((x - x0, y - y0) for x, y in self.polygon)
        is_box = piece.area - Polygon(self.polygon).area < 1e-6
        no_go = []
        for blemish in self.parent.no_go:
            part = Polygon(blemish).intersection(piece)
            if part.area > 0.0:
                no_go.append(tuple((x - x0, y - y0) for x, y in part.convex_hull.exterior.coords[:-1]))
        ox, oy = self.parent.offset_mm
        return Roll(
            self.id,
            self.parent.alloy,
            x1 - x0,
            y1 - y0,
            0.0,
            self.parent.field.cropped(x0, x1, y0, y1),
            outline=None if is_box else moved,
            no_go=tuple(no_go),
            place=self.parent.place,
            parent=self.parent.parent or self.parent.id,
            offset_mm=(ox + x0, oy + y0),
        )


@dataclass(frozen=True, eq=False)
class CutOut:
    """What a roll leaves after cutting: remnants for the rack and the area of offcut for the scrap bin."""

    remnants: tuple[Remnant, ...]
    used_mm2: float
    offcut_mm2: float


def roll_mass_kg(roll: Roll, density_g_cm3: float) -> float:
    """Mass of the whole roll: mean thickness of its field times its area times the density.

    >>> f = ThicknessField.from_grid([0.0, 1000.0], [[1.0, 1.0]], width_mm=500.0)
    >>> roll_mass_kg(Roll("R1", "Pb", 1000.0, 500.0, 0.0, f), 11.34)
    5.67
    """
    density = checked_number(density_g_cm3, field="density_g_cm3", above=0.0, high=25.0)
    area = roll.length_mm * roll.width_mm if roll.outline is None else float(Polygon(roll.outline).area)
    # mm * mm2 * g/cm3 = 1e-3 g
    return roll.field.mean_mm * area * density * 1e-6


def cut_out(
    roll: Roll,
    used: Sequence[Sequence[float] | Polygonal],
    *,
    kerf_mm: float = 0.0,
    least_end_piece_mm: float = LEAST_END_PIECE_MM,
    least_strip_mm: float = LEAST_STRIP_MM,
) -> CutOut:
    """What is left when the used places are cut out of a roll.

    Arguments: `used`: rectangles (x0, y0, x1, y1) or polygons ((x, y), ...), in the roll's coordinates.
    Useful remnants are full-width end pieces of `least_end_piece_mm` or more, or full-length strips of
    `least_strip_mm` or more: whichever of the two keeps more metal. The rest is offcut.
    Sources: least sizes: common practice, no source.
    Raises: SheetError when a used place lies outside the usable area.

    >>> f = ThicknessField.from_grid([0.0, 2000.0], [[1.2, 1.0]], width_mm=500.0)
    >>> out = cut_out(Roll("R1", "Sn 50", 2000.0, 500.0, 0.0, f), [(0.0, 0.0, 800.0, 450.0)])
    >>> [r.id for r in out.remnants], out.remnants[0].area_mm2
    (['R1-1'], 600000.0)
    """
    usable = roll.usable()
    shapes = [_shape(place, number) for number, place in enumerate(used, start=1)]
    for number, shape in enumerate(shapes, start=1):
        if not usable.buffer(1e-6).covers(shape):
            raise SheetError(
                "lies outside the usable area", field=f"used place {number}", where=Text("roll {id}", id=repr(roll.id))
            )
    cut = shapely.union_all(shapes) if shapes else Polygon()
    t = roll.trim_mm
    left, low, right, high = t, t, roll.length_mm - t, roll.width_mm - t
    if cut.is_empty:
        choices = [[box(left, low, right, high)], []]
    else:
        x0, y0, x1, y1 = cut.bounds
        ends = [(left, low, x0 - kerf_mm, high), (x1 + kerf_mm, low, right, high)]
        strips = [(left, low, right, y0 - kerf_mm), (left, y1 + kerf_mm, right, high)]
        choices = [
            [box(*e) for e in ends if e[2] - e[0] >= least_end_piece_mm],
            [box(*s) for s in strips if s[3] - s[1] >= least_strip_mm],
        ]
    best = max(choices, key=lambda pieces: sum(p.intersection(usable).area for p in pieces))
    remnants: list[Remnant] = []
    for piece in best:
        rest = piece if roll.outline is None else piece.intersection(usable)
        for part in getattr(rest, "geoms", [rest]):
            if isinstance(part, Polygon) and part.area > 0.0:
                corners = tuple((float(x), float(y)) for x, y in part.exterior.coords[:-1])
                remnants.append(Remnant(f"{roll.id}-{len(remnants) + 1}", roll, corners))
    kept = sum(Polygon(r.polygon).intersection(usable).area for r in remnants)
    return CutOut(tuple(remnants), float(cut.area), max(float(usable.area) - float(cut.area) - kept, 0.0))


def _shape(place: Sequence[float] | Polygonal, number: int) -> Polygon:
    flat = list(place)
    if len(flat) == 4 and all(isinstance(v, int | float) for v in flat):
        x0, y0, x1, y1 = (checked_number(v, field=f"used place {number}") for v in flat)
        if x1 <= x0 or y1 <= y0:
            raise SheetError("has no area", field=f"used place {number}", value=tuple(flat))
        return box(x0, y0, x1, y1)
    corners: Polygonal = tuple((float(p[0]), float(p[1])) for p in flat)  # type: ignore[index]
    _checked_polygon(corners, f"used place {number}", "")
    return Polygon(corners)


def _checked_polygon(points: Polygonal, name: str, where: str) -> None:
    if len(points) < 3:
        raise SheetError("needs three corners at least", field=name, value=len(points), where=where)
    for x, y in points:
        checked_number(x, field=name, where=where)
        checked_number(y, field=name, where=where)
    if not Polygon(points).is_valid or Polygon(points).area <= 0.0:
        raise SheetError("crosses itself or has no area", field=name, where=where)
