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
from typing import Any

import numpy as np

from pipemetal.casting.fitting import Fit, fitted
from pipemetal.casting.log import LoggedCast, ReducedCast, reduced
from pipemetal.casting.model import TWO_SIDED_95, Coefficients
from pipemetal.casting.next_cast import log_next
from pipemetal.errors import CastingError

__all__ = ["Calibration", "CastEffect", "LeftOut", "calibrate"]


# Casts that the joint range needs, and what a gate (mm), head (mm), speed (m/s) and superheat (K) may differ at no risk.
_FEWEST_FOR_JOINT = 6
_SOFT = (0.1, 3.0, 0.05, 4.0)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A cast, or one reading of it (at ``at_m``), that the fit did not use, and why."""

    id: str
    reason: str
    at_m: float | None = None


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
    fit = fitted(usable, mask, prior)
    for _ in range(8):
        bad_casts, bad_places = fit.misreadings() if usable else ([], [])
        if not bad_casts and not bad_places:
            break
        for i, k, z in bad_places:
            mask[i][k] = False
            readings.append(
                LeftOut(
                    usable[i].id,
                    f"thickness at {usable[i].x_m[k]:.2f} m is {z:+.1f} sigma off",
                    float(usable[i].x_m[k]),
                )
            )
        # A cast with hardly a reading left is left out whole.
        gone = {i: f"came out {z:+.1f} sigma off: gate, charge or times misread?" for i, z in bad_casts}
        gone |= {i: "most of its readings disagree" for i, m in enumerate(mask) if m.sum() < 2 and i not in gone}
        left_out += [LeftOut(usable[i].id, reason) for i, reason in gone.items()]
        usable = [c for i, c in enumerate(usable) if i not in gone]
        mask = [m for i, m in enumerate(mask) if i not in gone]
        fit = fitted(usable, mask, prior)
    return _calibration(fit, usable, prior, left_out, readings)


def _calibration(
    fit: Fit, casts: Sequence[ReducedCast], prior: Coefficients, left_out: list[LeftOut], readings: list[LeftOut]
) -> Calibration:
    covariance = 0.5 * (fit.covariance + fit.covariance.T)
    coefficients = (
        prior
        if not casts
        else Coefficients(
            (float(fit.theta[0]), float(fit.theta[1]), float(fit.theta[2]), float(fit.theta[3])),
            tuple(tuple(float(v) for v in row) for row in covariance),
            fit.cast_sd,
            fit.place_sd,
            prior.casts_used + len(casts),
            **_logged(casts),
        )
    )
    rows = fit.rows[fit.used] if casts else np.array([[1.0, 1.0 / 3.3, 1.0, 0.0]])
    half_width = 100.0 * TWO_SIDED_95 * float(np.median(coefficients.deviation(rows)))
    effects = tuple(
        CastEffect(
            cast.id,
            100.0 * math.expm1(float(e)),
            float(e / s),
            float(e) * (fit.cast_sd / float(s)) ** 2,
            fit.cast_sd**2 / float(s),
        )
        for cast, e, s in zip(casts, fit.effects, fit.effect_sds, strict=True)
    )
    words = (
        f"{len(casts)} casts used, {len(left_out)} left out; a new sheet is known to {half_width:.0f} %, of which "
        f"{100.0 * TWO_SIDED_95 * math.hypot(coefficients.cast_scatter, coefficients.station_scatter):.0f} % is the "
        "shop's own scatter, which no further cast removes"
    )
    return Calibration(
        coefficients,
        len(casts),
        tuple(left_out),
        tuple(readings),
        half_width,
        effects,
        log_next(coefficients, casts),
        words,
    )


def _logged(casts: Sequence[ReducedCast]) -> dict[str, tuple[Any, ...]]:
    """Range, mean and covariance of what was cast; the covariance softened by a little of each usual size (estimate)."""
    values = np.array([[1e3 * c.gate_m, 1e3 * c.head_m.mean(), c.speed_m_s.mean(), c.superheat_k] for c in casts])
    found: dict[str, tuple[Any, ...]] = {
        "logged_low": tuple(float(v) for v in values.min(axis=0)),
        "logged_high": tuple(float(v) for v in values.max(axis=0)),
    }
    if len(casts) >= _FEWEST_FOR_JOINT:
        covariance = np.cov(values.T) + np.diag(np.square(_SOFT))
        found["logged_centre"] = tuple(float(v) for v in values.mean(axis=0))
        found["logged_covariance"] = tuple(tuple(float(v) for v in row) for row in covariance)
    return found
