"""What a shop's log decides where the model only guesses: the exponent of the head, slip of the film, what a run-up lays."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipemetal.casting.calibrate import Calibration
from pipemetal.casting.fitting import Linear, Stack
from pipemetal.casting.log import LoggedCast, ReducedCast, reduced
from pipemetal.casting.model import GRAVITY_M_S2, TWO_SIDED_95, Array, Coefficients
from pipemetal.casting.slip import slip_gradient_1_s

__all__ = ["Decision", "log_decides"]

FEWEST_CASTS = 5
# How far the exponent of the head may be from a half, and how long a film may slide (one standard deviation, estimates).
_EXPONENT_SD, _SLIP_SD_S = 0.1, 0.5


@dataclass(frozen=True, slots=True)
class Decision:
    """One number of the model, as the log has it, with its 95 % interval; ``modelled`` is what a card uses.

    ``differs``: the interval leaves the modelled value out.
    """

    name: str
    value: float
    low: float
    high: float
    modelled: float
    words: str

    @property
    def differs(self) -> bool:
        return not self.low <= self.modelled <= self.high


def log_decides(found: Calibration, casts: Sequence[LoggedCast]) -> tuple[Decision, ...]:
    """Head exponent, slip and run-up by the casts that a fit used; nothing with fewer than five.

    Each number is freed alone beside the four coefficients, cast scatter and timing (one more column of the linear model), so
    that it explains only what they cannot.

    >>> from pipemetal.casting.calibrate import calibrate
    >>> log_decides(calibrate([]), [])
    ()
    """
    wanted = {e.id for e in found.cast_effects}
    usable = [r for c in casts if c.id in wanted and not isinstance(r := reduced(c), str)]
    if len(usable) < FEWEST_CASTS:
        return ()
    exponent, exponent_sd = _freed(found, usable, _head_column, _EXPONENT_SD)
    slip, slip_sd = _freed(found, usable, _slip_column, _SLIP_SD_S)
    decisions = [
        _decision(
            "exponent of the head",
            0.5 + exponent,
            exponent_sd,
            0.5,
            "",
            "thickness follows the head otherwise than by its root: trust the log inside its range only",
        ),
        _decision(
            "slip of the film after landing",
            slip,
            slip_sd,
            0.0,
            " s",
            "the ends are off as a sliding film would leave them: set slip when predicting",
        ),
    ]
    ratios = [r.run_up_kg / r.run_up_expected_kg for r in usable if r.leftover_weighed and r.run_up_expected_kg > 0.5]
    if len(ratios) >= FEWEST_CASTS:
        middle = float(np.median(ratios))
        spread = 1.4826 * float(np.median(np.abs(np.array(ratios) - middle))) * 1.2533 / math.sqrt(len(ratios))
        decisions.append(
            _decision(
                "run-up strip and drips, by leftover, over what is counted",
                middle,
                spread,
                1.0,
                "",
                "plan charge and leftover by this",
            )
        )
    return tuple(decisions)


def _decision(name: str, value: float, sd: float, modelled: float, unit: str, if_not: str) -> Decision:
    low, high = value - TWO_SIDED_95 * sd, value + TWO_SIDED_95 * sd
    told = if_not if not low <= modelled <= high else f"the model's {modelled:g}{unit} stands"
    return Decision(name, value, low, high, modelled, f"{name}: {value:.2f}{unit} ({low:.2f} to {high:.2f}): {told}")


def _freed(
    found: Calibration, casts: Sequence[ReducedCast], column: Callable[[ReducedCast, float], Array], sd: float
) -> tuple[float, float]:
    """Mean and standard deviation of one more number of the linear model, nought by its prior."""
    gone = {(x.id, x.at_m) for x in found.readings_left_out}
    stack = Stack(casts, [np.array([(c.id, float(x)) not in gone for x in c.x_m]) for c in casts])
    coefficients, prior = found.coefficients, Coefficients.prior()
    theta, guess = np.array(coefficients.mean), np.zeros((len(casts), 3))
    residual, rows, by_timing = stack.linearised(theta, guess)
    extra = np.zeros(residual.shape)
    for i, cast in enumerate(casts):
        extra[i, : len(cast.x_m)] = column(cast, coefficients.discharge)
    extra[~stack.used] = 0.0
    precision = np.diag(np.append(1.0 / np.diag(np.array(prior.covariance)), sd**-2))
    model = Linear(
        stack,
        np.concatenate([rows, extra[:, :, None]], axis=2),
        by_timing,
        residual + rows @ theta,
        precision,
        np.append(np.array(prior.mean), 0.0),
    )
    solved = model.solved(coefficients.cast_scatter, coefficients.station_scatter)
    return float(solved.theta[-1]), math.sqrt(float(solved.covariance[-1, -1]))


def _effective_head_m(cast: ReducedCast, discharge: float) -> Array:
    effective: Array = np.maximum(cast.head_m - discharge * cast.gate_m - cast.capillary_m, 1e-4)
    return effective


def _head_column(cast: ReducedCast, discharge: float) -> Array:
    logarithm: Array = np.log(_effective_head_m(cast, discharge) / 0.05)
    return logarithm


def _slip_column(cast: ReducedCast, discharge: float) -> Array:
    jet = np.sqrt(2.0 * GRAVITY_M_S2 * _effective_head_m(cast, discharge))
    return -slip_gradient_1_s(cast.x_m, cast.speed_m_s, jet)
