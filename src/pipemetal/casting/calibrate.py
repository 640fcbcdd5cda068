"""The shop's own coefficients of the gate from its logged casts, honest about how sure they are.

Thickness is linear in logarithms near the present coefficients:
    ln t = ln(g + dg) + ln(Cd v + beta U) - ln U + c_s (S - 20)/20 + a(cast) + e(place)
with Gaussian priors on the four coefficients and scatter from cast to cast and from place to place. Timing errors enter as three
unknowns per cast, so that they do not pass for drag (errors in variables).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipemetal.casting.log import LoggedCast, ReducedCast, reduced
from pipemetal.casting.model import GRAVITY_M_S2, TWO_SIDED_95, Array, Coefficients
from pipemetal.casting.next_cast import log_next
from pipemetal.errors import CastingError, ConvergenceError

__all__ = ["Calibration", "CastEffect", "LeftOut", "calibrate"]

# Spread of the logarithms of the scatters, from cast to cast and from place to place, about their prior values.
_SCATTER_SDS = (0.3, 0.5)
_ROUNDS, _FULL_STEPS = 60, 8
# Where the linearised model still means something: ln Cd, gate zero in mm, drag ratio, superheat effect.
_LEAST, _MOST = np.array([-1.4, -1.5, -0.2, -0.5]), np.array([0.15, 1.5, 0.5, 0.5])
_GRID = np.linspace(-1.4, 1.4, 9)
# A place or a cast further off than this many standard deviations is a misreading, not scatter.
_PLACE_SIGMAS = 4.0
_CAST_SIGMAS = 3.5


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A cast, or one reading of it, that the fit did not use, and why."""

    id: str
    reason: str


@dataclass(frozen=True, slots=True)
class CastEffect:
    """How one cast came out against the fit: percent thicker than expected, beyond what gate, head and speed explain.

    ``thicker_percent`` is drawn towards none; ``offset`` is not: ln thickness as measured against the fit, with the standard
    deviation that cast scatter and timing give it.
    """

    id: str
    thicker_percent: float
    sigmas: float
    offset: float = 0.0
    offset_sd: float = 1.0


@dataclass(frozen=True)
class Calibration:
    """The fit: coefficients for the next push, what was used and left out, and how sure a new sheet is.

    ``predictive_half_width_percent`` is the 95 % half-width of the thickness at one place of a new cast within the log.
    """

    coefficients: Coefficients
    casts_used: int
    casts_left_out: tuple[LeftOut, ...]
    readings_left_out: tuple[LeftOut, ...]
    predictive_half_width_percent: float
    cast_effects: tuple[CastEffect, ...]
    log_next: str
    words: str = field(default="")


def calibrate(casts: Sequence[LoggedCast], prior: Coefficients | None = None) -> Calibration:
    """Fit the shop's coefficients to its log; without a usable cast the prior comes back.

    Arguments:
        casts: as logged; partial ones are welcome, unusable ones come back with the reason.
        prior: what is believed before; :meth:`Coefficients.prior` if not given.
    Raises:
        CastingError: two casts of one id. ConvergenceError: the fit did not settle.
    Sources: Bayesian linear model with block inverse per cast; priors see :class:`Coefficients`.

    >>> calibrate([]).coefficients.casts_used, round(calibrate([]).predictive_half_width_percent)
    (0, 38)
    """
    prior = prior or Coefficients.prior()
    if len({cast.id for cast in casts}) < len(casts):
        raise CastingError("is used by two casts", field="id", value=[cast.id for cast in casts][:8])
    left_out: list[LeftOut] = []
    usable: list[ReducedCast] = []
    for cast in casts:
        found = reduced(cast)
        if isinstance(found, str):
            left_out.append(LeftOut(cast.id, found))
        else:
            usable.append(found)
    readings: list[LeftOut] = []
    mask = [np.ones(len(c.x_m), dtype=bool) for c in usable]
    fit = _fitted(usable, mask, prior)
    for _ in range(6):
        bad_casts, bad_places = fit.misreadings() if usable else ([], [])
        if not bad_casts and not bad_places:
            break
        for i, k, z in bad_places:
            mask[i][k] = False
            readings.append(LeftOut(usable[i].id, f"thickness at {usable[i].x_m[k]:.2f} m is {z:+.1f} sigma off"))
        # A cast with hardly a reading left is left out whole.
        gone = {i: f"came out {z:+.1f} sigma off: gate, charge or times misread?" for i, z in bad_casts}
        gone |= {i: "most of its readings disagree" for i, m in enumerate(mask) if m.sum() < 2 and i not in gone}
        left_out += [LeftOut(usable[i].id, reason) for i, reason in gone.items()]
        usable = [c for i, c in enumerate(usable) if i not in gone]
        mask = [m for i, m in enumerate(mask) if i not in gone]
        fit = _fitted(usable, mask, prior)
    return _calibration(fit, usable, prior, left_out, readings)


class _Stack:
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
        rows = np.stack([
            1.0 + by_head,
            1e-3 / opening * (1.0 + by_head),
            discharge * speed / through,
            (own + by_head) * self.superheat * np.ones_like(speed),
        ], axis=-1)  # fmt: skip
        by_timing = (beta * speed / through - 1.0)[:, :, None] * self.slopes
        zero = ~self.used
        residual[zero], rows[zero], by_timing[zero] = 0.0, 0.0, 0.0
        return residual, rows, by_timing


