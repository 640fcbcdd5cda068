"""What the length rule missed: fitted over pipes that were trimmed to their pitch, with few parameters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.errors import SoundError
from pipemetal.pipes.learned import MIDDLE_HZ, LearnedLengths
from pipemetal.pipes.robust import least_squares, mad_scale, student_t

__all__ = ["Learned", "Trimmed", "learn_lengths"]

LEAST_PIPES: Final = 5
FOR_SLOPE: Final = 12
OUT: Final = 4.0


@dataclass(frozen=True)
class Trimmed:
    """An open pipe that was heard, with the length that it had.

    Parameters
    ----------
    name : rank and note
    frequency_hz, diameter_mm : what it sounded, its inner diameter
    length_mm : its body, from the lower lip to the top
    rule_mm : what the length rule says for what it sounded, in the air of that moment
    cents_per_mm : how the pitch goes with the length
    """

    name: str
    frequency_hz: float
    diameter_mm: float
    length_mm: float
    rule_mm: float
    cents_per_mm: float


@dataclass(frozen=True)
class Learned:
    """What was learned.

    Parameters
    ----------
    lengths : what is added to open bodies
    by_diameter_half, by_octave_half : 95 % half-widths; the second 0 where there is no slope to be seen
    pipes_used : how many pipes it rests on
    left_out : those that are unlike the others
    missed_before_cents, missed_after_cents : rms of what was missed, by the rule alone and with this, each
        pipe by the others
    """

    lengths: LearnedLengths
    by_diameter_half: float
    by_octave_half: float
    pipes_used: int
    left_out: tuple[str, ...]
    missed_before_cents: float
    missed_after_cents: float


def learn_lengths(trimmed: Sequence[Trimmed]) -> Learned:
    """One share of the diameter, and a slope by octaves where twelve pipes and more show one beyond doubt.

    Every pipe is also foretold by a fit without it: that is what is shown as missed after.

    Errors: SoundError for fewer than five pipes.

    >>> pipes = [Trimmed(f"P{k}", 261.6 * 1.06**k, 60.0, 600.0 + 1.2, 600.0, 1.5) for k in range(8)]
    >>> found = learn_lengths(pipes)
    >>> round(found.lengths.by_diameter, 4), found.lengths.by_octave
    (0.02, 0.0)
    """
    if len(trimmed) < LEAST_PIPES:
        raise SoundError("are too few to learn from", field="pipes", value=len(trimmed), allowed="5 and more")
    octave = np.array([math.log2(p.frequency_hz / MIDDLE_HZ) for p in trimmed])
    share = np.array([(p.length_mm - p.rule_mm) / p.diameter_mm for p in trimmed])
    cents = np.array([p.cents_per_mm * p.diameter_mm for p in trimmed])
    middle = float(np.median(share))
    wide = max(mad_scale(share - middle), 1e-4)
    kept = np.abs(share - middle) <= OUT * wide
    used = int(np.count_nonzero(kept))
    designs = [np.ones((len(share), 1))]
    if used >= FOR_SLOPE and float(np.ptp(octave[kept])) >= 1.0:
        designs.append(np.stack([np.ones_like(octave), octave], axis=1))
    for design in reversed(designs):
        fit = least_squares(design[kept], share[kept], np.ones(used))
        free = used - design.shape[1]
        half = student_t(0.95, free) * np.sqrt(np.diag(fit.unscaled) * fit.squares / free)
        if design.shape[1] == 1 or abs(fit.parameters[1]) > half[1]:
            break
    # what each kept pipe would have missed by the fit of the others
    lever = np.einsum("ij,jk,ik->i", design[kept], fit.unscaled, design[kept])
    after = (share[kept] - design[kept] @ fit.parameters) / np.maximum(1.0 - lever, 1e-6) * cents[kept]
    slope = design.shape[1] == 2
    return Learned(
        LearnedLengths(float(fit.parameters[0]), float(fit.parameters[1]) if slope else 0.0),
        float(half[0]),
        float(half[1]) if slope else 0.0,
        used,
        tuple(p.name for p, k in zip(trimmed, kept.tolist(), strict=True) if not k),
        float(np.sqrt(np.mean((share[kept] * cents[kept]) ** 2))),
        float(np.sqrt(np.mean(after**2))),
    )
