"""What the log teaches beside the gate: the cloth's resistance from seconds to matt, the window from verdicts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.freezing import freeze, heat_curve
from pipemetal.casting.log import VERDICTS, LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, ThermalSettings
from pipemetal.casting.window import WindowLimits, way_loss_k

__all__ = ["ClothFit", "VerdictFit", "cloth_from_log", "limits_from_verdicts"]

# Share of solid at which the surface turns matt (60-90 %, estimate): what it is off is absorbed in the cloth's factor.
MATT_SHARE = 0.75
MOST_CASTS, MOST_VERDICTS = 150, 300
_CLOTH_SD = 0.35
_MATT_SCATTER = 0.18
_LIMIT_SDS = (0.7, 0.95)
_BLUR = (0.25, 0.5)


@dataclass(frozen=True, slots=True)
class ClothFit:
    """The cloth's factor with its 95 % interval, and the number of casts behind it."""

    settings: ThermalSettings
    factor: float
    low: float
    high: float
    casts_used: int


@dataclass(frozen=True, slots=True)
class VerdictFit:
    """Window limits with the standard deviations of their logarithms, and the number of verdicts behind them."""

    limits: WindowLimits
    shortest_sd: float
    longest_sd: float
    verdicts_used: int


def cloth_from_log(casts: Sequence[LoggedCast], settings: ThermalSettings | None = None) -> ClothFit:
    """The factor on the cloth's resistance that logged seconds to matt ask for.

    Log-normal prior (95 % within a factor of two), scatter of 18 % from cast to cast (estimates). Casts without seconds
    to matt, temperatures or thickness do not count, nor those before the last 150 that have them: cloths wear, and are changed.

    >>> cloth_from_log([]).factor
    1.0
    """
    settings = settings or ThermalSettings()
    usable = [c for c in casts if c.seconds_to_matt and _has_heat(c)][-MOST_CASTS:]
    centre = factor = settings.cloth_factor
    precision = _CLOTH_SD**-2
    slopes: list[float] = []
    for _ in range(2 if usable else 0):
        near = replace(settings, cloth_factor=min(max(factor, 0.1), 7.0))
        here = [math.log(modelled_seconds(cast, near, MATT_SHARE)) for cast in usable]
        if not slopes:
            # Seconds go with the factor nearly by a power, whose exponent hardly changes: it is found once.
            off = replace(near, cloth_factor=near.cloth_factor * 1.2)
            there = [math.log(modelled_seconds(cast, off, MATT_SHARE)) for cast in usable]
            slopes = [(b - a) / math.log(1.2) for a, b in zip(here, there, strict=True)]
        total, right = _CLOTH_SD**-2, 0.0
        for cast, now, slope in zip(usable, here, slopes, strict=True):
            assert cast.seconds_to_matt is not None
            wanted = math.log(cast.seconds_to_matt) - now + slope * math.log(near.cloth_factor / centre)
            total += slope**2 / _MATT_SCATTER**2
            right += slope * wanted / _MATT_SCATTER**2
        factor, precision = centre * math.exp(right / total), total
    reach = math.exp(TWO_SIDED_95 / math.sqrt(precision))
    fitted = replace(settings, cloth_factor=min(max(factor, 0.1), 10.0))
    return ClothFit(fitted, factor, factor / reach, factor * reach, len(usable))


