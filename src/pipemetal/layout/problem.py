"""The placing problem: blanks to cut, rolls on the rack, and the sheets that may be cast."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.given import given
from pipemetal.layout.casts import Castable, CastSpread, CastWidth
from pipemetal.sheets.checks import checked_number, checked_text
from pipemetal.sheets.field import FloatArray
from pipemetal.texts import Amount, Text

__all__ = ["Blank", "CastSpread", "CastWidth", "Castable", "LayoutProblem", "LayoutRoll", "Point", "Sector"]

Point = tuple[float, float]
TURNS_DEG = (0, 90, 180, 270)
# A bounding box is given to a few decimals beside its true shape: it may be out by this much.
BOX_SLACK_MM = 0.05


MOST_CERTAIN = 0.999
"""Nothing is asked to be surer: six readings cannot tell so rare an error."""
LEAST_MM = 0.01
"""Nothing is shorter: a slope over less is none."""


def _num(value: object, field: str, where: str, **limits: float) -> float:
    return checked_number(value, field=field, where=where, error=LayoutError, **limits)


@dataclass(frozen=True)
class Sector:
    """A ring sector: the development of a cone (a foot). Angle in degrees, radii in mm.

    In its bounding box it lies symmetric about the length axis, the middle of its large arc touching the mouth end.

    >>> Sector(341.132, 181.132, 2.9813).box_mm()[1] > 17.7
    True
    """

    outer_radius_mm: float
    inner_radius_mm: float
    angle_deg: float

    def box_mm(self) -> tuple[float, float]:
        """Length and width in mm of the box about the sector."""
        half = math.radians(self.angle_deg) / 2.0
        inner_reach = self.inner_radius_mm if half < math.pi / 2.0 else self.outer_radius_mm
        length = self.outer_radius_mm - inner_reach * math.cos(min(half, math.pi))
        return length, 2.0 * self.outer_radius_mm * (math.sin(half) if half < math.pi / 2.0 else 1.0)

    def area_mm2(self) -> float:
        """True area in mm2."""
        return math.radians(self.angle_deg) / 2.0 * (self.outer_radius_mm**2 - self.inner_radius_mm**2)


@dataclass(frozen=True)
class Blank:
    """A flat blank and the thickness it wants.

    `length_mm` runs from the mouth end to the top end; the wanted thickness runs straight from
    `mouth_thickness_mm` to `top_thickness_mm` along it, and the metal may differ by `tolerance_mm` everywhere.
    `turns_deg`: 0 mouth end at x, 180 mouth end at x + length; 90 and 270 (across the sheet, mouth end at y or
    y + length) only for a blank of one thickness. `sector` or `outline` (corners (u, v): u from the mouth end along
    the length, v across) give the true shape within the box of length by width. Where the metal may be thicker by more or less
    than it may be thinner, `thicker_mm` says so; and metal still thicker by `worked_mm` fits when it is `worked` (planed,
    hammered, scraped).

    >>> Blank("C1", "body", "A", 1200.0, 300.0, 1.0, 0.9, 0.06).area_mm2()
    360000.0
    """

    id: str
    kind: str
    alloy: str
    length_mm: float
    width_mm: float
    mouth_thickness_mm: float
    top_thickness_mm: float
    tolerance_mm: float
    turns_deg: tuple[int, ...] = (0,)
    sector: Sector | None = None
    outline: tuple[Point, ...] | None = None
    thicker_mm: float | None = None
    worked_mm: float = 0.0
    worked: str = ""

    def __post_init__(self) -> None:
        where = Text("blank {id}", id=repr(self.id))
        for name in ("id", "kind", "alloy"):
            checked_text(getattr(self, name), field=name, where=where, error=LayoutError)
        for name in ("length_mm", "width_mm"):
            _num(getattr(self, name), name, where, low=LEAST_MM, high=20000.0)
        for name in ("mouth_thickness_mm", "top_thickness_mm"):
            _num(getattr(self, name), name, where, above=0.0, high=30.0)
        for name in ("tolerance_mm", "over_mm", "worked_mm"):
            _num(getattr(self, name), name, where, low=0.0, high=30.0)
        if not self.turns_deg or len(set(self.turns_deg)) != len(self.turns_deg):
            raise LayoutError("must name each turn once", field="turns_deg", value=self.turns_deg, where=where)
        if any(turn not in TURNS_DEG for turn in self.turns_deg):
            raise LayoutError(
                "holds a turn that is unknown",
                field="turns_deg",
                value=self.turns_deg,
                allowed="0, 90, 180, 270",
                where=where,
            )
        across = any(turn in (90, 270) for turn in self.turns_deg)
        if across and abs(self.mouth_thickness_mm - self.top_thickness_mm) > 1e-9:
            raise LayoutError(
                "lay a tapered blank across the sheet",
                field="turns_deg",
                value=self.turns_deg,
                allowed="90 and 270 for a blank of one thickness only",
                where=where,
            )
        self._check_shape(where)

    def _check_shape(self, where: str) -> None:
        if self.sector is not None and self.outline is not None:
            raise LayoutError("has a sector and an outline; give one", field="outline", where=where)
        if self.sector is not None:
            s = self.sector
            _num(s.outer_radius_mm, "sector.outer_radius_mm", where, above=0.0, high=1e6)
            _num(s.inner_radius_mm, "sector.inner_radius_mm", where, low=0.0)
            _num(s.angle_deg, "sector.angle_deg", where, above=0.0, high=360.0)
            if s.inner_radius_mm >= s.outer_radius_mm:
                raise LayoutError("is not below the outer radius", field="sector.inner_radius_mm", where=where)
            box = s.box_mm()
            if box[0] > self.length_mm + BOX_SLACK_MM or box[1] > self.width_mm + BOX_SLACK_MM:
                raise LayoutError(
                    "does not lie within length by width",
                    field="sector",
                    where=where,
                    value=f"{box[0]:.2f} x {box[1]:.2f} mm",
                    allowed=Text(
                        "{length_mm} x {width_mm}",
                        length_mm=Amount.short(self.length_mm, "mm", bare=True),
                        width_mm=Amount.short(self.width_mm, "mm"),
                    ),
                )
        if self.outline is not None:
            _check_polygon(self.outline, "outline", where, self.length_mm, self.width_mm)

    @property
    def over_mm(self) -> float:
        """How much thicker than wanted the metal may be as it is."""
        return self.tolerance_mm if self.thicker_mm is None else self.thicker_mm

    @property
    def most_over_mm(self) -> float:
        """How much thicker than wanted the metal may be, where it is worked too."""
        return self.over_mm + self.worked_mm

    @property
    def accepts_mm(self) -> tuple[float, float]:
        """The middle of what it accepts against what it wants, and half of what it accepts."""
        return (self.most_over_mm - self.tolerance_mm) / 2.0, (self.most_over_mm + self.tolerance_mm) / 2.0

    def area_mm2(self) -> float:
        """True area in mm2: of the sector or outline where there is one, else of the rectangle."""
        if self.sector is not None:
            return self.sector.area_mm2()
        return polygon_area_mm2(self.outline) if self.outline is not None else self.length_mm * self.width_mm


@dataclass(frozen=True, eq=False)
class LayoutRoll:
    """A roll on the rack: its untrimmed rectangle, the trim taken off every edge, and its thickness.

    `thickness_mm` has the shape (lines across, stations): lines evenly spaced from edge to edge, stations at
    `stations_mm` from 0 to the length; bilinear between. `no_go` are polygons where nothing may lie, `outline` the
    true edge of the sheet where it is not the rectangle (already trimmed; the trim is taken off the rectangle only).
    `error_mm`: how far the metal may be from it at each node (one standard deviation; none: it is as given), and how far along
    and across that error hangs together, `error_reach_mm`.

    >>> LayoutRoll("R1", "A", 2000.0, 600.0, 15.0, (0.0, 2000.0), np.full((3, 2), 0.8)).net_area_mm2()
    1122900.0
    """

    id: str
    alloy: str
    length_mm: float
    width_mm: float
    trim_mm: float
    stations_mm: tuple[float, ...]
    thickness_mm: FloatArray
    no_go: tuple[tuple[Point, ...], ...] = ()
    outline: tuple[Point, ...] | None = None
    error_mm: FloatArray | None = None
    error_reach_mm: tuple[float, float] = (500.0, 300.0)

    def __post_init__(self) -> None:
        where = Text("roll {id}", id=repr(self.id))
        for name in ("id", "alloy"):
            checked_text(getattr(self, name), field=name, where=where, error=LayoutError)
        length = _num(self.length_mm, "length_mm", where, low=LEAST_MM, high=20000.0)
        width = _num(self.width_mm, "width_mm", where, low=LEAST_MM, high=20000.0)
        _num(self.trim_mm, "trim_mm", where, low=0.0)
        if 2.0 * self.trim_mm >= min(length, width):
            raise LayoutError("leaves nothing of the sheet", field="trim_mm", value=self.trim_mm, where=where)
        stations = tuple(_num(s, "stations_mm", where) for s in self.stations_mm)
        if len(stations) < 2 or any(b - a < LEAST_MM for a, b in itertools.pairwise(stations)):
            raise LayoutError(
                Text(
                    "must rise from station to station by {least_mm} or more, two at least",
                    least_mm=Amount.short(LEAST_MM, "mm"),
                ),
                field="stations_mm",
                where=where,
            )
        if abs(stations[0]) > 1e-6 or abs(stations[-1] - length) > 1e-6:
            raise LayoutError(
                "must run from 0 to the length of the roll",
                field="stations_mm",
                value=(stations[0], stations[-1]),
                allowed=Text("0 to {length}", length=Amount.short(length)),
                where=where,
            )
        try:
            grid = np.array(self.thickness_mm, dtype=float)
        except (TypeError, ValueError):
            raise LayoutError("must be a full table of numbers", field="thickness_mm", where=where) from None
        if grid.ndim != 2 or grid.shape[0] < 1 or grid.shape[1] != len(stations):
            raise LayoutError(
                "must be lines across by stations along",
                field="thickness_mm",
                value=grid.shape,
                allowed=Text("(lines, {stations})", stations=len(stations)),
                where=where,
            )
        if not np.all(np.isfinite(grid)) or grid.min() <= 0.0 or grid.max() > 30.0:
            raise LayoutError(
                "holds a thickness that cannot be", field="thickness_mm", allowed="above 0 to 30", where=where
            )
        grid.flags.writeable = False
        object.__setattr__(self, "thickness_mm", grid)
        if self.error_mm is not None:
            object.__setattr__(self, "error_mm", _checked_error(self.error_mm, grid.shape, where))
            for reach in self.error_reach_mm:
                _num(reach, "error_reach_mm", where, low=1.0, high=1e6)
        object.__setattr__(self, "stations_mm", stations)
        for polygon in self.no_go:
            _check_polygon(polygon, "no_go", where, None, None)
        if self.outline is not None:
            _check_polygon(self.outline, "outline", where, length, width)

    def net_area_mm2(self) -> float:
        """Area in mm2 inside the trim (no-go areas and a cut outline not taken off)."""
        return (self.length_mm - 2.0 * self.trim_mm) * (self.width_mm - 2.0 * self.trim_mm)


@given
@dataclass(frozen=True)
class LayoutProblem:
    """Blanks, rolls, what may be cast (or None), and the kerf that must stay between two neighbours.

    `certainty`: the least chance with which the metal of every place must keep within its blank's tolerance; less sure places
    are used only where nothing else serves, and named. 0: the metal is taken as it is given. `save_metal`: places may be less
    sure where that saves metal, too; over all blanks misses are still kept down.

    Raises: LayoutError for an id used twice or a number out of its range.

    >>> LayoutProblem((), (), None, 1.0).kerf_mm
    1.0
    """

    blanks: tuple[Blank, ...]
    rolls: tuple[LayoutRoll, ...]
    castable: Castable | None = None
    kerf_mm: float = 0.0
    certainty: float = 0.0
    save_metal: bool = False

    def __post_init__(self) -> None:
        _num(self.kerf_mm, "kerf_mm", "problem", low=0.0, high=100.0)
        _num(self.certainty, "certainty", "problem", low=0.0, high=MOST_CERTAIN)
        for what, things in (("blank", self.blanks), ("roll", self.rolls)):
            seen: set[str] = set()
            for thing in things:
                if thing.id in seen:
                    raise LayoutError("is used twice", field="id", value=thing.id, where=Text("{what}s", what=what))
                seen.add(thing.id)


def _checked_error(error_mm: FloatArray, shape: tuple[int, ...], where: str) -> FloatArray:
    """An error as a table of the thickness's shape, made read-only. Errors: LayoutError."""
    error = np.array(error_mm, dtype=float)
    if error.shape != shape or not np.all(np.isfinite(error)) or error.min() < 0.0 or error.max() > 30.0:
        raise LayoutError(
            "must be finite, not negative and shaped as the thickness",
            field="error_mm",
            where=where,
            allowed=str(shape),
        )
    error.flags.writeable = False
    return error


def polygon_area_mm2(points: tuple[Point, ...]) -> float:
    """Area of a simple polygon in mm2 (shoelace).

    >>> polygon_area_mm2(((0.0, 0.0), (2.0, 0.0), (2.0, 1.0)))
    1.0
    """
    total = 0.0
    for (x0, y0), (x1, y1) in zip(points, points[1:] + points[:1], strict=True):
        total += x0 * y1 - x1 * y0
    return abs(total) / 2.0


def _check_polygon(
    points: tuple[Point, ...], field: str, where: str, length: float | None, width: float | None
) -> None:
    if len(points) < 3:
        raise LayoutError("needs three corners at least", field=field, value=len(points), where=where)
    for x, y in points:
        _num(x, field, where)
        _num(y, field, where)
        outside_x = length is not None and not -BOX_SLACK_MM <= x <= length + BOX_SLACK_MM
        outside_y = width is not None and not -BOX_SLACK_MM <= y <= width + BOX_SLACK_MM
        if outside_x or outside_y:
            raise LayoutError("has a corner outside length by width", field=field, value=(x, y), where=where)
    if polygon_area_mm2(points) <= 0.0:
        raise LayoutError("has no area", field=field, where=where)
