"""What the log teaches beside the gate: the cloth's resistance from seconds to matt, the pouring range from
verdicts, lift times.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.freezing import Until, freeze, heat_curve
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.log import VERDICTS, LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, Array, ThermalSettings
from pipemetal.casting.mush import solid_at_gate
from pipemetal.casting.way import way_loss_k
from pipemetal.quantities import CAST

__all__ = [
    "ClothFit",
    "VerdictFit",
    "cloth_from_log",
    "lift_margin_from_log",
    "limits_from_verdicts",
    "modelled_seconds",
    "solid_of_cast",
]

# Share of solid at which the surface turns matt (60-90 %, estimate): what it is off is absorbed in the cloth's factor.
MATT_SHARE = 0.75
MOST_CASTS, MOST_VERDICTS = 150, 300
_CLOTH_SD = 0.35
# Seconds to matt may depart from the heat's law by thickness, table and superheat too: sizes weighed, and scatters
# (estimates).
_DEPARTURES, _SCATTERS = (0.02, 0.1, 0.25), (0.08, 0.12, 0.18, 0.27, 0.4)
_OFF_SIGMAS = 4.0
# Spreads of ln of the limits before any verdict: times to run (shortest, longest), shares of solid (edges stand, sets
# in the sled).
_TIME_SDS, _SOLID_SDS = (0.7, 0.95), (0.4, 0.3)
_BLUR = (0.25, 0.5)
# Metal less above its liquidus than this is slush to a crew; so many casts tell what a shop pours, and so large a
# share decides.
_SLUSH_BELOW_K, _FEWEST_POURED, _MOSTLY = 2.0, 3, 0.7
# Metal hotter than this above its liquidus is a slip of the pen (estimate).
_MOST_SUPERHEAT_K = 250.0
# How long a sheet lies, over its freezing on a cold table: before any log, and spread of its logarithm (estimates).
LIFT_MARGIN, _LIFT_SD, _LIFT_SCATTER, _LEAST_LIFT = 1.6, 0.3, 0.3, 1.1


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
    """Limits of the pouring range, spreads of the logarithms of the times to run, and the number of verdicts
    behind them.
    """

    limits: WindowLimits
    shortest_sd: float
    longest_sd: float
    verdicts_used: int


def cloth_from_log(casts: Sequence[LoggedCast], settings: ThermalSettings | None = None) -> ClothFit:
    """The factor on the cloth's resistance that logged seconds to matt ask for.

    Log-normal prior (95 % within a factor of two); departures by thickness, table and superheat, and the scatter from
    cast to cast, are averaged by their evidence. Casts without seconds to matt, temperatures or thickness do not
    count, nor those before the last 150 that have them: cloths wear, and are changed. One that is far off counts no
    more.

    >>> cloth_from_log([]).factor
    1.0
    """
    settings = settings or ThermalSettings()
    usable = [c for c in casts if c.seconds_to_matt and _has_heat(c)][-MOST_CASTS:]
    mean, variance = 0.0, _CLOTH_SD**2
    if usable:
        off = np.array(
            [math.log((c.seconds_to_matt or 1.0) / modelled_seconds(c, settings, MATT_SHARE)) for c in usable]
        )
        thicker = replace(settings, cloth_factor=min(1.2 * settings.cloth_factor, 10.0))
        some = usable[:: max(len(usable) // 12, 1)]
        # Seconds go with the factor nearly by a power, whose exponent hardly changes.
        power = float(
            np.median(
                [
                    math.log(modelled_seconds(c, thicker, MATT_SHARE) / modelled_seconds(c, settings, MATT_SHARE))
                    for c in some
                ]
            )
        ) / math.log(thicker.cloth_factor / settings.cloth_factor)
        rows = np.column_stack([np.full(len(off), power), *_departures(usable)])
        kept = np.ones(len(off), dtype=bool)
        for _ in range(2):
            mean, variance, rest, scatter = _weighed(rows[kept], off[kept], rows, off)
            kept = np.abs(rest) < _OFF_SIGMAS * scatter
    factor, reach = settings.cloth_factor * math.exp(mean), math.exp(TWO_SIDED_95 * math.sqrt(variance))
    fitted = replace(settings, cloth_factor=min(max(factor, 0.1), 10.0))
    return ClothFit(fitted, factor, factor / reach, factor * reach, len(usable))


def _departures(casts: Sequence[LoggedCast]) -> list[Array]:
    """Thickness, table and superheat about usual ones, in units of a usual change."""
    thickness = np.log([_thickness_mm(c) / 1.5 for c in casts])
    table = np.array(
        [((20.0 if c.table_temperature_c is None else c.table_temperature_c) - 25.0) / 20.0 for c in casts]
    )
    heat = np.array([(c.superheat_k - 20.0) / 20.0 for c in casts])
    return [thickness, table, heat]


def _weighed(rows: Array, off: Array, all_rows: Array, all_off: Array) -> tuple[float, float, Array, float]:
    """Mean and variance of the first column's number over all sizes and scatters; what is left of every cast, and
    the scatter.
    """
    logs, found = [], []
    for size, scatter in itertools.product(_DEPARTURES, _SCATTERS):
        prior = np.array([_CLOTH_SD, size, size, size])
        precision = rows.T @ rows / scatter**2 + np.diag(prior**-2.0)
        covariance = np.linalg.inv(precision)
        mean = covariance @ rows.T @ off / scatter**2
        evidence = -0.5 * (off @ off - off @ rows @ mean) / scatter**2 - len(off) * math.log(scatter)
        logs.append(evidence + 0.5 * float(np.linalg.slogdet(covariance)[1]) - float(np.log(prior).sum()))
        found.append((mean, covariance[0, 0], scatter))
    shares = np.exp(np.array(logs) - max(logs))
    shares /= shares.sum()
    mean = np.sum([w * f[0] for w, f in zip(shares, found, strict=True)], axis=0)
    variance = float(sum(w * (f[1] + (f[0][0] - mean[0]) ** 2) for w, f in zip(shares, found, strict=True)))
    return (
        float(mean[0]),
        variance,
        all_off - all_rows @ mean,
        float(sum(w * f[2] for w, f in zip(shares, found, strict=True))),
    )


def lift_margin_from_log(casts: Sequence[LoggedCast], settings: ThermalSettings | None = None) -> float:
    """How long this shop leaves its sheets, over what they take to freeze on a cold table; 1.6 without a log, never
    below 1.1.

    >>> lift_margin_from_log([])
    1.6
    """
    usable = [c for c in casts if c.lift_after_s and _has_heat(c)][-40:]
    total, right = _LIFT_SD**-2, 0.0
    for cast in usable:
        seconds = modelled_seconds(cast, settings or ThermalSettings(), 0.97)
        off = min(max(math.log((cast.lift_after_s or seconds) / seconds / LIFT_MARGIN), -1.0), 1.0)
        total += _LIFT_SCATTER**-2
        right += off * _LIFT_SCATTER**-2
    return max(LIFT_MARGIN * math.exp(right / total), _LEAST_LIFT)


def limits_from_verdicts(
    casts: Sequence[LoggedCast], settings: ThermalSettings | None = None, prior: WindowLimits | None = None
) -> VerdictFit:
    """The limits of both pouring bands, from what the crew said of its casts, and which band the shop pours in.

    Ordered probits: hot casts in ln time a film can run, slush in ln share of solid at the gate; two limits and a
    blur each, whole posterior on a grid. Casts too cold and too hot tell most: log failures. The last 300 verdicts
    count.

    >>> fit = limits_from_verdicts([])
    >>> round(fit.limits.shortest_mobile_s), round(fit.limits.longest_mobile_s), fit.verdicts_used
    (4, 20, 0)
    """
    settings, prior = settings or ThermalSettings(), prior or WindowLimits()
    prior = replace(prior, poured=_poured(casts))
    judged = [c for c in casts if c.verdict in VERDICTS and _has_heat(c)][-MOST_VERDICTS:]
    if not judged:
        return VerdictFit(prior, *_TIME_SDS, 0)
    hot = [c for c in judged if c.superheat_k >= _SLUSH_BELOW_K]
    slush = [(c, s) for c in judged if c.superheat_k < _SLUSH_BELOW_K and (s := solid_of_cast(c)) > 0.005]
    seconds = [max(modelled_seconds(c, settings, 0.25, prior), 0.05) for c in hot]
    (shortest, longest), sds = _limits(
        np.log(seconds),
        [c.verdict or "" for c in hot],
        (prior.shortest_mobile_s, prior.longest_mobile_s),
        _TIME_SDS,
    )
    # more solid is colder, more time to run is hotter: the words change places
    turned = {"too cold": "too hot", "too hot": "too cold"}
    words = [turned.get(c.verdict or "", "good") for c, _ in slush]
    (stands, sets), _ = _limits(
        np.log([s for _, s in slush]), words, (prior.edges_stand, prior.sets_in_sled), _SOLID_SDS
    )
    calm = max(longest * prior.calm_mobile_s / prior.longest_mobile_s, shortest)
    limits = replace(
        prior,
        shortest_mobile_s=min(max(shortest, 0.1), 120.0),
        calm_mobile_s=min(calm, 300.0),
        longest_mobile_s=min(longest, 600.0),
        edges_stand=stands,
        sets_in_sled=min(max(sets, stands + 0.03), 0.6),
        verdicts_used=len(judged),
    )
    return VerdictFit(limits, sds[0], sds[1], len(judged))


def _poured(casts: Sequence[LoggedCast]) -> tuple[tuple[float, bool], ...]:
    """Tin of every alloy and whether the shop pours it as slush, by its last casts; none that it pours both ways."""
    by_tin: dict[float, list[bool]] = {}
    for cast in casts:
        if cast.pour_temperature_c is not None and cast.spoiled is None:
            tin = 5.0 * round(cast.composition.wt_pct("Sn") / 5.0)
            by_tin.setdefault(tin, []).append(cast.superheat_k < _SLUSH_BELOW_K)
    found = []
    for tin, poured in sorted(by_tin.items()):
        last = poured[-20:]
        share = sum(last) / len(last)
        if len(last) >= _FEWEST_POURED and not 1.0 - _MOSTLY < share < _MOSTLY:
            found.append((tin, share >= _MOSTLY))
    return tuple(found)


def solid_of_cast(cast: LoggedCast) -> float:
    """Share of solid in what left the sled, by the logged temperatures."""
    table = 20.0 if cast.table_temperature_c is None else float(round(cast.table_temperature_c))
    return solid_at_gate(
        cast.composition, round(cast.pour_temperature_c or 0.0, 1), 1e-3 * cast.sled.inner_length_mm, table
    )


def _limits(
    values: Array, verdicts: Sequence[str], prior: tuple[float, float], prior_sds: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Both limits of an ordered probit and the spreads of their logarithms."""
    if not len(verdicts):
        return prior, prior_sds
    middle = np.log(prior)
    low = middle[0] + prior_sds[0] * np.linspace(-3.0, 3.0, 61)[:, None, None]
    high = middle[1] + prior_sds[1] * np.linspace(-3.0, 3.0, 61)[None, :, None]
    blur = _BLUR[0] * np.exp(_BLUR[1] * np.linspace(-2.0, 2.0, 7))[None, None, :]
    log_weight = -0.5 * (((low - middle[0]) / prior_sds[0]) ** 2 + ((high - middle[1]) / prior_sds[1]) ** 2)
    log_weight = log_weight - 0.5 * (np.log(blur / _BLUR[0]) / _BLUR[1]) ** 2
    log_weight = np.where(high > low + 0.1, log_weight, -1e9)
    for verdict, value in zip(verdicts, values, strict=True):
        cold, hot = 1.0 - _normal((value - low) / blur), _normal((value - high) / blur)
        chance = {"too cold": cold + 0.0 * hot, "too hot": hot + 0.0 * cold}.get(verdict, 1.0 - cold - hot)
        # One verdict in fifty is taken as a slip of the pen.
        log_weight = log_weight + np.log(0.98 * np.maximum(chance, 0.0) + 0.02 / 3.0)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    means = [float((weight * v).sum()) for v in (low, high)]
    sds = [math.sqrt(float((weight * (v - m) ** 2).sum())) for v, m in zip((low, high), means, strict=True)]
    return (math.exp(means[0]), math.exp(means[1])), (sds[0], sds[1])


