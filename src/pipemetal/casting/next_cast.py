"""What to log next: the change on purpose after which a sheet would be known best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipemetal.casting.log import ReducedCast
from pipemetal.casting.model import GRAVITY_M_S2, TWO_SIDED_95, Array, Coefficients

__all__ = ["Trial", "log_next", "trials"]

FIRST_CASTS = "log a few ordinary casts: gate by feeler gauge, charge, leftover, six marks by video, five thicknesses"
# Change of gate in mm, of charge as a share of the head, of speed as a share, of superheat in K; and what it is called.
_CHANGES = (
    (0.5, 0.0, 0.0, 0.0, "set the gate half a millimetre wider on one cast and push faster"),
    (-0.5, 0.0, 0.0, 0.0, "set the gate half a millimetre narrower on one cast and push slower"),
    (0.0, 0.35, 0.0, 0.0, "charge two scoops more on one cast"),
    (0.0, -0.25, 0.0, 0.0, "charge a scoop less on one cast, as long as enough stays in the sled"),
    (0.0, 0.0, 0.0, 15.0, "pour one cast 15 K hotter than usual, inside its window"),
    (0.0, 0.0, 0.0, 0.0, "cast once more as usual"),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """A change on purpose, and the 95 % doubt of the shop's coefficients in a sheet, in percent, before and after it."""

    words: str
    before_percent: float
    after_percent: float


def trials(coefficients: Coefficients, casts: Sequence[ReducedCast]) -> tuple[Trial, ...]:
    """What each change would teach about sheets in and a little around the logged range; the most telling first.

    Sources: variance that one more observation of a linear model takes away (Chaloner & Verdinelli, Stat. Sci. 10 (1995) 273;
        from memory). A cast tells its mean to the shop's own cast scatter.
    """
    if not casts:
        return ()
    covariance = np.array(coefficients.covariance)
    targets = np.vstack([_row(coefficients, c, change) for c in casts for change in _CHANGES])
    before = np.einsum("ni,ij,nj->n", targets, covariance, targets)
    usual = casts[len(casts) // 2]
    found = []
    for change in _CHANGES:
        row = _row(coefficients, usual, change)
        told = covariance @ row
        after = before - (targets @ told) ** 2 / (float(row @ told) + coefficients.cast_scatter**2)
        found.append(Trial(change[4], *(100.0 * TWO_SIDED_95 * math.sqrt(float(v.mean())) for v in (before, after))))
    return tuple(sorted(found, key=lambda t: t.after_percent))


def log_next(coefficients: Coefficients, casts: Sequence[ReducedCast]) -> str:
    """The most telling next cast in words."""
    if len(casts) < 3:
        return FIRST_CASTS
    best = trials(coefficients, casts)[0]
    return (
        f"{best.words}: what the gate's numbers leave open in a sheet would fall from {best.before_percent:.1f} to "
        f"{best.after_percent:.1f} %"
    )


def _row(coefficients: Coefficients, cast: ReducedCast, change: tuple[float, float, float, float, str]) -> Array:
    """Gradient of ln thickness by the four coefficients in the middle of a cast with its settings changed."""
    opening = cast.gate_m + 1e-3 * (coefficients.gate_zero_mm + change[0])
    head = float(cast.head_m.mean()) * (1.0 + change[1])
    # A wider gate is pushed faster and a fuller sled too, for the same sheet.
    speed = float(cast.speed_m_s.mean()) * (opening / (opening - 1e-3 * change[0])) * math.sqrt(1.0 + change[1])
    jet = math.sqrt(2.0 * GRAVITY_M_S2 * max(head - coefficients.discharge * opening, 1e-3))
    return np.array(
        [
            1.0,
            1e-3 / opening,
            speed / (jet + coefficients.mean[2] * speed),
            (cast.superheat_k + change[3] - 20.0) / 20.0,
        ]
    )
