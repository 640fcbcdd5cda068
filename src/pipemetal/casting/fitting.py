"""The fit of a shop's law to its log: all casts side by side, small blocks cast by cast, everything unknown weighed
by evidence.

    ln film = ln law_k(true speed, true head) + columns . b + cast + place,   b ~ N(0, size^2)

for every rival k and every size of the departure; their weights, both scatters and what the watch and the scale did
not tell are all found together. Sources: calibration with a discrepancy: Kennedy & O'Hagan, J. R. Stat. Soc. B 63
(2001) 425.
"""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.casting.features import HABIT, HEATS, Basis, inputs
from pipemetal.casting.model import Array
from pipemetal.casting.reduce import ReducedCast
from pipemetal.casting.rivals import RIVALS, At
from pipemetal.casting.shop_law import BENDS, CAST_SCATTER, PLAIN_WEIGHT, SIZES, STATION_SCATTER, Part, law_films

__all__ = ["Extra", "Fit", "fitted"]

# Spread of the logarithms of both scatters about their usual values (estimates).
_SCATTER_SDS = (0.5, 0.5)
_ROUNDS = 5
_NEAR = np.linspace(-1.6, 1.6, 3)
# Parts that carry less of the whole are dropped.
_LEAST_WEIGHT, _HOPELESS = 2e-3, 2e-4
_STEP = 0.02
# What a cast leaves unsure: three numbers of its timing, the metal in the sled, the share of solid.
_UNKNOWNS = 5
# No film changes more with speed, head and share of solid.
_STEEPEST = (1.5, 1.5, 8.0)
# So many casts tell the scatters as well as more do.
_ENOUGH = 100


@dataclass(frozen=True, eq=False)
class Extra:
    """Columns beside the law's: one row for each cast, shape (casts, q), and what the spread of each may be (ln
    thickness), each with its weight before the log.
    """

    rows: Array
    spreads: tuple[tuple[Array, float], ...]

    @classmethod
    def none(cls, casts: int) -> Extra:
        """No further columns."""
        return cls(np.empty((casts, 0)), ((np.empty(0), 1.0),))


class Stack:
    """All casts side by side, padded to the same number of stations; padded places carry no weight."""

    def __init__(self, casts: Sequence[ReducedCast], mask: Sequence[Array]) -> None:
        n = max((len(c.x_m) for c in casts), default=1)
        shape = (len(casts), n)
        self.used = np.zeros(shape, dtype=bool)
        self.film, self.head, self.speed = np.full(shape, 2e-3), np.full(shape, 0.03), np.ones(shape)
        self.place, self.solid = np.full(shape, 0.5), np.zeros(shape)
        self.film_sd = np.zeros(shape)
        self.slopes = np.zeros((*shape, _UNKNOWNS))
        self.shapeless = np.array([c.shapeless for c in casts], dtype=float).reshape(-1, 1)
        for i, cast in enumerate(casts):
            m = len(cast.x_m)
            self.used[i, :m] = mask[i]
            self.film[i, :m], self.head[i, :m], self.speed[i, :m] = cast.film_m, cast.head_m, cast.speed_m_s
            self.place[i, :m], self.solid[i, :m] = cast.place, cast.solid
            self.film_sd[i, :m] = cast.film_sd
            self.slopes[i, :m, :3], self.slopes[i, :m, 3] = cast.speed_slopes, cast.head_slopes
            self.slopes[i, :m, 4] = 1.0
        self.unknown = np.zeros((len(casts), _UNKNOWNS, _UNKNOWNS))
        for i, cast in enumerate(casts):
            self.unknown[i, :3, :3] = cast.speed_covariance
            self.unknown[i, 3, 3] = cast.mass_sd_kg**2
            self.unknown[i, 4, 4] = cast.solid_sd**2
        names = ("gate_m", "superheat_k", "density_kg_m3", "viscosity_pa_s", "tension_n_m", "lip_m", "box_m")
        self.even = {name: np.array([getattr(c, name) for c in casts]).reshape(-1, 1) for name in names}

    def at(self, guess: Array) -> At:
        """The places of all casts with watch, scale and solid corrected by a guess (casts, 5); flat arrays of the used
        ones.
        """
        speed = self.speed * np.exp(np.clip(np.einsum("cnk,ck->cn", self.slopes[:, :, :3], guess[:, :3]), -1.0, 1.0))
        head = self.head * np.exp(np.clip(self.slopes[:, :, 3] * guess[:, 3:4], -1.0, 1.0))
        even = {name: np.broadcast_to(v, self.used.shape)[self.used] for name, v in self.even.items()}
        return At(
            head_m=head[self.used],
            speed_m_s=speed[self.used],
            place=self.place[self.used],
            solid=np.maximum(self.solid + guess[:, 4:5], 0.0)[self.used],
            **even,
        )

    def spread_out(self, flat: Array) -> Array:
        """Values of the used places (..., n used) or (n used, q) back in their casts (casts, n[, q]), zero
        elsewhere.
        """
        out = np.zeros((*self.used.shape, *flat.shape[1:]))
        out[self.used] = flat
        return out


