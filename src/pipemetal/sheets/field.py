"""The thickness of a sheet everywhere: a grid of lines across by stations along, bilinear between."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from pipemetal.errors import SheetError
from pipemetal.sheets.checks import checked_number
from pipemetal.sheets.readings import LeftOut
from pipemetal.texts import Amount, Text

__all__ = ["FloatArray", "ThicknessField"]

FloatArray = npt.NDArray[np.float64]
# Sheet metal of the trade stays far inside this; the range only catches slips of the unit.
THINNEST_MM, THICKEST_MM = 0.02, 30.0


@dataclass(frozen=True, eq=False)
class ThicknessField:
    """Thickness over a rectangle of `length_mm` along x by `width_mm` across y.

    `thickness_mm` and `standard_error_mm` have the shape (lines, stations): lines evenly spaced across from edge to
    edge (y = 0 to width), stations at `stations_mm` along x. Between nodes the thickness is bilinear.
    `left_out` names the readings that a fit did not trust; `noise_sd_mm` is the scatter of one reading about the field.
    `readings` are those that it trusted, rows of (x, y, thickness) in mm, by a gauge that repeats within `gauge_sd_mm`; of a
    piece, those of its parent too.

    >>> f = ThicknessField.from_grid([0.0, 1000.0], [[1.2, 1.0], [1.2, 1.0]], width_mm=600.0)
    >>> round(float(f.at(500.0, 300.0)), 6)
    1.1
    """

    length_mm: float
    width_mm: float
    stations_mm: FloatArray
    thickness_mm: FloatArray
    standard_error_mm: FloatArray
    left_out: tuple[LeftOut, ...] = ()
    noise_sd_mm: float = 0.0
    readings_used: int = field(default=0)
    readings: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    gauge_sd_mm: float = 0.01

    def __post_init__(self) -> None:
        checked_number(self.length_mm, field="length_mm", above=0.0)
        checked_number(self.width_mm, field="width_mm", above=0.0)
        stations = np.asarray(self.stations_mm, dtype=float)
        grid = np.asarray(self.thickness_mm, dtype=float)
        error = np.asarray(self.standard_error_mm, dtype=float)
        if stations.ndim != 1 or stations.size < 2 or not np.all(np.isfinite(stations)):
            raise SheetError("must be at least two finite numbers", field="stations_mm")
        if np.any(np.diff(stations) <= 0.0):
            raise SheetError("must rise from station to station", field="stations_mm")
        if abs(stations[0]) > 1e-6 or abs(stations[-1] - self.length_mm) > 1e-6:
            raise SheetError(
                "must run from one end of the sheet to the other",
                field="stations_mm",
                value=(float(stations[0]), float(stations[-1])),
                allowed=Text("0 to {length_mm}", length_mm=Amount.short(self.length_mm)),
            )
        if grid.ndim != 2 or grid.shape[0] < 1 or grid.shape[1] != stations.size:
            raise SheetError(
                "must be lines across by stations along",
                field="thickness_mm",
                value=grid.shape,
                allowed=Text("(lines, {size})", size=stations.size),
            )
        if not np.all(np.isfinite(grid)) or grid.min() < THINNEST_MM or grid.max() > THICKEST_MM:
            raise SheetError(
                "holds a thickness that cannot be",
                field="thickness_mm",
                value=_worst(grid),
                allowed=Text(
                    "{thinnest_mm} to {thickest_mm}",
                    thinnest_mm=Amount.short(THINNEST_MM),
                    thickest_mm=Amount.short(THICKEST_MM),
                ),
            )
        if error.shape != grid.shape or not np.all(np.isfinite(error)) or error.min() < 0.0:
            raise SheetError("must be finite, not negative and shaped as the thickness", field="standard_error_mm")
        readings = np.asarray(self.readings, dtype=float).reshape(-1, 3)
        if not np.all(np.isfinite(readings)):
            raise SheetError("must be finite numbers", field="readings")
        for name, array in (
            ("stations_mm", stations),
            ("thickness_mm", grid),
            ("standard_error_mm", error),
            ("readings", readings),
        ):
            array = array.copy()
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    @classmethod
    def from_grid(
        cls, stations_mm: npt.ArrayLike, thickness_mm: npt.ArrayLike, *, width_mm: float, error_mm: float = 0.0
    ) -> ThicknessField:
        """A field from a table of thicknesses: (lines, stations), stations from 0 to the length of the sheet.

        Raises: SheetError.
        """
        try:
            stations = np.asarray(stations_mm, dtype=float)
            grid = np.asarray(thickness_mm, dtype=float)
        except (TypeError, ValueError):
            raise SheetError("must be a full table of numbers", field="thickness_mm") from None
        if stations.ndim != 1 or stations.size < 2:
            raise SheetError("must be at least two finite numbers", field="stations_mm")
        return cls(float(stations[-1]), width_mm, stations, grid, np.full(grid.shape, error_mm))

    @property
    def lines_mm(self) -> FloatArray:
        """Where the lines of the grid lie across the sheet, in mm from the edge y = 0."""
        return _lines(self.thickness_mm.shape[0], self.width_mm)

    @property
    def mean_mm(self) -> float:
        """Mean thickness over the area of the sheet: the integral of the bilinear field over its area."""
        steps = np.diff(self.stations_mm)
        along = (self.thickness_mm[:, 1:] + self.thickness_mm[:, :-1]) @ steps / (2.0 * self.length_mm)
        return float(along[0]) if along.size == 1 else float(np.trapezoid(along, self.lines_mm) / self.width_mm)

    def at(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> FloatArray:
        """Thickness in mm at points (any shape); a point outside the sheet takes the value at the nearest edge."""
        return _bilinear(self.stations_mm, self.width_mm, self.thickness_mm, x_mm, y_mm)

    def error_at(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> FloatArray:
        """Standard error in mm of the thickness at points (any shape)."""
        return _bilinear(self.stations_mm, self.width_mm, self.standard_error_mm, x_mm, y_mm)

    def grid(self, n_stations: int, n_lines: int) -> ThicknessField:
        """The field resampled to evenly spaced stations and lines."""
        if n_stations < 2 or n_lines < 1:
            raise SheetError("needs two stations and one line at least", field="grid", value=(n_stations, n_lines))
        return self._resampled(np.linspace(0.0, self.length_mm, n_stations), _lines(n_lines, self.width_mm))

    def cropped(self, x0_mm: float, x1_mm: float, y0_mm: float, y1_mm: float) -> ThicknessField:
        """The field of the piece x0..x1, y0..y1, in the piece's own coordinates (its corner at 0, 0).

        Stations of the parent are kept; lines across are respaced at half the parent's spacing or closer.
        """
        inside = 0.0 <= x0_mm < x1_mm <= self.length_mm + 1e-6 and 0.0 <= y0_mm < y1_mm <= self.width_mm + 1e-6
        if not inside:
            raise SheetError("does not lie within the sheet", field="piece", value=(x0_mm, x1_mm, y0_mm, y1_mm))
        kept = self.stations_mm[(self.stations_mm > x0_mm + 1e-6) & (self.stations_mm < x1_mm - 1e-6)]
        stations = np.concatenate([[x0_mm], kept, [x1_mm]])
        lines = self.thickness_mm.shape[0]
        spacing = self.width_mm / max(lines - 1, 1)
        wanted = 1 if lines == 1 else max(3, 2 * int(np.ceil((y1_mm - y0_mm) / spacing)) + 1)
        piece = self._resampled(stations, y0_mm + _lines(wanted, y1_mm - y0_mm))
        return replace(
            piece,
            length_mm=x1_mm - x0_mm,
            width_mm=y1_mm - y0_mm,
            stations_mm=np.concatenate([[0.0], kept - x0_mm, [x1_mm - x0_mm]]),
            readings=self.readings - (x0_mm, y0_mm, 0.0),
        )

    def planed(self, allowance_mm: float) -> ThicknessField:
        """The field after planing (or hammering) has taken `allowance_mm` off everywhere.

        Raises: SheetError when the sheet is not that thick.
        """
        taken = checked_number(allowance_mm, field="allowance_mm", low=0.0)
        if self.thickness_mm.min() - taken < THINNEST_MM:
            raise SheetError(
                "takes more than the sheet has at its thinnest",
                field="allowance_mm",
                value=allowance_mm,
                allowed=Text("below {min}", min=Amount(self.thickness_mm.min(), "", 3)),
            )
        return replace(self, thickness_mm=self.thickness_mm - taken, readings=self.readings - (0.0, 0.0, taken))

    def _resampled(self, stations: FloatArray, lines: FloatArray) -> ThicknessField:
        x, y = np.meshgrid(stations, lines)
        nodes, errors = self.at(x, y), self.error_at(x, y)
        if stations[0] != 0.0 or stations[-1] != self.length_mm:
            return replace(
                self,
                length_mm=float(stations[-1] - stations[0]),
                stations_mm=stations - stations[0],
                thickness_mm=nodes,
                standard_error_mm=errors,
            )
        return replace(self, stations_mm=stations, thickness_mm=nodes, standard_error_mm=errors)


def _lines(count: int, width_mm: float) -> FloatArray:
    return np.linspace(0.0, width_mm, count) if count > 1 else np.array([width_mm / 2.0])


def _worst(grid: FloatArray) -> float:
    flat = grid.ravel()
    bad = flat[~np.isfinite(flat)]
    if bad.size:
        return float(bad[0])
    return float(flat.min() if flat.min() < THINNEST_MM else flat.max())


def _bilinear(
    stations: FloatArray, width: float, grid: FloatArray, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike
) -> FloatArray:
    x, y = np.broadcast_arrays(np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float))
    i = np.clip(np.searchsorted(stations, x, side="right") - 1, 0, stations.size - 2)
    u = np.clip((x - stations[i]) / (stations[i + 1] - stations[i]), 0.0, 1.0)
    if grid.shape[0] == 1:
        return np.asarray(grid[0, i] * (1 - u) + grid[0, i + 1] * u)
    across = np.clip(y / width * (grid.shape[0] - 1), 0.0, grid.shape[0] - 1.0)
    j = np.minimum(across.astype(np.int64), grid.shape[0] - 2)
    v = across - j
    low = grid[j, i] * (1 - u) + grid[j, i + 1] * u
    high = grid[j + 1, i] * (1 - u) + grid[j + 1, i + 1] * u
    return np.asarray(low * (1 - v) + high * v)
