"""A shop's own dross: factors by kind of lot and by element, fitted from melts that were weighed in, weighed out and
assayed.

Model: a melt loses of element e  L_e = sum over lots of  m d_kind [(1 - f) c_e w_e + f v_e],  with d the dross of a
kind, f the oxide in it, v the metal in the oxide (tin while there is tin, lead otherwise), w_e how much more of an
element goes with the metallic part than of lead; and a part that every melt loses whatever goes in (skin of the pot,
ladles), of the melt's own metal. What is fitted is log d, log w and the log of that part, from priors (`LossModel`; a
factor of 3 either way for a kind, of 2.2 for an element, at 95 %: estimates), so that few melts stay near the prior
and many speak for themselves.

Observed for each melt: in less out, in all and by element where the melt was assayed, and the dross itself where it was
weighed. Their errors share the scale, the analyses and how a melt was skimmed that day; a melt that does not fit
is believed less (Student's t with 4 degrees of freedom; Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import MeltError
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Heel, Lot
from pipemetal.texts import Amount, Text

__all__ = ["FittedFactor", "FittedLosses", "MeltRecord", "fit_dross"]

Array = npt.NDArray[np.float64]
Z95: Final = 1.959964
PRIOR_LOG_SD_KIND: Final = 0.56
PRIOR_LOG_SD_ELEMENT: Final = 0.40
EACH_MELT: Final = "each melt"
PRIOR_EACH_MELT_KG, PRIOR_LOG_SD_EACH_MELT = 0.4, 1.1
"""Dross of a melt that does not grow with its charge: 0.05 to 3.5 kg at 95 % (estimate)."""
DEGREES: Final = 4.0
WEIGHING_SD_KG: Final = 0.25
"""Of one weighing on a scale that is read to half a kilogram (estimate)."""
SCATTERS: Final = (0.05, 0.08, 0.12, 0.18, 0.26, 0.36, 0.5)
PRIOR_SCATTER, PRIOR_LOG_SD_SCATTER = 0.2, 0.7
DIRT_SHARE: Final = 0.05
OXYGEN_PER_METAL: Final = 0.212 / 0.788
LEAST_ASSAY_HALF_WT_PCT: Final = 0.02
ROUNDS: Final = 30
DOUBTED: Final = 0.35


@dataclass(frozen=True)
class MeltRecord:
    """A melt that was weighed in and out.

    `charged` holds each weighing in as a lot with the mass that went in; `out_kg` is everything that came out of it
    or stays in the pot after skimming, in `out_weighings` weighings. `assay` and its 95 % half-widths are those of
    the melt, None where it was not assayed.
    """

    name: str
    charged: tuple[Lot, ...]
    out_kg: float
    heel: Heel | None = None
    assay: Composition | None = None
    assay_half_wt_pct: tuple[tuple[str, float], ...] = ()
    dross_kg: float | None = None
    out_weighings: int = 1

    def __post_init__(self) -> None:
        where = Text("melt {name}", name=repr(self.name))
        if not self.charged:
            raise MeltError("is missing: nothing was weighed in", field="charged", where=where)
        if not (math.isfinite(self.out_kg) and self.out_kg > 0.0):
            raise MeltError("is not a mass", field="out_kg", value=self.out_kg, allowed="above 0 kg", where=where)
        if self.out_kg > 1.05 * self.in_kg:
            raise MeltError(
                "is more than went in",
                field="out_kg",
                value=round(self.out_kg, 2),
                allowed=Text("up to {in_kg}", in_kg=Amount(self.in_kg, "kg", 1)),
                where=where,
            )
        if self.dross_kg is not None and not 0.0 <= self.dross_kg <= self.in_kg:
            raise MeltError(
                "is not the dross of this melt",
                field="dross_kg",
                value=self.dross_kg,
                allowed="0 kg to what went in",
                where=where,
            )

    @property
    def in_kg(self) -> float:
        """Everything that was in the pot before skimming."""
        return math.fsum(lot.mass_kg for lot in self.charged) + (self.heel.mass_kg if self.heel else 0.0)


@dataclass(frozen=True)
class FittedFactor:
    """One factor: what it is of, its prior, and what the melts say with a 95 % interval.

    `learned` is how much narrower than the prior it is now: 0 nothing learned, 1 known.
    """

    name: str
    prior: float
    value: float
    low: float
    high: float
    learned: float


@dataclass(frozen=True)
class FittedLosses:
    """The shop's own losses. `scatter` is how much dross differs from melt to melt beyond the scale and the analyses,
    as a share; `doubted` names melts that do not fit. `each_melt_kg` is lost by every melt whatever goes in; `losses`
    holds it as a share of the shop's usual melt, spread over all kinds, while `factors` are without it."""

    losses: LossModel
    factors: tuple[FittedFactor, ...]
    melts: int
    scatter: float
    doubted: tuple[str, ...]
    each_melt_kg: float = 0.0