def limits_from_verdicts(
    casts: Sequence[LoggedCast], settings: ThermalSettings | None = None, prior: WindowLimits | None = None
) -> VerdictFit:
    """The times a film should be able to run, from what the crew said of its casts.

    Ordered probit in ln time with two limits and a blur, whole posterior on a grid. Casts too cold and too hot tell most:
    log failures. The last 300 verdicts count.

    >>> fit = limits_from_verdicts([])
    >>> round(fit.limits.shortest_mobile_s), round(fit.limits.longest_mobile_s), fit.verdicts_used
    (4, 20, 0)
    """
    settings, prior = settings or ThermalSettings(), prior or WindowLimits()
    usable = [c for c in casts if c.verdict in VERDICTS and _has_heat(c)][-MOST_VERDICTS:]
    if not usable:
        return VerdictFit(prior, *_LIMIT_SDS, 0)
    seconds = np.log([max(modelled_seconds(c, settings, 0.25, prior), 0.05) for c in usable])
    middle = np.log([prior.shortest_mobile_s, prior.longest_mobile_s])
    low = middle[0] + _LIMIT_SDS[0] * np.linspace(-3.0, 3.0, 61)[:, None, None]
    high = middle[1] + _LIMIT_SDS[1] * np.linspace(-3.0, 3.0, 61)[None, :, None]
    blur = _BLUR[0] * np.exp(_BLUR[1] * np.linspace(-2.0, 2.0, 7))[None, None, :]
    log_weight = -0.5 * (((low - middle[0]) / _LIMIT_SDS[0]) ** 2 + ((high - middle[1]) / _LIMIT_SDS[1]) ** 2)
    log_weight = log_weight - 0.5 * (np.log(blur / _BLUR[0]) / _BLUR[1]) ** 2
    log_weight = np.where(high > low + 0.2, log_weight, -1e9)
    for cast, t in zip(usable, seconds, strict=True):
        cold, hot = 1.0 - _normal((t - low) / blur), _normal((t - high) / blur)
        chance = {"too cold": cold + 0.0 * hot, "too hot": hot + 0.0 * cold}.get(cast.verdict or "", 1.0 - cold - hot)
        # One verdict in fifty is taken as a slip of the pen.
        log_weight = log_weight + np.log(0.98 * np.maximum(chance, 0.0) + 0.02 / 3.0)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    means, sds = [], []
    for values in (low, high):
        mean = float((weight * values).sum())
        means.append(mean)
        sds.append(math.sqrt(float((weight * (values - mean) ** 2).sum())))
    shortest, longest = (math.exp(m) for m in means)
    calm = max(longest * prior.calm_mobile_s / prior.longest_mobile_s, shortest)
    limits = replace(
        prior, shortest_mobile_s=shortest, calm_mobile_s=calm, longest_mobile_s=longest, verdicts_used=len(usable)
    )
    return VerdictFit(limits, sds[0], sds[1], len(usable))


def _normal(z: np.ndarray) -> np.ndarray:
    """Cumulative normal distribution, by a rational approximation of erf (7e-8).

    Sources: Abramowitz & Stegun (1964), 26.2.17.
    """
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * series
    result: np.ndarray = np.where(z >= 0.0, 1.0 - tail, tail)
    return result


def _has_heat(cast: LoggedCast) -> bool:
    return cast.pour_temperature_c is not None and cast.superheat_k > -5.0 and bool(cast.thickness_mm)


def modelled_seconds(
    cast: LoggedCast, settings: ThermalSettings, share: float, limits: WindowLimits | None = None
) -> float:
    """Modelled time from laying to a share of solid, from what was logged; table and air at 20 C where they were not."""
    assert cast.pour_temperature_c is not None
    air = 20.0 if cast.air_temperature_c is None else cast.air_temperature_c
    table = air if cast.table_temperature_c is None else cast.table_temperature_c
    thickness = float(np.mean([t for _, t in cast.thickness_mm]))
    limits = replace(limits or WindowLimits(), sled_length_mm=cast.sled.inner_length_mm)
    _, cloth_k = way_loss_k(cast.composition, thickness, table, air, settings, limits)
    curve = heat_curve(cast.composition)
    start = liquidus(cast.composition).temperature_c
    heat = curve.heat_at(cast.pour_temperature_c) - cloth_k * (
        curve.heat_at(start + 20.0) - curve.heat_at(start + 19.0)
    )
    frozen = freeze(
        cast.composition, thickness, curve.temperature_at(heat), table, air, settings, until_solid=share + 0.02
    )
    return max(frozen.time_to_s(share), 0.01)
