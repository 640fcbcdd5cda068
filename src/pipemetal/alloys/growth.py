"""The growth of solids in a freezing liquid, step by step, after Scheil and Gulliver: solids keep what they took."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipemetal.alloys.equilibrium import atomic_weights
from pipemetal.alloys.gibbs import Array, Candidate, State, System
from pipemetal.alloys.liquidus import PHASE_NAMES, ZERO_C_IN_K, liquidus_k, solid_key
from pipemetal.errors import ConvergenceError

__all__ = ["Freezing"]

_LARGEST_STEP = 0.05
_SHARE_OF_REST = 0.25
_LEAST_LIQUID = 5e-4
_COLDEST_K = 345.0
# Copper in the last liquid makes up less than a millionth of what grows; a start far above it would overdraw it.
_LEAST_SHARE = 1e-9
# Mole fraction in the liquid below which an element no longer bends the last of the curve.
_MATTERS = 2e-4
_BALANCED_J_MOL = 0.05
_NEW_SOLID_J_MOL = 0.05
_BALANCED_NEW_J_MOL = 0.5
_LEAST_STEP = 1e-7
_LARGEST_FALL_K = 15.0
_COLD_SEARCH_EVERY = 8
# A step may be this many times the one before; after a new solid has joined at least this share is tried.
_GROWTH = 4.0
_JOINED_STEP = 0.004
# Newton that has not halved its error in this many rounds is not going to.
_PATIENCE = 5
_AIMED_FALL_K = 9.0
# Twenty kelvin weigh as much as the whole of a share where a round's change is judged.
_KELVIN_WEIGHT = 1.0 / 400.0
# Where in the half J/mol of a new solid's force the search for its beginning aims.
_AIMED_J_MOL = 0.15


def _phase(key: str) -> str:
    """The phase of the database behind the name under which a solid grows."""
    return key.partition("#")[0]


@dataclass(frozen=True)
class _Step:
    """Where a step of growth ends."""

    temperature_k: float
    x: Array
    shares: dict[str, float]
    solids: dict[str, Array]
    state: State
    mu: Array


class _Newton:
    """Rounds of Newton for a temperature and shares; the matrix, once set, is mended by what each round showed.

    Sources: C. G. Broyden, Math. Comp. 19 (1965) 577 (not checked).
    """

    def __init__(self) -> None:
        self.matrix: Array | None = None
        self._change: Array | None = None
        self._before: Array | None = None
        self._rounds = 0
        self._worst = np.inf

    def change(self, residual: Array) -> Array | None:
        """What to add to the unknowns; None when the rounds lead nowhere."""
        assert self.matrix is not None
        self._rounds += 1
        if self._rounds % _PATIENCE == 0:
            largest = float(np.abs(residual[:-1]).max())
            if not largest < 0.5 * self._worst:
                return None
            self._worst = largest
        if self._change is not None and self._before is not None:
            weighed = self._change.copy()
            weighed[0] *= _KELVIN_WEIGHT
            moved = float(weighed @ self._change)
            if moved > 0.0:
                missed = residual - self._before - self.matrix @ self._change
                self.matrix = self.matrix + np.outer(missed, weighed / moved)
        try:
            change: Array = np.linalg.solve(self.matrix, -residual)
        except np.linalg.LinAlgError:
            return None
        change[0] = float(np.clip(change[0], -15.0, 15.0))
        change[1:] = np.clip(change[1:], -0.5, 0.5)
        self._change, self._before = change, residual
        return change


@dataclass
class Freezing:
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
    last_size: float = _LARGEST_STEP
    idle_j_mol: float | None = None
    steps: int = 0

    @classmethod
    def started(cls, system: System, x: Array) -> Freezing:
        """Liquid of mole fractions x at its liquidus, with its first solid."""
        temperature_k, first = liquidus_k(system, x)
        name = solid_key(first, system.elements)
        new = cls(system, temperature_k, 1.0, x, {name: first.mole_fractions}, {name: 1.0}, atomic_weights(system))
        new.track.append((temperature_k, 1.0, x))
        return new

    def run(self) -> None:
        """Freeze all of it."""
        while self.liquid > _LEAST_LIQUID and self.temperature_k > _COLDEST_K:
            if self.at_invariant():
                break
            self.advance()
        self.finish()

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
        self._look_ahead()
        size = self._hopeful_size()
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

    def _hopeful_size(self) -> float:
        """A step that will likely settle: not far beyond the last, nor a fall beyond what a step may have."""
        size = min(_LARGEST_STEP, _SHARE_OF_REST * self.liquid, _GROWTH * self.last_size)
        if self.fall_k_per_mol > 0.0:
            size = min(size, max(_AIMED_FALL_K / self.fall_k_per_mol, 1e-4))
        return size

    def _look_ahead(self) -> None:
        """How fast the temperature falls and which solids share the growth at this very point: the start of Newton.

        Every growing solid stays in balance, so its force does not change: one linear equation for each.
        """
        names = list(self.growing)
        state = self.system.at(self.temperature_k)
        now = np.array([self.growing[name] for name in names])
        matrix = self._matrix(state, self.x, names, now, -now.T / self.liquid)
        pull = now @ state.liquid.potential_slopes(self.x, state.rt) @ self.x / self.liquid
        try:
            slope = np.linalg.solve(matrix, np.append(-pull, 1.0))
        except np.linalg.LinAlgError:
            return
        if 0.0 <= -slope[0] < 1e7 and float(np.abs(slope[1:]).max()) < 50.0:
            self.fall_k_per_mol = -float(slope[0])
            self.shares = dict(zip(names, np.clip(slope[1:], _LEAST_SHARE, 1.0).tolist(), strict=True))

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
        solid = sum(float(a) * state.enthalpy(_phase(n), self.growing[n]) for a, n in zip(amounts, names, strict=True))
        return self.liquid * (state.enthalpy("LIQUID", self.x) - solid)

    def _latent(self, size: float, step: _Step) -> float:
        """Heat of freezing of one step, at the temperature where it ends."""
        state = step.state
        before = self.liquid * state.enthalpy("LIQUID", self.x)
        after = (self.liquid - size) * state.enthalpy("LIQUID", step.x)
        solids = sum(
            float(q) * state.enthalpy(_phase(n), 0.5 * (self.growing[n] + step.solids[n]))
            for n, q in step.shares.items()
        )
        return before - after - size * solids

    def _book(self, mass_g: float, shares: dict[str, float]) -> None:
        for name, share in shares.items():
            word = PHASE_NAMES[name]
            self.solids_g[word] = self.solids_g.get(word, 0.0) + share * mass_g
        if {"FCC_A1", "BCT_A5"} <= set(shares):
            self.eutectic_g += mass_g * (shares["FCC_A1"] + shares["BCT_A5"])

    def _solved(self, size: float, beyond: tuple[float, _Step] | None = None) -> _Step | None:
        """Newton for the temperature and the shares of the growing solids after a step; None where it does not settle.

        What a solid takes in during the step is the mean of its composition at the beginning and at the end. The
        matrix is made once and then mended by what each round showed (Broyden). ``beyond`` is a longer step that is
        solved already, to begin between here and there.
        """
        names = list(self.growing)
        unknown, now = self._first_guess(size, beyond, names)
        left = self.liquid - size
        newton = _Newton()
        for _ in range(30):
            taken = [0.5 * (self.growing[name] + c) for name, c in zip(names, now, strict=True)]
            x = (self.liquid * self.x - size * sum(q * c for q, c in zip(unknown[1:], taken, strict=True))) / left
            # An element nearly used up may overshoot below zero on the way: held above it, Newton comes back.
            overdrawn = bool((x <= 0.0).any())
            x = np.maximum(x, 0.05 * self.x)
            state = self.system.at(float(unknown[0]))
            mu = state.liquid.potentials(x, state.rt)
            solids = [state.candidate(_phase(name), mu, c) for name, c in zip(names, now, strict=True)]
            now = [s.mole_fractions for s in solids]
            residual = np.array([*(s.force_j_mol for s in solids), unknown[1:].sum() - 1.0])
            if float(np.abs(residual[:-1]).max()) < _BALANCED_J_MOL and not overdrawn:
                shares = dict(zip(names, unknown[1:].tolist(), strict=True))
                return _Step(state.temperature_k, x, shares, dict(zip(names, now, strict=True)), state, mu)
            if newton.matrix is None:
                newton.matrix = self._matrix(state, x, names, np.array(now), -size / left * np.array(taken).T)
            change = newton.change(residual)
            if change is None:
                return None
            unknown = unknown + change
            if not 250.0 < unknown[0] < 1500.0:
                return None
        return None

    def _first_guess(
        self, size: float, beyond: tuple[float, _Step] | None, names: list[str]
    ) -> tuple[Array, list[Array]]:
        """Temperature and shares to begin from, and the solids' compositions."""
        shares = np.array([max(self.shares[name], _LEAST_SHARE) for name in names])
        if beyond is None:
            t = max(self.temperature_k - self.fall_k_per_mol * size, 320.0)
            return np.array([t, *(shares / shares.sum())]), [self.growing[name] for name in names]
        part, step = size / beyond[0], beyond[1]
        t = self.temperature_k + part * (step.temperature_k - self.temperature_k)
        solids: list[Array] = [self.growing[n] + part * (step.solids[n] - self.growing[n]) for n in names]
        return np.array([t, *(step.shares[name] for name in names)]), solids

    def _matrix(self, state: State, x: Array, names: list[str], now: Array, x_slopes: Array) -> Array:
        """How the solids' forces and the sum of the shares change with the temperature and with each share."""
        m = len(names)
        matrix = np.zeros((m + 1, m + 1))
        warming = state.slopes["LIQUID"].potentials(x, state.rt / state.temperature_k)
        matrix[:m, 0] = now @ warming + [state.entropy(_phase(n), c) for n, c in zip(names, now, strict=True)]
        matrix[:m, 1:] = now @ state.liquid.potential_slopes(x, state.rt) @ x_slopes
        matrix[m, 1:] = 1.0
        return matrix

    def _keener(self, step: _Step) -> Candidate | None:
        """A solid that does not grow yet and would, after the step; every few steps all are sought afresh."""
        if self.steps % _COLD_SEARCH_EVERY == 0 or not self.seen:
            found = step.state.candidates(step.mu)
        else:
            found = [step.state.candidate(c.phase, step.mu, c.mole_fractions) for c in self.seen]
        self.steps += 1
        self.seen = [c for c in found if solid_key(c, self.system.elements) not in self.growing]
        best = max(self.seen, key=lambda c: c.force_j_mol, default=None)
        if best is not None and best.force_j_mol > _NEW_SOLID_J_MOL:
            return best
        self.idle_j_mol = best.force_j_mol if best is not None else None
        return None

    def _cut(self, size: float, step: _Step, keener: Candidate) -> tuple[float, _Step, Candidate]:
        """The shorter step after which the first of the new solids is just in balance, and which solid that is."""
        low, high = 0.0, size
        above = keener.force_j_mol - _AIMED_J_MOL
        below = -above if self.idle_j_mol is None else min(self.idle_j_mol, 0.0) - _AIMED_J_MOL
        for _ in range(40):
            if keener.force_j_mol < _BALANCED_NEW_J_MOL or high < _LEAST_STEP:
                break
            # Secant, kept off the ends; the end that stays has its force halved (Illinois).
            share = float(np.clip(-below / (above - below), 0.03, 0.97))
            shorter = low + share * (high - low)
            solved = self._solved(shorter, (size, step))
            if solved is None:
                break
            found = [solved.state.candidate(c.phase, solved.mu, c.mole_fractions) for c in self.seen]
            new = [c for c in found if solid_key(c, self.system.elements) not in self.growing]
            if not new:
                break
            best = max(new, key=lambda c: c.force_j_mol)
            if best.force_j_mol > 0.0:
                size, step, keener, high = shorter, solved, best, shorter
                above, below = best.force_j_mol - _AIMED_J_MOL, 0.5 * below
            else:
                low, below, above = shorter, best.force_j_mol - _AIMED_J_MOL, 0.5 * above
        return size, step, keener

    def _accept(self, size: float, step: _Step) -> None:
        before_g = self.liquid * float(self.x @ self.weights_g_mol)
        self.latent_j.append(self._latent(size, step))
        self.liquid -= size
        self.last_size = size
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
        self.last_size = max(self.last_size, _JOINED_STEP)
        self.idle_j_mol = None
        self.kinks.append(len(self.track) - 1)
        key = solid_key(solid, self.system.elements)
        self.growing[key] = solid.mole_fractions
        self.shares[key] = 0.05 if self.shares else 1.0