@dataclass(frozen=True)
class _Melt:
    """A melt in numbers: what is observed, its covariance without the scatter, and the bases that losses are
    linear in.
    """

    observed: Array
    covariance: Array
    metal: Array
    oxide: Array
    rows: tuple[int, ...]
    has_dross: bool


def fit_dross(melts: Sequence[MeltRecord], prior: LossModel | None = None) -> FittedLosses:
    """Dross factors from a shop's melts.

    Errors: MeltError for no melt at all.

    >>> scrap = Lot("S", "scrap", Composition.parse("Sn 50 Pb bal"), 400.0)
    >>> melts = [MeltRecord(f"M{i}", (scrap,), 388.0, dross_kg=12.0) for i in range(12)]
    >>> found = fit_dross(melts)
    >>> dict(found.losses.dross_share)["scrap"] > 0.025, dict(found.losses.dross_share)["pig"]
    (True, 0.008)
    """
    if not melts:
        raise MeltError("is empty: no melt to learn from", field="melts", allowed="melts weighed in and out")
    before = prior or LossModel()
    lots = sorted({lot.kind for melt in melts for lot in melt.charged})
    kinds = [*lots, EACH_MELT]
    assayed = {e for melt in melts if melt.assay is not None for lot in melt.charged for e in lot.composition.present()}
    elements = [e for e in ELEMENTS if e in assayed and e != "Pb"]
    held = [_numbers(melt, kinds, before.oxide_share) for melt in melts]
    start = np.log(
        [max(before.share_of(k), 1e-5) for k in lots]
        + [PRIOR_EACH_MELT_KG]
        + [max(dict(before.element_factor).get(e, 1.0), 0.05) for e in elements]
    )
    sds = [PRIOR_LOG_SD_KIND] * len(lots) + [PRIOR_LOG_SD_EACH_MELT] + [PRIOR_LOG_SD_ELEMENT] * len(elements)
    precision = np.diag(np.array(sds) ** -2.0)
    fits = [
        (scatter, *_fitted(held, start, precision, len(kinds), elements, before.oxide_share, scatter))
        for scatter in SCATTERS
    ]
    scatter, _, _, weights, best = min(fits, key=lambda fit: fit[4])
    theta, covariance = _averaged(fits, best)
    factors = tuple(
        _factor(name, float(start[i]), float(theta[i]), float(covariance[i, i]), float(precision[i, i]))
        for i, name in enumerate([*kinds, *elements])
    )
    each_kg = factors[len(lots)].value
    spread = each_kg / float(np.mean([melt.in_kg for melt in melts]))
    shares = dict(before.dross_share) | {f.name: min(f.value + spread, 0.3) for f in factors[: len(lots)]}
    by_element = dict(before.element_factor) | {f.name: min(f.value, 3.0) for f in factors[len(kinds) :]}
    losses = replace(before, dross_share=tuple(shares.items()), element_factor=tuple(by_element.items()))
    doubted = tuple(melt.name for melt, weight in zip(melts, weights, strict=True) if weight < DOUBTED)
    return FittedLosses(losses, factors, len(melts), scatter, doubted, each_kg)


