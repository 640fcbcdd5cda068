"""The verifier's look at the metal: its own interpolation, at every place under a blank that can hold an extreme.

Nothing here comes from the solver.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPoint, Polygon

from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Blank, LayoutRoll

__all__ = ["certainty_fault", "thickness_fault"]

THICKNESS_SLACK_MM = 1e-6
# Chances that were counted in drawings are known to so much.
TAIL_SLACK = 0.25
# Errors of a field have the tails of Student's t with so many degrees of freedom.
TAIL_FREEDOM = 10


def thickness_fault(blank: Blank, p: Placement, shape: Polygon, sheet: LayoutRoll | NewSheet) -> str:
    """Compares metal and wish wherever an extreme can lie: corners, grid nodes, crossings, and along slanting edges."""
    if isinstance(sheet, NewSheet):
        stations = np.array([0.0, sheet.length_mm])
        grid = np.array([[sheet.thickness_start_mm, sheet.thickness_end_mm]])
    else:
        stations, grid = np.array(sheet.stations_mm), sheet.thickness_mm
    lines = np.linspace(0.0, sheet.width_mm, grid.shape[0]) if grid.shape[0] > 1 else np.array([0.0])
    x, y = _extremes(blank, shape, stations, lines)
    metal = _interpolated(stations, lines, grid, x, y)
    wish = _wish(blank, p, x)
    room = _room(blank, metal - wish)
    worst = int(np.argmin(room))
    if room[worst] >= -THICKNESS_SLACK_MM:
        return ""
    thinner, thicker = blank.tolerance_mm, _may_be_thicker_mm(blank)
    around = f"+/- {thinner:.4f}" if thinner == thicker else f"-{thinner:.4f} +{thicker:.4f}"
    return f"metal {metal[worst]:.4f} mm at ({x[worst]:.1f}, {y[worst]:.1f}), wanted {wish[worst]:.4f} {around} mm"


def certainty_fault(blank: Blank, p: Placement, shape: Polygon, sheet: LayoutRoll, certainty: float) -> str:
    """How likely the metal is out of tolerance at the worst place under a blank: no blank is surer than its worst place."""
    if sheet.error_mm is None:
        return ""
    stations, grid = np.array(sheet.stations_mm), sheet.thickness_mm
    lines = np.linspace(0.0, sheet.width_mm, grid.shape[0]) if grid.shape[0] > 1 else np.array([0.0])
    x, y = _extremes(blank, shape, stations, lines)
    deviation = _interpolated(stations, lines, sheet.error_mm, x, y)
    room = _room(blank, _interpolated(stations, lines, grid, x, y) - _wish(blank, p, x)) + THICKNESS_SLACK_MM
    # a t of so many degrees spreads by the root of n / (n - 2): its unit is that much smaller than the deviation
    unit = deviation / math.sqrt(TAIL_FREEDOM / (TAIL_FREEDOM - 2.0))
    out = _tail(room / np.maximum(unit, 1e-12))
    worst = int(np.argmax(out))
    if out[worst] <= (1.0 - certainty) * (1.0 + TAIL_SLACK):
        return ""
    return (
        f"at ({x[worst]:.1f}, {y[worst]:.1f}) {100.0 * out[worst]:.1f} % are out of tolerance, where"
        f" {100.0 * (1.0 - certainty):.1f} % may be; it is not named as less sure"
    )


def _may_be_thicker_mm(blank: Blank) -> float:
    """How much thicker than wanted the metal may be: as it is, or once it is worked."""
    as_it_is = blank.tolerance_mm if blank.thicker_mm is None else blank.thicker_mm
    return as_it_is + blank.worked_mm


def _room(blank: Blank, over_mm: np.ndarray) -> np.ndarray:
    """How far metal that is so much over what is wanted lies within what may be; below zero where it does not."""
    return np.asarray(np.minimum(over_mm + blank.tolerance_mm, _may_be_thicker_mm(blank) - over_mm))


def _tail(t: np.ndarray) -> np.ndarray:
    """The chance that Student's t is above t, by adding up its density."""
    at = np.linspace(-60.0, 60.0, 24_001)
    density = (1.0 + at**2 / TAIL_FREEDOM) ** (-0.5 * (TAIL_FREEDOM + 1))
    below = np.cumsum(density) - 0.5 * density
    return np.asarray(1.0 - np.interp(t, at, below / density.sum()))


def _wish(blank: Blank, p: Placement, x: np.ndarray) -> np.ndarray:
    along = {0: x - p.x_mm, 180: p.x_mm + blank.length_mm - x}.get(p.turn_deg, np.zeros_like(x))
    rise = blank.top_thickness_mm - blank.mouth_thickness_mm
    return np.asarray(blank.mouth_thickness_mm + rise * along / blank.length_mm)


def _extremes(blank: Blank, shape: Polygon, stations: np.ndarray, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The places under a blank that can hold an extreme of its thickness."""
    x0, y0, x1, y1 = shape.bounds
    xs = np.concatenate([[x0, x1], stations[(stations > x0) & (stations < x1)]])
    ys = np.concatenate([[y0, y1], lines[(lines > y0) & (lines < y1)]])
    if blank.sector is None and blank.outline is None:
        x, y = (part.ravel() for part in np.meshgrid(xs, ys))
        return x, y
    rim = shapely.segmentize(shape.exterior, 4.0)
    cuts = [LineString([(v, y0 - 1.0), (v, y1 + 1.0)]) for v in xs[2:]]
    cuts += [LineString([(x0 - 1.0, v), (x1 + 1.0, v)]) for v in ys[2:]]
    points = [shapely.get_coordinates(rim)]
    points += [shapely.get_coordinates(shape.exterior.intersection(cut)) for cut in cuts]
    nodes = MultiPoint([(a, b) for a in xs[2:] for b in ys[2:]])
    points.append(shapely.get_coordinates(nodes.intersection(shape)))
    x, y = np.concatenate(points).T
    return x, y


def _interpolated(
    stations: np.ndarray, lines: np.ndarray, grid: np.ndarray, x: np.ndarray, y: np.ndarray
) -> np.ndarray:
    """Bilinear by another way than the solver's: every line is read at x, then the lines are weighted by hats in y."""
    at_x = np.array([np.interp(x, stations, line) for line in grid])
    if lines.size == 1:
        return np.asarray(at_x[0])
    step = lines[1] - lines[0]
    hats = np.clip(1.0 - np.abs(y[None, :] - lines[:, None]) / step, 0.0, None)
    return np.asarray((at_x * hats).sum(axis=0) / hats.sum(axis=0).clip(1e-12))
