"""How far the metal may be from the field that its readings gave: one error for each place, from all rolls of a rack together.

Six readings cannot tell how uneven a sheet is between them; the readings of all rolls of a shop can. So the size and the reach
of waves, of ripples straight across and of waves shorter than any gauge follows are weighed by the likelihood of all rolls
together, and each roll's error follows from where it was gauged. What the readings leave open stays open: every setting that
they allow takes part by its weight.
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

__all__ = ["REACHES_MM", "FieldError", "Waves", "error_of", "reads_enough", "waves_of"]

STRAIGHT_MM: Final = 1e4
"""Reach across of what runs straight across a sheet."""
WAVE_REACHES_MM: Final = ((60.0, 60.0), (150.0, 150.0), (350.0, 250.0), (1000.0, 600.0))
RIPPLE_REACHES_MM: Final = ((50.0, STRAIGHT_MM), (150.0, STRAIGHT_MM))
SHORT_REACHES_MM: Final = ((35.0, 35.0),)
"""Reaches along and across that are weighed (estimates): waves every way, ripples of an uneven push, and waves that hardly any
readings follow."""
REACHES_MM: Final = np.array([*WAVE_REACHES_MM, *RIPPLE_REACHES_MM, *SHORT_REACHES_MM])
WAVES_MM, RIPPLES_MM, SHORT_MM = (0.002, 0.006, 0.013, 0.028, 0.07), (0.001, 0.008, 0.016, 0.035), (0.001, 0.008, 0.02)
"""Sizes that are weighed (root mean square, estimates); the least stands for none."""
USUAL_WAVES, USUAL_RIPPLES, USUAL_SHORT = (0.007, 1.2), (0.003, 1.3), (0.0007, 1.3)
"""The usual size, mm, and how far shops differ (ln): estimates."""
EVEN_TO_MM: Final = 1.2
"""Up to this thickness sheets are alike uneven; thicker ones are in proportion, as their push was uneven (estimate)."""
LEVEL_MM, SLOPE_MM, CURVE_MM, TILT_MM, BOW_MM = 1.0, 0.5, 0.035, 0.04, 0.015
"""What a sheet may do before any reading (one standard deviation, estimates): level, slope and curve along, tilt and bow
across."""
ROUNDED_MM: Final = 0.01 / math.sqrt(12.0)
"""What reading a gauge to a hundredth adds."""
MISREAD: Final = 0.01
MISREAD_PER_MM: Final = 1.0
"""So many readings are misread by less than a fit can name, anywhere within half a millimetre either way (estimates): one
misread sheet must not make a whole rack uneven."""
LEAST_LOG: Final = -300.0
RIGHT_AFTER_ALL: Final = 0.3
MAY_BE_MM: Final = 0.2
LOCAL_MM: Final = 200.0
"""A reading left out that is off by no more than this may be right, as in a thick corner: with this chance, and so far about
it (estimates). The place stays unsure until it is gauged again."""
MOST_READINGS: Final = 60
"""More readings of a roll than this are thinned evenly."""
MOST_ROLLS: Final = 40
"""Waves are learned from at most so many rolls, evenly taken."""
FEWEST_READINGS: Final = 4
LEAST_WEIGHT: Final = 1e-3
ROUNDS: Final = 30
AS_USUAL: Final = 1.0
"""What is usual counts as much as so many sheets of the shop (estimate)."""
_known_logs: WeakKeyDictionary[ThicknessField, FloatArray] = WeakKeyDictionary()
"""What each field says of the settings tried: a rack is looked at again whenever one sheet of it was measured."""
APART: Final = 2
"""Nodes so many apart tell how far an error hangs together."""
LEAST_ALIKE, MOST_ALIKE = 0.05, 0.98
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Waves:
    """How uneven the sheets of a shop are: settings tried (the size of the waves of each of `REACHES_MM`, mm) and their weights.

    >>> waves_of([]).rms_mm < 0.03
    True
    """

    tried: FloatArray
    weights: FloatArray
    rolls: int = 0

    @property
    def rms_mm(self) -> float:
        """Size of the waves (root mean square)."""
        return math.sqrt(float((self.weights @ self.tried**2).sum()))

    @property
    def reach_mm(self) -> tuple[float, float]:
        """Reach of the waves along and across (geometric mean by variance)."""
        square = self.weights @ self.tried**2
        found = np.exp(square @ np.log(REACHES_MM) / square.sum())
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


def _settings() -> tuple[FloatArray, FloatArray]:
    """The settings that are tried, shape (settings, reaches), and the logarithm of what each weighs before any reading."""
    kinds = ((WAVE_REACHES_MM, WAVES_MM, USUAL_WAVES), (RIPPLE_REACHES_MM, RIPPLES_MM, USUAL_RIPPLES))
    choices, first = list[list[tuple[int, float, float]]](), 0
    for reaches, sizes, (usual, spread) in (*kinds, (SHORT_REACHES_MM, SHORT_MM, USUAL_SHORT)):
        choices.append(
            [
                (first + k, size, -0.5 * (math.log(size / usual) / spread) ** 2 - math.log(len(reaches)))
                for k in range(len(reaches))
                for size in sizes
            ]
        )
        first += len(reaches)
    some = list(itertools.product(*choices))
    tried = np.zeros((len(some), first))
    for row, setting in zip(tried, some, strict=True):
        for column, size, _ in setting:
            row[column] = size
    return tried, np.array([sum(log for _, _, log in setting) for setting in some])


TRIED, BEFORE = _settings()


def waves_of(fields: Sequence[ThicknessField]) -> Waves:
    """How uneven a shop's sheets are, from the readings of all of them; what is usual where there are none.

    Sources: weights by the likelihood of all sheets together, and what the others say of one reading: Rasmussen & Williams 2006,
    Gaussian Processes for Machine Learning, sections 5.4.1 and 5.4.2; the sizes tried are estimates.
    """
    gauged = [f for f in fields if reads_enough(f)]
    if len(gauged) > MOST_ROLLS:
        gauged = [gauged[round(k)] for k in np.linspace(0, len(gauged) - 1, MOST_ROLLS)]
    for field in gauged:
        if field not in _known_logs:
            _known_logs[field] = _Solved(field, TRIED).logs
    before = np.exp(BEFORE - BEFORE.max())
    before /= before.sum()
    weights = before
    if gauged:
        logs = np.array([_known_logs[field] for field in gauged])
        likely = np.exp(logs - logs.max(axis=1, keepdims=True))
        for _ in range(ROUNDS):
            own = weights * likely
            weights = AS_USUAL * before + (own / own.sum(axis=1, keepdims=True)).sum(axis=0)
            weights /= weights.sum()
    return Waves(TRIED, weights, len(gauged))


def error_of(field: ThicknessField, waves: Waves) -> FieldError:
    """The error of a field about the metal; of one that was not gauged, what it says of itself."""
    if not len(field.readings):
        return FieldError(field.standard_error_mm, waves.reach_mm)
    some = waves.weights > LEAST_WEIGHT * waves.weights.max()
    solved, shape = _Solved(field, waves.tried[some]), field.thickness_mm.shape
    # what the shop's sheets are like, and what this one's own readings say of it
    weights = waves.weights[some] * np.exp(solved.logs - solved.logs.max())
    weights /= weights.sum()
    x, y = (a.ravel() for a in np.meshgrid(field.stations_mm, field.lines_mm))
    at = solved.at(x, y)
    square = weights @ (at.variance + (at.mean - field.thickness_mm.ravel()) ** 2) + _doubted(field, x, y)
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


def _doubted(field: ThicknessField, x: FloatArray, y: FloatArray) -> FloatArray:
    """What readings that were left out, and may be right after all, add at places about them (variance)."""
    found = np.zeros(len(x))
    for left in field.left_out:
        read = left.reading
        off = read.thickness_mm - float(field.at(read.x_mm, read.y_mm))
        if abs(off) <= MAY_BE_MM:
            far = ((x - read.x_mm) ** 2 + (y - read.y_mm) ** 2) / LOCAL_MM**2
            found += RIGHT_AFTER_ALL * off**2 * np.exp(-far)
    return found


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
        self.field = field
        self.x, self.y = readings[:, 0], readings[:, 1]
        self.level = float(readings[:, 2].mean())
        self.scale = max(1.0, self.level / EVEN_TO_MM)
        self.squares = np.square(self.scale * tried)
        noise = field.gauge_sd_mm**2 + ROUNDED_MM**2
        covariance = self._covariance(self.x, self.y, self.x, self.y) + noise * np.eye(len(readings))
        self.inverse = np.linalg.inv(covariance)
        self.t = readings[:, 2] - self.level
        self.weights = self.inverse @ self.t
        self.logs = -0.5 * (np.linalg.slogdet(covariance)[1] + self.weights @ self.t) + self._if_one_is_misread()

    def _if_one_is_misread(self) -> FloatArray:
        """What each setting gains where one reading may be misread by so little that no fit named it."""
        own = np.diagonal(self.inverse, axis1=1, axis2=2)
        # by leave-one-out: the readings without one of them are as likely as all over this one's chance among the others
        one = 0.5 * (np.log(own / (2.0 * np.pi)) - np.square(self.weights) / own)
        found: FloatArray = np.log1p((MISREAD * MISREAD_PER_MM * np.exp(-np.maximum(one, LEAST_LOG))).sum(axis=1))
        return found

    def at(self, x: FloatArray, y: FloatArray) -> _At:
        """What the readings say of places."""
        across = self._covariance(x, y, self.x, self.y)
        mean = self.level + np.einsum("cpn,cn->cp", across, self.weights)
        told = across @ self.inverse
        variance = self._own_variance(x, y) - np.einsum("cpn,cpn->cp", told, across)
        return _At(x, y, mean, np.maximum(variance, 0.0), across, told)

    def between(self, at: _At, first: IntArray, second: IntArray) -> FloatArray:
        """What the errors of two places each have in common (covariance): shape (settings, pairs)."""
        fixed = self._shapes(at.x, at.y)
        alike = _alike(at.x[first] - at.x[second], at.y[first] - at.y[second])
        own = self.squares @ alike + (fixed[:, first] * fixed[:, second]).sum(axis=0)
        found: FloatArray = own - np.einsum("cpn,cpn->cp", at.told[:, first], at.across[:, second])
        return found

    def _shapes(self, x: FloatArray, y: FloatArray) -> FloatArray:
        u, v = 2.0 * x / self.field.length_mm - 1.0, 2.0 * y / self.field.width_mm - 1.0
        grown = np.stack([CURVE_MM * u**2, TILT_MM * v, BOW_MM * v**2]) * self.scale
        return np.concatenate([[LEVEL_MM * np.ones_like(u), SLOPE_MM * u], grown])

    def _covariance(self, xa: FloatArray, ya: FloatArray, xb: FloatArray, yb: FloatArray) -> FloatArray:
        alike = _alike(xa[:, None] - xb[None, :], ya[:, None] - yb[None, :])
        found: FloatArray = np.tensordot(self.squares, alike, 1) + self._shapes(xa, ya).T @ self._shapes(xb, yb)
        return found

    def _own_variance(self, x: FloatArray, y: FloatArray) -> FloatArray:
        found: FloatArray = self.squares.sum(axis=1)[:, None] + np.square(self._shapes(x, y)).sum(axis=0)
        return found


def _alike(dx_mm: FloatArray, dy_mm: FloatArray) -> FloatArray:
    """How far waves of each reach are alike at places so far apart: shape (reaches, ...)."""
    along, across = (r.reshape(-1, *[1] * dx_mm.ndim) for r in REACHES_MM.T)
    found: FloatArray = np.exp(-0.5 * ((dx_mm / along) ** 2 + (dy_mm / across) ** 2))
    return found
