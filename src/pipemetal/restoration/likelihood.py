"""How likely lengths are under a temperament: everything normal, so that pitch, common errors and smooth errors go out exactly.

A pipe sounds what the temperament says, give or take how it was tuned; its length says that with the error of the length rule:
one error common to all, one that grows with the width of the pipe against its length, a smooth one over the compass, and a
scatter of its own. How large the smooth error and the scatter are is not known: a grid of both is weighed. A pipe that still
speaks shares the tuning, not the rule.

Sources: common error 15 cents (three rules of 1860, 1947 and 1971 differ by so much, as `pipes/length_rules.py` shows), end
corrections known within a tenth of the diameter (the same); the smooth errors and scatters that are weighed are common
practice, no source. Gaussian processes: Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), ch. 2 and 5.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.pipes.robust import Floats
from pipemetal.restoration.lengths import Spoken

__all__ = ["GRID", "Evidence", "Hyper", "Readings", "evidence", "left_out_errors", "readings_of"]

COMMON_CENTS: Final = 15.0
BY_DIAMETER_SIGMA: Final = 0.05
ALTERED_CENTS: Final = 300.0
WRONG_CENTS: Final = 120.0
"""How far a pipe may be off that does not belong: a place or two in the rank."""
TUNER_CENTS: Final = 1.5
"""How well a tuner sets a temperament, the same in every octave (common practice, no source)."""
A_STEP: Final = 9
SCATTERS: Final = (1.5, 2.5, 4.0, 6.0, 9.0, 13.0, 19.0, 28.0)
SMOOTH: Final = (
    (1.0, 24.0, 0.2),
    (5.0, 12.0, 0.15),
    (5.0, 30.0, 0.2),
    (11.0, 12.0, 0.15),
    (11.0, 30.0, 0.2),
    (22.0, 24.0, 0.1),
)
"""Size in cents, reach in semitones, and weight of the smooth errors that are weighed."""


@dataclass(frozen=True)
class Hyper:
    """A scatter and a smooth error that are weighed, and the log of their weight."""

    scatter_cents: float
    smooth_cents: float
    reach_semitones: float
    log_weight: float


GRID: Final = tuple(
    Hyper(scatter, size, reach, math.log(weight / len(SCATTERS)))
    for scatter, (size, reach, weight) in itertools.product(SCATTERS, SMOOTH)
)


@dataclass(frozen=True)
class Readings:
    """Lengths first, then what was heard: cents, pipe of each, and the parts of the errors that do not change.

    `fixed` is the covariance of measuring and of the rule's errors; `same` 1 where two readings are of one pipe.
    """

    cents: Floats
    pipe: tuple[int, ...]
    step: Floats
    semitones: Floats
    is_length: Floats
    fixed: Floats
    same: Floats

    def covariance(self, hyper: Hyper, wrong: frozenset[int], free_cents: float) -> Floats:
        """The covariance of all readings; pipes of `wrong` may be far off, and steps by `free_cents` off the temperament."""
        both = np.outer(self.is_length, self.is_length)
        apart = self.semitones[:, None] - self.semitones[None, :]
        smooth = hyper.smooth_cents**2 * np.exp(-0.5 * (apart / hyper.reach_semitones) ** 2)
        half = 0.5 * hyper.scatter_cents**2
        made = self.fixed + both * smooth + half * self.same * (1.0 + both)
        off = np.array([float(p in wrong) for p in self.pipe])
        made = made + WRONG_CENTS**2 * self.same * np.outer(off, off)
        return np.asarray(made + (free_cents**2 + TUNER_CENTS**2) * _steps_apart(self.step), dtype=np.float64)


def _steps_apart(step: Floats) -> Floats:
    """Covariance of departures of the twelve steps, each against that of A."""
    same = (step[:, None] == step[None, :]).astype(np.float64)
    a = (step == A_STEP).astype(np.float64)
    return np.asarray(same - a[:, None] - a[None, :] + 1.0, dtype=np.float64)


def readings_of(spoken: Sequence[Spoken], unmeasured_mouths: float) -> Readings:
    """The readings of pipes as the likelihood wants them; `unmeasured_mouths` is the share of pipes without a measured mouth."""
    by_length = [(i, s) for i, s in enumerate(spoken) if s.cents is not None]
    heard = [(i, s) for i, s in enumerate(spoken) if s.heard_cents is not None]
    both = [*by_length, *heard]
    is_length = np.array([1.0] * len(by_length) + [0.0] * len(heard))
    pipe = tuple(i for i, _ in both)
    wide = np.array([s.by_diameter_cents for _, s in by_length] + [0.0] * len(heard))
    own = np.array([s.sigma_cents for _, s in by_length] + [s.heard_sigma_cents for _, s in heard])
    altered = np.array([ALTERED_CENTS * s.altered for _, s in both])
    same = (np.array(pipe)[:, None] == np.array(pipe)[None, :]).astype(np.float64)
    by_diameter = BY_DIAMETER_SIGMA * (1.0 + 2.0 * unmeasured_mouths)
    fixed = np.diag(own**2) + COMMON_CENTS**2 * np.outer(is_length, is_length)
    fixed = fixed + by_diameter**2 * np.outer(wide, wide) + same * np.outer(altered, altered)
    return Readings(
        np.array([s.cents for _, s in by_length] + [s.heard_cents for _, s in heard], dtype=np.float64),
        pipe,
        np.array([float(s.key % 12) for _, s in both]),
        np.array([s.semitones for _, s in both]),
        is_length,
        fixed,
        same,
    )


@dataclass(frozen=True)
class Evidence:
    """For each temperament (a column of expected cents): log evidence, and mean and standard error of the pitch of a1."""

    log: Floats
    a_cents: Floats
    a_sigma: float


_CUMULATIVE = np.vectorize(math.erf, otypes=[np.float64])


def evidence(readings: Readings, expected: Floats, covariance: Floats, a_range: tuple[float, float]) -> Evidence:
    """The evidence of temperaments under a covariance, with the pitch of a1 anywhere in a range of cents, taken out.

    `expected` has a row for each reading and a column for each temperament.
    """
    factor = np.linalg.cholesky(covariance)
    whole = np.concatenate([np.ones((len(readings.cents), 1)), readings.cents[:, None] - expected], axis=1)
    solved = np.linalg.solve(factor, whole)
    one, left = solved[:, 0], solved[:, 1:]
    weight = float(one @ one)
    mean = (one @ left) / weight
    squares = np.einsum("ij,ij->j", left, left) - weight * mean**2
    sigma = 1.0 / math.sqrt(weight)
    low, high = (np.array(a_range)[:, None] - mean[None, :]) / (sigma * math.sqrt(2.0))
    inside = np.maximum(0.5 * (_CUMULATIVE(high) - _CUMULATIVE(low)), 1e-300)
    count = len(readings.cents)
    log = -0.5 * squares - float(np.sum(np.log(np.diag(factor)))) - 0.5 * (count - 1) * math.log(2.0 * math.pi)
    log = log + math.log(sigma) + np.log(inside) - math.log(a_range[1] - a_range[0])
    return Evidence(np.asarray(log, dtype=np.float64), np.asarray(mean, dtype=np.float64), sigma)


def left_out_errors(readings: Readings, expected: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """How far each reading is from what all the others say of it, and the standard error of that."""
    inverse = np.linalg.inv(covariance)
    one = inverse.sum(axis=0)
    projected = inverse - np.outer(one, one) / one.sum()
    weight = np.maximum(np.diag(projected), 1e-12)
    return (projected @ (readings.cents - expected)) / weight, 1.0 / np.sqrt(weight)
