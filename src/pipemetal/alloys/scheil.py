"""The freezing curve of metal that freezes fast: solids keep what they took, the liquid stays even (Scheil, Gulliver)."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.equilibrium import atomic_weights
from pipemetal.alloys.gibbs import Array, Candidate, State, System
from pipemetal.alloys.liquidus import PHASE_NAMES, ZERO_C_IN_K, dissolved, liquidus_k, outside_assessed_range
from pipemetal.errors import AlloyError, ConvergenceError

__all__ = ["FreezingCurve", "freezing_curve"]

_LARGEST_STEP = 0.05
_SHARE_OF_REST = 0.25
_LEAST_LIQUID = 5e-4
_COLDEST_K = 345.0
# Mole fraction in the liquid below which an element no longer bends the last of the curve.
_MATTERS = 2e-4
_BALANCED_J_MOL = 0.05
_NEW_SOLID_J_MOL = 0.05
_BALANCED_NEW_J_MOL = 0.5
_LEAST_STEP = 1e-7
# A new solid is found within half a J/mol, which may show as a rise of some hundredths of a kelvin: flattened.
_MOST_RISE_K = 0.1
_LARGEST_FALL_K = 15.0
_COLD_SEARCH_EVERY = 8


@dataclass(frozen=True)
class FreezingCurve:
    """How much of the metal is solid at which temperature on fast freezing.

    Attributes:
        temperature_c: falling; two points of one temperature bound the part that freezes there.
        fraction_solid: share of the mass that is solid, 0 to 1, of the same length.
        fraction_solid_molar: the same by moles of atoms, as thermodynamic programs give it.
        latent_kj_kg: heat given off by freezing alone from the liquidus to each point, per kilogram of alloy.
        eutectic_share: share of the mass that freezes as lead-rich and tin-rich solid side by side.
        solids: every solid that forms and its share of the mass, the most plentiful first.
        within_range: whether the composition lies inside what the data were checked on.
    """

    temperature_c: Array
    fraction_solid: Array
    fraction_solid_molar: Array
    latent_kj_kg: Array
    eutectic_share: float
    solids: tuple[tuple[str, float], ...]
    within_range: bool

    @property
    def last_liquid_c(self) -> float:
        """Where the last liquid freezes (or the last twentieth of a percent, if it lasts below 72 C)."""
        return float(self.temperature_c[-1])

    def temperature_at(self, fraction_solid: float) -> float:
        """Temperature in C at which this share of the mass, 0 to 1, is solid.

        Raises:
            AlloyError: a share outside 0 to 1.
        """
        if not 0.0 <= fraction_solid <= 1.0:
            raise AlloyError("is not a share", field="fraction_solid", value=fraction_solid, allowed="0 to 1")
        return float(np.interp(fraction_solid, self.fraction_solid, self.temperature_c))

    def fraction_at(self, temperature_c: float) -> float:
        """Share of the mass that is solid at a temperature in C; on a halt, all that freezes there counts as solid."""
        if temperature_c > self.temperature_c[0]:
            return 0.0
        if temperature_c <= self.temperature_c[-1]:
            return 1.0
        last = int(np.flatnonzero(self.temperature_c >= temperature_c)[-1])
        t0, t1 = self.temperature_c[last : last + 2]
        f0, f1 = self.fraction_solid[last : last + 2]
        return float(f0 + (f1 - f0) * (t0 - temperature_c) / (t0 - t1))


@lru_cache(maxsize=512)
def freezing_curve(comp: Composition) -> FreezingCurve:
    """The freezing curve of an alloy after Scheil.

    The solid grows in steps of at most 5 % of the atoms; at the end of each, every growing solid is in balance with
    the liquid, and a step is cut where another solid begins. When as many solids grow as there are elements that
    matter, or less than 0.05 % is left, the rest freezes at that temperature. Arsenic is left out.

    Raises:
        AlloyError: nothing but arsenic. ConvergenceError: a step did not settle.
    Sources: G. H. Gulliver, J. Inst. Met. 9 (1913) 120, and E. Scheil, Z. Metallkd. 34 (1942) 70 (both from memory);
        assessed Gibbs energies, see the footer of ``data/pbsn_pipe.tdb``.

    >>> curve = freezing_curve(Composition.parse("Sn 50 Pb bal"))
    >>> round(curve.temperature_at(0.1), 1), round(curve.last_liquid_c, 1), round(curve.eutectic_share, 2)
    (205.0, 182.2, 0.73)
    """
    system, x = dissolved(comp)
    frozen = _Freezing.started(system, x)
    while frozen.liquid > _LEAST_LIQUID and frozen.temperature_k > _COLDEST_K:
        if frozen.at_invariant():
            break
        frozen.advance()
    frozen.finish()
    weights = atomic_weights(system)
    whole = float(x @ weights)
    liquid = np.array([amount * float(shares @ weights) / whole for _, amount, shares in frozen.track])
    molar = np.array([1.0 - amount for _, amount, _ in frozen.track])
    solids = sorted(((name, float(mass / whole)) for name, mass in frozen.solids_g.items()), key=lambda pair: -pair[1])
    temperatures: Array = np.array([t for t, *_ in frozen.track]) - ZERO_C_IN_K
    if len(temperatures) > 1 and float(np.diff(temperatures).max()) > _MOST_RISE_K:
        raise ConvergenceError(f"the freezing curve of {comp.text()} rises on cooling")
    fine, temperatures = _curved(molar, np.minimum.accumulate(temperatures), frozen.kinks)
    return FreezingCurve(
        temperatures,
        _between(fine, molar, np.clip(1.0 - liquid, 0.0, 1.0)),
        fine,
        _between(fine, molar, np.cumsum(frozen.latent_j) / whole),
        float(frozen.eutectic_g / whole),
        tuple(solids),
        not outside_assessed_range(comp),
    )


def _between(fine: Array, molar: Array, values: Array) -> Array:
    """Values straight between the steps; the last point, where the rest freezes at one temperature, keeps its own."""
    result: Array = np.interp(fine, molar, values)
    return result


def _curved(molar: Array, temperature_k: Array, kinks: list[int]) -> tuple[Array, Array]:
    """The curve with three points between any two steps, by a monotone cubic from kink to kink.

    A kink is where a solid begins or ends to grow; the last step, where the rest freezes, stays straight.

    Sources: F. N. Fritsch & J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (from memory).
    """
    edges = sorted({0, len(molar) - 2, len(molar) - 1, *kinks})
    xs, ts = [molar[:1]], [temperature_k[:1]]
    for first, last in pairwise(e for e in edges if e >= 0):
        x, t = molar[first : last + 1], temperature_k[first : last + 1]
        step = np.diff(x)
        if len(x) < 3 or float(step.min()) <= 1e-12:
            xs.append(x[1:])
            ts.append(t[1:])
            continue
        slope = np.diff(t) / step
        inner = np.zeros(len(x))
        a, b = slope[:-1], slope[1:]
        w1, w2 = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
        falling = (a < 0.0) & (b < 0.0)
        inner[1:-1][falling] = ((w1 + w2)[falling]) / (w1[falling] / a[falling] + w2[falling] / b[falling])
        inner[0] = min(slope[0] + (slope[0] - slope[1]) * step[0] / (step[0] + step[1]), 0.0)
        inner[-1] = min(slope[-1] + (slope[-1] - slope[-2]) * step[-1] / (step[-1] + step[-2]), 0.0)
        inner[[0, -1]] = np.maximum(inner[[0, -1]], 3.0 * slope[[0, -1]])
        u = np.linspace(0.25, 1.0, 4)[None, :]
        h, t0, dt = step[:, None], t[:-1, None], np.diff(t)[:, None]
        cubic = (
            t0 + dt * u * u * (3.0 - 2.0 * u) + h * u * (1.0 - u) * (inner[:-1, None] * (1.0 - u) - inner[1:, None] * u)
        )
        xs.append((x[:-1, None] + h * u).ravel())
        ts.append(cubic.ravel())
    return np.concatenate(xs), np.minimum.accumulate(np.concatenate(ts))


@dataclass
class _Freezing:
    """The metal while it freezes: temperature, moles of liquid left and its composition, the solids that grow."""

    system: System
    temperature_k: float
    liquid: float
    x: Array
    growing: dict[str, Array]
    shares: dict[str, float]
    weights_g_mol: Array
    seen: list[Candidate] = field(default_factory=list)
    track: list[tuple[float, float, Array]] = field(default_factory=list)
    kinks: list[int] = field(default_factory=list)
    solids_g: dict[str, float] = field(default_factory=dict)
    latent_j: list[float] = field(default_factory=lambda: [0.0])
    eutectic_g: float = 0.0
    fall_k_per_mol: float = 0.0
    steps: int = 0

    @classmethod
    def started(cls, system: System, x: Array) -> _Freezing:
        temperature_k, first = liquidus_k(system, x)
        new = cls(system, temperature_k, 1.0, x, {first.phase: first.mole_fractions}, {first.phase: 1.0},
                  atomic_weights(system))  # fmt: skip
        new.track.append((temperature_k, 1.0, x))
        return new

    def at_invariant(self) -> bool:
        """Whether the rest freezes at one temperature: as many solids grow as there are elements that matter.

        Compounds of a bare trace do not count. Where the liquid cannot be made up of the solids, one of them would have
        to melt again (a peritectic): on fast freezing it is buried, stops growing, and the freezing goes on.
        """
        matters = self.x > _MATTERS
        counted = [name for name, shares in self.growing.items() if float(shares[~matters].sum()) < 0.05]
        if len(counted) < int(matters.sum()):
            return False
        columns = np.array([self.growing[name] for name in counted]).T
        amounts = np.linalg.lstsq(columns, self.x, rcond=None)[0]
        if float(amounts.min()) < -1e-6 and len(counted) > 1:
            buried = counted[int(amounts.argmin())]
            del self.growing[buried], self.shares[buried]
            self.kinks.append(len(self.track) - 1)
            return False
        return True

    def advance(self) -> None:
        """Let one more step of solid grow."""
        size = min(_LARGEST_STEP, _SHARE_OF_REST * self.liquid)
        for _ in range(14):
            step = self._solved(size)
            if step is None:
                size /= 4.0
            elif self.temperature_k - step.temperature_k > _LARGEST_FALL_K and size > 1e-4:
                size *= 0.4
            else:
                break
        if step is None:
            raise ConvergenceError(f"freezing stalls at {self.temperature_k - ZERO_C_IN_K:.1f} C")
        spent = [name for name, share in step.shares.items() if share < 0.0]
        if spent and len(step.shares) > len(spent):
            # A solid that would have to melt again: on fast freezing it is buried and merely stops growing.
            for name in spent:
                del self.growing[name], self.shares[name]
            self.kinks.append(len(self.track) - 1)
            return
        keener = self._keener(step)
        if keener is not None:
            size, step, keener = self._cut(size, step, keener)
        if keener is None or size > _LEAST_STEP:
            self._accept(size, step)
        if keener is not None:
            self._join(keener)

    def finish(self) -> None:
        """Freeze what is left where it stands; its solids share it as the last step did."""
        rest_g = self.liquid * float(self.x @ self.weights_g_mol)
        self._book(rest_g, self._rest_shares())
        self.latent_j.append(self._latent_of_rest())
        self.track.append((self.temperature_k, 0.0, self.x))

    def _rest_shares(self) -> dict[str, float]:
        """Mass shares in which the solids that grow use up the liquid, by least squares on its composition."""
        names = list(self.growing)
        columns = np.array([self.growing[name] for name in names]).T
        amounts = np.maximum(np.linalg.lstsq(columns, self.x, rcond=None)[0], 0.0)
        masses = amounts * (self.weights_g_mol @ columns)
        return dict(zip(names, masses / masses.sum(), strict=True))

    def _latent_of_rest(self) -> float:
        """Heat of freezing of what is left, its solids in the amounts that come nearest to its composition."""
        state = self.system.at(self.temperature_k)
        names = list(self.growing)
        columns = np.array([self.growing[name] for name in names]).T
        amounts = np.maximum(np.linalg.lstsq(columns, self.x, rcond=None)[0], 0.0)
        amounts = amounts / amounts.sum()
        solid = sum(float(a) * state.enthalpy(n, self.growing[n]) for a, n in zip(amounts, names, strict=True))
        return self.liquid * (state.enthalpy("LIQUID", self.x) - solid)

    def _latent(self, size: float, step: _Step) -> float:
        """Heat of freezing of one step, at the temperature where it ends."""
        state = step.state
        before = self.liquid * state.enthalpy("LIQUID", self.x)
        after = (self.liquid - size) * state.enthalpy("LIQUID", step.x)
        solids = sum(
            float(q) * state.enthalpy(n, 0.5 * (self.growing[n] + step.solids[n])) for n, q in step.shares.items()
        )
        return before - after - size * solids

    def _book(self, mass_g: float, shares: dict[str, float]) -> None:
        for name, share in shares.items():
            word = PHASE_NAMES[name]
            self.solids_g[word] = self.solids_g.get(word, 0.0) + share * mass_g
        if {"FCC_A1", "BCT_A5"} <= set(shares):
            self.eutectic_g += mass_g * (shares["FCC_A1"] + shares["BCT_A5"])

    def _solved(self, size: float) -> _Step | None:
        """Newton for the temperature and the shares of the growing solids after a step; None where it does not settle.

        What a solid takes in during the step is the mean of its composition at the beginning and at the end.
        """
        names = list(self.growing)
        m = len(names)
        t = max(self.temperature_k - self.fall_k_per_mol * size, 320.0)
        shares = np.array([max(self.shares[name], 1e-3) for name in names])
        shares /= shares.sum()
        now = [self.growing[name] for name in names]
        left = self.liquid - size
        for _ in range(30):
            taken = [0.5 * (self.growing[name] + c) for name, c in zip(names, now, strict=True)]
            x = (self.liquid * self.x - size * sum(q * c for q, c in zip(shares, taken, strict=True))) / left
            # An element nearly used up may overshoot below nought on the way: held above it, Newton comes back.
            overdrawn = bool((x <= 0.0).any())
            x = np.maximum(x, 0.05 * self.x)
            state = self.system.at(t)
            mu = state.liquid.potentials(x, state.rt)
            solids = [state.candidate(name, mu, c) for name, c in zip(names, now, strict=True)]
            now = [s.mole_fractions for s in solids]
            forces = np.array([s.force_j_mol for s in solids])
            if float(np.abs(forces).max()) < _BALANCED_J_MOL and not overdrawn:
                return _Step(t, x, dict(zip(names, shares, strict=True)), dict(zip(names, now, strict=True)), state, mu)
            matrix = np.zeros((m + 1, m + 1))
            warming = state.slopes["LIQUID"].potentials(x, state.rt / t)
            pull = np.array(now) @ state.liquid.potential_slopes(x, state.rt)
            matrix[:m, 0] = [float(c @ warming) + state.entropy(n, c) for n, c in zip(names, now, strict=True)]
            matrix[:m, 1:] = -size / left * pull @ np.array(taken).T
            matrix[m, 1:] = 1.0
            try:
                change = np.linalg.solve(matrix, -np.append(forces, shares.sum() - 1.0))
            except np.linalg.LinAlgError:
                return None
            t += float(np.clip(change[0], -15.0, 15.0))
            shares = shares + np.clip(change[1:], -0.5, 0.5)
            if not 250.0 < t < 1500.0:
                return None
        return None

    def _keener(self, step: _Step) -> Candidate | None:
        """A solid that does not grow yet and would, after the step; every few steps all are sought afresh."""
        if self.steps % _COLD_SEARCH_EVERY == 0 or not self.seen:
            found = step.state.candidates(step.mu)
        else:
            found = [step.state.candidate(c.phase, step.mu, c.mole_fractions) for c in self.seen]
        self.steps += 1
        self.seen = [c for c in found if c.phase not in self.growing]
        best = max(self.seen, key=lambda c: c.force_j_mol, default=None)
        return best if best is not None and best.force_j_mol > _NEW_SOLID_J_MOL else None

    def _cut(self, size: float, step: _Step, keener: Candidate) -> tuple[float, _Step, Candidate]:
        """The shorter step after which the first of the new solids is just in balance, and which solid that is."""
        low, high = 0.0, size
        for _ in range(40):
            shorter = 0.5 * (low + high)
            if keener.force_j_mol < _BALANCED_NEW_J_MOL or shorter < _LEAST_STEP:
                break
            solved = self._solved(shorter)
            if solved is None:
                break
            found = [solved.state.candidate(c.phase, solved.mu, c.mole_fractions) for c in self.seen]
            best = max(found, key=lambda c: c.force_j_mol)
            if best.force_j_mol > 0.0:
                size, step, keener, high = shorter, solved, best, shorter
            else:
                low = shorter
        return size, step, keener

    def _accept(self, size: float, step: _Step) -> None:
        before_g = self.liquid * float(self.x @ self.weights_g_mol)
        self.latent_j.append(self._latent(size, step))
        self.liquid -= size
        self.fall_k_per_mol = min((self.temperature_k - step.temperature_k) / size, 20.0 / size)
        self.x, self.temperature_k = step.x, step.temperature_k
        grown_g = {n: q * float(step.solids[n] @ self.weights_g_mol) for n, q in step.shares.items()}
        total = sum(grown_g.values())
        self._book(
            before_g - self.liquid * float(self.x @ self.weights_g_mol), {n: g / total for n, g in grown_g.items()}
        )
        self.growing, self.shares = step.solids, step.shares
        self.track.append((self.temperature_k, self.liquid, self.x))

    def _join(self, solid: Candidate) -> None:
        """A new solid begins to grow; another form of the same compound makes way for it."""
        for name, shares in list(self.growing.items()):
            if float(np.abs(shares - solid.mole_fractions).max()) < 1e-3:
                del self.growing[name], self.shares[name]
        self.fall_k_per_mol = 0.0
        self.kinks.append(len(self.track) - 1)
        self.growing[solid.phase] = solid.mole_fractions
        self.shares[solid.phase] = 0.05 if self.shares else 1.0


@dataclass(frozen=True)
class _Step:
    """Where a step of growth ends."""

    temperature_k: float
    x: Array
    shares: dict[str, float]
    solids: dict[str, Array]
    state: State
    mu: Array
