"""A shop's own law from its logged casts, honest about how sure it is; no log stops it.

Thickness along every cast against rival laws, each with a departure over gate, speed, head, temperature and place
(:mod:`pipemetal.casting.fitting`); every reading is judged, the watch's error is estimated, groups and drift are
weighed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, TypedDict

import numpy as np

from pipemetal.casting.fitting import Fit, fitted
from pipemetal.casting.gateless import with_forgotten_gates
from pipemetal.casting.groups import DRIFT, Drift, GroupEffect, Groups, Weighed, groups_of, weighed
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, Array
from pipemetal.casting.next_cast import log_next
from pipemetal.casting.reduce import ReducedCast, gauge_of_log, reduced
from pipemetal.casting.run_up import RunUp
from pipemetal.casting.shop_law import STATION_SCATTER, ShopLaw
from pipemetal.casting.timing import push_scatter
from pipemetal.casting.watch import judged_watch
from pipemetal.errors import CastingError
from pipemetal.texts import Amount, Text, joined

__all__ = ["Calibration", "CastEffect", "LeftOut", "calibrate"]

# Casts that the joint range needs, and what a gate (mm), head (mm), speed (m/s) and superheat (K) may differ at no
# risk.
_FEWEST_FOR_JOINT = 6
_SOFT = (0.1, 3.0, 0.05, 4.0)
# A place or a cast further off than this many standard deviations is a misreading, not scatter.
_PLACE_SIGMAS, _FAR_SIGMAS, _CAST_SIGMAS = 4.5, 6.0, 4.0
# One cast in twenty is misread whole; a misread gate moves ln thickness by about this much (estimates).
_MISREAD_SHARE, _MISREAD_SD = 0.05, 0.3
# Casts that are looked at for it: the furthest off, and all of a short log, where one bends the law towards itself.
_SUSPECTS, _SHORT_LOG, _WEIGHED_LOG, _MOST_ROUNDS = 3, 15, 120, 6
# A cast with less solid at the gate than this was hot (share).
_SLUSH = 0.02


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A cast, or one reading of it (at ``at_m``), that the fit did not use, and why."""

    id: str
    reason: Text
    at_m: float | None = None


@dataclass(frozen=True, slots=True)
class CastEffect:
    """How one cast came out against the shop's law: percent thicker than expected, beyond what gate, head and
    speed explain.
    """

    id: str
    thicker_percent: float
    sigmas: float


@dataclass(frozen=True)
class Calibration:
    """The shop's law for the next push, what was used and left out, and how sure a new sheet is.

    ``predictive_half_width_percent`` is the 95 % half-width of the thickness at one place of a new cast within the log;
    ``own_scatter_percent`` that part of it which no further cast removes. ``watch`` says by how much the watch is
    worse than stated.
    """

    law: ShopLaw
    casts_used: int
    casts_left_out: tuple[LeftOut, ...]
    readings_left_out: tuple[LeftOut, ...]
    predictive_half_width_percent: float
    own_scatter_percent: float
    cast_effects: tuple[CastEffect, ...]
    groups: tuple[GroupEffect, ...]
    drift: Drift
    watch: tuple[Text, ...] = ()
    reduced: tuple[ReducedCast, ...] = field(default=(), repr=False)
    words: Text = field(default_factory=lambda: Text(""))

    @cached_property
    def log_next(self) -> Text:
        """Which cast next would teach most, in words."""
        return log_next(self.law, self.reduced)