def _averaged(fits: Sequence[tuple[float, Array, Array, list[float], float]], best: float) -> tuple[Array, Array]:
    """Mean and covariance over the scatters that the melts leave open, each by its evidence."""
    shares = np.array([math.exp(best - fit[4]) for fit in fits])
    shares /= shares.sum()
    mean = np.asarray(sum(share * fit[1] for share, fit in zip(shares, fits, strict=True)))
    spread = [fit[2] + np.outer(fit[1] - mean, fit[1] - mean) for fit in fits]
    return mean, np.asarray(sum(share * each for share, each in zip(shares, spread, strict=True)))


def _factor(name: str, prior: float, value: float, variance: float, precision: float) -> FittedFactor:
    sd = math.sqrt(variance)
    learned = 1.0 - sd * math.sqrt(precision)
    return FittedFactor(
        name,
        math.exp(prior),
        math.exp(value),
        math.exp(value - Z95 * sd),
        math.exp(value + Z95 * sd),
        max(learned, 0.0),
    )


def _numbers(melt: MeltRecord, kinds: Sequence[str], oxide_share: float) -> _Melt:
    """The rows of a melt: lost in all, then by element but lead where assayed, then the dross itself where weighed."""
    places = list(range(len(ELEMENTS)))
    rows = tuple(p for p in places if ELEMENTS[p] != "Pb") if melt.assay is not None else ()
    came, variance = np.zeros(len(ELEMENTS)), np.zeros(len(ELEMENTS))
    metal = np.zeros((len(ELEMENTS), len(kinds)))
    oxide = np.zeros((len(ELEMENTS), len(kinds)))
    parts = [(lot, lot.mass_kg) for lot in melt.charged]
    tin_kg = sum(mass * lot.composition.wt_pct("Sn") / 100.0 for lot, mass in parts)
    tin_kg += melt.heel.mass_kg * melt.heel.composition.wt_pct("Sn") / 100.0 if melt.heel else 0.0
    victim, share = ("Sn", 0.788) if tin_kg >= 0.01 * melt.in_kg else ("Pb", 0.928)
    for lot, mass in parts:
        fractions = np.array(lot.composition.fractions)
        came += mass * fractions
        variance += np.array([(mass * lot.half_width_wt_pct(e) / 100.0 / Z95) ** 2 for e in ELEMENTS])
        metal[:, kinds.index(lot.kind)] += mass * (1.0 - oxide_share) * fractions
        oxide[ELEMENTS.index(victim), kinds.index(lot.kind)] += mass * oxide_share * share
    if melt.heel is not None:
        came += melt.heel.mass_kg * np.array(melt.heel.composition.fractions)
        variance += np.array([(melt.heel.half_width_kg(e) / Z95) ** 2 for e in ELEMENTS])
    metal[:, kinds.index(EACH_MELT)] = (1.0 - oxide_share) * came / melt.in_kg
    oxide[ELEMENTS.index(victim), kinds.index(EACH_MELT)] = oxide_share * share
    observed, spread = [melt.in_kg - melt.out_kg], [0.0]
    scale_in, scale_out = [1.0], [1.0]
    if melt.assay is not None:
        stated = dict(melt.assay_half_wt_pct)
        for p in rows:
            half = max(stated.get(ELEMENTS[p], 0.0), LEAST_ASSAY_HALF_WT_PCT)
            observed.append(came[p] - melt.out_kg * melt.assay.fractions[p])
            spread.append(variance[p] + (melt.out_kg * half / 100.0 / Z95) ** 2)
            scale_in.append(came[p] / melt.in_kg)
            scale_out.append(melt.assay.fractions[p])
    if melt.dross_kg is not None:
        observed.append(melt.dross_kg)
        spread.append(WEIGHING_SD_KG**2 + (DIRT_SHARE * melt.dross_kg) ** 2)
        scale_in.append(0.0)
        scale_out.append(0.0)
    a, b = np.array(scale_in), np.array(scale_out)
    weighings = len(melt.charged) + (1 if melt.heel else 0)
    covariance = np.diag(spread) + WEIGHING_SD_KG**2 * (
        weighings * np.outer(a, a) + melt.out_weighings * np.outer(b, b)
    )
    return _Melt(np.array(observed), covariance, metal, oxide, rows, melt.dross_kg is not None)


