"""The chance that the metal keeps within the tolerance of every blank where a plan lays it: many sheets drawn, and counted.

One drawing of a sheet serves all blanks on it, so that what hangs together stays together: a pipe fits in a drawing when all
its blanks do.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from pipemetal.layout.guard import AS_NORMAL, FREEDOM, guard_factor
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, CastSpread, LayoutProblem, LayoutRoll
from pipemetal.layout.verify import shape_on_sheet
from pipemetal.sheets.field import FloatArray, ThicknessField

__all__ = [
    "COUNTED_TO",
    "DRAWINGS",
    "Chances",
    "Count",
    "Drawn",
    "chances_of",
    "errors_off",
    "field_of",
    "looked_at",
    "unsure_of",
]

DRAWINGS: Final = 2000
"""Drawings of every sheet: a chance of 95 % is then sure to half a percent."""
COUNTED_TO: Final = 0.005
"""To this much a chance is known by so many drawings."""
SCATTER_REACH_MM: Final = 500.0
"""How far along a sheet to cast the scatter from place to place hangs together (estimate)."""
CAST_STATIONS: Final = 13
MOST_CORNERS: Final = 24
BoolArray = npt.NDArray[np.bool_]
SpreadOf = Callable[[NewSheet], CastSpread | None]


@dataclass(frozen=True)
class Count:
    """How many of some things are expected to fit, and the least and most of 95 in 100 drawings.

    >>> Count(9.8, 8, 10, 10).of
    10
    """

    expected: float
    low: int
    high: int
    of: int


@dataclass(frozen=True, eq=False)
class Chances:
    """For every blank laid: in which drawings the metal under it keeps within its tolerance.

    `certainty` is what is wanted (0: nothing): a chance that so many drawings cannot tell from it is told as it, so that a blank
    is less sure than wanted where its chance is below the certainty, and nowhere else.

    >>> known = {"B": np.arange(2000) < 1893, "C": np.arange(2000) < 1888}
    >>> Chances(known, 0.95).of("B"), Chances(known, 0.95).of("C"), Chances(known).of("B")
    (0.95, 0.944, 0.9465)
    """

    fits: Mapping[str, BoolArray]
    certainty: float = 0.0

    def of(self, blank: str) -> float:
        """The chance of one blank; 0 for one that lies nowhere."""
        drawn = float(self.fits[blank].mean()) if blank in self.fits else 0.0
        return self.certainty if self.certainty - COUNTED_TO <= drawn < self.certainty else drawn

    def together(self, blanks: Sequence[str]) -> float:
        """The chance that all of some blanks fit."""
        return float(self._all(blanks).mean())

    def count(self, groups: Sequence[Sequence[str]]) -> Count:
        """How many groups of blanks (pipes) are expected to fit whole."""
        total = np.zeros(DRAWINGS, np.int64)
        for group in groups:
            total += self._all(group)
        low, high = np.quantile(total, (0.025, 0.975))
        return Count(float(total.mean()), int(np.floor(low)), int(np.ceil(high)), len(groups))

    def _all(self, blanks: Sequence[str]) -> BoolArray:
        found = np.ones(DRAWINGS, np.bool_)
        for blank in blanks:
            found &= self.fits.get(blank, np.zeros(DRAWINGS, np.bool_))
        return found


def chances_of(problem: LayoutProblem, plan: LayoutPlan, spread_of: SpreadOf | None = None) -> Chances:
    """The chances of all blanks that a plan lays.

    `spread_of`: how a sheet to cast scatters about what is wanted, where more is known of it than the problem says of its alloy.
    A roll without an error, and a sheet without a spread, are taken as they are given.

    >>> roll = LayoutRoll("R1", "A", 1000.0, 500.0, 0.0, (0.0, 1000.0), np.array([[1.05, 1.05]]), error_mm=np.full((1, 2), 0.05))
    >>> problem = LayoutProblem((Blank("C", "body", "A", 400.0, 500.0, 1.0, 1.0, 0.05),), (roll,))
    >>> plan = LayoutPlan((Placement("C", "R1", 0.0, 0.0),), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    >>> 0.35 < chances_of(problem, plan).of("C") < 0.5
    True
    """
    blanks, fits = {b.id: b for b in problem.blanks}, dict[str, BoolArray]()
    laid: dict[str, list[Placement]] = {}
    for p in plan.placements:
        laid.setdefault(p.roll, []).append(p)
    for roll in problem.rolls:
        if roll.id in laid:
            drawn = Drawn.of_roll(roll)
            fits |= {p.blank: drawn.fit(blanks[p.blank], p) for p in laid[roll.id] if p.blank in blanks}
    castable = problem.castable
    for sheet in plan.new_sheets:
        known = spread_of(sheet) if spread_of is not None else None
        spread = known or (castable.spread_of(sheet.alloy) if castable is not None else None)
        drawn = Drawn.of_sheet(sheet, spread or CastSpread(sheet.alloy, 0.0, 0.0, 0.0))
        fits |= {p.blank: drawn.fit(blanks[p.blank], p) for p in laid.get(sheet.id, ()) if p.blank in blanks}
    return Chances(fits, problem.certainty)


def unsure_of(problem: LayoutProblem, placements: Sequence[Placement]) -> tuple[str, ...]:
    """The blanks on rolls that are less sure to fit than the problem wants, by name; none where it wants no certainty."""
    rolls = {r.id for r in problem.rolls if r.error_mm is not None}
    mine = tuple(p for p in placements if p.roll in rolls)
    if problem.certainty <= 0.0 or not mine:
        return ()
    blanks, fields = {b.id: b for b in problem.blanks}, {r.id: field_of(r) for r in problem.rolls if r.id in rolls}
    off = {p.blank: errors_off(blanks[p.blank], p, fields[p.roll]) for p in mine if p.blank in blanks}
    # the worst place alone tells it of most: no blank is surer than it, and none errs at more places than `clearly` allows for
    least, clearly = (
        guard_factor(1.0 - slack * (1.0 - problem.certainty), length, 1.0)
        for slack, length in ((1.1, 0.0), (1.0, np.inf))
    )
    doubtful = tuple(p for p in mine if least <= off.get(p.blank, clearly) < clearly)
    chances = chances_of(problem, LayoutPlan(doubtful, (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0))
    drawn = {p.blank for p in doubtful if chances.of(p.blank) < problem.certainty}
    return tuple(sorted(drawn | {blank for blank, errors in off.items() if errors < least}))


def field_of(roll: LayoutRoll) -> ThicknessField:
    """A roll's metal with its error, 0 where none is known."""
    error = np.zeros(roll.thickness_mm.shape) if roll.error_mm is None else roll.error_mm
    return ThicknessField(roll.length_mm, roll.width_mm, np.asarray(roll.stations_mm), roll.thickness_mm, error)


def errors_off(blank: Blank, p: Placement, field: ThicknessField) -> float:
    """How many errors the metal is off the edge of the tolerance where it is nearest to it."""
    x, y, wanted = looked_at(blank, p, field.stations_mm, field.lines_mm)
    over = field.at(x, y) - wanted
    room = np.minimum(over + blank.tolerance_mm, blank.most_over_mm - over)
    return float((room / np.maximum(field.error_at(x, y), 1e-9)).min())


def looked_at(
    blank: Blank, p: Placement, stations_mm: FloatArray, lines_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places under a blank at which the metal is compared with what is wanted: x and y on the sheet, and the thickness wanted."""
    across = p.turn_deg in (90, 270)
    dx, dy = (blank.width_mm, blank.length_mm) if across else (blank.length_mm, blank.width_mm)
    x1, y1 = p.x_mm + dx, p.y_mm + dy
    xs = np.concatenate([[p.x_mm, x1], stations_mm[(stations_mm > p.x_mm) & (stations_mm < x1)]])
    ys = np.concatenate([[p.y_mm, y1], lines_mm[(lines_mm > p.y_mm) & (lines_mm < y1)]])
    if blank.sector is None and blank.outline is None:
        x, y = (part.ravel() for part in np.meshgrid(xs, ys))
    else:
        corners = _corners(blank, p.turn_deg) + np.array([p.x_mm, p.y_mm])
        middle = np.full(len(xs), (p.y_mm + y1) / 2.0)
        x, y = np.concatenate([corners[:, 0], xs]), np.concatenate([corners[:, 1], middle])
    along = {0: x - p.x_mm, 180: x1 - x}.get(p.turn_deg, np.zeros_like(x))
    wanted = blank.mouth_thickness_mm + (blank.top_thickness_mm - blank.mouth_thickness_mm) * along / blank.length_mm
    return x, y, wanted


@lru_cache(4096)
def _corners(blank: Blank, turn_deg: int) -> FloatArray:
    """Corners of a blank's true shape that tell where it reaches, from the least corner of its box: shape (corners, 2)."""
    corners = np.array(shape_on_sheet(blank, Placement(blank.id, "", 0.0, 0.0, turn_deg)).exterior.coords[:-1])
    # the sharp corners, where both arcs end, and the reach of the shape are always among them
    half, ends = len(corners) // 2, [*corners.argmin(axis=0), *corners.argmax(axis=0)]
    some = [*range(0, len(corners), max(1, len(corners) // MOST_CORNERS)), half - 1, half, len(corners) - 1, *ends]
    return np.asarray(corners[np.unique(some)])


@dataclass(frozen=True, eq=False)
class Drawn:
    """Drawings of one sheet at its nodes: thickness, shape (lines, stations, drawings)."""

    stations_mm: FloatArray
    lines_mm: FloatArray
    metal_mm: npt.NDArray[np.float32]

    @classmethod
    def of_roll(cls, roll: LayoutRoll) -> Drawn:
        stations = np.asarray(roll.stations_mm, dtype=float)
        count = roll.thickness_mm.shape[0]
        lines = np.linspace(0.0, roll.width_mm, count) if count > 1 else np.array([roll.width_mm / 2.0])
        metal = roll.thickness_mm[:, :, None].astype(np.float32)
        if roll.error_mm is None or not roll.error_mm.any():
            return cls(stations, lines, metal)
        rng = _rng(roll.id)
        white = rng.standard_normal((len(lines), len(stations), DRAWINGS), dtype=np.float32)
        along = _root(stations, roll.error_reach_mm[0])
        across = _root(lines, roll.error_reach_mm[1])
        # by plain loops: so small products are split among threads at ten times the cost
        smooth = np.einsum("lm,mkd->lkd", across, np.einsum("sk,mkd->msd", along, white))
        tails = AS_NORMAL * np.sqrt(FREEDOM / rng.chisquare(FREEDOM, DRAWINGS)).astype(np.float32)
        return cls(stations, lines, metal + roll.error_mm[:, :, None].astype(np.float32) * smooth * tails)

    @classmethod
    def of_sheet(cls, sheet: NewSheet, spread: CastSpread) -> Drawn:
        stations = np.linspace(0.0, sheet.length_mm, CAST_STATIONS)
        wanted = np.linspace(sheet.thickness_start_mm, sheet.thickness_end_mm, CAST_STATIONS)
        rng = _rng(f"cast {sheet.id}")
        ends = np.linspace(-1.0, 1.0, CAST_STATIONS)[:, None]
        level, taper = rng.standard_normal((2, 1, DRAWINGS))
        places = _root(stations, SCATTER_REACH_MM) @ rng.standard_normal((CAST_STATIONS, DRAWINGS))
        ln_off = spread.level * level + spread.taper * ends * taper + spread.scatter * places
        metal = (wanted[:, None] + spread.planing_mm) * np.exp(ln_off) - spread.planing_mm
        return cls(stations, np.array([sheet.width_mm / 2.0]), metal[None].astype(np.float32))

    def at(self, x_mm: float, y_mm: float) -> FloatArray:
        """The thickness at one place in each drawing."""
        return np.asarray(self._metal(np.array([x_mm]), np.array([y_mm]))[0], dtype=float)

    def fit(self, blank: Blank, p: Placement) -> BoolArray:
        """In which drawings a blank fits."""
        x, y, wanted = looked_at(blank, p, self.stations_mm, self.lines_mm)
        over = self._metal(x, y) - wanted.astype(np.float32)[:, None]
        low, high = np.float32(-blank.tolerance_mm - 1e-5), np.float32(blank.most_over_mm + 1e-5)
        found = np.asarray(((over >= low) & (over <= high)).all(axis=0), dtype=np.bool_)
        return np.broadcast_to(found, (DRAWINGS,)) if found.size == 1 else found

    def _metal(self, x: FloatArray, y: FloatArray) -> npt.NDArray[np.float32]:
        """The thickness at places, shape (places, drawings)."""
        i = np.clip(np.searchsorted(self.stations_mm, x, side="right") - 1, 0, len(self.stations_mm) - 2)
        u = np.clip((x - self.stations_mm[i]) / np.diff(self.stations_mm)[i], 0.0, 1.0).astype(np.float32)[:, None]
        if len(self.lines_mm) == 1:
            return np.asarray(self.metal_mm[0, i] * (1 - u) + self.metal_mm[0, i + 1] * u)
        step = self.lines_mm[1] - self.lines_mm[0]
        j = np.clip((y / step).astype(np.int64), 0, len(self.lines_mm) - 2)
        v = np.clip(y / step - j, 0.0, 1.0).astype(np.float32)[:, None]
        low = self.metal_mm[j, i] * (1 - u) + self.metal_mm[j, i + 1] * u
        high = self.metal_mm[j + 1, i] * (1 - u) + self.metal_mm[j + 1, i + 1] * u
        return np.asarray(low * (1 - v) + high * v)


def _rng(name: str) -> np.random.Generator:
    """A stream of its own for every sheet, the same each time."""
    return np.random.default_rng(zlib.crc32(name.encode()))


def _root(places_mm: FloatArray, reach_mm: float) -> npt.NDArray[np.float32]:
    """A root of the correlation of places: what errors near each other have in common."""
    far = (places_mm[:, None] - places_mm[None, :]) / reach_mm
    values, vectors = np.linalg.eigh(np.exp(-0.5 * far**2))
    root: npt.NDArray[np.float32] = (vectors * np.sqrt(np.maximum(values, 0.0))).astype(np.float32)
    return root
