"""Which cast next would tell the rival laws apart most cheaply, and make a sheet best known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.casting.model import TWO_SIDED_95
from pipemetal.casting.reduce import ReducedCast
from pipemetal.casting.rivals import RIVALS, At
from pipemetal.casting.says import usual_place
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.texts import Amount, Text, joined

__all__ = ["FAST_M_S", "SLOW_M_S", "Trial", "log_next", "next_casts", "two_starts_percent"]

# Two starts at one gate and fill: what tells thick metal from thin (docs/casting.md).
SLOW_M_S, FAST_M_S = 0.7, 1.4
_LADLE_HEAD = 0.2
# A regime with less weight is not worth telling apart (share).
_DOUBTED = 0.03
# Share of solid at the gate of what casters call slush, where a log has none (docs/casting.md).
_THICK_SOLID = 0.25
# Above this weight of one regime the laws are told apart; what a cast on purpose must take from the doubt to be worth
# it (percent).
_SETTLED, _WORTH_PERCENT = 0.9, 0.3


@dataclass(frozen=True, slots=True)
class Trial:
    """A cast on purpose: in words, how many casts it takes, and the 95 % doubt of the law in a sheet, in percent,
    before and after it.
    """

    words: Text
    casts: int
    before_percent: float
    after_percent: float


# Gate in mm, head and speed as factors, heat in K: what may be changed on purpose, and what it is called.
_CHANGES: tuple[tuple[Text, tuple[tuple[float, float, float, float], ...]], ...] = (
    (
        Text(
            "cast two sheets with one gate and one fill, starting one at {a} and one at {b}",
            a=Amount.short(SLOW_M_S, "m/s", bare=True),
            b=Amount.short(FAST_M_S, "m/s"),
        ),
        ((0.0, 1.0, -SLOW_M_S, 0.0), (0.0, 1.0, -FAST_M_S, 0.0)),
    ),
    (Text("set the gate half a millimetre wider on one cast"), ((0.5, 1.0, 1.0, 0.0),)),
    (Text("set the gate half a millimetre narrower on one cast"), ((-0.5, 1.0, 1.0, 0.0),)),
    (Text("ladle two more on one cast"), ((0.0, 1.0 + 2.0 * _LADLE_HEAD, 1.0, 0.0),)),
    (Text("push one cast a quarter faster with the same gate"), ((0.0, 1.0, 1.25, 0.0),)),
    (Text("push one cast a fifth slower with the same gate"), ((0.0, 1.0, 0.8, 0.0),)),
    (
        Text("pour one cast {a} hotter than usual, if its pouring range has room", a=Amount(15.0, "K")),
        ((0.0, 1.0, 1.0, 15.0),),
    ),
    (Text("cast once more as usual"), ((0.0, 1.0, 1.0, 0.0),)),
)


def next_casts(law: ShopLaw, casts: Sequence[ReducedCast]) -> tuple[Trial, ...]:
    """What each change would teach of sheets in and a little around the log, the most telling for each cast it takes
    first.

    Sources: variance that more observations take away (Chaloner & Verdinelli, Stat. Sci. 10 (1995) 273; not checked),
        the laws' own differences counted in it. A cast tells its mean to the shop's own cast scatter.

    >>> trials = next_casts(ShopLaw.prior(), [])
    >>> trials[0].after_percent < trials[0].before_percent
    True
    """
    usual = usual_place(casts)
    targets = [
        _changed(usual, *c)
        for c in ((0.0, 1.0, 0.8, 0.0), (0.0, 1.0, 1.25, 0.0), (-0.4, 0.5, 1.0, 0.0), (0.4, 1.4, 1.0, 0.0))
    ]
    found = []
    for words, changes in _CHANGES:
        tried = [_changed(usual, *c) for c in changes]
        _, covariance = law.moments(At.stacked([*targets, *tried]))
        n = len(targets)
        seen = covariance[n:, n:] + (law.cast_scatter**2 + law.station_scatter**2 / 4.0) * np.eye(len(tried))
        taught = covariance[:n, n:] @ np.linalg.solve(seen, covariance[n:, :n])
        before, after = (
            100.0 * TWO_SIDED_95 * math.sqrt(max(float(np.mean(np.diag(c))), 0.0))
            for c in (covariance[:n, :n], covariance[:n, :n] - taught)
        )
        found.append(Trial(words, len(tried), before, after))
    return tuple(sorted(found, key=lambda t: -(t.before_percent - t.after_percent) / math.sqrt(t.casts)))


def two_starts_percent(law: ShopLaw, casts: Sequence[ReducedCast]) -> dict[str, float]:
    """By how many percent a start at 1.4 m/s comes out thinner than one at 0.7, by each regime still in doubt.

    >>> found = two_starts_percent(ShopLaw.prior(), [])
    >>> min(found.values()) < 25.0 < max(found.values())
    True
    """
    usual = usual_place(casts)
    at = replace(usual, solid=np.maximum(usual.solid, _THICK_SOLID), place=np.array([0.0]))
    slow, fast = (replace(at, speed_m_s=np.array([v])) for v in (SLOW_M_S, FAST_M_S))
    parts: dict[str, list[tuple[float, float]]] = {}
    for rival, weight in zip(RIVALS, law.rival_weights, strict=True):
        ratio = float(rival.film_m(fast)[0] / rival.film_m(slow)[0]) if weight > 0.0 else 1.0
        parts.setdefault(rival.regime, []).append((weight, ratio))
    return {
        name: 100.0 * (1.0 - sum(w * r for w, r in parts[name]) / sum(w for w, _ in parts[name]))
        for name, weight in law.regimes.items()
        if weight >= _DOUBTED and sum(w for w, _ in parts.get(name, [])) > 0.0
    }


def log_next(law: ShopLaw, casts: Sequence[ReducedCast]) -> Text:
    """The most telling next cast in words: what tells the laws apart while they are in doubt, then what makes a
    sheet best known.
    """
    starts = two_starts_percent(law, casts)
    if len(starts) > 1 and next(iter(law.regimes.values())) < _SETTLED:
        thinner = "{name} ({p} %): {v} % thinner"
        told = joined(
            Text(thinner, name=Text(name), p=Amount(100.0 * law.regimes[name]), v=Amount(v))
            for name, v in starts.items()
        )
        words = (
            "cast two starts with one gate and one fill, at {a} and at {b}: this tells the laws apart most cheaply. How much "
            "thinner the faster one should be: {told}"
        )
        slow, fast = Amount.short(SLOW_M_S, "m/s", bare=True), Amount.short(FAST_M_S, "m/s")
        return Text(words, a=slow, b=fast, told=told)
    best = next_casts(law, casts)[0]
    if best.before_percent - best.after_percent < _WORTH_PERCENT:
        return Text("cast as usual: nothing on purpose would teach much more than the next ordinary cast")
    words = "{what}: what the law leaves open of sheets in and a little around the log would fall from {a} to {b} %"
    return Text(words, what=best.words, a=Amount(best.before_percent, "", 1), b=Amount(best.after_percent, "", 1))


def _changed(at: At, gate_mm: float, head: float, speed: float, heat_k: float) -> At:
    """A place with its settings changed; a speed below zero is meant as itself."""
    moved = replace(at, gate_m=np.maximum(at.gate_m + 1e-3 * gate_mm, 8e-4), superheat_k=at.superheat_k + heat_k)
    moved = moved.moved(head=head, speed=speed if speed > 0.0 else -speed / float(at.speed_m_s[0]))
    return moved if speed > 0.0 else replace(moved, place=np.array([0.05]))