def _predicted(melt: _Melt, theta: Array, kinds: int, elements: Sequence[str]) -> tuple[Array, Array]:
    """What a melt should lose, and its derivatives by log factors; rows as in `_numbers`."""
    shares = np.exp(theta[:kinds])
    factors = np.ones(len(ELEMENTS))
    for place, element in enumerate(elements):
        factors[ELEMENTS.index(element)] = math.exp(theta[kinds + place])
    by_kind = (melt.metal * factors[:, None] + melt.oxide) * shares
    by_element = melt.metal @ shares * factors
    lost = by_kind.sum(axis=1)
    slopes = np.zeros((len(ELEMENTS), len(theta)))
    slopes[:, :kinds] = by_kind
    for place, element in enumerate(elements):
        slopes[ELEMENTS.index(element), kinds + place] = by_element[ELEMENTS.index(element)]
    taken = [lost.sum(), *(lost[p] for p in melt.rows)]
    taken_slopes = [slopes.sum(axis=0), *(slopes[p] for p in melt.rows)]
    if melt.has_dross:
        oxygen = OXYGEN_PER_METAL * (melt.oxide @ shares).sum()
        taken.append(lost.sum() + oxygen)
        more = slopes.sum(axis=0)
        more[:kinds] += OXYGEN_PER_METAL * (melt.oxide * shares).sum(axis=0)
        taken_slopes.append(more)
    return np.array(taken), np.array(taken_slopes)


def _fitted(
    melts: Sequence[_Melt],
    start: Array,
    precision: Array,
    kinds: int,
    elements: Sequence[str],
    oxide_share: float,
    scatter: float,
) -> tuple[Array, Array, list[float], float]:
    """Factors, their covariance, the melts' weights and minus the log of the evidence (Laplace), for one scatter."""
    theta = start.copy()
    for _ in range(ROUNDS):
        hessian, gradient, weights, cost = precision.copy(), precision @ (start - theta), [], 0.0
        information = precision.copy()
        for melt in melts:
            taken, slopes = _predicted(melt, theta, kinds, elements)
            covariance = melt.covariance + scatter**2 * np.outer(taken, taken)
            miss = melt.observed - taken
            solved = np.linalg.solve(covariance, np.column_stack([miss, slopes]))
            distance = float(miss @ solved[:, 0])
            count = len(miss)
            weight = (DEGREES + count) / (DEGREES + distance)
            # A melt that fits well tells no more than Student's t lets it on average (Lange et al. 1989).
            told = min(weight, (DEGREES + count) / (DEGREES + count + 2.0))
            hessian += weight * slopes.T @ solved[:, 1:]
            information += told * slopes.T @ solved[:, 1:]
            gradient += weight * slopes.T @ solved[:, 0]
            weights.append(weight)
            cost += 0.5 * float(np.linalg.slogdet(covariance)[1])
            cost += 0.5 * (DEGREES + count) * math.log1p(distance / DEGREES)
        step = np.linalg.solve(hessian, gradient)
        theta = theta + np.clip(step, -0.5, 0.5)
        if float(np.max(np.abs(step))) < 1e-6:
            break
    away = theta - start
    cost += 0.5 * float(away @ precision @ away) + 0.5 * float(np.linalg.slogdet(hessian)[1])
    cost += 0.5 * ((math.log(scatter) - math.log(PRIOR_SCATTER)) / PRIOR_LOG_SD_SCATTER) ** 2
    return theta, np.asarray(np.linalg.inv(information)), weights, cost
