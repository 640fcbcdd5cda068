"""What a casting log teaches: the shop's own law, the cloth's resistance, the pouring range, and how long sheets lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from pipemetal.casting.calibrate import Calibration, calibrate
from pipemetal.casting.gateless import with_gap
from pipemetal.casting.learn import LIFT_MARGIN, cloth_from_log, lift_margin_from_log, limits_from_verdicts
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import ThermalSettings
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.texts import Text

__all__ = ["Learned", "learn"]

# A card after the first of a log must not wait for its fit.
_KEPT_LOGS: Final = 8


@dataclass(frozen=True)
class Learned:
    """What is known of a shop's casting; without a log, the priors. `calibration` is None without one.

    >>> Learned().law.casts_used
    0
    """

    law: ShopLaw = field(default_factory=ShopLaw.prior)
    cloth_factor: float = 1.0
    limits: WindowLimits = field(default_factory=WindowLimits)
    lift_margin: float = LIFT_MARGIN
    words: Text = field(default_factory=lambda: Text("no casts logged: priors only"))
    calibration: Calibration | None = None


def learn(
    casts: Sequence[LoggedCast],
    thermal: ThermalSettings | None = None,
    gate: Calibration | None = None,
    *,
    gap_mm: float | None = None,
) -> Learned:
    """Fit everything that a log can teach; `gate` is its fit where that is at hand. No log stops it.

    `gap_mm` is the gap of a box without a gate: casts that were logged without an opening are taken at it.

    Errors: CastingError for two casts of one id.

    >>> print(learn([]).words)
    no casts logged: priors only
    """
    if not casts:
        return Learned()
    if thermal is None and gate is None:
        return _learned(tuple(casts), gap_mm)
    return _fitted(casts, thermal, gate, gap_mm)


@lru_cache(maxsize=_KEPT_LOGS)
def _learned(casts: tuple[LoggedCast, ...], gap_mm: float | None) -> Learned:
    return _fitted(casts, None, None, gap_mm)


def _fitted(
    casts: Sequence[LoggedCast], thermal: ThermalSettings | None, gate: Calibration | None, gap_mm: float | None
) -> Learned:
    casts = with_gap(casts, gap_mm)
    gate = gate or calibrate(casts)
    cloth = cloth_from_log(casts, thermal)
    # Times to run are judged on the cloth that the log found, for the range is worked out with it.
    verdicts = limits_from_verdicts(casts, cloth.settings)
    margin = lift_margin_from_log(casts, cloth.settings)
    words = Text(
        "gate: {words}; cloth from {e} casts, pouring range from {f} verdicts",
        words=gate.words,
        e=cloth.casts_used,
        f=verdicts.verdicts_used,
    )
    return Learned(gate.law, cloth.factor, verdicts.limits, margin, words, gate)