@dataclass(frozen=True)
class Solved:
    """All rivals and sizes for one pair of scatters: log evidence (sizes, rivals), departures (sizes, columns,
    rivals).
    """

    evidence: Array
    means: Array
    matrices: Array
    whitening: Array
    total: float


@dataclass(frozen=True, eq=False)
class Summed:
    """What a log comes to for one pair of scatters: columns by columns, columns by targets, misfit with nothing
    explained.
    """

    matrix: Array
    right: Array
    square: Array
    whitening: Array

    def solved(self, sds: Array, prior: Array) -> Solved:
        """Evidence and departures for prior spreads (sizes, columns) and log weights (sizes, rivals)."""
        # scaled by the prior spreads, so that every system is well made: (I + S A S) u = S b
        scaled = sds[:, :, None] * self.matrix * sds[:, None, :] + np.eye(sds.shape[1])
        rights = sds[:, :, None] * self.right
        found = np.linalg.solve(scaled, rights)
        misfit = self.square - np.einsum("hpk,hpk->hk", rights, found)
        evidence = -0.5 * (misfit + np.linalg.slogdet(scaled)[1][:, None]) + prior
        return Solved(evidence, sds[:, :, None] * found, scaled, self.whitening, _log_sum(evidence))


class Linear:
    """The linear model of one round, solved for given scatters in closed form."""

    def __init__(
        self, stack: Stack, columns: Array, by_unknown: Array, targets: Array, sds: Array, prior: Array
    ) -> None:
        """columns (C, n, p), by_unknown (C, n, 5), targets (C, n, K), sds (H, p), prior log weights (H, K)."""
        self.columns, self.targets, self.sds, self.prior = columns, targets, sds, prior
        self.unknown = np.einsum("cni,cij,cmj->cnm", by_unknown, stack.unknown, by_unknown, optimize=True)
        self.used, self.film_sd = stack.used, stack.film_sd

    def blocks(self, cast_sd: float | Array, place_sd: float) -> Array:
        """Covariance of each cast's places, what no column explains."""
        own = np.where(self.used, place_sd**2 + self.film_sd**2, 1.0)
        pairs = (self.used[:, :, None] & self.used[:, None, :]).astype(float)
        eye = np.eye(self.columns.shape[1])
        blocks: Array = self.unknown + np.reshape(np.square(cast_sd), (-1, 1, 1)) * pairs + own[:, :, None] * eye
        return blocks

    def summed(self, cast_sd: float | Array, place_sd: float) -> Summed:
        """The sums over all casts for these scatters; the one from cast to cast may be given cast by cast."""
        root = np.linalg.cholesky(self.blocks(cast_sd, place_sd))
        white = np.linalg.inv(root) @ np.concatenate([self.columns, self.targets], axis=2)
        p = self.columns.shape[2]
        columns = white[:, :, :p].reshape(-1, p)
        targets = white[:, :, p:].reshape(-1, self.targets.shape[2])
        blocks = 2.0 * float(np.log(np.einsum("cnn->cn", root)).sum())
        square = np.einsum("nk,nk->k", targets, targets)
        return Summed(columns.T @ columns, columns.T @ targets, square + blocks, root)

    def solved(self, cast_sd: float | Array, place_sd: float) -> Solved:
        """Evidence and departures for these scatters."""
        return self.summed(cast_sd, place_sd).solved(self.sds, self.prior)

    def some(self, most: int) -> Linear:
        """The model of at most so many of the casts, evenly taken: enough to tell the scatters."""
        if len(self.columns) <= most:
            return self
        few = copy.copy(self)
        taken = np.linspace(0, len(self.columns) - 1, most).round().astype(int)
        few.columns, few.targets, few.unknown = self.columns[taken], self.targets[taken], self.unknown[taken]
        few.used, few.film_sd = self.used[taken], self.film_sd[taken]
        return few

    def scatters(self, centre: tuple[float, float], start: tuple[float, float]) -> tuple[float, float]:
        """Both scatters: root mean squares over their posterior near its peak, sought from a start."""
        weighed: dict[tuple[float, float], float] = {}

        def at(a: float, b: float) -> float:
            if (a, b) not in weighed:
                log_prior = -0.5 * ((a / _SCATTER_SDS[0]) ** 2 + (b / _SCATTER_SDS[1]) ** 2)
                weighed[a, b] = self.solved(math.exp(centre[0] + a), math.exp(centre[1] + b)).total + log_prior
            return weighed[a, b]

        a, b = _peak(at, (math.log(start[0]) - centre[0], math.log(start[1]) - centre[1]))
        step = 0.1
        widths = [
            1.0 / math.sqrt(max((2.0 * at(a, b) - at(a - u, b - v) - at(a + u, b + v)) / step**2, 1.0))
            for u, v in ((step, 0.0), (0.0, step))
        ]
        grid = [(a + widths[0] * u, b + widths[1] * v) for u in _NEAR for v in _NEAR]
        logs = np.array([at(*pair) for pair in grid])
        shares = np.exp(logs - logs.max())
        shares /= shares.sum()
        cast, place = (math.sqrt(shares @ np.exp(2.0 * (centre[k] + np.array([g[k] for g in grid])))) for k in (0, 1))
        return cast, place