def calibrate(casts: Sequence[LoggedCast]) -> Calibration:
    """Fit the shop's law to its log; without a usable cast the prior comes back, wide.

    Arguments:
        casts: as logged, in their order; partial ones are welcome, unusable ones come back with the reason.
    Raises:
        CastingError: two casts of one id; nothing else stops it.
    Sources: Kennedy & O'Hagan 2001 (discrepancy); rivals and priors see :mod:`pipemetal.casting.rivals`.

    >>> calibrate([]).law.casts_used
    0
    """
    if len({cast.id for cast in casts}) < len(casts):
        raise CastingError("is used by two casts", field="id", value=[cast.id for cast in casts][:8])
    casts = with_forgotten_gates(casts)
    left_out: list[LeftOut] = []
    readings: list[LeftOut] = []
    usable, run_up = _reduced(casts, left_out, readings)
    usable, watch = judged_watch(usable, {c.id: c for c in casts})
    if not usable:
        return _nothing(left_out, readings)
    by_id = {c.id: c for c in casts}
    usable, mask = _without_far_places(usable, readings)
    fit, groups, judged = _whole(usable, mask, by_id, None), _groups(usable, by_id), False
    for _ in range(_MOST_ROUNDS):
        again = _judged(fit, usable, mask, left_out, readings)
        if again is None:
            break
        usable, mask = again
        groups, judged = _groups(usable, by_id), True
        fit = _whole(usable, mask, by_id, (fit.cast_sd, fit.place_sd))
    found = weighed(groups, fit)
    if judged or found.on:
        fit = fitted(usable, mask, groups.extra(found.on, found.doubtful))
    return _calibration(
        fit, usable, groups, found, _Told(tuple(left_out), tuple(readings), watch, run_up, push_scatter(casts))
    )


def _groups(casts: Sequence[ReducedCast], logged: Mapping[str, LoggedCast]) -> Groups:
    return groups_of([logged[c.id] for c in casts])


def _whole(
    casts: Sequence[ReducedCast],
    mask: Sequence[Array],
    logged: Mapping[str, LoggedCast],
    scatters: tuple[float, float] | None,
) -> Fit:
    return fitted(casts, mask, _groups(casts, logged).extra({}), scatters)


def _without_far_places(casts: list[ReducedCast], readings: list[LeftOut]) -> tuple[list[ReducedCast], list[Array]]:
    """Places far off what powers alone can give, taken out before a departure that bends could follow them."""
    mask = [np.ones(len(c.x_m), dtype=bool) for c in casts]
    scatters: tuple[float, float] | None = None
    for _ in range(_MOST_ROUNDS):
        fit = fitted(casts, mask, None, scatters, bending=False)
        if not _places_out(fit, casts, mask, readings, _FAR_SIGMAS):
            break
        scatters = (fit.cast_sd, min(fit.place_sd, STATION_SCATTER))
    return casts, mask


def _places_out(
    fit: Fit, casts: Sequence[ReducedCast], mask: Sequence[Array], readings: list[LeftOut], limit: float
) -> bool:
    """Takes the worst tenth of the places out that are further off than a limit, and names them; whether any were."""
    off = np.abs(np.where(fit.used, fit.place_sigmas, 0.0))
    worst = max(limit, 0.6 * float(off.max(initial=0.0)))
    places = [(int(i), int(k)) for i, k in np.argwhere(off > worst)]
    for i, k in places:
        mask[i][k] = False
        at, sigmas = float(casts[i].x_m[k]), float(fit.place_sigmas[i, k])
        off_by = Amount(sigmas, "", 1, signed=True)
        words = Text("thickness at {a} is {b} sigma off", a=Amount(at, "m", 2), b=off_by)
        readings.append(LeftOut(casts[i].id, words, at))
    return bool(places)


MISREAD: Final = "reading of {a} at {b} stands off the others there"
EMPTIED: Final = "at {a} hardly any metal was left in the sled"


@dataclass(frozen=True)
class _Told:
    casts: tuple[LeftOut, ...]
    readings: tuple[LeftOut, ...]
    watch: tuple[Text, ...]
    run_up: RunUp
    push_scatter: float


