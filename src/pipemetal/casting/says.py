"""What a shop's casts say, by quantity: how thickness goes with gate, speed, head, heat and place, and where that
departs from the prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.casting.model import TWO_SIDED_95
from pipemetal.casting.reduce import ReducedCast
from pipemetal.casting.rivals import At
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.texts import Amount, Text

__all__ = ["Quantity", "quantities", "usual_place"]

_STEP = 0.05
_HEAT_K = 20.0
_WORTH_SAYING = 0.05
# How far the power of the true law may stand from that of the nearest rival where a log's own scatter hides it: one standard
# deviation (estimates; two computations of one regime differ so, see docs/casting.md).
_MODEL_SD = {"by_gate": 0.07, "by_speed": 0.05, "by_head": 0.03, "by_20_k": 0.02, "along_the_sheet": 0.02}


@dataclass(frozen=True, slots=True)
class Quantity:
    """One way in which thickness goes, with its 95 % interval, and what was believed before any cast.

    ``differs``: the interval leaves the prior's value out, by more than a trifle. ``key`` names it in files.
    """

    key: str
    name: str
    value: float
    low: float
    high: float
    before: float
    words: Text

    @property
    def differs(self) -> bool:
        """Whether the log departs here from what was believed before it, by more than 0.05."""
        return not self.low <= self.before <= self.high and abs(self.value - self.before) > _WORTH_SAYING


def usual_place(casts: Sequence[ReducedCast]) -> At:
    """The middle of a log's casts, as one place; a usual push without a log."""
    if not casts:
        usual = (2.6e-3, 0.025, 0.95, 0.0, 20.0, 8700.0, 2.6e-3, 0.47, 0.02, 0.25)
    else:

        def middle(name: str) -> float:
            return float(np.median([np.median(getattr(c, name)) for c in casts]))

        usual = (
            middle("gate_m"),
            middle("head_m"),
            middle("speed_m_s"),
            middle("solid"),
            middle("superheat_k"),
            middle("density_kg_m3"),
            middle("viscosity_pa_s"),
            middle("tension_n_m"),
            middle("lip_m"),
            middle("box_m"),
        )
    one = [np.array([v]) for v in usual]
    return At(one[0], one[1], one[2], np.array([0.5]), *one[3:])


def quantities(law: ShopLaw, casts: Sequence[ReducedCast]) -> tuple[Quantity, ...]:
    """How ln thickness goes with each quantity at the middle of the log, by the shop's law and by the prior.

    >>> [q.key for q in quantities(ShopLaw.prior(), [])]
    ['film_over_gate', 'by_gate', 'by_speed', 'by_head', 'by_20_k', 'along_the_sheet']
    """
    at, prior = usual_place(casts), ShopLaw.prior()
    up, down = math.exp(0.5 * _STEP), math.exp(-0.5 * _STEP)
    ways = {
        "by_gate": (at.moved(gate=up), at.moved(gate=down), _STEP),
        "by_speed": (at.moved(speed=up), at.moved(speed=down), _STEP),
        "by_head": (at.moved(head=up), at.moved(head=down), _STEP),
        "by_20_k": (_hotter(at, 0.5 * _HEAT_K), _hotter(at, -0.5 * _HEAT_K), 1.0),
        "along_the_sheet": (replace(at, place=at.place + 0.5), replace(at, place=at.place - 0.5), 1.0),
    }
    mean, sd = _difference(law, at, None)
    gate = float(at.gate_m[0])
    low, value, high = (math.exp(mean + side * TWO_SIDED_95 * sd) / gate for side in (-1.0, 0.0, 1.0))
    before = math.exp(_difference(prior, at, None)[0]) / gate
    found = [_told("film_over_gate", value, low, high, before)]
    for key, (further, nearer, step) in ways.items():
        mean, sd = (v / step for v in _difference(law, further, nearer))
        sd = math.hypot(sd, _MODEL_SD[key])
        before = _difference(prior, further, nearer)[0] / step
        found.append(_told(key, mean, mean - TWO_SIDED_95 * sd, mean + TWO_SIDED_95 * sd, before))
    return tuple(found)


def _hotter(at: At, kelvin: float) -> At:
    """A place with its metal hotter; slush stays slush, its share of solid as it is."""
    return replace(at, superheat_k=np.maximum(at.superheat_k, 0.5 * _HEAT_K) + kelvin)


def _difference(law: ShopLaw, further: At, nearer: At | None) -> tuple[float, float]:
    """Mean and deviation of ln film at one place, less that at another."""
    both = further if nearer is None else At.stacked([further, nearer])
    mean, covariance = law.moments(both)
    row = np.array([1.0]) if nearer is None else np.array([1.0, -1.0])
    return float(row @ mean), math.sqrt(max(float(row @ covariance @ row), 0.0))


_NAMES = {
    "film_over_gate": ("film over gate", "the film is {value} of the gate ({low} to {high}); {before} before any cast"),
    "by_gate": (
        "gate",
        "thickness goes as the gate to the power {value} ({low} to {high}); {before} before any cast",
    ),
    "by_speed": (
        "speed",
        "thickness goes as the speed to the power {value} ({low} to {high}); {before} before any cast, -1 if the head "
        "alone drove it, near 0 in thick slush",
    ),
    "by_head": (
        "metal in the sled",
        "thickness goes as the depth of metal to the power {value} ({low} to {high}); {before} before any cast, 0.5 if "
        "it alone drove it",
    ),
    "by_20_k": ("heat", "{heat} hotter, ln thickness changes by {value} ({low} to {high}); {before} before any cast"),
    "along_the_sheet": (
        "place",
        "from beginning to end, all else alike, ln thickness changes by {value} ({low} to {high}); {before} before any cast",
    ),
}


def _told(key: str, value: float, low: float, high: float, before: float) -> Quantity:
    name, words = _NAMES[key]
    numbers = {"value": value, "low": low, "high": high, "before": before}
    amounts = {place: Amount(number, "", 2) for place, number in numbers.items()}
    told = Text(words, heat=Amount(_HEAT_K, "K"), **amounts)
    return Quantity(key, name, value, low, high, before, told)
