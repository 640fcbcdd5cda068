"""Small statistics for measured pipes: Student's t, lines that outliers do not bend, and least squares with its covariance.

Sources: Theil 1950 and Sen 1968 (median of pairwise slopes); Student's t from its density; 1.4826 makes the median
absolute deviation of normal errors their standard deviation (text-book values).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Flags", "LinearFit", "least_squares", "local_residuals", "mad_scale", "student_t"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
NEIGHBOURS = 8
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


@functools.cache
def student_t(probability: float, degrees: int) -> float:
    """The two-sided limit of Student's t: +-t holds `probability` of it.

    >>> round(student_t(0.95, 10), 3), round(student_t(0.95, 18), 3)
    (2.228, 2.101)
    """
    log_scale = math.lgamma((degrees + 1) / 2) - math.lgamma(degrees / 2) - 0.5 * math.log(degrees * math.pi)

    def held(t: float) -> float:
        # the substitution x = sqrt(v) tan(a) turns the density into a power of a cosine on a short range
        top = math.atan(t / math.sqrt(degrees))
        angles = 0.5 * top * (_NODES + 1.0)
        total = float(np.sum(_WEIGHTS * np.cos(angles) ** (degrees - 1))) * 0.5 * top
        return 2.0 * math.exp(log_scale) * math.sqrt(degrees) * total

    low, high = 0.0, 1.0
    while held(high) < probability and high < 1e6:
        high *= 2.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if held(middle) < probability else (low, middle)
    return 0.5 * (low + high)


def mad_scale(values: Floats) -> float:
    """Standard deviation as the median absolute value tells it, blind to outliers."""
    return 1.4826 * float(np.median(np.abs(values))) if values.size else 0.0


def _median_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and height at x = 0 of a line by medians of pairwise slopes."""
    i, j = np.triu_indices(x.size, 1)
    apart = np.abs(x[j] - x[i]) > 1e-9
    if not apart.any():
        return 0.0, float(np.median(y))
    slope = float(np.median((y[j] - y[i])[apart] / (x[j] - x[i])[apart]))
    return slope, float(np.median(y - slope * x))


def local_residuals(x: Floats, y: Floats) -> Floats:
    """How far every value lies from the line through its nearest neighbours, itself left out.

    >>> x = np.arange(12.0)
    >>> y = 2.0 * x
    >>> y[5] += 3.0
    >>> [int(k) for k in np.flatnonzero(np.abs(local_residuals(x, y)) > 1.0)]
    [5]
    """
    residuals = np.zeros_like(y)
    for index in range(x.size):
        order = np.argsort(np.abs(x - x[index]), kind="stable")
        near = order[order != index][:NEIGHBOURS]
        _, height = _median_line(x[near] - x[index], y[near])
        residuals[index] = y[index] - height
    return residuals


@dataclass(frozen=True)
class LinearFit:
    """Weighted least squares: parameters, their covariance over the variance of a value of weight 1, and the squares left."""

    parameters: Floats
    unscaled: Floats
    squares: float


def least_squares(design: Floats, y: Floats, weights: Floats) -> LinearFit:
    """Parameters that make the weighted squares least.

    Errors: numpy.linalg.LinAlgError where the columns of the design depend on each other.
    """
    weighted = design * weights[:, None]
    normal = weighted.T @ design
    unscaled: Any = np.linalg.inv(normal)
    parameters = unscaled @ (weighted.T @ y)
    left = y - design @ parameters
    return LinearFit(parameters, unscaled, float(np.sum(weights * left**2)))