def _reduced(
    casts: Sequence[LoggedCast], left_out: list[LeftOut], readings: list[LeftOut]
) -> tuple[list[ReducedCast], RunUp]:
    gauge = gauge_of_log(casts)
    first = [reduced(cast, gauge) for cast in casts]
    run_up = RunUp.of([c.run_up_ratio for c in first if isinstance(c, ReducedCast) and c.run_up_ratio is not None])
    usable = []
    for cast, tried in zip(casts, first, strict=True):
        weighed_out = cast.leftover_kg is not None or isinstance(tried, str)
        found = tried if weighed_out or not run_up.casts else reduced(cast, gauge, run_up)
        if isinstance(found, str):
            left_out.append(LeftOut(cast.id, found))
            continue
        usable.append(found)
        readings += [LeftOut(cast.id, words) for words in found.told]
        for d, t in found.misread:
            off = Text(MISREAD, a=Amount.short(t, "mm"), b=Amount(1e-3 * d, "m", 2))
            readings.append(LeftOut(cast.id, off, 1e-3 * d))
        readings += [LeftOut(cast.id, Text(EMPTIED, a=Amount(x, "m", 2)), x) for x in found.emptied_m]
    return usable, run_up


def _judged(
    fit: Fit, casts: list[ReducedCast], mask: list[Array], left_out: list[LeftOut], readings: list[LeftOut]
) -> tuple[list[ReducedCast], list[Array]] | None:
    """Casts and places that stay when the worst misreadings are taken out and named; None when all may stay."""
    places = _places_out(fit, casts, mask, readings, _PLACE_SIGMAS)
    far = "came out {a} sigma off: gate, fill or times misread?"
    gone = {i: Text(far, a=Amount(z, "", 1, signed=True)) for i, z in _misread_casts(fit)}
    if not places and not gone:
        return None
    gone |= {i: Text("most of its readings disagree") for i, m in enumerate(mask) if m.sum() < 2 and i not in gone}
    left_out += [LeftOut(casts[i].id, reason) for i, reason in gone.items()]
    return [c for i, c in enumerate(casts) if i not in gone], [m for i, m in enumerate(mask) if i not in gone]


