"""Which alloy, gate, box, cloth, crew, table or season casts thicker, and whether the shop drifts.

Each kind is a set of columns beside the law's (:class:`pipemetal.casting.fitting.Extra`), weighed by evidence like
everything else: a kind counts in every card once the log speaks for it, and is told drawn towards none until then.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipemetal.casting.fitting import Extra, Fit, Solved
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, Array
from pipemetal.casting.shop_law import ONE_ALLOY_SN, GroupColumn
from pipemetal.texts import Amount, Text, joined

__all__ = ["KINDS", "Drift", "GroupEffect", "Groups", "groups_of"]

KINDS = ("alloy", "gate", "sled", "cloth", "crew", "table", "season")
DRIFT = "drift"
# Sizes that a kind's differences may have (ln thickness), and the chance that a kind differs at all before any cast
# (estimates).
SPREADS, CHANCE = (0.03, 0.07, 0.14), 0.15
# A drift moves by one of these from one stretch of the log to the next; a stretch has so many casts, and there are so
# many.
DRIFT_SPREADS, STRETCH, MOST_STRETCHES = (0.02, 0.05), 5, 10
FEWEST_CASTS, FEWEST_FOR_DRIFT, MOST_GROUPS = 3, 6, 14
# Real differences hide in the scatter from cast to cast, which is therefore tried smaller too.
_SCATTER_SHARES = (1.0, 0.75, 0.55)
# So many kinds are taken up at most beside each other and a drift.
_MOST_KINDS = 3
_SEASONS = ("winter", "spring", "summer", "autumn")
_OFF, _SMALL = 1e-5, 0.01
# A steady slide over a whole log may be this much more than a stretch moves, and one by wear of the gate's edge (estimates).
_SLIDE, _WEAR, _USUAL_GATE_MM = 2.5, 2.5, 2.8
# A kind is counted in from these log odds on, beside a law without it up to the second: doubt costs width, a difference
# left out costs truth (estimates).
_COUNTED, _SURE = -1.0, 4.0
# Weight of a law with a kind that is in doubt, for the scatter hides real differences (estimate).
_KEPT = 0.5


@dataclass(frozen=True, slots=True)
class GroupEffect:
    """How much thicker one group casts than the mean of its kind, in percent, with its 95 % interval, drawn
    towards none.
    """

    kind: str
    name: str
    casts: int
    thicker_percent: float
    low_percent: float
    high_percent: float
    words: Text

    @property
    def differs(self) -> bool:
        """Whether its interval leaves no difference out."""
        return self.low_percent > 0.0 or self.high_percent < 0.0


@dataclass(frozen=True, slots=True)
class Drift:
    """Where the shop stands now against its whole log, in percent of thickness, with its 95 % interval."""

    now_percent: float
    low_percent: float
    high_percent: float
    change_percent: float
    words: Text


@dataclass(frozen=True, eq=False)
class Groups:
    """The groups of a log as columns: kinds with their names, and the stretches of a drift."""

    names: tuple[tuple[str, str], ...]
    rows: Array
    stretches: int
    present: Mapping[str, str]
    twins: Mapping[str, tuple[str, ...]]
    counts: Mapping[tuple[str, str], int]

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kinds that may be weighed, a drift last."""
        found = tuple(dict.fromkeys(kind for kind, _ in self.names))
        return (*found, DRIFT) if self.stretches else found

    def spreads(self, on: Mapping[str, float]) -> Array:
        """The spread of every column with some kinds switched on."""
        kinds = [kind for kind, _ in self.names] + [DRIFT] * self.stretches
        return np.array([on.get(kind, _OFF) for kind in kinds])

    def extra(self, on: Mapping[str, float], doubtful: Sequence[str] = ()) -> Extra:
        """The columns with some kinds switched on, the others held at zero; those in doubt also without them."""
        found = [(self.spreads(on), _KEPT ** len(doubtful))]
        for count in range(len(doubtful)):
            kept = {k: v for k, v in on.items() if k not in doubtful[count:]}
            found.append((self.spreads(kept), _KEPT**count * (1.0 - _KEPT)))
        return Extra(self.rows, tuple(found))

    def columns(self, on: Mapping[str, float]) -> tuple[GroupColumn, ...]:
        """The group columns as a law keeps them."""
        casts = {kind: sum(n for (k, _), n in self.counts.items() if k == kind) for kind, _ in self.names}
        return tuple(
            GroupColumn(kind, name, on.get(kind, 0.0), self.counts[kind, name] / casts[kind])
            for kind, name in self.names
        )


