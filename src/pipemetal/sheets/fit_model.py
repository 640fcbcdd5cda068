"""The kriging system of gauge readings: a trend along the sheet, and smooth departures from it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipemetal.errors import ConvergenceError
from pipemetal.sheets.field import FloatArray

__all__ = [
    "CURVE_SD_MM",
    "Model",
    "Solved",
    "covariance_of",
    "own_variance",
    "predict",
    "solve",
    "trend_of",
    "usable_trend",
]

# What a cast sheet may do beside its straight taper before any reading says so (one standard deviation at the edge,
# in mm): curve along, tilt across, bow across. common practice, no source.
CURVE_SD_MM, TILT_SD_MM, BOW_SD_MM = 0.05, 0.03, 0.03


@dataclass(frozen=True)
class Model:
    """Covariance parameters of the departure from the trend; lengths as shares of the sheet, deviations in mm.

    `shape_mm`: tilt along (infinite: any), curve along, tilt and bow across, one standard deviation at the edge.
    """

    length_mm: float
    width_mm: float
    signal_mm: float
    noise_mm: float
    shape_mm: tuple[float, float, float, float] = (math.inf, CURVE_SD_MM, TILT_SD_MM, BOW_SD_MM)

    @property
    def slope_free(self) -> bool:
        return math.isinf(self.shape_mm[0])


@dataclass(frozen=True)
class Solved:
    """A solved kriging system: inverse of the covariance, projection without trend, weights."""

    x: FloatArray
    y: FloatArray
    inverse: FloatArray
    trend: FloatArray
    trend_inverse: FloatArray
    coefficients: FloatArray
    weights: FloatArray
    loo: FloatArray
    loo_sd: FloatArray
    log_likelihood: float


def trend_of(x: FloatArray) -> FloatArray:
    """Columns of the trend: straight along x."""
    return np.stack([np.ones_like(x), x - 0.5], axis=1)


def usable_trend(x: FloatArray, model: Model) -> FloatArray:
    """The trend, or its level alone where the slope is expected or all readings lie at nearly one place along the
    sheet.
    """
    return trend_of(x)[:, : 2 if np.ptp(x) > 0.05 and model.slope_free else 1]


def covariance_of(xa: FloatArray, ya: FloatArray, xb: FloatArray, yb: FloatArray, m: Model) -> FloatArray:
    """Covariance in mm2 of the departures at two sets of places (shares of the sheet), gauge noise left out."""
    far = ((xa[:, None] - xb[None, :]) / m.length_mm) ** 2 + ((ya[:, None] - yb[None, :]) / m.width_mm) ** 2
    smooth = m.signal_mm**2 * np.exp(-0.5 * far)
    for sd, a, b in zip(m.shape_mm, _shapes(xa, ya), _shapes(xb, yb), strict=True):
        smooth = smooth + (0.0 if math.isinf(sd) else sd) ** 2 * np.outer(a, b)
    return np.asarray(smooth, dtype=np.float64)


def _shapes(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Tilt and curve along, tilt and bow across, each one at the edge."""
    return 2.0 * (x - 0.5), 4.0 * (x - 0.5) ** 2, 2.0 * (y - 0.5), 4.0 * (y - 0.5) ** 2


def own_variance(x: FloatArray, y: FloatArray, m: Model) -> FloatArray:
    """Variance in mm2 of the departure at each place."""
    parts = [0.0 * x if math.isinf(sd) else sd * shape for sd, shape in zip(m.shape_mm, _shapes(x, y), strict=True)]
    return np.asarray(m.signal_mm**2 + sum(part**2 for part in parts))


def solve(x: FloatArray, y: FloatArray, t: FloatArray, model: Model) -> Solved:
    """The readings `t` (mm) at `x`, `y` (shares of the sheet) solved for a model. Errors: ConvergenceError."""
    covariance = covariance_of(x, y, x, y, model) + model.noise_mm**2 * np.eye(x.size)
    trend = usable_trend(x, model)
    try:
        inverse = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
        trend_inverse = np.asarray(np.linalg.inv(trend.T @ inverse @ trend), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise ConvergenceError("the kriging system of the readings could not be solved") from None
    coefficients = trend_inverse @ trend.T @ inverse @ t
    # Inverse with the trend taken out: its diagonal gives the leave-one-out residuals at once.
    free = inverse - inverse @ trend @ trend_inverse @ trend.T @ inverse
    weights = free @ t
    diagonal = np.maximum(np.diag(free), 1e-9 / model.noise_mm**2)
    logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(trend.T @ inverse @ trend)[1]
    return Solved(
        x,
        y,
        inverse,
        trend,
        trend_inverse,
        coefficients,
        weights,
        weights / diagonal,
        1.0 / np.sqrt(diagonal),
        -0.5 * float(logs + t @ weights),
    )


def predict(s: Solved, model: Model, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Thickness and its standard deviation, mm, at places given as shares of the sheet."""
    across = covariance_of(x, y, s.x, s.y, model)
    trend = trend_of(x)[:, : s.trend.shape[1]]
    mean = trend @ s.coefficients + across @ s.weights
    lacking = trend - across @ s.inverse @ s.trend
    variance = own_variance(x, y, model) - np.einsum("ij,jk,ik->i", across, s.inverse, across)
    variance += np.einsum("ij,jk,ik->i", lacking, s.trend_inverse, lacking)
    return mean, np.sqrt(np.maximum(variance, 0.0))
