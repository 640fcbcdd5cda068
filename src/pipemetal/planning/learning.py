"""What a casting log teaches: the gate's coefficients, the cloth's resistance, and how long a film should be able to run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipemetal.casting.calibrate import Calibration, calibrate
from pipemetal.casting.groups import drift, present_coefficients
from pipemetal.casting.learn import cloth_from_log, limits_from_verdicts
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Coefficients, ThermalSettings
from pipemetal.casting.window import WindowLimits

__all__ = ["Learned", "learn"]


@dataclass(frozen=True)
class Learned:
    """What is known of a shop's casting; without a log, the priors.

    >>> Learned().coefficients.casts_used
    0
    """

    coefficients: Coefficients = field(default_factory=Coefficients.prior)
    cloth_factor: float = 1.0
    limits: WindowLimits = field(default_factory=WindowLimits)
    words: str = "no casts logged: priors only"


def learn(
    casts: Sequence[LoggedCast], thermal: ThermalSettings | None = None, gate: Calibration | None = None
) -> Learned:
    """Fit everything that a log can teach; `gate` is its fit where that is at hand.

    Errors: CastingError for two casts of one id; ConvergenceError where a fit does not settle.

    >>> learn([]).words
    'no casts logged: priors only'
    """
    if not casts:
        return Learned()
    gate = gate or calibrate(casts)
    cloth = cloth_from_log(casts, thermal)
    # Times to run are judged on the cloth that the log found, for the window is worked out with it.
    verdicts = limits_from_verdicts(casts, cloth.settings)
    now = drift(gate)
    coefficients, moved = gate.coefficients, ""
    if now.low_percent > 0.0 or now.high_percent < 0.0:
        # Sheets to come are cast by the shop as it stands, not by the mean of its log.
        coefficients, moved = present_coefficients(gate.coefficients, now), f"; {now.words}"
    words = (
        f"gate: {gate.words}{moved}; cloth from {cloth.casts_used} casts, window from {verdicts.verdicts_used} verdicts"
    )
    return Learned(coefficients, cloth.factor, verdicts.limits, words)