def alloy_names(casts: Sequence[LoggedCast]) -> dict[str, str]:
    """Name of every cast's alloy: by its tin, those within 2.5 % together."""
    tin = sorted({round(c.composition.wt_pct("Sn"), 2) for c in casts})
    names: dict[float, str] = {}
    first = -math.inf
    for value in tin:
        first = value if value - first > ONE_ALLOY_SN else first
        names[value] = f"Sn {first:.0f}"
    return {c.id: names[round(c.composition.wt_pct("Sn"), 2)] for c in casts}


def group_names(casts: Sequence[LoggedCast]) -> dict[str, dict[str, str]]:
    """Kind by kind, the group of every cast that names one."""
    return {
        "alloy": alloy_names(casts),
        "gate": {c.id: c.gate_name for c in casts if c.gate_name},
        "sled": {c.id: c.sled_name or f"{c.sled.inner_width_mm:.0f} wide" for c in casts},
        "cloth": {c.id: c.cloth_name for c in casts if c.cloth_name},
        "crew": {c.id: c.crew for c in casts if c.crew},
        "table": {c.id: c.table_name for c in casts if c.table_name},
        "season": {c.id: s for c in casts if (s := _season(c.day))},
    }


def _season(day: str) -> str:
    parts = day.split("-")
    if len(parts) < 2 or not parts[1].isdigit() or not 1 <= int(parts[1]) <= 12:
        return ""
    return _SEASONS[int(parts[1]) % 12 // 3]


def groups_of(casts: Sequence[LoggedCast]) -> Groups:
    """The columns of a log's groups, casts in the order of the log.

    >>> groups_of([]).kinds
    ()
    """
    named = group_names(casts)
    columns: list[Array] = []
    names: list[tuple[str, str]] = []
    partitions: dict[str, frozenset[frozenset[str]]] = {}
    counts: dict[tuple[str, str], int] = {}
    for kind in KINDS:
        groups = sorted(set(named[kind].values()))
        if not 2 <= len(groups) <= MOST_GROUPS or len(named[kind]) < FEWEST_CASTS:
            continue
        for group in groups:
            member = np.array([float(named[kind].get(c.id) == group) for c in casts])
            names.append((kind, group))
            counts[kind, group] = int(member.sum())
            columns.append(member)
        partitions[kind] = frozenset(frozenset(i for i, g in named[kind].items() if g == group) for group in groups)
    twins = {k: tuple(o for o in partitions if o != k and partitions[o] == partitions[k]) for k in partitions}
    drifting = _stretches([c.opening_mm for c in casts])
    rows = np.column_stack([*columns, drifting]) if casts else np.empty((0, 0))
    last = casts[-1].id if casts else ""
    present = {kind: named[kind][last] for kind in KINDS if last in named[kind]}
    return Groups(tuple(names), rows, drifting.shape[1], present, twins, counts)


def _stretches(openings_mm: Sequence[float]) -> Array:
    """Level of each cast against the last one: what moved on every stretch between, a steady slide, and a slide that narrow
    gates feel most, as of an edge that wears; shape (casts, columns).
    """
    casts = len(openings_mm)
    if casts < FEWEST_FOR_DRIFT:
        return np.empty((casts, 0))
    count = min(max(casts // STRETCH, 1), MOST_STRETCHES)
    edges = np.linspace(0.0, casts - 1.0, count + 1)
    at = np.arange(casts, dtype=float)[:, None]
    steps = np.clip((at - edges[:-1]) / np.diff(edges), 0.0, 1.0) - 1.0
    slide = at / max(casts - 1.0, 1.0) - 1.0
    narrow = _USUAL_GATE_MM / np.maximum(np.array(openings_mm)[:, None], 0.5)
    return np.hstack([steps, _SLIDE * slide, _WEAR * slide * narrow])


@dataclass(frozen=True, eq=False)
class Weighed:
    """Kinds that count, with their spreads, and those of them that are still in doubt; what the log says of every kind."""

    on: Mapping[str, float]
    doubtful: tuple[str, ...]
    effects: tuple[GroupEffect, ...]
    drift: Drift


def weighed(groups: Groups, fit: Fit) -> Weighed:
    """Which kinds the log speaks for, taken up one by one, and the effects of all.

    ``fit``: with the groups' columns in it, all held at zero or not.
    """
    pool = _Pool(groups, fit)
    on: dict[str, float] = {}
    doubtful: list[str] = []
    while len(on) < _MOST_KINDS + (DRIFT in on):
        trials = {
            (kind, spread): pool.evidence({**on, kind: spread})
            for kind in groups.kinds
            if kind not in on
            for spread in _spreads(kind)
        }
        base = pool.evidence(on)
        odds = {
            kind: _together([trials[kind, s] for s in _spreads(kind)]) - base + math.log(CHANCE / (1.0 - CHANCE))
            for kind in groups.kinds
            if kind not in on
        }
        if not odds or max(odds.values()) <= _COUNTED:
            break
        best = max(odds, key=lambda kind: odds[kind])
        on[best] = max(_spreads(best), key=lambda s: trials[best, s])
        if odds[best] < _SURE:
            doubtful.append(best)
    found = [pool.effects(kind, {k: v for k, v in on.items() if k != kind}) for kind in groups.kinds if kind != DRIFT]
    moved = pool.drift({k: v for k, v in on.items() if k != DRIFT})
    return Weighed(on, tuple(doubtful), tuple(e for kind in found for e in kind), moved)


def _spreads(kind: str) -> tuple[float, ...]:
    return DRIFT_SPREADS if kind == DRIFT else SPREADS


def _together(logs: Sequence[float]) -> float:
    top = max(logs)
    return top + math.log(sum(math.exp(v - top) for v in logs) / len(logs))


class _Pool:
    """One log's sums at a few scatters, asked again and again with other kinds switched on."""

    def __init__(self, groups: Groups, fit: Fit) -> None:
        self.groups, self.linear = groups, fit.linear
        self.sums = [fit.linear.summed(share * fit.cast_sd, fit.place_sd) for share in _SCATTER_SHARES]
        # three sizes of departure that the log likes best, and the rivals of each
        first = self.sums[0].solved(fit.linear.sds, fit.linear.prior).evidence.max(axis=1)
        self.best = np.argsort(-first)[:3]
        self.held: dict[tuple[tuple[str, float], ...], list[Solved]] = {}

    def solved(self, on: Mapping[str, float]) -> list[Solved]:
        """All scatters solved with some kinds switched on."""
        key = tuple(sorted(on.items()))
        if key not in self.held:
            sds = self.linear.sds[self.best].copy()
            extra = self.groups.spreads(on)
            if len(extra):
                sds[:, -len(extra) :] = extra
            self.held[key] = [s.solved(sds, self.linear.prior[self.best]) for s in self.sums]
        return self.held[key]

    def evidence(self, on: Mapping[str, float]) -> float:
        """Log evidence, scatters averaged."""
        return _together([s.total for s in self.solved(on)])

    def _moments(self, kind: str, others: Mapping[str, float], rows: Array) -> tuple[Array, Array]:
        """Mean and deviation of sums of the extra columns (rows: sums, columns), a kind being on with any spread,
        a small one too.
        """
        logs, means, squares = [], [], []
        q = len(self.groups.spreads({}))
        for on in ({**others, kind: s} for s in (_SMALL, *_spreads(kind))):
            for s in self.solved(on):
                h, k = np.unravel_index(int(np.argmax(s.evidence)), s.evidence.shape)
                sds = self.linear.sds[self.best[h]].copy()
                sds[-q:] = self.groups.spreads(on)
                covariance = sds[:, None] * np.linalg.inv(s.matrices[h]) * sds[None, :]
                mean = rows @ s.means[h, -q:, k]
                logs.append(s.total)
                means.append(mean)
                squares.append(np.einsum("ri,ij,rj->r", rows, covariance[-q:, -q:], rows) + mean**2)
        shares = np.exp(np.array(logs) - max(logs))
        shares /= shares.sum()
        mean = shares @ np.array(means)
        return mean, np.sqrt(np.maximum(shares @ np.array(squares) - mean**2, 0.0))

    def effects(self, kind: str, others: Mapping[str, float]) -> list[GroupEffect]:
        """Every group of a kind against the mean of its kind."""
        groups = self.groups
        mine = [i for i, (k, _) in enumerate(groups.names) if k == kind]
        rows = np.zeros((len(mine), groups.rows.shape[1]))
        for r, i in enumerate(mine):
            rows[r, mine] = -1.0 / len(mine)
            rows[r, i] += 1.0
        mean, sd = self._moments(kind, others, rows)
        return [
            _effect(kind, groups.names[i][1], groups.counts[groups.names[i]], float(m), float(d), groups.twins[kind])
            for i, m, d in zip(mine, mean, sd, strict=True)
        ]

    def drift(self, others: Mapping[str, float]) -> Drift:
        """Where the shop stands now against its whole log."""
        groups = self.groups
        if not groups.stretches:
            return Drift(0.0, 0.0, 0.0, 0.0, Text("fewer than {n} casts: no drift can be told", n=FEWEST_FOR_DRIFT))
        rows = np.zeros((2, groups.rows.shape[1]))
        rows[0, -groups.stretches :] = -groups.rows[:, -groups.stretches :].mean(axis=0)
        rows[1, -groups.stretches :] = -groups.rows[0, -groups.stretches :]
        mean, sd = self._moments(DRIFT, others, rows)
        now, low, high = (
            100.0 * math.expm1(float(mean[0] + side * sd[0])) for side in (0.0, -TWO_SIDED_95, TWO_SIDED_95)
        )
        drifted = low > 0.0 or high < 0.0
        still = "now {a} % against the whole log ({b} to {c}): no drift that the log can tell"
        words = "now {a} % against the whole log ({b} to {c}): the shop has drifted" if drifted else still
        a, b, c = (Amount(v, "", 1, signed=True) for v in (now, low, high))
        return Drift(now, low, high, 100.0 * math.expm1(float(mean[1])), Text(words, a=a, b=b, c=c))


def _effect(kind: str, name: str, casts: int, mean: float, sd: float, twins: Sequence[str]) -> GroupEffect:
    value, low, high = (100.0 * math.expm1(v) for v in (mean, mean - TWO_SIDED_95 * sd, mean + TWO_SIDED_95 * sd))
    told = Text("thicker" if low > 0.0 else "thinner" if high < 0.0 else "no difference that the log can tell")
    words = "{kind} {name}: {a} % ({b} to {c}), {n} casts: {told}"
    a, b, c = (Amount(v, "", 1, signed=True) for v in (value, low, high))
    said = Text(words, kind=Text(kind), name=name, a=a, b=b, c=c, n=casts, told=told)
    if twins:
        both = Text(twins[0])
        for twin in twins[1:]:
            both = Text("{a} and the {b}", a=both, b=Text(twin))
        said = joined((said, Text("always changed together with the {twins}, so it may be either", twins=both)))
    return GroupEffect(kind, name, casts, value, low, high, said)
