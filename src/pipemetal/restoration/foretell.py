"""What the length of a new pipe should say among the old ones: the errors that they share with the length rule go out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipemetal.pipes.robust import Floats
from pipemetal.restoration.lengths import Spoken
from pipemetal.restoration.likelihood import Readings, readings_of
from pipemetal.restoration.temper import PATTERNS, Tuning, expected_cents

__all__ = ["foretold"]


def foretold(
    spoken: Sequence[Spoken], new: Spoken, tuning: Tuning, unmeasured_mouths: float, chosen: str | None = None
) -> tuple[float, float]:
    """What the length of a new pipe should say among the old ones, in cents as theirs do, and its standard error.

    The rule's common error goes out: the old lengths have it too. `new` says which key, and its `by_diameter_cents`; `chosen` is
    a temperament that somebody decided, alone instead of the set.
    """
    every = readings_of([*spoken, replace(new, cents=0.0, heard_cents=None)], unmeasured_mouths)
    place = next(i for i, pipe in enumerate(every.pipe) if pipe == len(spoken))
    parts = []
    steps = expected_cents(every)
    for leader, free, share in tuning.weighed_for(chosen):
        expected = steps[:, PATTERNS.index((leader.name, leader.move))]
        for hyper, weight in leader.hypers:
            covariance = every.covariance(hyper, leader.wrong, free)
            at, variance = _one_foretold(every, place, expected, covariance)
            parts.append((share * weight, at, variance))
    total = sum(share for share, _, _ in parts)
    middle = sum(share * at for share, at, _ in parts) / total
    spread = sum(share * (variance + (at - middle) ** 2) for share, at, variance in parts) / total
    return middle, math.sqrt(spread)


def _one_foretold(every: Readings, place: int, expected: Floats, covariance: Floats) -> tuple[float, float]:
    """What one reading should be by all the others, with their common pitch taken from them, and its variance."""
    rest = [i for i in range(len(every.pipe)) if i != place]
    among = covariance[np.ix_(rest, rest)]
    solved = np.linalg.solve(among, np.stack([covariance[rest, place], np.ones(len(rest))], axis=1))
    left = every.cents[rest] - expected[rest]
    one = solved[:, 1]
    mean = float(one @ left) / float(one.sum())
    at = expected[place] + mean + float(solved[:, 0] @ (left - mean))
    open_ = 1.0 - float(solved[:, 0].sum())
    variance = covariance[place, place] - float(solved[:, 0] @ covariance[rest, place]) + open_**2 / float(one.sum())
    return float(at), float(variance)