def _log_sum(values: Array) -> float:
    top = float(values.max())
    return top + math.log(float(np.exp(values - top).sum()))


def _peak(at: Callable[[float, float], float], start: tuple[float, float]) -> tuple[float, float]:
    """Where a smooth function of two numbers is greatest: a step along each in turn, halved when neither climbs."""
    a, b = start
    step = 0.4
    while step > 0.1:
        best = max((at(a + u, b + v), a + u, b + v) for u, v in ((0, 0), (step, 0), (-step, 0), (0, step), (0, -step)))
        if (best[1], best[2]) == (a, b) or max(abs(best[1]), abs(best[2])) > 2.4:
            step *= 0.5
        else:
            a, b = best[1], best[2]
    return a, b


@dataclass(frozen=True, eq=False)
class Fit:
    """The parts of the law with their weights, both scatters, and how each cast and place came out against them."""

    parts: tuple[Part, ...]
    basis: Basis
    cast_sd: float
    place_sd: float
    linear: Linear
    at: At
    used: Array
    effects: Array
    effect_sds: Array
    place_sigmas: Array
    log_evidence: float


def fitted(
    casts: Sequence[ReducedCast],
    mask: Sequence[Array],
    extra: Extra | None = None,
    scatters: tuple[float, float] | None = None,
    *,
    bending: bool = True,
) -> Fit:
    """The law's parts by a log.

    Arguments:
        casts, mask: as reduced, and which of their places count. extra: further columns (groups, time). scatters:
            taken as known, where a fit nearby found them.
    """
    stack = Stack(casts, mask)
    extra = extra or Extra.none(len(casts))
    guess = np.zeros((len(casts), _UNKNOWNS))
    basis = Basis.of(inputs(stack.at(guess))) if bending and len(casts) else Basis()
    sizes = _sizes(basis)
    sds = np.stack([np.append(own, e[0]) for (own, _, _), e in itertools.product(sizes, extra.spreads)])
    prior = np.log([[w * e[1] * r.weight for r in RIVALS] for (_, _, w), e in itertools.product(sizes, extra.spreads)])
    bends = [bend for (_, bend, _), _ in itertools.product(sizes, extra.spreads)]
    centre = (math.log(CAST_SCATTER), math.log(STATION_SCATTER))
    cast_sd, place_sd = scatters or (CAST_SCATTER, STATION_SCATTER)
    weights = np.exp(prior - _log_sum(prior))
    mean = np.zeros((sds.shape[1], len(RIVALS)))
    rounds = range(_ROUNDS if scatters is None else 3)
    for count in rounds:
        at = stack.at(guess)
        laws, columns = law_films(at), basis.columns(at, inputs(at))
        powers = _powers(at, basis, weights.sum(axis=0), mean, laws, columns)
        rows = np.hstack([columns, np.repeat(extra.rows, stack.used.sum(axis=1), axis=0)])
        by_unknown = stack.slopes * stack.spread_out(np.column_stack([powers[0]] * 3 + powers[1:]))
        rows[:, HABIT] = (stack.shapeless * by_unknown[:, :, 1])[stack.used]
        log_film = np.log(stack.film[stack.used])
        targets = stack.spread_out(log_film[:, None] - laws.T)
        targets += np.where(stack.used, np.einsum("cnk,ck->cn", by_unknown, guess), 0.0)[:, :, None]
        linear = Linear(stack, stack.spread_out(rows), by_unknown, targets, sds, prior)
        if scatters is None and count in (1, 3) and len(casts):
            cast_sd, place_sd = linear.some(_ENOUGH).scatters(centre, (cast_sd, place_sd))
        solved = linear.solved(cast_sd, place_sd)
        weights = np.exp(solved.evidence - solved.total)
        if count == 1:
            # what the log speaks against from the beginning is not carried on
            kept = weights.sum(axis=1) > _HOPELESS
            sds, prior, bends = sds[kept], prior[kept], [b for b, k in zip(bends, kept, strict=True) if k]
        mean = np.einsum("hk,hpk->pk", weights, solved.means) / np.maximum(weights.sum(axis=0), 1e-300)
        together = np.einsum("hk,hpk->p", weights, solved.means)
        rest = targets @ weights.sum(axis=0) - np.einsum("cnp,p->cn", linear.columns, together)
        inverses = _inverses(solved.whitening)
        pulled = np.einsum("cnm,cm->cn", inverses, rest)
        guess = np.einsum("cij,cnj,cn->ci", stack.unknown, by_unknown, pulled)
    last = _Round(stack, basis, bends, linear, solved, weights, at, (cast_sd, place_sd))
    return _fit(last, inverses, pulled)


