"""Where on a sheet a blank finds the thickness it wants: the exact places along x, for one pair or for thousands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt

from pipemetal.errors import SheetError
from pipemetal.sheets.field import FloatArray, ThicknessField

__all__ = ["Fit", "Window", "fit_windows", "line_values", "miss_mm", "nearest_miss", "windows_along"]

# Widest slack granted to rounding; a window is closed, and its ends are drawn in by this much.
ROUNDING_MM = 1e-9
# Functions that only compiled code calls: without wrappers they compile in a fraction of the time.
_njit: Any = nb.njit
inner = _njit(nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True)


@inner
def _sorted(values, n):  # type: ignore[no-untyped-def]
    """The first n values in rising order (insertion: there are few, and compiling a library sort takes seconds)."""
    for j in range(1, n):
        value, at = values[j], j
        while at > 0 and values[at - 1] > value:
            values[at] = values[at - 1]
            at -= 1
        values[at] = value
    return values


@inner
def _cell(stations, x):  # type: ignore[no-untyped-def]
    """Number of the stretch between two stations in which x lies; the first or last one outside."""
    k = 0
    while k < stations.size - 2 and stations[k + 1] <= x:
        k += 1
    return k


@nb.njit(cache=True, nogil=True)
def windows_along(stations, lines, n_lines, length, mouth, slope, tolerance, x_low, x_high, out):  # type: ignore[no-untyped-def]
    """The intervals of x at which |t(x', y) - (mouth + slope (x' - x))| <= tolerance all along x' = x to x + length.

    `lines` (lines, stations): thickness along the lines that can hold an extreme; between lines it is linear in y, so
    these hold the extremes. Writes rows (low, high) into `out`, returns how many. Exact: between two neighbouring
    breakpoints (a station under either end of the blank) every condition is linear in x.
    """
    count: Any = np.int64(0)
    n = stations.size
    if x_high < x_low:
        return 0
    breaks = np.empty(2 * n + 2)
    breaks[0], breaks[1] = x_low, x_high
    n_breaks = 2
    for k in range(n):
        for value in (stations[k], stations[k] - length):
            if x_low < value < x_high:
                breaks[n_breaks] = value
                n_breaks += 1
    points = _sorted(breaks, n_breaks)
    for b in range(n_breaks - 1):
        a, c = points[b], points[b + 1]
        low, high = _linear_piece(stations, lines, n_lines, length, mouth, slope, tolerance, a, c)
        if low > high:
            continue
        if count > 0 and low <= out[count - 1, 1] + 1e-7:
            out[count - 1, 1] = high
        elif count < out.shape[0]:
            out[count, 0], out[count, 1] = low, high
            count += 1
    if n_breaks == 2 and x_low == x_high:
        low, high = _linear_piece(stations, lines, n_lines, length, mouth, slope, tolerance, x_low, x_high)
        if low <= high:
            out[0, 0], out[0, 1] = low, high
            count = 1
    return count


@inner
def _linear_piece(stations, lines, n_lines, length, mouth, slope, tolerance, a, c):  # type: ignore[no-untyped-def]
    """The part of a..c that fits, where no station passes under an end of the blank between a and c."""
    middle = 0.5 * (a + c)
    first, last = _cell(stations, middle), _cell(stations, middle + length)
    low, high = a, c
    for j in range(n_lines):
        for end in range(2):
            k = first if end == 0 else last
            shift = 0.0 if end == 0 else length
            rise = (lines[j, k + 1] - lines[j, k]) / (stations[k + 1] - stations[k])
            at_a = lines[j, k] + rise * (a + shift - stations[k]) - slope * shift - mouth
            low, high = _cut(at_a, rise, tolerance, a, low, high)
            if low > high:
                return low, high
        for k in range(first + 1, last + 1):
            at_a = lines[j, k] - slope * (stations[k] - a) - mouth
            low, high = _cut(at_a, slope, tolerance, a, low, high)
            if low > high:
                return low, high
    return low, high


@inner
def _cut(at_a, rise, tolerance, a, low, high):  # type: ignore[no-untyped-def]
    """Cuts low..high to where |at_a + rise (x - a)| <= tolerance."""
    if abs(rise) < 1e-15:
        if abs(at_a) > tolerance + ROUNDING_MM:
            return 1.0, 0.0
        return low, high
    first, second = a + (-tolerance - at_a) / rise, a + (tolerance - at_a) / rise
    if rise < 0.0:
        first, second = second, first
    return max(low, first), min(high, second)


@nb.njit(cache=True, nogil=True)
def miss_mm(stations, lines, length, mouth, slope, x):  # type: ignore[no-untyped-def]
    """The greatest |thickness - wanted| in mm under a blank whose low end lies at x."""
    worst = 0.0
    n = stations.size
    for j in range(lines.shape[0]):
        for k in range(n + 2):
            if k < n:
                at = stations[k]
                if at < x or at > x + length:
                    continue
            else:
                at = x if k == n else x + length
            i = _cell(stations, at)
            u = (at - stations[i]) / (stations[i + 1] - stations[i])
            value = lines[j, i] * (1.0 - u) + lines[j, i + 1] * u
            worst = max(worst, abs(value - mouth - slope * (at - x)))
    return worst


def line_values(grid: FloatArray, width_mm: float, y_low_mm: float, y_high_mm: float) -> FloatArray:
    """Thickness along the lines that hold the extremes over y_low..y_high: both bounds and the grid lines between.

    >>> line_values(np.array([[1.0, 1.0], [2.0, 2.0]]), 100.0, 25.0, 50.0).tolist()
    [[1.25, 1.25], [1.5, 1.5]]
    """
    count = grid.shape[0]
    if count == 1:
        return np.ascontiguousarray(grid, dtype=float)
    places = np.linspace(0.0, width_mm, count)
    inside = places[(places > y_low_mm) & (places < y_high_mm)]
    rows = []
    for y in (y_low_mm, *inside, y_high_mm):
        across = min(max(y / width_mm * (count - 1), 0.0), count - 1.0)
        j = min(int(across), count - 2)
        rows.append(grid[j] * (1.0 - (across - j)) + grid[j + 1] * (across - j))
    return np.ascontiguousarray(np.array(rows, dtype=float))


@dataclass(frozen=True)
class Window:
    """Where a blank fits: its low end may lie at any x in low..high when it lies within the band of y.

    `turn_deg` 0: mouth end at x; 180: top end at x.

    >>> Window(0.0, 100.0, 15.0, 585.0, 0).turn_deg
    0
    """

    x_low_mm: float
    x_high_mm: float
    y_low_mm: float
    y_high_mm: float
    turn_deg: int


@dataclass(frozen=True)
class Fit:
    """The windows of a blank on a sheet; where there are none, the least miss in mm, and the x and turn of it."""

    windows: tuple[Window, ...]
    miss_mm: float
    miss_x_mm: float
    miss_turn_deg: int


def fit_windows(
    field: ThicknessField,
    length_mm: float,
    width_mm: float,
    mouth_thickness_mm: float,
    top_thickness_mm: float,
    tolerance_mm: float,
    *,
    trim_mm: float = 0.0,
    turns_deg: tuple[int, ...] = (0, 180),
    bands: int = 1,
) -> Fit:
    """The exact set of x at which a blank of length by width finds its thickness on a sheet.

    Arguments: `bands`: the sheet's width is also tried in that many overlapping bands, each at least as wide as the
    blank, which a bowed sheet needs; 1 asks for a fit across the whole width. Everything in mm.
    Raises: SheetError for numbers that cannot be.

    >>> f = ThicknessField.from_grid([0.0, 2000.0], [[1.2, 1.0]], width_mm=600.0)
    >>> w = fit_windows(f, 500.0, 200.0, 1.1, 1.05, 0.02, turns_deg=(0,)).windows[0]
    >>> round(w.x_low_mm), round(w.x_high_mm)
    (800, 1200)
    """
    for name, value in (
        ("length_mm", length_mm),
        ("width_mm", width_mm),
        ("mouth_thickness_mm", mouth_thickness_mm),
        ("top_thickness_mm", top_thickness_mm),
        ("tolerance_mm", tolerance_mm),
    ):
        if not np.isfinite(value) or value < 0.0:
            raise SheetError("must be a finite number, not negative", field=name, value=value)
    y_low, y_high = trim_mm, field.width_mm - trim_mm
    x_low, x_high = trim_mm, field.length_mm - trim_mm - length_mm
    if x_high < x_low or y_high - y_low < width_mm:
        return Fit((), float("inf"), float("nan"), turns_deg[0])
    spans = [(y_low, y_high)]
    if bands > 1:
        band = max(width_mm, (y_high - y_low) / bands)
        spans += [(y, y + band) for y in np.linspace(y_low, y_high - band, 2 * bands - 1)]
    windows: list[Window] = []
    best = (float("inf"), float("nan"), turns_deg[0])
    out = np.empty((64, 2))
    for turn in turns_deg:
        start, end = (mouth_thickness_mm, top_thickness_mm)[:: 1 if turn == 0 else -1]
        slope = (end - start) / length_mm if length_mm > 0.0 else 0.0
        for low, high in spans:
            lines = line_values(field.thickness_mm, field.width_mm, low, high)
            count = windows_along(
                field.stations_mm, lines, len(lines), length_mm, start, slope, tolerance_mm, x_low, x_high, out
            )
            windows += [Window(float(out[k, 0]), float(out[k, 1]), float(low), float(high), turn) for k in range(count)]
            miss, x = nearest_miss(field.stations_mm, lines, length_mm, start, slope, x_low, x_high)
            if miss < best[0]:
                best = (miss, x, turn)
    return Fit(tuple(windows), 0.0 if windows else max(best[0] - tolerance_mm, 0.0), best[1], best[2])


def nearest_miss(
    stations: FloatArray, lines: FloatArray, length: float, mouth: float, slope: float, x_low: float, x_high: float
) -> tuple[float, float]:
    """The least over x of the greatest |thickness - wanted| under a blank, in mm, and the x of it.

    Halves the tolerance until it stands within 1e-6 mm: the set of fitting x is exact for every tolerance tried.

    >>> miss, x = nearest_miss(np.array([0.0, 1000.0]), np.array([[1.0, 1.0]]), 100.0, 1.1, 0.0, 0.0, 900.0)
    >>> round(miss, 5)
    0.1
    """
    out = np.empty((64, 2))
    low, high = 0.0, float(miss_mm(stations, lines, length, mouth, slope, x_low))
    x = x_low
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        if windows_along(stations, lines, len(lines), length, mouth, slope, middle, x_low, x_high, out) > 0:
            high, x = middle, float(out[0, 0])
        else:
            low = middle
    return high, x


IntArray = npt.NDArray[np.int64]
