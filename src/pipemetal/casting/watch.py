"""How good a shop's watch is, by its own marks: what it scatters, and how late a hand starts it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Array
from pipemetal.casting.reduce import ReducedCast
from pipemetal.casting.timing import BY_CARD, BY_TIME
from pipemetal.texts import Amount, Text

__all__ = ["judged_watch"]

# How far a watch may be from what is stated of it (ln, one standard deviation; estimate), and its limits.
_WATCH_SD, _WATCH_LIMITS = 0.7, (0.5, 8.0)
# Told as worse than stated above this factor.
_WATCH_TOLD = 1.5
# Casts that must agree on a late watch, and what is worth telling (s; estimates).
_FEWEST_STARTS, _LATE_TOLD_S = 4, 0.06


def judged_watch(
    casts: Sequence[ReducedCast], logged: Mapping[str, LoggedCast]
) -> tuple[list[ReducedCast], tuple[Text, ...]]:
    """The same casts with the watch as good as their own marks show it: one factor for each stated timing.

    Sources: what marks scatter about a smooth push (a cubic), with a log-normal prior; derived.
    """
    factors: dict[float, float] = {}
    for stated in {logged[c.id].timing_sd_s for c in casts}:
        mine = [c for c in casts if logged[c.id].timing_sd_s == stated and c.watch_freedom > 0]
        # one misread mark in a cast must not speak for the watch: no cast counts for more than its share
        freedom = sum(c.watch_freedom for c in mine)
        usual = float(np.median([c.watch_misfit / c.watch_freedom for c in mine])) / 0.7 if mine else 1.0
        misfit = sum(min(c.watch_misfit, 8.0 * c.watch_freedom * max(usual, 0.1)) for c in mine)
        grid = np.linspace(math.log(_WATCH_LIMITS[0]), math.log(_WATCH_LIMITS[1]), 141)
        logs = -freedom * grid - 0.5 * misfit * np.exp(-2.0 * grid) - 0.5 * (grid / _WATCH_SD) ** 2
        shares = np.exp(logs - logs.max())
        factors[stated] = math.exp(float(shares @ grid / shares.sum())) if mine else 1.0
    timed = [replace(c, speed_covariance=_widened(c, factors[logged[c.id].timing_sd_s])) for c in casts]
    worse = "times stated to {a} s are good to {b} s by their own marks"
    told = tuple(
        Text(worse, a=Amount.short(stated), b=Amount(stated * factor, "", 2))
        for stated, factor in sorted(factors.items())
        if factor > _WATCH_TOLD
    )
    told = (*told, *_late_words([c.late_s for c in timed if c.late_s is not None]))
    by_card, only_timed = (sum(c.speed_by == by for c in casts) for by in (BY_CARD, BY_TIME))
    if only_timed:
        words = (
            "only the whole time of {n} casts is known, not how the speed went: log four marks or more, or the marks that the "
            "card asked for"
        )
        told = (*told, Text(words, n=only_timed))
    if by_card:
        told = (*told, Text("how the speed went in {n} casts is taken from the card's asked marks", n=by_card))
    return timed, told


def _late_words(late_s: Sequence[float]) -> tuple[Text, ...]:
    """That the watch is started late, where the casts agree on it by three standard errors."""
    if len(late_s) < _FEWEST_STARTS:
        return ()
    mean, error = float(np.mean(late_s)), float(np.std(late_s, ddof=1)) / math.sqrt(len(late_s))
    if abs(mean) < max(3.0 * error, _LATE_TOLD_S):
        return ()
    words = "by its marks the watch is started {a} s late: counted in" if mean > 0.0 else EARLY
    return (Text(words, a=Amount(abs(mean), "", 2)),)


EARLY: Final = "by its marks the watch is started {a} s early: counted in"


def _widened(cast: ReducedCast, factor: float) -> Array:
    return cast.speed_covariance * (factor**2 if cast.watch_freedom > 0 else max(factor, 1.0) ** 2)