def _sizes(basis: Basis) -> list[tuple[Array, float, float]]:
    """Spreads of the basis' columns for a plain regression and for every size of a departure, whether heat matters or hardly;
    their bends and weights.
    """
    bends = BENDS if len(basis.knots) else BENDS[:1]
    found = [(basis.plain_sds(), 0.0, PLAIN_WEIGHT)]
    for (size, share), (bend, weight) in itertools.product(SIZES, bends):
        found.append((basis.sds(size, bend), bend, (1.0 - PLAIN_WEIGHT) * share * weight))
    return [(basis.by_heat(own, heat), bend, w * v) for own, bend, w in found for heat, v in HEATS]


def _inverses(root: Array) -> Array:
    inverse = np.linalg.inv(root)
    found: Array = np.swapaxes(inverse, 1, 2) @ inverse
    return found


def _powers(at: At, basis: Basis, weights: Array, mean: Array, laws: Array, columns: Array) -> list[Array]:
    """How ln film goes with ln speed, with ln head and with the share of solid, rivals by weight; flat."""
    told = [k for k in range(len(RIVALS)) if weights[k] > 1e-3]
    own = sum((weights[k] * mean[: basis.count, k] for k in told), start=np.zeros(basis.count))
    found: list[Array] = []
    step = math.log(1.0 + _STEP)
    ways = [at.moved(speed=1.0 + _STEP), at.moved(head=1.0 + _STEP), replace(at, solid=at.solid + step)]
    for moved in ways if float(at.solid.max(initial=0.0)) > 0.0 else ways[:2]:
        later = law_films(moved, tuple(weights[k] if k in told else 0.0 for k in range(len(RIVALS))))
        change = sum((weights[k] * (later[k] - laws[k]) for k in told), start=np.zeros(len(columns)))
        change = change + (basis.columns(moved, inputs(moved)) - columns) @ own
        found.append(np.clip(change / step, -_STEEPEST[len(found)], _STEEPEST[len(found)]))
    return found if len(found) == len(ways) else [*found, np.zeros(len(columns))]


@dataclass(frozen=True, eq=False)
class _Round:
    """The last round of a fit, as it stood."""

    stack: Stack
    basis: Basis
    bends: Sequence[float]
    linear: Linear
    solved: Solved
    weights: Array
    at: At
    scatters: tuple[float, float]


def _fit(last: _Round, inverses: Array, pulled: Array) -> Fit:
    stack, linear, solved, weights = last.stack, last.linear, last.solved, last.weights
    cast_sd, place_sd = last.scatters
    kept = [(h, k) for h, k in np.argwhere(weights > max(_LEAST_WEIGHT, 0.0))]
    total = sum(float(weights[h, k]) for h, k in kept)
    covariances = {
        h: linear.sds[h][:, None] * np.linalg.inv(solved.matrices[h]) * linear.sds[h][None, :] for h, _ in kept
    }
    parts = tuple(
        Part(int(k), float(weights[h, k]) / total, solved.means[h, :, k], covariances[h], last.bends[h])
        for h, k in kept
    )
    ones = stack.used.astype(float)
    effects = cast_sd**2 * np.einsum("cn,cn->c", ones, pulled)
    sds = cast_sd * np.sqrt(np.maximum(cast_sd**2 * np.einsum("cn,cnm,cm->c", ones, inverses, ones), 1e-9))
    spread = np.sqrt(np.maximum(np.einsum("cnn->cn", inverses), 1e-9))
    sigmas = np.where(stack.used, pulled / spread, 0.0)
    return Fit(parts, last.basis, cast_sd, place_sd, linear, last.at, stack.used, effects, sds, sigmas, solved.total)
