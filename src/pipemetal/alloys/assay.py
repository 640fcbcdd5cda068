"""What a piece of metal is: readings of several methods made one, its composition with intervals, and the nearest recipes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.liquidus import ASSESSED_LIMITS_WT_PCT
from pipemetal.alloys.recipe import Recipe
from pipemetal.alloys.weighing import (
    Beside,
    Calibration,
    TinAssay,
    Weighing,
    calibrate_weighing,
    density_from_weighing,
    tin_from_weighing,
    water_density_g_cm3,
)
from pipemetal.errors import AlloyError
from pipemetal.texts import Amount, Text

__all__ = [
    "Analysed",
    "Beside",
    "Calibration",
    "Match",
    "Miss",
    "Reading",
    "TinAssay",
    "Weighing",
    "analysed",
    "calibrate_weighing",
    "combine_readings",
    "density_from_weighing",
    "match_analysis",
    "tin_from_weighing",
    "water_density_g_cm3",
]


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured percentage of an element with its standard uncertainty; ``below_limit`` says: less than this."""

    element: str
    wt_pct: float
    uncertainty_wt_pct: float
    below_limit: bool = False

    method: str = ""

    def __post_init__(self) -> None:
        if self.element not in ELEMENTS:
            raise AlloyError("is not known", field="element", value=self.element, allowed=", ".join(ELEMENTS))
        if not math.isfinite(self.wt_pct) or not 0.0 <= self.wt_pct <= 100.0:
            raise AlloyError("is not a percentage", field=self.element, value=self.wt_pct, allowed="0 to 100")
        if not math.isfinite(self.uncertainty_wt_pct) or self.uncertainty_wt_pct <= 0.0:
            raise AlloyError(
                "must be above zero", field=f"uncertainty of {self.element}", value=self.uncertainty_wt_pct
            )


@dataclass(frozen=True, slots=True)
class Miss:
    """One element against a recipe's window: how far outside (0 inside) in percent by mass and in standard uncertainties."""

    element: str
    measured_wt_pct: float
    low_wt_pct: float
    high_wt_pct: float
    outside_wt_pct: float
    sigmas: float


@dataclass(frozen=True, slots=True)
class Match:
    """A recipe against an analysis.

    ``distance`` is the root of the summed squares of the sigmas: zero when every measured element lies in its window.
    ``off_target_wt_pct`` is the sum of differences from the target, which orders recipes that fit alike.
    """

    recipe: Recipe
    distance: float
    off_target_wt_pct: float
    misses: tuple[Miss, ...]
    words: str


