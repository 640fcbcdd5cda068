"""Which gate, box, cloth or crew casts thicker, and whether the shop drifts: from how each cast came out against the fit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.casting.calibrate import Calibration, CastEffect
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, Array, Coefficients

__all__ = ["Drift", "GroupEffect", "drift", "group_effects", "present_coefficients"]

KINDS = {"gate": "gate_name", "box": "sled_name", "cloth": "cloth_name", "crew": "crew"}
# What one gate, box, cloth or crew may differ from another before casts say so (estimate), and what a cast may
# differ from the one before for good (estimate): the grids carry half-normal weights of these widths.
_GROUP_SD, _STEP_SD, _SLOPE_SD = 0.04, 0.006, 0.004
_GROUP_GRID = np.linspace(0.0, 0.12, 25)
_STEP_GRID = (0.0, 0.002, 0.004, 0.008, 0.015)
_SLOPE_GRID = (0.0, 0.002, 0.004, 0.008)
# A shop that drifts shows more scatter from cast to cast than it has.
_SCATTER_SHARES = (0.4, 0.6, 0.8, 1.0)
_FIRST_LEVEL_SD = 0.1


@dataclass(frozen=True, slots=True)
class GroupEffect:
    """How much thicker one group casts than the mean of its kind, in percent, with its 95 % interval, drawn towards none."""

    kind: str
    name: str
    casts: int
    thicker_percent: float
    low_percent: float
    high_percent: float
    words: str


@dataclass(frozen=True, slots=True)
class Drift:
    """Where the shop stands now against the fit of its whole log, in percent of thickness, with its 95 % interval.

    ``change_percent`` is from the first cast to the last. ``step_sd`` is what a cast moves for good, in ln thickness.
    """

    now_percent: float
    low_percent: float
    high_percent: float
    change_percent: float
    step_sd: float
    words: str


def group_effects(found: Calibration, casts: Sequence[LoggedCast]) -> tuple[GroupEffect, ...]:
    """Groups that the log names twice or more, kind by kind; nothing of a kind with fewer than two groups.

    Sources: Gaussian random effects, their spread integrated over a grid (Gelman & Hill 2007, ch. 12, partial pooling; from
        memory). One kind at a time: groups that always changed together share what they show, and the words say so.

    >>> from pipemetal.casting.calibrate import calibrate
    >>> group_effects(calibrate([]), [])
    ()
    """
    named = {cast.id: cast for cast in casts}
    effects = [e for e in found.cast_effects if e.id in named]
    by_kind: dict[str, dict[str, str]] = {
        kind: {e.id: getattr(named[e.id], column) for e in effects if getattr(named[e.id], column)}
        for kind, column in KINDS.items()
    }
    return tuple(g for kind in KINDS for g in _of_kind(kind, by_kind, effects))


def _of_kind(kind: str, by_kind: Mapping[str, Mapping[str, str]], effects: Sequence[CastEffect]) -> list[GroupEffect]:
    names = by_kind[kind]
    used = [e for e in effects if e.id in names]
    groups = sorted(set(names.values()))
    if len(groups) < 2 or len(used) < 3:
        return []
    member = np.array([[names[e.id] == g for g in groups] for e in used], dtype=float)
    mean, sd = _shrunk(member, used)
    twins = [k for k in by_kind if k != kind and _partition(by_kind[k]) == _partition(names)]
    return [_group(kind, g, int(member[:, i].sum()), float(mean[i]), float(sd[i]), twins) for i, g in enumerate(groups)]


def _partition(names: Mapping[str, str]) -> frozenset[frozenset[str]]:
    return frozenset(frozenset(i for i in names if names[i] == g) for g in set(names.values()))


def _shrunk(member: Array, used: Sequence[CastEffect]) -> tuple[Array, Array]:
    """Means and deviations of the groups' offsets from the mean of the groups, over the grid of their spread."""
    offset = np.array([e.offset for e in used])
    sure = 1.0 / np.array([e.offset_sd**2 for e in used])
    ones = np.ones(len(used))
    centred = np.eye(member.shape[1]) - 1.0 / member.shape[1]
    weights, means, seconds = [], [], []
    for spread in _GROUP_GRID:
        # (own + spread^2 member member')^-1, by the few groups instead of the many casts (Woodbury)
        core = np.eye(member.shape[1]) + spread**2 * (member.T * sure) @ member
        scaled = member * sure[:, None]
        inverse = np.diag(sure) - spread**2 * scaled @ np.linalg.solve(core, scaled.T)
        log_det = float(np.log(sure).sum()) - float(np.linalg.slogdet(core)[1])
        total = float(ones @ inverse @ ones)
        common = float(ones @ inverse @ offset) / total
        rest = offset - common
        log_weight = -0.5 * float(rest @ inverse @ rest) + 0.5 * log_det - 0.5 * math.log(total)
        gain = spread**2 * member.T @ inverse
        mean = gain @ rest
        lacking = spread**2 * (np.eye(member.shape[1]) - gain @ member) + np.outer(gain @ ones, gain @ ones) / total
        mean, lacking = centred @ mean, np.diag(centred @ lacking @ centred)
        weights.append(log_weight - 0.5 * (spread / _GROUP_SD) ** 2)
        means.append(mean)
        seconds.append(lacking + mean**2)
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    mean = share @ np.array(means)
    return mean, np.sqrt(np.maximum(share @ np.array(seconds) - mean**2, 0.0))


