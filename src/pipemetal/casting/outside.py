"""Whether a push lies within what a shop has logged: value by value, and values together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from pipemetal.casting.shop_law import ShopLaw
from pipemetal.texts import Amount, Text, Unit

__all__ = ["joint_distance", "outside_words"]

NAMES = ("gate", "head", "push speed", "superheat")
UNITS: tuple[Unit, ...] = ("mm", "mm", "m/s", "K")
_HIGH, _LOW = (
    ("wide gate", "deep head", "fast push", "hot metal"),
    ("narrow gate", "shallow head", "slow push", "cool metal"),
)
# Further from the middle of the log than this many standard deviations, values together (the usual bound; common
# practice).
FURTHEST = 3.0


def joint_distance(values: Sequence[float], centre: Sequence[float], covariance: Sequence[Sequence[float]]) -> float:
    """Mahalanobis distance of some values from the middle of a log: 3 is as far as three standard deviations of one
    value.

    Sources: Mahalanobis, Proc. Natl. Inst. Sci. India 2 (1936) 49 (not checked).

    >>> round(joint_distance([2.0, 0.0], [0.0, 0.0], [[1.0, 0.9], [0.9, 1.0]]), 1)
    4.6
    """
    away = np.asarray(values, dtype=float) - np.asarray(centre, dtype=float)
    return math.sqrt(max(float(away @ np.linalg.solve(np.asarray(covariance, dtype=float), away)), 0.0))


def outside_words(values: Sequence[float], law: ShopLaw) -> tuple[Text, ...]:
    """What of (gate mm, mean head mm, mean speed m/s, superheat K) lies outside the log, in words; nothing within it.

    First each value against its range, a tenth of it forgiven. Then all together: each may be usual and the pair of
    them never have been cast; the pair that stands furthest off is named.
    """
    low, high = law.logged_low, law.logged_high
    if not low:
        return ()
    found = [
        Text(
            "outside your logged range: {name} {value} (logged {a} to {b})",
            name=Text(name),
            value=Amount.short(float(f"{value:.2g}"), unit),
            a=Amount.short(float(f"{a:.2g}"), unit, bare=True),
            b=Amount.short(float(f"{b:.2g}"), unit),
        )
        for name, unit, value, a, b in zip(NAMES, UNITS, values, low, high, strict=True)
        if not a - 0.1 * (b - a) - 1e-9 <= value <= b + 0.1 * (b - a) + 1e-9
    ]
    if found or not law.logged_covariance:
        return tuple(found)
    centre, covariance = law.logged_centre, np.array(law.logged_covariance)
    distance = joint_distance(values, centre, covariance.tolist())
    if distance <= FURTHEST:
        return ()
    pairs = {
        pair: joint_distance(
            [values[i] for i in pair], [centre[i] for i in pair], covariance[np.ix_(pair, pair)].tolist()
        )
        for pair in itertools.combinations(range(4), 2)
    }
    i, j = max(pairs, key=lambda pair: pairs[pair])
    side = [_HIGH[k] if values[k] > centre[k] else _LOW[k] for k in (i, j)]
    words = (
        "outside your logged range: each value is within it, but not together: {one} with {other} ({a}, {b}) was hardly ever "
        "cast (distance {distance}, above {furthest} is outside)"
    )
    a, b = (Amount.short(float(f"{values[k]:.2g}"), UNITS[k]) for k in (i, j))
    how = {"distance": Amount(distance, "", 1), "furthest": Amount.short(FURTHEST)}
    return (Text(words, one=Text(side[0]), other=Text(side[1]), a=a, b=b, **how),)
