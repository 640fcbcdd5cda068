"""What a piece of metal is: tin from a weighing in air and in water, and the recipes that an analysis comes nearest to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.alloys.elements import element_value
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import AlloyError

__all__ = [
    "Match",
    "Miss",
    "Reading",
    "TinAssay",
    "combine_readings",
    "density_from_weighing",
    "match_analysis",
    "tin_from_weighing",
    "water_density_g_cm3",
]

AIR_DENSITY_G_CM3 = 0.0012

# Parts of the interval, in percent of the volume of the piece (each a bound that 95 of 100 pieces keep to).
_END_DENSITIES_PCT = 0.1
_MIXING_RULE_PCT = 0.15
_WATER_PCT_PER_K = 0.02
# Pores make a piece lighter, so it reads as more tin than it holds. Estimates, no source: shop pieces differ.
_PORES_PCT = {"worked": 0.05, "as cast": 0.5}


@dataclass(frozen=True, slots=True)
class TinAssay:
    """Tin by weighing: percent by mass with its 95 % interval, the density found, and what to know about the number."""

    sn_wt_pct: float
    sn_wt_pct_low: float
    sn_wt_pct_high: float
    density_g_cm3: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured percentage of an element with its standard uncertainty; ``below_limit`` says: less than this."""

    element: str
    wt_pct: float
    uncertainty_wt_pct: float
    below_limit: bool = False

    def __post_init__(self) -> None:
        if self.element not in ELEMENTS:
            raise AlloyError("is not known", field="element", value=self.element, allowed=", ".join(ELEMENTS))
        if not math.isfinite(self.wt_pct) or not 0.0 <= self.wt_pct <= 100.0:
            raise AlloyError("is not a percentage", field=self.element, value=self.wt_pct, allowed="0 to 100")
        if not math.isfinite(self.uncertainty_wt_pct) or self.uncertainty_wt_pct <= 0.0:
            raise AlloyError("must be above nought", field=f"uncertainty of {self.element}",
                             value=self.uncertainty_wt_pct)  # fmt: skip


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

    ``distance`` is the root of the summed squares of the sigmas: nought when every measured element lies in its window.
    ``off_target_wt_pct`` is the sum of differences from the target, which orders recipes that fit alike.
    """

    recipe: Recipe
    distance: float
    off_target_wt_pct: float
    misses: tuple[Miss, ...]
    words: str


def water_density_g_cm3(temperature_c: float) -> float:
    """Density of clean water free of air bubbles, 0 to 40 C.

    Sources: Tanaka et al., Metrologia 38 (2001) 301, eq. 1 (constants from memory; 0.998207 at 20 C checked).

    >>> round(water_density_g_cm3(20.0), 6)
    0.998207
    """
    if not math.isfinite(temperature_c) or not 0.0 <= temperature_c <= 40.0:
        raise AlloyError("is outside the table of water", field="water_temperature_c", value=temperature_c,
                         allowed="0 to 40 C")  # fmt: skip
    t = temperature_c
    return 0.99997495 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def density_from_weighing(air_g: float, water_g: float, water_temperature_c: float = 20.0) -> float:
    """Density in g/cm3 of a piece from its weight in air and hanging in water, corrected for the lift of air.

    Arguments:
        air_g: weight in air; water_g: weight in water without the thread, above nought and less than in air.
    Raises:
        AlloyError: weights that are no weights, or water outside 0 to 40 C.

    >>> round(density_from_weighing(50.0, 44.375), 2)
    8.86
    """
    for name, value in (("air_g", air_g), ("water_g", water_g)):
        if not math.isfinite(value) or value <= 0.0:
            raise AlloyError("must be a weight above nought", field=name, value=value)
    if water_g >= air_g:
        raise AlloyError("must be less than the weight in air", field="water_g", value=water_g,
                         allowed=f"below {air_g:g} g")  # fmt: skip
    lift = water_density_g_cm3(water_temperature_c) - AIR_DENSITY_G_CM3
    return air_g / (air_g - water_g) * lift + AIR_DENSITY_G_CM3


def tin_from_weighing(
    air_g: float,
    water_g: float,
    water_temperature_c: float = 20.0,
    balance_g: float = 0.01,
    *,
    sb_wt_pct: float = 0.0,
    sb_uncertainty_wt_pct: float = 0.0,
    bi_wt_pct: float = 0.0,
    cu_wt_pct: float = 0.0,
    water_temperature_uncertainty_k: float = 1.0,
    state: str = "worked",
    lead_density_g_cm3: float | None = None,
    tin_density_g_cm3: float | None = None,
) -> TinAssay:
    """Tin content of a lead-tin piece from its weight in air and in water.

    Arguments:
        balance_g: what the balance may be wrong by, each time.
        sb_wt_pct, sb_uncertainty_wt_pct: antimony and by how much it may be off; unknown antimony reads as tin.
        bi_wt_pct, cu_wt_pct: taken as known.
        state: ``worked`` (rolled or hammered) or ``as cast``; castings have pores and read as too much tin.
        lead_density_g_cm3, tin_density_g_cm3: densities found in the same way on pieces known to be pure. Both given,
            they stand for the table's and take the errors of water and of end densities with them.
    Raises:
        AlloyError: weights that are no weights, or a density that no such metal has.
    Sources: volumes add to 0.1-0.3 % (Khairulin & Stankus, High Temp. 44 (2006)); elements from the CRC Handbook;
        share of pores: estimate, no source.

    >>> found = tin_from_weighing(200.0, 177.5)
    >>> round(found.sn_wt_pct, 1), round(found.sn_wt_pct_low, 1), round(found.sn_wt_pct_high, 1)
    (50.2, 49.8, 50.7)
    """
    if state not in _PORES_PCT:
        raise AlloyError("is not known", field="state", value=state, allowed=", ".join(_PORES_PCT))
    if (lead_density_g_cm3 is None) != (tin_density_g_cm3 is None):
        raise AlloyError("needs both pure pieces", field="lead_density_g_cm3 and tin_density_g_cm3")
    others = {"Sb": sb_wt_pct, "Bi": bi_wt_pct, "Cu": cu_wt_pct}
    for name, value in (*others.items(), ("sb_uncertainty", sb_uncertainty_wt_pct), ("balance_g", balance_g),
                        ("water_temperature_uncertainty_k", water_temperature_uncertainty_k)):  # fmt: skip
        if not math.isfinite(value) or not 0.0 <= value <= 30.0:
            raise AlloyError("is out of the ordinary", field=name, value=value, allowed="0 to 30")
    density = density_from_weighing(air_g, water_g, water_temperature_c)
    calibrated = lead_density_g_cm3 is not None
    lead = 1.0 / (lead_density_g_cm3 or element_value("solid_density", "Pb", 20.0))
    tin = 1.0 / (tin_density_g_cm3 or element_value("solid_density", "Sn", 20.0))
    span = tin - lead
    if not 0.03 < span < 0.07:
        raise AlloyError("do not look like pure lead and pure tin", field="lead_density_g_cm3 and tin_density_g_cm3")
    taken = sum(w / 100.0 * (1.0 / element_value("solid_density", e, 20.0) - lead) for e, w in others.items())
    sn = 100.0 * (1.0 / density - lead - taken) / span

    per_pct = 1.0 / (density * span)  # tin, in percent, that one percent of the volume reads as
    volume_cm3 = (air_g - water_g) / water_density_g_cm3(water_temperature_c)
    parts_pct = [
        100.0 * math.sqrt(2.0) * balance_g / volume_cm3,
        _MIXING_RULE_PCT,
        0.0 if calibrated else _END_DENSITIES_PCT,
        0.0 if calibrated else _WATER_PCT_PER_K * water_temperature_uncertainty_k,
    ]
    antimony = (1.0 / element_value("solid_density", "Sb", 20.0) - lead) / span * sb_uncertainty_wt_pct
    reach = math.hypot(*(per_pct * part for part in parts_pct), antimony)
    pores = per_pct * _PORES_PCT[state]
    low, high, most = sn - math.hypot(reach, pores), sn + reach, 100.0 - sum(others.values())
    if high < 0.0 or low > most:
        raise AlloyError("is that of no lead-tin metal", field="density_g_cm3", value=round(density, 3),
                         allowed=f"{1.0 / tin:.3f} to {1.0 / lead:.3f} g/cm3, a little more or less with other "
                                 "elements")  # fmt: skip
    notes = _assay_notes(sb_wt_pct, sb_uncertainty_wt_pct, state, calibrated, volume_cm3, low)
    sn, low, high = (min(max(value, 0.0), most) for value in (sn, low, high))
    return TinAssay(sn, low, high, density, notes)


def _assay_notes(
    sb_wt_pct: float, sb_uncertainty: float, state: str, calibrated: bool, volume_cm3: float, low: float
) -> tuple[str, ...]:
    notes = []
    if sb_wt_pct == 0.0 and sb_uncertainty == 0.0:
        notes.append("antimony was taken as nought: every percent of it in place of lead reads as 1.25 % of tin")
    if state == "as cast":
        notes.append("a casting has pores and reads as too much tin: hammer or roll the piece to be surer")
    if not calibrated:
        notes.append("weighing a piece of pure lead and one of pure tin the same way takes out water and thread")
    if volume_cm3 < 10.0:
        notes.append("the piece is small: 100 g or more narrows the interval")
    if low < 1.0:
        notes.append("less than about 1 % of tin cannot be told from none")
    return tuple(notes)


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