def _group(kind: str, name: str, casts: int, mean: float, sd: float, twins: list[str]) -> GroupEffect:
    value, low, high = (100.0 * math.expm1(v) for v in (mean, mean - TWO_SIDED_95 * sd, mean + TWO_SIDED_95 * sd))
    told = "thicker" if low > 0.0 else "thinner" if high < 0.0 else "no difference that the log can tell"
    words = f"{kind} {name}: {value:+.1f} % ({low:+.1f} to {high:+.1f}), {casts} casts: {told}"
    if twins:
        words += f"; always changed together with the {' and the '.join(twins)}, so it may be either"
    return GroupEffect(kind, name, casts, value, low, high, words)


def drift(found: Calibration) -> Drift:
    """Whether casts come out ever thicker or thinner, in the order of the log.

    Against the mean of the last 200 casts. Sources: a level that moves a little for good from cast to cast (random walk) beside a
    steady slide, their sizes and the scatter integrated over a grid (dynamic linear model: West & Harrison 1997; from memory).
    """
    effects = found.cast_effects[-200:]
    if len(effects) < 6:
        return Drift(0.0, 0.0, 0.0, 0.0, 0.0, "fewer than six casts: no drift can be told")
    offset = np.array([e.offset for e in effects])
    own = np.array([e.offset_sd**2 for e in effects])
    step, slope, share = (
        np.array(values) for values in zip(*itertools.product(_STEP_GRID, _SLOPE_GRID, _SCATTER_SHARES), strict=True)
    )
    log_weight, means, variance = _filtered(offset, own, step, slope, share)
    log_weight = log_weight - 0.5 * (step / _STEP_SD) ** 2 - 0.5 * (slope / _SLOPE_SD) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    now, change = (float(v) for v in weight @ means)
    sd = math.sqrt(max(float(weight @ (variance + means[:, 0] ** 2)) - now**2, 0.0))
    low, high = (100.0 * math.expm1(now + side * TWO_SIDED_95 * sd) for side in (-1.0, 1.0))
    told = f"now {100.0 * math.expm1(now):+.1f} % against the whole log ({low:+.1f} to {high:+.1f})"
    told += ": the shop has drifted" if low > 0.0 or high < 0.0 else ": no drift that the log can tell"
    step_sd = float(weight @ step)
    return Drift(100.0 * math.expm1(now), low, high, 100.0 * math.expm1(change), step_sd, told)


def _filtered(offset: Array, own: Array, step: Array, slope: Array, share: Array) -> tuple[Array, Array, Array]:
    """Kalman filter of level and slide over the casts, for every size of step, slide and scatter at once.

    The state is the level, the slide for a cast, the sum of all levels so far and the first one, so that the last state tells
    where the shop stands against the mean and against its beginning. Gives ln evidence, those two means (grid, 2), and
    the variance of the first.
    """
    count = len(step)
    state, spread, evidence = np.zeros((count, 4)), np.zeros((count, 4, 4)), np.zeros(count)
    begun = np.array([[1.0, 0, 0, 0], [0, 1.0, 0, 0], [1.0, 1.0, 0, 0], [1.0, 1.0, 0, 0]])
    spread[:, 0, 0], spread[:, 1, 1] = _FIRST_LEVEL_SD**2 + step**2, slope**2
    spread = begun @ spread @ begun.T
    moved = np.array([1.0, 0.0, 1.0, 0.0])
    for t in range(1, len(offset) + 1):
        if t > 1:
            on = np.eye(4)
            on[2, 0], on[2, 1] = 1.0, float(t)
            state = state @ on.T
            spread = on @ spread @ on.T + step[:, None, None] ** 2 * np.outer(moved, moved)
        seen = np.array([1.0, float(t), 0.0, 0.0])
        towards = spread @ seen
        total = towards @ seen + share**2 * own[t - 1]
        miss = offset[t - 1] - state @ seen
        state = state + towards * (miss / total)[:, None]
        spread = spread - towards[:, :, None] * towards[:, None, :] / total[:, None, None]
        evidence -= 0.5 * (miss**2 / total + np.log(total))
    n = float(len(offset))
    asked = np.array([[1.0, n, -1.0 / n, 0.0], [1.0, n, 0.0, -1.0]])
    return evidence, state @ asked.T, np.einsum("i,gij,j->g", asked[0], spread, asked[0])


def present_coefficients(coefficients: Coefficients, now: Drift) -> Coefficients:
    """The coefficients moved to where the shop stands now, as unsure as its level is."""
    sd = (math.log1p(now.high_percent / 100.0) - math.log1p(now.low_percent / 100.0)) / (2.0 * TWO_SIDED_95)
    moved = (coefficients.mean[0] + math.log1p(now.now_percent / 100.0), *coefficients.mean[1:])
    covariance = np.array(coefficients.covariance)
    covariance[0, 0] += sd**2
    return replace(coefficients, mean=moved, covariance=tuple(tuple(float(v) for v in row) for row in covariance))
