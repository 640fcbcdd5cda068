"""What the length rule missed: fitted over pipes that were trimmed to their pitch, with few parameters.

Pipes of one rank are alike in more than is known of them, so a rank counts as one more source of scatter: the share of rank
`r`, pipe `i` is parameters times traits, and one number for the rank, and one for the pipe. How large the ranks' own numbers
are is taken where it makes the shares likeliest (restricted likelihood: Patterson and Thompson 1971, text-book form).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.pipes.learned import CLOSED, OWN_SHARE, LearnedLengths, slopes_of
from pipemetal.pipes.robust import mad_scale, student_t
from pipemetal.sound.trimmed import Trimmed
from pipemetal.texts import Text

__all__ = ["Known", "Learned", "Unknown", "learn_lengths"]

Floats = NDArray[np.float64]
LEAST_PIPES: Final = 5
FOR_SLOPE: Final = 12
FOR_RANKS: Final = 3
"""What is one for all pipes of a rank is told from other ways in which ranks differ by so many different values only."""
LEAST_SPREAD: Final = {"by_octave": 1.0, "by_mouth": 0.3, "by_cut_up": 0.3, "by_wind": 1.0}
"""From the least to the most, in the units of the parameter; less shows nothing."""
BASES: Final = ("by_diameter", "stopped")
SURE: Final = 0.99
OUT: Final = 4.0
RATIOS: Final = (0.0, *(4.0**k for k in range(-4, 6)))
"""Tried: variance of the ranks' own numbers by that of the pipes'."""


@dataclass(frozen=True)
class Known:
    """A parameter of `LearnedLengths` that the pipes tell, with its 95 % half-width."""

    parameter: str
    value: float
    half_width: float


@dataclass(frozen=True)
class Unknown:
    """A parameter that the pipes do not tell, and why; it is left at 0."""

    parameter: str
    why: Text


@dataclass(frozen=True)
class Learned:
    """What was learned.

    Parameters
    ----------
    lengths : what is added to bodies
    known, unknown : every parameter, with its interval or with why it is not known
    pipes_used, ranks_used : what it rests on
    left_out : pipes that are unlike the others
    missed_before_cents, missed_after_cents : rms of what was missed, by the rule alone and with this; each rank foretold by the
        other ranks, of one rank alone each pipe by the others
    missed_before_mm, missed_after_mm : the same in length, the mean without its sign
    """

    lengths: LearnedLengths
    known: tuple[Known, ...]
    unknown: tuple[Unknown, ...]
    pipes_used: int
    ranks_used: int
    left_out: tuple[str, ...]
    missed_before_cents: float
    missed_after_cents: float
    missed_before_mm: float
    missed_after_mm: float


@dataclass(frozen=True)
class _Held:
    """The pipes as numbers: shares of the diameter, the columns that each parameter may have, the rank of each."""

    share: Floats
    columns: dict[str, Floats]
    rank: NDArray[np.int64]

    def of(self, kept: NDArray[np.bool_]) -> _Held:
        return _Held(self.share[kept], {k: v[kept] for k, v in self.columns.items()}, self.rank[kept])

    def design(self, names: Sequence[str]) -> Floats:
        return np.stack([self.columns[name] for name in names], axis=1)


@dataclass(frozen=True)
class _Fit:
    """Parameters by name with their covariance and degrees of freedom, and the own number of each rank."""

    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    free: tuple[float, ...]
    own: dict[int, float]

    def half_width(self, name: str, probability: float = 0.95) -> float:
        at = self.names.index(name)
        return student_t(probability, max(1, round(self.free[at]))) * math.sqrt(float(self.covariance[at, at]))

    def value(self, name: str) -> float:
        return float(self.values[self.names.index(name)])


def _held(trimmed: Sequence[Trimmed]) -> _Held:
    share = np.array([(p.length_mm - p.rule_mm) / p.traits.diameter_mm for p in trimmed])
    closed = np.array([p.traits.construction in CLOSED for p in trimmed])
    columns = {"by_diameter": (~closed).astype(float), "stopped": closed.astype(float)}
    slopes = [slopes_of(p.traits) for p in trimmed]
    columns |= {name: np.array([s[name] for s in slopes]) for name in LEAST_SPREAD}
    columns |= {name: np.array([float(p.traits.construction == name) for p in trimmed]) for name in OWN_SHARE}
    ranks = {name: k for k, name in enumerate(dict.fromkeys(p.rank for p in trimmed))}
    return _Held(share, columns, np.array([ranks[p.rank] for p in trimmed]))


def _solve(held: _Held, names: Sequence[str], ratio: float) -> tuple[Floats, Floats, float, float, dict[int, float]]:
    """Parameters, covariance, variance of a pipe, restricted log likelihood, own numbers of the ranks; for one ratio."""
    x, y = held.design(names), held.share
    ranks = np.unique(held.rank)
    wx, wy, log_size = x.copy(), y.copy(), 0.0
    for r in ranks:  # V^-1 = I - c 11' within a rank of n pipes, c = ratio / (1 + n ratio)
        inside = held.rank == r
        n = int(np.count_nonzero(inside))
        c = ratio / (1.0 + n * ratio)
        wx[inside] -= c * np.sum(x[inside], axis=0)
        wy[inside] -= c * np.sum(y[inside])
        log_size += math.log1p(n * ratio)
    normal = x.T @ wx
    values = np.linalg.solve(normal, x.T @ wy)
    left = y - x @ values
    free = max(len(y) - len(names), 1)
    variance = max(float(left @ (wy - wx @ values)) / free, 1e-12)
    likelihood = -0.5 * (free * math.log(variance) + log_size + float(np.linalg.slogdet(normal)[1]))
    own = {
        int(r): ratio * float(np.sum(left[held.rank == r])) / (1.0 + ratio * int(np.count_nonzero(held.rank == r)))
        for r in ranks
    }
    covariance: Floats = np.asarray(np.linalg.inv(normal) * variance, dtype=np.float64)
    return np.asarray(values), covariance, variance, likelihood, own


def _fit(held: _Held, names: Sequence[str]) -> _Fit:
    ranks = len(np.unique(held.rank))
    # what is one for all pipes of a rank is known by as many ranks as there are beyond such parameters
    spare = max(ranks - sum(_is_of_rank(held, name) for name in names), 1)
    tries = RATIOS if ranks > 1 else (0.0,)
    ratio = max(tries, key=lambda r: _solve(held, names, r)[3])
    values, covariance, variance, _, own = _solve(held, names, ratio)
    alone = np.linalg.inv(held.design(names).T @ held.design(names)) * variance
    free = []
    for k in range(len(names)):
        # Satterthwaite: what the ranks add to the variance is known by few ranks only
        within = min(float(alone[k, k]), float(covariance[k, k]))
        between = float(covariance[k, k]) - within
        pipes = max(len(held.share) - len(names), 1)
        spread = between**2 / spare + within**2 / pipes
        free.append((between + within) ** 2 / max(spread, 1e-30))
    return _Fit(tuple(names), values, covariance, tuple(free), own)


def _is_of_rank(held: _Held, name: str) -> bool:
    """Whether a column says hardly more than one number for every rank."""
    column = held.columns[name]
    inside = sum(float(np.ptp(column[held.rank == r])) for r in np.unique(held.rank))
    return inside < 0.5 * LEAST_SPREAD.get(name, 1.0) * len(np.unique(held.rank))


def _why_not(held: _Held, name: str) -> Text | None:
    """Why a parameter cannot be told from these pipes at all; None where it can."""
    column = held.columns[name]
    if name in OWN_SHARE:
        count = int(np.count_nonzero(column))
        if count == 0:
            return Text("no pipe of this construction")
        alike = held.columns["by_diameter"] > 0.0
        if count < LEAST_PIPES or np.count_nonzero(alike & (column == 0.0)) < LEAST_PIPES:
            return Text("fewer than {least} pipes of it, or beside it", least=LEAST_PIPES)
        return None
    if len(column) < FOR_SLOPE:
        return Text("fewer than {least} pipes", least=FOR_SLOPE)
    if float(np.ptp(column)) < LEAST_SPREAD[name] - 1e-9:
        return Text("too much alike in all pipes")
    values = {int(r): np.unique(np.round(column[held.rank == r], 3)) for r in np.unique(held.rank)}
    of_rank = all(float(np.ptp(v)) < 0.5 * LEAST_SPREAD[name] for v in values.values())
    if of_rank and len({float(np.round(np.mean(v), 2)) for v in values.values()}) < FOR_RANKS:
        return Text("fewer than {least} ranks that differ in it", least=FOR_RANKS)
    return None


def _bases(held: _Held) -> list[str]:
    return [name for name in BASES if np.count_nonzero(held.columns[name]) >= LEAST_PIPES]


def _chosen(held: _Held) -> tuple[_Fit, dict[str, Text]]:
    """The fit with every parameter that shows beyond doubt, the clearest first; and why others are left out."""
    names = _bases(held)
    why: dict[str, Text] = {}
    tries = []
    for name in (*LEAST_SPREAD, *OWN_SHARE):
        reason = _why_not(held, name)
        if reason is None:
            tries.append(name)
        else:
            why[name] = reason
    fit = _fit(held, names)
    while tries:
        found = next((x for size in (1, 2, 3) if (x := _clearest(held, names, tries, size)) is not None), None)
        if found is None:
            break
        fit = found
        # one that came in for another that was still missing goes again
        clear = [n for n in fit.names if n in BASES or abs(fit.value(n)) > fit.half_width(n, SURE)]
        if len(clear) < len(fit.names):
            fit = _fit(held, clear)
        tries = [n for n in tries if n not in fit.names]
        if set(clear) == set(names):
            break
        names = clear
    return fit, why | {name: Text("not to be told from chance") for name in tries}


def _clearest(held: _Held, names: Sequence[str], tries: Sequence[str], size: int) -> _Fit | None:
    """The fit with so many parameters more that shows all of them best; None where none shows them all beyond doubt.

    Two that ranks differ in hide each other: while one is missing, what it does counts as chance for the other.
    """
    sure = 1.0 - (1.0 - SURE) / (1, 5, 10)[size - 1]
    found: list[tuple[float, _Fit]] = []
    for more in combinations(tries, size):
        if np.linalg.cond(held.design([*names, *more])) < 1e4:
            one = _fit(held, [*names, *more])
            found.append((min(abs(one.value(n)) / max(one.half_width(n, sure), 1e-12) for n in more), one))
    best = max(found, default=None, key=lambda x: x[0])
    return best[1] if best is not None and best[0] > 1.0 else None


def _widths(held: _Held, fit: _Fit, maybe: Sequence[str]) -> dict[str, float]:
    """95 % half-widths that count what parameters that were left out as chance would change, one by one and together."""
    widths = {name: fit.half_width(name) for name in fit.names}
    shifts = dict.fromkeys(fit.names, 0.0)
    for more in [*((name,) for name in maybe), tuple(maybe)] if maybe else []:
        if np.linalg.cond(held.design([*fit.names, *more])) < 1e4:
            one = _fit(held, [*fit.names, *more])
            for told in fit.names:
                shifts[told] = max(shifts[told], abs(one.value(told) - fit.value(told)))
                widths[told] = max(widths[told], one.half_width(told))
    return {name: math.hypot(width, shifts[name]) for name, width in widths.items()}


def _left(held: _Held, fit: _Fit, *, own: bool) -> Floats:
    of_ranks = np.array([fit.own.get(int(r), 0.0) for r in held.rank])
    result: Floats = held.share - held.design(fit.names) @ fit.values - (of_ranks if own else 0.0)
    return result


def _foretold(held: _Held, names: Sequence[str]) -> Floats:
    """What each pipe misses by a fit without its rank; of one rank alone by a fit without itself."""
    groups = held.rank if len(np.unique(held.rank)) > 1 else np.arange(len(held.share))
    left = np.zeros(len(held.share))
    for group in np.unique(groups):
        out = groups == group
        rest = held.of(~out)
        usable = [n for n in names if np.any(rest.columns[n]) and (n in _bases(rest) or float(np.ptp(rest.columns[n])))]
        if not usable:
            left[out] = held.share[out]
            continue
        fit = (
            _fit(rest, usable) if np.linalg.cond(rest.design(usable)) < 1e6 else _fit(rest, _bases(rest) or usable[:1])
        )
        left[out] = _left(held.of(out), fit, own=False)
    return left


def learn_lengths(trimmed: Sequence[Trimmed]) -> Learned:
    """A share of the diameter, and what more of a pipe shows beyond doubt (99 %): octave, mouth, cut-up, wind, construction.

    Every parameter that the pipes do not tell is named with the reason. Every rank is also foretold by a fit without it: that is
    what is shown as missed after.

    Errors: SoundError for fewer than five open, or five closed pipes.

    >>> from pipemetal.pipes.learned import Traits
    >>> usual = Traits("open", 261.6, 60.0, 0.25, 0.25)
    >>> found = learn_lengths([Trimmed(f"P{k}", "P", usual, 600.0 + 1.2, 600.0, 1.5) for k in range(8)])
    >>> round(found.lengths.by_diameter, 4), found.lengths.by_octave
    (0.02, 0.0)
    """
    every = _held(trimmed)
    if not trimmed or not _bases(every):
        raise SoundError("are too few to learn from", field="pipes", value=len(trimmed), allowed="5 and more")
    # a kind with too few pipes for a share of its own says nothing
    kept = np.any(every.design(_bases(every)) > 0.0, axis=1)
    told = kept.copy()
    for _ in range(4):
        fit, why = _chosen(every.of(kept))
        left = _left(every, fit, own=True)
        wide = max(mad_scale(left[kept]), 1e-4)
        now = told & (np.abs(left) <= OUT * wide)
        if np.array_equal(now, kept) or not _bases(every.of(now)):
            break
        kept = now
    held = every.of(kept)
    fit, why = _chosen(held)
    cents = np.array([p.cents_per_mm * p.traits.diameter_mm for p in trimmed])[kept]
    mm = np.array([p.traits.diameter_mm for p in trimmed])[kept]
    testable = [n for n in (*LEAST_SPREAD, *OWN_SHARE) if n not in fit.names and _why_not(held, n) is None]
    widths = _widths(held, fit, testable)
    after = _foretold(held, fit.names)
    for name in BASES:
        if name not in fit.names:
            why[name] = Text("fewer than {least} pipes", least=LEAST_PIPES)
    return Learned(
        LearnedLengths(**{name: fit.value(name) for name in fit.names}),
        tuple(Known(name, fit.value(name), widths[name]) for name in fit.names),
        tuple(Unknown(name, reason) for name, reason in why.items()),
        len(held.share),
        len(np.unique(held.rank)),
        tuple(p.name for p, k in zip(trimmed, kept.tolist(), strict=True) if not k),
        float(np.sqrt(np.mean((held.share * cents) ** 2))),
        float(np.sqrt(np.mean((after * cents) ** 2))),
        float(np.mean(np.abs(held.share * mm))),
        float(np.mean(np.abs(after * mm))),
    )