def combine_readings(readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """Several readings of the same elements into one each, weighted by the inverse square of their uncertainties.

    The combined uncertainty is widened when the readings scatter more than they claim. A reading below a limit counts
    only where an element has no other; it becomes half the limit, give or take a third of it.

    >>> both = combine_readings([Reading("Sn", 50.0, 0.5), Reading("Sn", 51.0, 0.5)])
    >>> both[0].wt_pct, round(both[0].uncertainty_wt_pct, 2)
    (50.5, 0.5)
    """
    combined = []
    for element in ELEMENTS:
        mine = [r for r in readings if r.element == element and not r.below_limit]
        if mine:
            weights = [r.uncertainty_wt_pct**-2 for r in mine]
            mean = sum(w * r.wt_pct for w, r in zip(weights, mine, strict=True)) / sum(weights)
            scatter = sum(w * (r.wt_pct - mean) ** 2 for w, r in zip(weights, mine, strict=True))
            widening = max(1.0, scatter / (len(mine) - 1)) if len(mine) > 1 else 1.0
            combined.append(Reading(element, mean, math.sqrt(widening / sum(weights))))
            continue
        limits = [r.wt_pct for r in readings if r.element == element and r.wt_pct > 0.0]
        if limits:
            combined.append(Reading(element, min(limits) / 2.0, min(limits) / 3.0, below_limit=True))
    return tuple(combined)


# What metal of a pipe shop may hold of an element that nobody measured, percent by mass (common practice, no source). For
# the minor elements that is the range on which the data were checked; tin and lead may be anything.
_UNMEASURED_WT_PCT = {"Pb": 100.0, "Sn": 100.0, **ASSESSED_LIMITS_WT_PCT}
_TWO_SIDED_95 = 1.96


@dataclass(frozen=True, slots=True)
class Analysed:
    """A composition from readings, with an interval of 95 % for every element.

    Attributes:
        composition: the most likely one; elements not measured are taken as zero, lead or tin as the rest.
        intervals_wt_pct: element, lowest, highest; wide for what was not measured.
        sum_wt_pct: what the measured percentages add up to.
        notes: what was done with them, in words.
    """

    composition: Composition
    intervals_wt_pct: tuple[tuple[str, float, float], ...]
    sum_wt_pct: float
    notes: tuple[str, ...]

    def interval(self, element: str) -> tuple[float, float]:
        """Lowest and highest percent by mass of an element."""
        for name, low, high in self.intervals_wt_pct:
            if name == element:
                return low, high
        raise AlloyError("is not known", field="element", value=element, allowed=", ".join(ELEMENTS))


def analysed(readings: Sequence[Reading]) -> Analysed:
    """The composition that readings of one or several methods amount to.

    Readings of one element are weighted by the inverse square of their uncertainties. Without a reading of lead, lead is
    the rest; without one of tin, tin is. With both, the percentages are brought to 100 in proportion.

    Raises:
        AlloyError: neither tin nor lead measured, or a sum that the uncertainties cannot explain.

    >>> found = analysed([Reading("Sn", 50.2, 0.4), Reading("Sn", 49.6, 0.2), Reading("Sb", 0.5, 0.1)])
    >>> found.composition.text(), tuple(round(v, 1) for v in found.interval("Sn"))
    ('Sn 49.72 Sb 0.5 Pb bal', (49.2, 50.2))
    """
    combined = {r.element: r for r in combine_readings(readings)}
    if not {"Sn", "Pb"} & set(combined):
        raise AlloyError("has no reading of tin or lead", field="analysis", allowed="at least one of the two")
    total = math.fsum(r.wt_pct for r in combined.values())
    spread = math.hypot(*(r.uncertainty_wt_pct for r in combined.values()))
    rest = next((e for e in ("Pb", "Sn") if e not in combined), None)
    notes = [f"{e} is given as below its limit: half of it is taken" for e, r in combined.items() if r.below_limit]
    if total > 100.0 + 3.0 * spread + 0.05 or (rest is None and total < 100.0 - 3.0 * spread - 1.0):
        raise AlloyError(
            "do not add up",
            field="analysis",
            value=f"{total:.2f} % in all",
            allowed=Text("100 % within three standard uncertainties ({value} %)", value=Amount(3.0 * spread, "", 2)),
        )
    percents = {e: r.wt_pct for e, r in combined.items()}
    if rest is not None and total < 100.0:
        percents[rest] = 100.0 - total
        notes.append(f"{rest} is the rest")
    elif abs(total - 100.0) > 0.05:
        notes.append(f"the readings add up to {total:.2f} % and were brought to 100 in proportion")
    scale = 100.0 / math.fsum(percents.values())
    comp = Composition.from_wt_pct({e: scale * v for e, v in percents.items()})
    return Analysed(
        comp,
        tuple(_interval(e, comp, combined, rest, spread) for e in ELEMENTS),
        total,
        (*notes, *_unmeasured_note(combined, rest)),
    )


def _interval(
    element: str, comp: Composition, combined: Mapping[str, Reading], rest: str | None, spread: float
) -> tuple[str, float, float]:
    value = comp.wt_pct(element)
    if element in combined:
        reach = _TWO_SIDED_95 * combined[element].uncertainty_wt_pct
        return element, max(value - reach, 0.0), min(value + reach, 100.0)
    if element == rest:
        # What nobody measured comes out of the rest.
        hidden = sum(v for e, v in _UNMEASURED_WT_PCT.items() if e not in combined and e not in ("Pb", "Sn"))
        return element, max(value - _TWO_SIDED_95 * spread - hidden, 0.0), min(value + _TWO_SIDED_95 * spread, 100.0)
    return element, 0.0, min(_UNMEASURED_WT_PCT[element], comp.wt_pct(rest) if rest else 100.0)


def _unmeasured_note(combined: Mapping[str, Reading], rest: str | None) -> tuple[str, ...]:
    missing = [e for e in ELEMENTS if e not in combined and e != rest]
    if not missing:
        return ()
    return (f"not measured, taken as zero in the composition, as a wide interval beside it: {', '.join(missing)}",)


def match_analysis(
    analysis: Sequence[Reading] | Mapping[str, float | tuple[float, float]], recipes: Sequence[Recipe]
) -> list[Match]:
    """The recipes that an analysis comes nearest to, nearest first.

    Arguments:
        analysis: readings, or element to percent, or element to percent and standard uncertainty. Without one, 2 % of
            the value and at least 0.05 % is taken (common practice, no source). Elements not measured do not count.
        recipes: what to hold it against.
    Raises:
        AlloyError: nothing measured, or a value that is no percentage.

    >>> from pipemetal.alloys.composition import Composition
    >>> spotted = Recipe("spotted", Composition.parse("Sn 52 Sb 0.4 Pb bal"), (("Sn", 51, 53), ("Sb", 0.3, 0.5)))
    >>> match_analysis({"Sn": (50.0, 0.5), "Sb": 0.4}, [spotted])[0].words
    'Sn 50 is 1 below 51: 2.0 sigma'
    """
    if isinstance(analysis, Mapping):
        analysis = [Reading(e, *(v if isinstance(v, tuple) else (v, max(0.05, 0.02 * v)))) for e, v in analysis.items()]
    measured = combine_readings(analysis)
    if not measured:
        raise AlloyError("holds no reading", field="analysis", allowed=", ".join(ELEMENTS))
    return sorted((_match(measured, recipe) for recipe in recipes), key=lambda m: (m.distance, m.off_target_wt_pct))


def _match(measured: Sequence[Reading], recipe: Recipe) -> Match:
    misses = []
    for reading in measured:
        low, high = recipe.window(reading.element)
        outside = max(low - reading.wt_pct, reading.wt_pct - high, 0.0)
        misses.append(Miss(reading.element, reading.wt_pct, low, high, outside, outside / reading.uncertainty_wt_pct))
    misses.sort(key=lambda miss: -miss.sigmas)
    words = [
        f"{m.element} {m.measured_wt_pct:.3g} is {m.outside_wt_pct:.2g} "
        + (f"below {m.low_wt_pct:g}" if m.measured_wt_pct < m.low_wt_pct else f"above {m.high_wt_pct:g}")
        + f": {m.sigmas:.1f} sigma"
        for m in misses
        if m.outside_wt_pct > 0.0
    ]
    return Match(
        recipe,
        math.sqrt(sum(miss.sigmas**2 for miss in misses)),
        sum(abs(r.wt_pct - recipe.target.wt_pct(r.element)) for r in measured),
        tuple(misses),
        "; ".join(words) or "every measured element lies in its window",
    )