@dataclass(frozen=True)
class _Fit:
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

    def misreadings(self) -> tuple[list[tuple[int, float]], list[tuple[int, int, float]]]:
        """Casts and places that are too far off to be scatter, only the worst tenth at a time."""
        place = np.abs(self.place_sigmas)
        worst = max(_PLACE_SIGMAS, 0.6 * float(place.max(initial=0.0)))
        places = [(int(i), int(k), float(self.place_sigmas[i, k])) for i, k in np.argwhere(place > worst)]
        z = self.effects / self.effect_sds
        if len(z) >= 6:
            # One misread gate widens the fitted scatter and hides itself in it; the middle half of the casts does not care.
            usual = 1.4826 * float(np.median(np.abs(self.effects - np.median(self.effects))))
            z = self.effects / np.minimum(self.effect_sds, max(1.2 * usual, 0.015))
        limit = max(_CAST_SIGMAS, 0.7 * float(np.abs(z).max(initial=0.0)))
        casts = [(int(i), float(z[i])) for i in np.flatnonzero(np.abs(z) > limit)] if len(z) >= 4 else []
        return casts, places


def _fitted(casts: Sequence[ReducedCast], mask: Sequence[Array], prior: Coefficients) -> _Fit:
    """Gauss-Newton on coefficients and timing, with both scatters from a grid about their prior values."""
    stack = _Stack(casts, mask)
    theta = np.array(prior.mean)
    guess = np.zeros((len(casts), 3))
    prior_precision = np.linalg.inv(np.array(prior.covariance) + 1e-12 * np.eye(4))
    cast_sd, place_sd = max(prior.cast_scatter, 1e-3), max(prior.station_scatter, 1e-3)
    centre = (math.log(cast_sd), math.log(place_sd))
    for count in range(_ROUNDS):
        residual, rows, by_timing = stack.linearised(theta, guess)
        target = residual + rows @ theta + np.einsum("cnk,ck->cn", by_timing, guess)
        problem = _Linear(stack, rows, by_timing, target, prior_precision, np.array(prior.mean))
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
    return _Fit(theta, solved.covariance, cast_sd, place_sd, rows, stack.used, effects, sds, sigmas)


@dataclass(frozen=True)
class _Solved:
    theta: Array
    covariance: Array
    inverses: Array
    log_evidence: float


class _Linear:
    """The linear model of one round; solved for given scatters in closed form, one small block per cast."""

    def __init__(
        self, stack: _Stack, rows: Array, by_timing: Array, target: Array, precision: Array, mean: Array
    ) -> None:
        self.stack, self.rows, self.target = stack, rows, target
        self.precision, self.mean = precision, mean
        self.timing = np.einsum("cni,cij,cmj->cnm", by_timing, stack.timing, by_timing)
        self.pairs = (stack.used[:, :, None] & stack.used[:, None, :]).astype(float)

    def solved(self, cast_sd: float, place_sd: float) -> _Solved:
        n = self.rows.shape[1]
        own = np.where(self.stack.used, place_sd**2 + self.stack.film_sd**2, 1.0)
        blocks = self.timing + cast_sd**2 * self.pairs + own[:, :, None] * np.eye(n)
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
        """Both scatters: their means over the posterior on a grid; the log-normal prior keeps few casts sober."""
        found = [
            (self.solved(math.exp(centre[0] + a), math.exp(centre[1] + b)).log_evidence
             - 0.5 * ((a / _SCATTER_SDS[0]) ** 2 + (b / _SCATTER_SDS[1]) ** 2), a, b)
            for a in _GRID for b in _GRID
        ]  # fmt: skip
        values = np.array(found)
        weights = np.exp(values[:, 0] - values[:, 0].max())
        weights /= weights.sum()
        return tuple(  # type: ignore[return-value]
            float(weights @ np.exp(centre[i] + values[:, 1 + i])) for i in (0, 1)
        )


def _calibration(
    fit: _Fit, casts: Sequence[ReducedCast], prior: Coefficients, left_out: list[LeftOut], readings: list[LeftOut]
) -> Calibration:
    covariance = 0.5 * (fit.covariance + fit.covariance.T)
    low, high = _logged_range(casts)
    coefficients = prior if not casts else Coefficients(
        (float(fit.theta[0]), float(fit.theta[1]), float(fit.theta[2]), float(fit.theta[3])),
        tuple(tuple(float(v) for v in row) for row in covariance),
        fit.cast_sd, fit.place_sd, prior.casts_used + len(casts), low, high,
    )  # fmt: skip
    rows = fit.rows[fit.used] if casts else np.array([[1.0, 1.0 / 3.3, 1.0, 0.0]])
    half_width = 100.0 * TWO_SIDED_95 * float(np.median(coefficients.deviation(rows)))
    effects = tuple(
        CastEffect(cast.id, 100.0 * math.expm1(float(e)), float(e / s), float(e) * (fit.cast_sd / float(s)) ** 2,
                   fit.cast_sd**2 / float(s))
        for cast, e, s in zip(casts, fit.effects, fit.effect_sds, strict=True)
    )  # fmt: skip
    words = (
        f"{len(casts)} casts used, {len(left_out)} left out; a new sheet is known to {half_width:.0f} %, of which "
        f"{100.0 * TWO_SIDED_95 * math.hypot(coefficients.cast_scatter, coefficients.station_scatter):.0f} % is the "
        "shop's own scatter, which no further cast removes"
    )
    return Calibration(coefficients, len(casts), tuple(left_out), tuple(readings), half_width, effects,
                       log_next(coefficients, casts), words)  # fmt: skip


def _logged_range(casts: Sequence[ReducedCast]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    if not casts:
        return (), ()
    values = np.array([[1e3 * c.gate_m, 1e3 * c.head_m.mean(), c.speed_m_s.mean(), c.superheat_k] for c in casts])
    return tuple(float(v) for v in values.min(axis=0)), tuple(float(v) for v in values.max(axis=0))
