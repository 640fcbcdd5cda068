"""The linear model behind the fit of a log: all casts side by side, small blocks cast by cast, scatters on a grid."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipemetal.casting.log import ReducedCast
from pipemetal.casting.model import GRAVITY_M_S2, Array, Coefficients
from pipemetal.errors import ConvergenceError

__all__ = ["Fit", "Linear", "Stack", "fitted"]

# Spread of the logarithms of the scatters, from cast to cast and from place to place, about their prior values.
_SCATTER_SDS = (0.3, 0.5)
_ROUNDS, _FULL_STEPS = 60, 8
# Where the linearised model still means something: ln Cd, gate zero in mm, drag ratio, superheat effect.
_LEAST, _MOST = np.array([-1.4, -1.5, -0.2, -0.5]), np.array([0.15, 1.5, 0.5, 0.5])
_GRID = np.linspace(-1.4, 1.4, 9)
_NEAR = np.linspace(-2.4, 2.4, 5)
# A place or a cast further off than this many standard deviations is a misreading, not scatter.
_PLACE_SIGMAS = 4.0
_CAST_SIGMAS = 3.5
# One cast in twenty is misread whole; a misread gate moves ln thickness by about this much (estimates).
_MISREAD_SHARE, _MISREAD_SD = 0.05, 0.3
# How many casts are weighed as misread at a time, and up to which length of log it takes them to be weighed.
_SUSPECTS, _WEIGHED_LOG = 3, 120


class Stack:
    """All casts side by side, padded to the same number of stations; padded places carry no weight."""

    def __init__(self, casts: Sequence[ReducedCast], mask: Sequence[Array]) -> None:
        n = max((len(c.x_m) for c in casts), default=1)
        self.used = np.zeros((len(casts), n), dtype=bool)
        self.film, self.head, self.speed = (np.ones((len(casts), n)) for _ in range(3))
        self.film_sd = np.zeros((len(casts), n))
        self.slopes = np.zeros((len(casts), n, 3))
        for i, cast in enumerate(casts):
            m = len(cast.x_m)
            self.used[i, :m] = mask[i]
            self.film[i, :m], self.head[i, :m], self.speed[i, :m] = cast.film_m, cast.head_m, cast.speed_m_s
            self.film_sd[i, :m] = cast.film_sd
            self.slopes[i, :m] = cast.speed_slopes
        self.timing = np.array([c.speed_covariance for c in casts]).reshape(len(casts), 3, 3)
        self.gate = np.array([c.gate_m for c in casts])[:, None]
        self.capillary = np.array([c.capillary_m for c in casts])[:, None]
        self.superheat = (np.array([c.superheat_k for c in casts])[:, None] - 20.0) / 20.0

    def linearised(self, theta: Array, timing_guess: Array) -> tuple[Array, Array, Array]:
        """Residuals of ln film, gradients by the coefficients (C, n, 4) and by the timing unknowns (C, n, 3)."""
        discharge = math.exp(theta[0])
        beta = theta[2] * discharge
        speed = self.speed * np.exp(np.einsum("cnk,ck->cn", self.slopes, timing_guess))
        opening = self.gate + 1e-3 * theta[1]
        scaled = discharge * np.exp(theta[3] * self.superheat)
        effective = np.maximum(self.head - scaled * opening - self.capillary * self.gate / opening, 1e-4)
        jet = np.sqrt(2.0 * GRAVITY_M_S2 * effective)
        through = scaled * jet + beta * speed
        residual = np.log(self.film) - (np.log(opening) + np.log(through) - np.log(speed))
        by_head = -0.5 * scaled * opening / effective * scaled * jet / through
        own = scaled * jet / through
        rows = np.stack(
            [
                1.0 + by_head,
                1e-3 / opening * (1.0 + by_head),
                discharge * speed / through,
                (own + by_head) * self.superheat * np.ones_like(speed),
            ],
            axis=-1,
        )
        by_timing = (beta * speed / through - 1.0)[:, :, None] * self.slopes
        zero = ~self.used
        residual[zero], rows[zero], by_timing[zero] = 0.0, 0.0, 0.0
        return residual, rows, by_timing


@dataclass(frozen=True)
class Fit:
    """Coefficients with covariance, both scatters (means over their posterior), effects and residuals."""

    theta: Array
    covariance: Array
    cast_sd: float
    place_sd: float
    rows: Array
    used: Array
    effects: Array
    effect_sds: Array
    place_sigmas: Array
    linear: Linear
    centre: tuple[float, float]

    def misreadings(self) -> tuple[list[tuple[int, float]], list[tuple[int, int, float]]]:
        """Casts and places that are too far off to be scatter, only the worst tenth at a time."""
        place = np.abs(self.place_sigmas)
        worst = max(_PLACE_SIGMAS, 0.6 * float(place.max(initial=0.0)))
        places = [(int(i), int(k), float(self.place_sigmas[i, k])) for i, k in np.argwhere(place > worst)]
        return (self._misread_casts() if len(self.effects) >= 4 else []), places

    def _misread_casts(self) -> list[tuple[int, float]]:
        z = self.effects / self.effect_sds
        if len(z) >= 6:
            # One misread gate widens the fitted scatter and hides itself in it; the middle half of the casts does not care.
            usual = 1.4826 * float(np.median(np.abs(self.effects - np.median(self.effects))))
            z = self.effects / np.minimum(self.effect_sds, max(1.2 * usual, 0.015))
        limit = max(_CAST_SIGMAS, 0.7 * float(np.abs(z).max(initial=0.0)))
        casts = [(int(i), float(z[i])) for i in np.flatnonzero(np.abs(z) > limit)]
        if casts or len(z) > _WEIGHED_LOG:
            return casts
        # With few casts it also bends the coefficients; then weigh the whole fit with and without it.
        suspects = np.argsort(-np.abs(self.effects))[:_SUSPECTS]
        odds = [self.linear.misread_odds(int(i), self.centre, self.place_sd) for i in suspects]
        worst = int(np.argmax(odds))
        return [(int(suspects[worst]), float(z[suspects[worst]]))] if odds[worst] > 0.0 else []


def fitted(casts: Sequence[ReducedCast], mask: Sequence[Array], prior: Coefficients) -> Fit:
    """Gauss-Newton on coefficients and timing, with both scatters from a grid about their prior values."""
    stack = Stack(casts, mask)
    theta = np.array(prior.mean)
    guess = np.zeros((len(casts), 3))
    prior_precision = np.linalg.inv(np.array(prior.covariance) + 1e-12 * np.eye(4))
    cast_sd, place_sd = max(prior.cast_scatter, 1e-3), max(prior.station_scatter, 1e-3)
    centre = (math.log(cast_sd), math.log(place_sd))
    for count in range(_ROUNDS):
        residual, rows, by_timing = stack.linearised(theta, guess)
        target = residual + rows @ theta + np.einsum("cnk,ck->cn", by_timing, guess)
        problem = Linear(stack, rows, by_timing, target, prior_precision, np.array(prior.mean))
        if count in (0, 2, 5) and len(casts):
            cast_sd, place_sd = problem.scatters(centre)
        solved = problem.solved(cast_sd, place_sd)
        moved = float(np.abs(solved.theta - theta).max())
        # Log and model may overshoot each other in turn; half steps end that.
        share = 1.0 if count < _FULL_STEPS else 0.5
        theta = np.clip(theta + share * (solved.theta - theta), _LEAST, _MOST)
        rest = target - rows @ theta
        guess += share * (np.einsum("cij,cnj,cnm,cm->ci", stack.timing, by_timing, solved.inverses, rest) - guess)
        if moved < 1e-5 and count > 5:
            break
    if not np.all(np.isfinite(theta)) or moved > 1e-2:
        raise ConvergenceError("the fit of the logged casts did not settle")
    # Cast effects and what is left at each place, given everything else.
    ones = stack.used.astype(float)
    weighted = np.einsum("cnm,cm->cn", solved.inverses, rest)
    effects = cast_sd**2 * np.einsum("cn,cn->c", ones, weighted)
    sds = cast_sd * np.sqrt(np.maximum(cast_sd**2 * np.einsum("cn,cnm,cm->c", ones, solved.inverses, ones), 1e-9))
    own = place_sd**2 + stack.film_sd**2
    spread = np.sqrt(own * np.maximum(own * np.einsum("cnn->cn", solved.inverses), 1e-9))
    sigmas = np.where(stack.used, own * weighted / np.maximum(spread, 1e-9), 0.0)
    return Fit(theta, solved.covariance, cast_sd, place_sd, rows, stack.used, effects, sds, sigmas, problem, centre)


@dataclass(frozen=True)
class _Solved:
    theta: Array
    covariance: Array
    inverses: Array
    log_evidence: float


def _peak(at: Callable[[float, float], float]) -> tuple[float, float]:
    """Where a smooth function of two numbers is greatest: a step along each in turn, halved when neither climbs."""
    a = b = 0.0
    step = 0.4
    while step > 0.02:
        best = max((at(a + u, b + v), a + u, b + v) for u, v in ((0, 0), (step, 0), (-step, 0), (0, step), (0, -step)))
        if (best[1], best[2]) == (a, b) or max(abs(best[1]), abs(best[2])) > 2.0:
            step *= 0.5
        else:
            a, b = best[1], best[2]
    return a, b


class Linear:
    """The linear model of one round; solved for given scatters in closed form, one small block per cast."""

    def __init__(
        self, stack: Stack, rows: Array, by_timing: Array, target: Array, precision: Array, mean: Array
    ) -> None:
        self.stack, self.rows, self.target = stack, rows, target
        self.precision, self.mean = precision, mean
        self.timing = np.einsum("cni,cij,cmj->cnm", by_timing, stack.timing, by_timing)
        self.pairs = (stack.used[:, :, None] & stack.used[:, None, :]).astype(float)

    def solved(self, cast_sd: float | Array, place_sd: float) -> _Solved:
        """The coefficients for given scatters; the one from cast to cast may be given cast by cast."""
        n = self.rows.shape[1]
        own = np.where(self.stack.used, place_sd**2 + self.stack.film_sd**2, 1.0)
        blocks = self.timing + np.reshape(np.square(cast_sd), (-1, 1, 1)) * self.pairs + own[:, :, None] * np.eye(n)
        inverses = np.linalg.inv(blocks)
        weighted = np.einsum("cnm,cmi->cni", inverses, self.rows)
        matrix = self.precision + np.einsum("cni,cnj->ij", self.rows, weighted)
        right = self.precision @ self.mean + np.einsum("cni,cn->i", weighted, self.target)
        covariance = np.linalg.inv(matrix)
        theta = covariance @ right
        rest = self.target - self.rows @ theta
        misfit = float(np.einsum("cn,cnm,cm->", rest, inverses, rest))
        away = theta - self.mean
        misfit += float(away @ self.precision @ away)
        evidence = -0.5 * (misfit + float(np.linalg.slogdet(blocks)[1].sum()) + float(np.linalg.slogdet(matrix)[1]))
        return _Solved(theta, covariance, inverses, evidence)

    def scatters(self, centre: tuple[float, float]) -> tuple[float, float]:
        """Both scatters: their means over the posterior; the log-normal prior keeps few casts sober.

        The grid lies about the posterior's peak and as wide as that is, for many casts know their scatter to a hundredth.
        """
        weighed: dict[tuple[float, float], float] = {}

        def at(a: float, b: float) -> float:
            if (a, b) not in weighed:
                evidence = self.solved(math.exp(centre[0] + a), math.exp(centre[1] + b)).log_evidence
                weighed[a, b] = evidence - 0.5 * ((a / _SCATTER_SDS[0]) ** 2 + (b / _SCATTER_SDS[1]) ** 2)
            return weighed[a, b]

        a, b = _peak(at)
        step = 0.05
        widths = [
            1.0 / math.sqrt(max((2.0 * at(a, b) - at(a - u, b - v) - at(a + u, b + v)) / step**2, 1.0))
            for u, v in ((step, 0.0), (0.0, step))
        ]
        found = np.array(
            [
                (at(a + widths[0] * u, b + widths[1] * v), a + widths[0] * u, b + widths[1] * v)
                for u in _NEAR
                for v in _NEAR
            ]
        )
        weights = np.exp(found[:, 0] - found[:, 0].max())
        weights /= weights.sum()
        cast_sd, place_sd = (float(weights @ np.exp(centre[k] + found[:, 1 + k])) for k in (0, 1))
        return cast_sd, place_sd

    def misread_odds(self, index: int, centre: tuple[float, float], place_sd: float) -> float:
        """Logarithm of the odds that one cast was misread, the scatter from cast to cast integrated.

        Sources: marginal likelihood of a contaminated normal (Box & Tiao, Biometrika 55 (1968) 119; from memory).
        """
        totals = []
        for broad in (_MISREAD_SD, 0.0):
            values = []
            for a in _GRID:
                sds = np.full(len(self.target), math.exp(centre[0] + a))
                sds[index] = math.hypot(sds[index], broad)
                values.append(self.solved(sds, place_sd).log_evidence - 0.5 * (a / _SCATTER_SDS[0]) ** 2)
            totals.append(float(np.logaddexp.reduce(values)))
        return totals[0] - totals[1] + math.log(_MISREAD_SHARE / (1.0 - _MISREAD_SHARE))