def _misread_casts(fit: Fit) -> list[tuple[int, float]]:
    count = len(fit.effects)
    if count < 4:
        return []
    z = fit.effects / fit.effect_sds
    if count >= 6:
        # One misread gate widens the fitted scatter and hides itself in it; the middle half of the casts does not care.
        usual = 1.4826 * float(np.median(np.abs(fit.effects - np.median(fit.effects))))
        z = fit.effects / np.minimum(fit.effect_sds, max(1.2 * usual, 0.02))
    limit = max(_CAST_SIGMAS, 0.7 * float(np.abs(z).max()))
    casts = [(int(i), float(z[i])) for i in np.flatnonzero(np.abs(z) > limit)]
    # Many at once are no misreadings but a group, or a law that is not there yet.
    if casts or count > _WEIGHED_LOG:
        return casts if len(casts) <= max(1, count // 10) else []
    suspects = np.argsort(-np.abs(fit.effects))[: count if count <= _SHORT_LOG else _SUSPECTS]
    odds = [_misread_odds(fit, int(i)) for i in suspects]
    best = int(np.argmax(odds))
    return [(int(suspects[best]), float(z[suspects[best]]))] if odds[best] > 0.0 else []


def _misread_odds(fit: Fit, index: int) -> float:
    """Logarithm of the odds that one cast was misread, the scatter from cast to cast averaged.

    Sources: marginal likelihood of a contaminated normal (Box & Tiao, Biometrika 55 (1968) 119; not checked).
    """
    totals = []
    for broad in (_MISREAD_SD, 0.0):
        values = []
        for share in (0.35, 0.6, 1.0, 1.4):
            sds = np.full(len(fit.effects), share * fit.cast_sd)
            sds[index] = math.hypot(sds[index], broad)
            values.append(fit.linear.solved(sds, fit.place_sd).total)
        totals.append(float(np.logaddexp.reduce(values)))
    return totals[0] - totals[1] + math.log(_MISREAD_SHARE / (1.0 - _MISREAD_SHARE))


def _nothing(left_out: list[LeftOut], readings: list[LeftOut]) -> Calibration:
    law = ShopLaw.prior()
    own = 100.0 * TWO_SIDED_95 * math.hypot(law.cast_scatter, law.station_scatter)
    unusable = "no cast of the log can be used: what is known before any cast, wide"
    words = Text(unusable if left_out else "no cast logged: what is known before any cast, wide")
    return Calibration(
        law,
        0,
        tuple(left_out),
        tuple(readings),
        _PRIOR_HALF_WIDTH_PERCENT,
        own,
        (),
        (),
        Drift(0.0, 0.0, 0.0, 0.0, Text("no casts: no drift can be told")),
        words=words,
    )


# Half-width of the prior at a usual place (docs/casting.md).
_PRIOR_HALF_WIDTH_PERCENT = 45.0


def _calibration(fit: Fit, casts: list[ReducedCast], groups: Groups, found: Weighed, told: _Told) -> Calibration:
    law = ShopLaw(
        fit.parts,
        fit.basis,
        fit.cast_sd,
        fit.place_sd,
        groups.columns(found.on),
        groups.stretches,
        groups.present,
        len(casts),
        any(float(c.solid.max()) > _SLUSH for c in casts),
        told.run_up,
        push_scatter=told.push_scatter,
        **_logged(casts),
    )
    spread = law.spread(fit.at)
    own = math.hypot(law.cast_scatter, law.station_scatter)
    half_width = 100.0 * TWO_SIDED_95 * float(np.median(np.hypot(spread, own)))
    effects = tuple(
        CastEffect(cast.id, 100.0 * math.expm1(float(e)), float(e / s))
        for cast, e, s in zip(casts, fit.effects, fit.effect_sds, strict=True)
    )
    return Calibration(
        law,
        len(casts),
        told.casts,
        told.readings,
        half_width,
        100.0 * TWO_SIDED_95 * own,
        effects,
        found.effects,
        found.drift,
        told.watch,
        tuple(casts),
        _words(len(casts), len(told.casts), half_width, 100.0 * TWO_SIDED_95 * own, found),
    )


def _words(used: int, left_out: int, half_width: float, own: float, found: Weighed) -> Text:
    known = (
        "{casts}, {out} left out; a new sheet is known to {c} %: {own} % is the shop's own scatter, which no further cast "
        "removes, {open} % is what the law leaves open (they add as squares)"
    )
    casts = Text("1 cast used") if used == 1 else Text("{n} casts used", n=used)
    still_open = Amount(math.sqrt(max(half_width**2 - own**2, 0.0)))
    said = [Text(known, casts=casts, out=left_out, c=Amount(half_width), own=Amount(own), open=still_open)]
    counted = [Text(kind) for kind in found.on if kind != DRIFT]
    if counted:
        said.append(Text("counted in: {kinds}", kinds=joined(counted, ", ")))
    if DRIFT in found.on:
        sure = found.drift.low_percent > 0.0 or found.drift.high_percent < 0.0
        now = "the shop has drifted, and the law stands where it is now"
        said.append(Text(now if sure else "it may drift, and the law follows"))
    return joined(said)


class Logged(TypedDict, total=False):
    """What a log covers, as the law keeps it."""

    logged_low: tuple[float, ...]
    logged_high: tuple[float, ...]
    logged_centre: tuple[float, ...]
    logged_covariance: tuple[tuple[float, ...], ...]


def _logged(casts: Sequence[ReducedCast]) -> Logged:
    """Range, mean and covariance of what was cast; the covariance softened by a little of each usual size
    (estimate).
    """
    values = np.array([[1e3 * c.gate_m, 1e3 * c.head_m.mean(), c.speed_m_s.mean(), c.superheat_k] for c in casts])
    found: Logged = {
        "logged_low": tuple(float(v) for v in values.min(axis=0)),
        "logged_high": tuple(float(v) for v in values.max(axis=0)),
    }
    if len(casts) >= _FEWEST_FOR_JOINT:
        covariance = np.cov(values.T) + np.diag(np.square(_SOFT))
        found["logged_centre"] = tuple(float(v) for v in values.mean(axis=0))
        found["logged_covariance"] = tuple(tuple(float(v) for v in row) for row in covariance)
    return found