def _normal(z: Array) -> Array:
    """Cumulative normal distribution, by a rational approximation of erf (7e-8).

    Sources: Abramowitz & Stegun (1964), 26.2.17.
    """
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * series
    result: Array = np.where(z >= 0.0, 1.0 - tail, tail)
    return result


def _thickness_mm(cast: LoggedCast) -> float:
    """The sheet's mean thickness by the readings that a sheet can have and that do not stand far off its middle one; zero
    where there is none. One reading misread ten times over must not speak for the sheet.
    """
    sound = [t for _, t in cast.thickness_mm if 0.2 <= t <= 10.0]
    middle = statistics.median(sound) if sound else 0.0
    near = [t for t in sound if 0.5 * middle <= t <= 2.0 * middle]
    return statistics.fmean(near) if near else 0.0


def _has_heat(cast: LoggedCast) -> bool:
    """Whether a cast tells anything of heat: its metal, and a sheet that the law of freezing knows."""
    if cast.spoiled is not None or cast.pour_temperature_c is None or not -80.0 < cast.superheat_k <= _MOST_SUPERHEAT_K:
        return False
    told = {"table_temperature_c": cast.table_temperature_c, "air_temperature_c": cast.air_temperature_c}
    known = all(value is None or CAST[name].holds(value) for name, value in told.items())
    return known and _thickness_mm(cast) > 0.0


def modelled_seconds(
    cast: LoggedCast, settings: ThermalSettings, share: float, limits: WindowLimits | None = None
) -> float:
    """Modelled time from laying to a share of solid, from what was logged; table and air at 20 C where they were
    not.
    """
    assert cast.pour_temperature_c is not None
    air = 20.0 if cast.air_temperature_c is None else cast.air_temperature_c
    table = air if cast.table_temperature_c is None else cast.table_temperature_c
    thickness = _thickness_mm(cast)
    limits = replace(limits or WindowLimits(), sled_length_mm=cast.sled.inner_length_mm)
    _, cloth_k = way_loss_k(cast.composition, thickness, table, air, settings, limits)
    curve = heat_curve(cast.composition)
    start = liquidus(cast.composition).temperature_c
    heat = curve.heat_at(cast.pour_temperature_c) - cloth_k * (
        curve.heat_at(start + 20.0) - curve.heat_at(start + 19.0)
    )
    frozen = freeze(
        cast.composition, thickness, curve.temperature_at(heat), table, air, settings, until=Until(solid=share + 0.02)
    )
    return max(frozen.time_to_s(share), 0.01)
