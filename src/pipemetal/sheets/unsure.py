"""How far the metal may be from the field that its readings gave: one error for each place, from all rolls of a rack together.

Six readings cannot tell how uneven a sheet is between them; the readings of all rolls of a shop can. So the size and the reach
of waves, and how much sheets bow across, are weighed by the likelihood of all rolls together, and each roll's error follows
from where it was gauged.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from pipemetal.sheets.field import FloatArray, ThicknessField

__all__ = ["FieldError", "Waves", "error_of", "reads_enough", "waves_of"]

WAVES_MM: Final = tuple(0.004 * 1.25**k for k in range(11))
"""Sizes of waves that are weighed (root mean square); the usual one, and how far shops differ (ln): estimates."""
USUAL_WAVES_MM, WAVES_LN_SD = 0.014, 0.7
ALONG_MM: Final = (120.0, 250.0, 500.0, 1000.0)
ACROSS_MM: Final = (100.0, 250.0, 600.0)
"""Reaches of waves along and across that are weighed (estimates)."""
EVEN_TO_MM: Final = 1.2
"""Up to this thickness sheets wave alike; thicker ones wave more in proportion, as their push was uneven (estimate)."""
BOWS_MM: Final = (0.007, 0.015, 0.03)
"""Bows across that are weighed (one standard deviation at the edge, estimates)."""
LEVEL_MM, SLOPE_MM, CURVE_MM, TILT_MM = 1.0, 0.5, 0.05, 0.04
"""What a sheet may do before any reading: level, slope and curve along, tilt across (one standard deviation, estimates)."""
ROUNDED_MM: Final = 0.01 / math.sqrt(12.0)
"""What reading a gauge to a hundredth adds."""
MOST_READINGS: Final = 60
"""More readings of a roll than this are thinned evenly."""
MOST_ROLLS: Final = 40
"""Waves are learned from at most so many rolls, evenly taken."""
FEWEST_READINGS: Final = 4
LEAST_WEIGHT: Final = 1e-3
TRIED: Final = np.array(list(itertools.product(WAVES_MM, ALONG_MM, ACROSS_MM, BOWS_MM)))
_known_logs: WeakKeyDictionary[ThicknessField, FloatArray] = WeakKeyDictionary()
"""What each field says of the settings tried: a rack is looked at again whenever one sheet of it was measured."""
APART: Final = 2
"""Nodes so many apart tell how far an error hangs together."""
LEAST_ALIKE, MOST_ALIKE = 0.05, 0.98
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Waves:
    """How uneven the sheets of a shop are: settings tried (size, reach along and across, bow; mm) and their weights.

    >>> waves_of([]).rms_mm < 0.03
    True
    """

    tried: FloatArray
    weights: FloatArray
    rolls: int = 0

    @property
    def rms_mm(self) -> float:
        """Size of the waves (root mean square)."""
        return math.sqrt(float(self.weights @ self.tried[:, 0] ** 2))

    @property
    def reach_mm(self) -> tuple[float, float]:
        """Reach of the waves along and across (geometric mean)."""
        found = np.exp(self.weights @ np.log(self.tried[:, 1:3]))
        return float(found[0]), float(found[1])


@dataclass(frozen=True, eq=False)
class FieldError:
    """The error of a field: its standard deviation at the field's own nodes (lines, stations), and how far along and across
    it hangs together; all in mm."""

    sd_mm: FloatArray
    reach_mm: tuple[float, float]


def reads_enough(field: ThicknessField) -> bool:
    """Whether a field was gauged at so many places that it tells how uneven sheets are."""
    return len(field.readings) >= FEWEST_READINGS


def waves_of(fields: Sequence[ThicknessField]) -> Waves:
    """How uneven a shop's sheets are, from the readings of all of them; what is usual where there are none.

    Sources: weights by the likelihood of all sheets together: Rasmussen & Williams 2006, Gaussian Processes for Machine
    Learning, section 5.4.1; the sizes tried are estimates.
    """
    tried = TRIED
    logs = -0.5 * (np.log(tried[:, 0] / USUAL_WAVES_MM) / WAVES_LN_SD) ** 2
    gauged = [f for f in fields if reads_enough(f)]
    if len(gauged) > MOST_ROLLS:
        gauged = [gauged[round(k)] for k in np.linspace(0, len(gauged) - 1, MOST_ROLLS)]
    for field in gauged:
        if field not in _known_logs:
            _known_logs[field] = _Solved(field, tried).logs
        logs += _known_logs[field]
    weights = np.exp(logs - logs.max())
    return Waves(tried, weights / weights.sum(), len(gauged))


def error_of(field: ThicknessField, waves: Waves) -> FieldError:
    """The error of a field about the metal; of one that was not gauged, what it says of itself."""
    if not len(field.readings):
        return FieldError(field.standard_error_mm, waves.reach_mm)
    some = waves.weights > LEAST_WEIGHT * waves.weights.max()
    weights = waves.weights[some] / waves.weights[some].sum()
    solved, shape = _Solved(field, waves.tried[some]), field.thickness_mm.shape
    x, y = (a.ravel() for a in np.meshgrid(field.stations_mm, field.lines_mm))
    at = solved.at(x, y)
    square = weights @ (at.variance + (at.mean - field.thickness_mm.ravel()) ** 2)
    sd = np.sqrt(square).reshape(shape)
    reach = list(waves.reach_mm)
    number = np.arange(sd.size).reshape(shape)
    for axis, places in ((0, field.stations_mm), (1, field.lines_mm)):
        apart = min(APART, len(places) - 1)
        if apart > 0:
            pairs = (number[:, :-apart], number[:, apart:]) if axis == 0 else (number[:-apart], number[apart:])
            first, second = (p.ravel() for p in pairs)
            off = (at.mean[:, n] - field.thickness_mm.ravel()[n] for n in (first, second))
            both = weights @ (solved.between(at, first, second) + np.prod(list(off), axis=0))
            alike = float(both.sum() / max((sd.ravel()[first] * sd.ravel()[second]).sum(), 1e-12))
            lag = float(np.mean(places[apart:] - places[:-apart]))
            reach[axis] = lag / math.sqrt(-2.0 * math.log(min(max(alike, LEAST_ALIKE), MOST_ALIKE)))
    return FieldError(sd, (reach[0], reach[1]))


@dataclass(frozen=True, eq=False)
class _At:
    """What readings say of places: mean and variance of the metal, shape (settings, places), and what led to them."""

    x: FloatArray
    y: FloatArray
    mean: FloatArray
    variance: FloatArray
    across: FloatArray
    told: FloatArray


class _Solved:
    """The readings of one sheet under each of the settings tried: likelihood, and what they say of other places."""

    def __init__(self, field: ThicknessField, tried: FloatArray) -> None:
        readings = field.readings
        if len(readings) > MOST_READINGS:
            readings = readings[np.linspace(0, len(readings) - 1, MOST_READINGS).round().astype(int)]
        self.field, self.tried = field, tried
        self.x, self.y = readings[:, 0], readings[:, 1]
        self.level = float(readings[:, 2].mean())
        self.scale = max(1.0, self.level / EVEN_TO_MM)
        noise = field.gauge_sd_mm**2 + ROUNDED_MM**2
        covariance = self._covariance(self.x, self.y, self.x, self.y) + noise * np.eye(len(readings))
        self.inverse = np.linalg.inv(covariance)
        self.t = readings[:, 2] - self.level
        self.weights = self.inverse @ self.t
        self.logs = -0.5 * (np.linalg.slogdet(covariance)[1] + self.weights @ self.t)

    def at(self, x: FloatArray, y: FloatArray) -> _At:
        """What the readings say of places."""
        across = self._covariance(x, y, self.x, self.y)
        mean = self.level + np.einsum("cpn,cn->cp", across, self.weights)
        told = across @ self.inverse
        variance = self._own_variance(x, y) - np.einsum("cpn,cpn->cp", told, across)
        return _At(x, y, mean, np.maximum(variance, 0.0), across, told)

    def between(self, at: _At, first: IntArray, second: IntArray) -> FloatArray:
        """What the errors of two places each have in common (covariance): shape (settings, pairs)."""
        fixed, bowed = self._shapes(at.x, at.y)
        size, along, across, bow = self.tried.T[:, :, None]
        far = ((at.x[first] - at.x[second]) / along) ** 2 + ((at.y[first] - at.y[second]) / across) ** 2
        own = size**2 * np.exp(-0.5 * far) + bow**2 * bowed[first] * bowed[second]
        own = own + (fixed[:, first] * fixed[:, second]).sum(axis=0)
        found: FloatArray = own - np.einsum("cpn,cpn->cp", at.told[:, first], at.across[:, second])
        return found

    def _shapes(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        u, v = 2.0 * x / self.field.length_mm - 1.0, 2.0 * y / self.field.width_mm - 1.0
        fixed = np.stack([LEVEL_MM * np.ones_like(u), SLOPE_MM * u, CURVE_MM * u**2, TILT_MM * v])
        return fixed, v**2

    def _covariance(self, xa: FloatArray, ya: FloatArray, xb: FloatArray, yb: FloatArray) -> FloatArray:
        (fixed_a, bow_a), (fixed_b, bow_b) = self._shapes(xa, ya), self._shapes(xb, yb)
        size, along, across, bow = (c[:, None, None] for c in self.tried.T)
        size = self.scale * size
        far = ((xa[:, None] - xb[None, :]) / along) ** 2 + ((ya[:, None] - yb[None, :]) / across) ** 2
        found: FloatArray = size**2 * np.exp(-0.5 * far) + bow**2 * np.outer(bow_a, bow_b) + fixed_a.T @ fixed_b
        return found

    def _own_variance(self, x: FloatArray, y: FloatArray) -> FloatArray:
        fixed, bow = self._shapes(x, y)
        found: FloatArray = (
            np.square(self.scale * self.tried[:, :1])
            + np.square(self.tried[:, 3:] * bow)
            + np.square(fixed).sum(axis=0)
        )
        return found
