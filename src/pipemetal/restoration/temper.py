"""The pitch and the temperament that lengths speak for: every named temperament weighed, and that it may be none of them.

A temperament may also stand some half tones from where the keys say (pipes that were moved, a chamber pitch a tone lower, a
wolf between other notes). Pipes that do not belong are found for several temperaments, each its own, and every such set counts
by how well it explains the rest. What comes out are shares of belief: a set of names that holds 95 in 100, never one alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.pipes.robust import Floats
from pipemetal.pipes.scale_fit import Estimate
from pipemetal.pipes.temperament import TEMPERAMENTS, meantone_cents
from pipemetal.restoration.lengths import PLAIN_A_HZ, Spoken
from pipemetal.restoration.likelihood import GRID, Hyper, Readings, evidence, left_out_errors, readings_of
from pipemetal.restoration.record import PitchRange

__all__ = ["NONE_OF_THESE", "PATTERNS", "Leader", "OddPipe", "Share", "Tuning", "expected_cents", "tuning_of"]

NONE_OF_THESE: Final = "none of these"
MOVES: Final = (0, -3, -2, -1, 1, 2, 3, -5, 5)
"""Half tones by which a temperament may be moved against the keys; five moves the wolf by one fifth."""
MOVED_SHARE: Final = 0.12
NONE_SHARE: Final = 0.25
FREE_CENTS: Final = (2.0, 4.0, 9.0)
"""How far a temperament that is none of these lies from one of them, a step."""
OTHER_MEANTONES: Final = (1 / 3, 2 / 7, 2 / 9, 1 / 7, 1 / 8)
"""Shares of the comma of meantones that have no name in the list; they are weighed as `none of these`."""
WRONG_SHARE: Final = 0.03
WRONG_SIGMAS: Final = 2.5
MOST_WRONG_SHARE: Final = 0.3
TRIED: Final = 5
TRIED_ERRORS: Final = 6
"""Scatters and smooth errors, the likeliest, that a new pipe is foretold with."""
TRIED_SCATTERS: Final = (2.5, 6.0, 13.0)
SETS: Final = 12
SURE: Final = 0.95
NONE_COUNTS: Final = 0.025
"""`none of these` stands in the set from this share on: the list of temperaments with a name is short."""
TEN_TO_ONE: Final = 10.0
LEAST_PIPES: Final = 3
STEP_CENTS: Final = 0.25
ODD_CENTS: Final = 12.0
EDGE_CENTS: Final = 35.0
"""The range of pitches is taken so much wider at both ends: the ends are single organs, no wall."""
_NAMES: Final = tuple(TEMPERAMENTS)
PATTERNS: Final = tuple((name, move) for name in _NAMES for move in MOVES)


@dataclass(frozen=True)
class Share:
    """A temperament and its share of belief, 0 to 1. `odds` says how many times as likely the likeliest is."""

    name: str
    share: float
    odds: float


@dataclass(frozen=True)
class Leader:
    """Under what a temperament explains the lengths best: share, move, errors with weights, pipes that it sets aside."""

    name: str
    share: float
    move: int
    hypers: tuple[tuple[Hyper, float], ...]
    wrong: frozenset[int]


@dataclass(frozen=True)
class OddPipe:
    """A pipe whose length does not say what the others say: cents sharp of them, and by how many standard errors."""

    key: int
    cents: float
    sigmas: float


@dataclass(frozen=True)
class Tuning:
    """What the lengths say of pitch and temperament.

    Parameters
    ----------
    a_hz : pitch of the key a1 at `at_c`, with its 95 % limits
    shares : every name with its share, the likeliest first
    set_95 : the names that hold 95 % together
    moved : half tones by which the temperament lies from its keys, with their shares
    scatter_cents, smooth_cents : scatter of a pipe, size of the smooth error of the rule
    odd : pipes that do not belong by their lengths
    counted, recorded : keys whose lengths counted, and those that were heard
    log_evidence : of the whole, to be held against another construction
    at_edge : the lengths would go past the range of pitches, were it not for the range
    """

    a_hz: Estimate
    at_c: float
    shares: tuple[Share, ...]
    set_95: tuple[str, ...]
    moved: tuple[tuple[int, float], ...]
    scatter_cents: float
    smooth_cents: float
    odd: tuple[OddPipe, ...]
    counted: tuple[int, ...]
    recorded: tuple[int, ...]
    log_evidence: float
    at_edge: bool
    leaders: tuple[Leader, ...]  # of every name, the likeliest first

    @property
    def likeliest(self) -> str:
        """The name with the largest share that is a temperament."""
        return next(s.name for s in self.shares if s.name != NONE_OF_THESE)

    def weighed_for(self, chosen: str | None) -> list[tuple[Leader, float, float]]:
        """Leaders of the set, or of a temperament that was chosen alone: each with the cents that steps may lie off it, and
        its weight. `none of these` is the first of them with free steps."""
        if chosen is not None:
            return [(leader, 0.0, 1.0) for leader in self.leaders if leader.name == chosen]
        held = [(leader, 0.0, leader.share) for leader in self.leaders if leader.name in self.set_95]
        none = next(s.share for s in self.shares if s.name == NONE_OF_THESE)
        return [*held, (self.leaders[0], FREE_CENTS[-1], none)]

    @property
    def near(self) -> tuple[str, ...]:
        """Names within ten to one of the likeliest."""
        return tuple(s.name for s in self.shares if s.odds <= TEN_TO_ONE)


def expected_cents(readings: Readings) -> Floats:
    """What every temperament and move says of each reading: a column each."""
    steps = readings.step.astype(int)
    columns = []
    for name, move in PATTERNS:
        cents = np.array(TEMPERAMENTS[name].offsets_cents())
        columns.append(cents[(steps + move) % 12] - cents[(9 + move) % 12])
    return np.stack(columns, axis=1)


def _others(readings: Readings) -> Floats:
    """What the meantones without a name say of each reading."""
    steps = readings.step.astype(int)
    return np.stack([np.array(meantone_cents(share))[steps] for share in OTHER_MEANTONES], axis=1)


def _log_prior() -> Floats:
    moved = math.log(MOVED_SHARE / (len(MOVES) - 1))
    stays = math.log(1.0 - MOVED_SHARE)
    name = math.log((1.0 - NONE_SHARE) / len(_NAMES))
    return np.array([name + (stays if move == 0 else moved) for _, move in PATTERNS])


def _wrong_ones(readings: Readings, expected: Floats, hyper: Hyper) -> frozenset[int]:
    """Pipes that one temperament calls wrong at one scatter, the worst first, as long as that explains more than it costs."""
    wrong: frozenset[int] = frozenset()
    pipes = len(set(readings.pipe))
    price = math.log((1.0 - WRONG_SHARE) / WRONG_SHARE)
    while len(wrong) < MOST_WRONG_SHARE * pipes:
        error, sigma = left_out_errors(readings, expected, readings.covariance(hyper, wrong, 0.0))
        far = math.hypot
        gain = [
            0.5 * (e / s) ** 2 - 0.5 * (e / far(s, 120.0)) ** 2 - math.log(far(s, 120.0) / s) - price
            if p not in wrong and abs(e) > WRONG_SIGMAS * s
            else 0.0
            for e, s, p in zip(error.tolist(), sigma.tolist(), readings.pipe, strict=True)
        ]
        worst = int(np.argmax(gain))
        if gain[worst] <= 0.0:
            break
        wrong = wrong | {readings.pipe[worst]}
    return wrong


@dataclass(frozen=True)
class _Weighed:
    """One set of wrong pipes weighed: log weights and pitches, a row for each scatter, a column for each temperament."""

    wrong: frozenset[int]
    log: Floats
    a_cents: Floats
    a_sigma: Floats
    none_log: Floats
    none_cents: Floats
    none_sigma: Floats


def _weighed(readings: Readings, expected: Floats, wrong: frozenset[int], a_range: tuple[float, float]) -> _Weighed:
    price = len(wrong) * math.log(WRONG_SHARE) + (len(set(readings.pipe)) - len(wrong)) * math.log(1.0 - WRONG_SHARE)
    prior, unmoved = _log_prior(), [i for i, (_, move) in enumerate(PATTERNS) if move == 0]
    none_prior = math.log(0.5 * NONE_SHARE / len(unmoved) / len(FREE_CENTS))
    other_prior = math.log(0.5 * NONE_SHARE / len(OTHER_MEANTONES))
    others = _others(readings)
    # columns of nothing make the rows of both kinds of `none of these` equally long
    empty = len(unmoved) - len(OTHER_MEANTONES)
    held, none = [], []
    for hyper in GRID:
        found = evidence(readings, expected, readings.covariance(hyper, wrong, 0.0), a_range)
        held.append((found.log + prior + hyper.log_weight + price, found.a_cents, found.a_sigma))
        found = evidence(readings, others, readings.covariance(hyper, wrong, 0.0), a_range)
        filled = np.concatenate([found.log + other_prior + hyper.log_weight + price, np.full(empty, -np.inf)])
        none.append((filled, np.concatenate([found.a_cents, np.zeros(empty)]), found.a_sigma))
        for free in FREE_CENTS:
            found = evidence(readings, expected[:, unmoved], readings.covariance(hyper, wrong, free), a_range)
            none.append((found.log + none_prior + hyper.log_weight + price, found.a_cents, found.a_sigma))
    return _Weighed(
        wrong,
        np.stack([log for log, _, _ in held]),
        np.stack([a for _, a, _ in held]),
        np.array([s for _, _, s in held]),
        np.stack([log for log, _, _ in none]),
        np.stack([a for _, a, _ in none]),
        np.array([s for _, _, s in none]),
    )


def _sets(readings: Readings, expected: Floats, first: _Weighed) -> list[frozenset[int]]:
    """Sets of wrong pipes worth weighing: what the likeliest names would set aside, and nobody."""
    by_pattern = np.max(first.log, axis=0)
    order = [int(i) for i in np.argsort(-by_pattern)]
    names: list[str] = []
    chosen = []
    for index in order:
        if PATTERNS[index][0] not in names:
            names.append(PATTERNS[index][0])
            chosen.append(index)
    found: list[frozenset[int]] = [frozenset()]
    for index in chosen[:TRIED]:
        for scatter in TRIED_SCATTERS:
            hyper = Hyper(scatter, 8.0, 24.0, 0.0)
            wrong = _wrong_ones(readings, expected[:, index], hyper)
            if wrong not in found:
                found.append(wrong)
    return found[:SETS]


def _log_sum(values: Floats) -> float:
    top = float(np.max(values))
    return top + math.log(float(np.sum(np.exp(values - top))))


def tuning_of(spoken: Sequence[Spoken], known: PitchRange, unmeasured_mouths: float = 0.0) -> Tuning | None:
    """What pipes say of pitch and temperament; None for fewer than three that say anything."""
    counted = tuple(s.key for s in spoken if s.cents is not None and not s.altered)
    if len(set(counted) | {s.key for s in spoken if s.heard_cents is not None and not s.altered}) < LEAST_PIPES:
        return None
    readings = readings_of(spoken, unmeasured_mouths)
    a_range = _range_cents(known)
    expected = expected_cents(readings)
    first = _weighed(readings, expected, frozenset(), a_range)
    others = [_weighed(readings, expected, w, a_range) for w in _sets(readings, expected, first) if w]
    return _told(spoken, readings, expected, [first, *others], known)


def _range_cents(known: PitchRange) -> tuple[float, float]:
    """The range of pitches in cents, its ends a little wider."""
    low, high = (1200.0 * math.log2(hz / PLAIN_A_HZ) for hz in (known.low_hz, known.high_hz))
    return low - EDGE_CENTS, high + EDGE_CENTS


def _told(
    spoken: Sequence[Spoken], readings: Readings, expected: Floats, weighed: Sequence[_Weighed], known: PitchRange
) -> Tuning:
    logs = np.concatenate([np.concatenate([w.log.ravel(), w.none_log.ravel()]) for w in weighed])
    whole = _log_sum(logs)
    shares = dict.fromkeys((*_NAMES, NONE_OF_THESE), 0.0)
    moved = dict.fromkeys(MOVES, 0.0)
    by_scatter = np.zeros(len(GRID))
    for w in weighed:
        weight = np.exp(w.log - whole)
        by_scatter += weight.sum(axis=1) + np.exp(w.none_log - whole).sum(axis=1).reshape(len(GRID), -1).sum(axis=1)
        for index, value in enumerate(weight.sum(axis=0).tolist()):
            name, move = PATTERNS[index]
            shares[name] += value
            moved[move] += value
        shares[NONE_OF_THESE] += float(np.exp(w.none_log - whole).sum())
    order = sorted(shares.items(), key=lambda item: -item[1])
    top = order[0][1]
    best = max(weighed, key=lambda w: _log_sum(np.concatenate([w.log.ravel(), w.none_log.ravel()])))
    low, middle, high, at_edge = _pitch(weighed, whole, known)
    odd = _odd(spoken, readings, expected, best)
    odd_keys = {one.key for one in odd}
    return Tuning(
        Estimate(middle, low, high),
        known.at_c,
        tuple(Share(name, value, top / max(value, 1e-12)) for name, value in order),
        _set_of(order),
        tuple(sorted(((m, v) for m, v in moved.items() if v >= 0.005), key=lambda item: -item[1])),
        float(by_scatter @ np.array([h.scatter_cents for h in GRID])),
        float(by_scatter @ np.array([h.smooth_cents for h in GRID])),
        odd,
        tuple(s.key for s in spoken if s.cents is not None and not s.altered and s.key not in odd_keys),
        tuple(s.key for s in spoken if s.heard_cents is not None),
        whole,
        at_edge,
        tuple(_leader(name, value, weighed) for name, value in order if name != NONE_OF_THESE),
    )


def _leader(name: str, share: float, weighed: Sequence[_Weighed]) -> Leader:
    columns = [i for i, (held, _) in enumerate(PATTERNS) if held == name]
    best = max(weighed, key=lambda w: float(np.max(w.log[:, columns])))
    column = columns[int(np.argmax(np.max(best.log[:, columns], axis=0)))]
    rows = np.argsort(-best.log[:, column])[:TRIED_ERRORS]
    weight = np.exp(best.log[rows, column] - best.log[rows[0], column])
    hypers = tuple((GRID[int(row)], float(w)) for row, w in zip(rows, weight / weight.sum(), strict=True))
    return Leader(name, share, PATTERNS[column][1], hypers, best.wrong)


def _set_of(order: Sequence[tuple[str, float]]) -> tuple[str, ...]:
    """Names that hold 95 % of what the named ones hold, and `none of these` where it holds 2.5 %; with the next name, not alone.

    So the set holds a named temperament as often as it claims, whatever is believed of others.
    """
    none = dict(order)[NONE_OF_THESE]
    wanted = SURE * (1.0 - none) if none >= NONE_COUNTS else SURE
    held, names = 0.0, []
    for name, value in order:
        if name == NONE_OF_THESE:
            if none >= NONE_COUNTS:
                names.append(name)
        elif held < wanted and none < SURE:
            names.append(name)
            held += value
    if len(names) == 1:
        names.append(next(name for name, _ in order if name not in names))
    return tuple(names)


def _pitch(weighed: Sequence[_Weighed], whole: float, known: PitchRange) -> tuple[float, float, float, bool]:
    """Lower limit, middle, upper limit of a1 in Hz, and whether the range of pitches cuts them off."""
    low, high = _range_cents(known)
    grid = np.arange(low, high, STEP_CENTS)
    density = np.zeros_like(grid)
    beyond = 0.0
    for w in weighed:
        for log, mean, sigma in ((w.log, w.a_cents, w.a_sigma), (w.none_log, w.none_cents, w.none_sigma)):
            weight = np.exp(log - whole)
            for row, column in zip(*np.nonzero(weight > 1e-5), strict=True):
                middle, wide, part = float(mean[row, column]), float(sigma[row]), float(weight[row, column])
                shape = np.exp(-0.5 * ((grid - middle) / wide) ** 2)
                density += part * shape / max(float(shape.sum()), 1e-300)
                beyond += part * float(middle < low or middle > high)
    if not density.sum() > 0.0:  # nothing near the range: the end that is nearer
        density[0 if float(np.median(weighed[0].a_cents)) < low else -1] = 1.0
    held = np.cumsum(density) / density.sum()
    limits = [float(grid[min(int(np.searchsorted(held, q)), len(grid) - 1)]) for q in (0.025, 0.5, 0.975)]
    hz = [PLAIN_A_HZ * 2.0 ** (cents / 1200.0) for cents in limits]
    return hz[0], hz[1], hz[2], beyond > 0.05


def _odd(spoken: Sequence[Spoken], readings: Readings, expected: Floats, best: _Weighed) -> tuple[OddPipe, ...]:
    if not best.wrong:
        return ()
    row, column = np.unravel_index(int(np.argmax(best.log)), best.log.shape)
    covariance = readings.covariance(GRID[int(row)], best.wrong, 0.0)
    plain = readings.covariance(GRID[int(row)], frozenset(), 0.0)
    error, _ = left_out_errors(readings, expected[:, int(column)], covariance)
    _, sigma = left_out_errors(readings, expected[:, int(column)], plain)
    found = {}
    for place, pipe in enumerate(readings.pipe):
        if pipe in best.wrong and readings.is_length[place] and abs(error[place]) > ODD_CENTS:
            found[pipe] = OddPipe(spoken[pipe].key, float(error[place]), float(abs(error[place]) / sigma[place]))
    return tuple(found[pipe] for pipe in sorted(found))
