"""Which phases an alloy holds at a temperature, how much of each, and of what composition: a real flash.

The chemical potentials in equilibrium are those that raise the Gibbs energy of the whole mix as high as no phase lying
below them allows. That is a linear programme whose columns are phases of every possible composition; columns are
added where a phase dips lowest below the present potentials (simplex with column generation), and the result is
then made exact by Newton's method on compositions, amounts and potentials together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipemetal.alloys.composition import ATOMIC_WEIGHTS_G_MOL, ELEMENTS, Composition
from pipemetal.alloys.gibbs import Array, Candidate, State, System
from pipemetal.alloys.liquidus import PHASE_NAMES, ZERO_C_IN_K, dissolved
from pipemetal.errors import AlloyError, ConvergenceError

__all__ = ["Equilibrium", "PhaseAmount", "equilibria", "equilibrium", "flash"]

_ROUGH_J_MOL = 20.0
_FINE_J_MOL = 1e-4
_MOST_ROUNDS = 400
# A phase that lies no deeper than this is let in by itself, with a bare trace to begin from.
_NEAR_J_MOL = 200.0
_FIRST_AMOUNT = 1e-6
_MOST_CHANGES = 8
# Columns of one phase closer than this are one phase; a miscibility gap is wider.
_SAME_PHASE = 0.08


@dataclass(frozen=True)
class PhaseAmount:
    """One phase of an equilibrium: its name in words, its share by mass and by moles of atoms, its composition."""

    name: str
    mass_fraction: float
    mole_fraction: float
    composition: Composition


@dataclass(frozen=True)
class Equilibrium:
    """The phases of an alloy at a temperature, the most plentiful first, and the heat content of the whole."""

    temperature_c: float
    phases: tuple[PhaseAmount, ...]
    enthalpy_kj_kg: float

    @property
    def fraction_solid(self) -> float:
        """Share of the mass that is solid, 0 to 1."""
        return max(0.0, 1.0 - sum(p.mass_fraction for p in self.phases if p.name == "liquid"))


@dataclass(frozen=True)
class Flash:
    """A flash in mole fractions: phases with amounts (moles of atoms, summing to one) and chemical potentials."""

    phases: tuple[tuple[str, Array, float], ...]
    potentials_j_mol: Array


@lru_cache(maxsize=4096)
def equilibrium(comp: Composition, temperature_c: float) -> Equilibrium:
    """The equilibrium of an alloy at a temperature.

    Arguments:
        comp: any composition; arsenic is left out.
        temperature_c: 25 to 600 C.
    Raises:
        AlloyError: temperature outside that. ConvergenceError: no equilibrium found.
    Sources: assessed Gibbs energies, see the footer of ``data/pbsn_pipe.tdb``.

    >>> [(p.name, round(p.mass_fraction, 2)) for p in equilibrium(Composition.parse("Sn 50 Pb bal"), 200).phases]
    [('liquid', 0.85), ('lead-rich', 0.15)]
    """
    return equilibria(comp, (temperature_c,))[0]


def equilibria(comp: Composition, temperatures_c: Sequence[float]) -> list[Equilibrium]:
    """The equilibria of one alloy at several temperatures, each begun from the one before: quick where they lie close.

    Raises and sources: as :func:`equilibrium`.

    >>> [round(e.fraction_solid, 2) for e in equilibria(Composition.parse("Sn 50 Pb bal"), (210, 200, 190))]
    [0.05, 0.15, 0.23]
    """
    system, x = dissolved(comp)
    weights = atomic_weights(system)
    whole = float(x @ weights)
    found: Flash | None = None
    answers = []
    for temperature_c in temperatures_c:
        if not 25.0 <= temperature_c <= 600.0:
            raise AlloyError(
                "is outside what the data reach", field="temperature_c", value=temperature_c, allowed="25 to 600 C"
            )
        state = system.at(temperature_c + ZERO_C_IN_K)
        found = flash(state, x, near=found)
        phases = [
            PhaseAmount(
                PHASE_NAMES[name], amount * float(shares @ weights) / whole, amount, _composition(system, shares)
            )
            for name, shares, amount in found.phases
        ]
        enthalpy = sum(amount * state.enthalpy(name, shares) for name, shares, amount in found.phases)
        phases.sort(key=lambda p: -p.mass_fraction)
        answers.append(Equilibrium(temperature_c, tuple(phases), enthalpy / whole))
    return answers


def atomic_weights(system: System) -> Array:
    """Atomic weights in g/mol of a system's elements."""
    symbols = [e.upper() for e in ELEMENTS]
    return np.array([ATOMIC_WEIGHTS_G_MOL[symbols.index(e)] for e in system.elements])


def _composition(system: System, shares: Array) -> Composition:
    masses = shares * atomic_weights(system)
    percent = dict(zip(system.elements, 100.0 * masses / masses.sum(), strict=True))
    return Composition.from_wt_pct({e: percent.get(e.upper(), 0.0) for e in ELEMENTS})


def flash(state: State, x: Array, with_liquid: bool = True, near: Flash | None = None) -> Flash:
    """The equilibrium of mole fractions x at one temperature.

    Arguments:
        with_liquid: False forbids the liquid, as for the search of the solidus.
        near: the flash of a neighbouring temperature, to begin from.
    Raises:
        ConvergenceError: the potentials or the amounts did not settle.
    """
    if near is not None:
        found = _settled(state, x, near.phases, with_liquid)
        if found is not None:
            return found
    columns, basis, costs = _pure_columns(state, with_liquid)
    tolerance = _ROUGH_J_MOL
    for _ in range(_MOST_ROUNDS):
        mu: Array = np.linalg.solve(basis.T, costs)
        candidates = sorted(state.candidates(mu, with_liquid), key=lambda c: -c.force_j_mol)
        if candidates[0].force_j_mol < tolerance:
            amounts: Array = np.linalg.solve(basis, x)
            phases, kept = _merged(columns, amounts)
            found = _settled(state, x, [(*p, a) for p, a in zip(phases, kept, strict=True)], with_liquid)
            if found is not None:
                return found
            if tolerance <= _FINE_J_MOL:
                break
            tolerance = max(tolerance / 10.0, _FINE_J_MOL)
            continue
        for candidate in candidates[:3]:
            _enter(state, candidate, columns, basis, costs, x)
    raise ConvergenceError(f"no equilibrium found at {state.temperature_k - ZERO_C_IN_K:.1f} C")


def _settled(state: State, x: Array, phases: Sequence[tuple[str, Array, float]], with_liquid: bool) -> Flash | None:
    """The exact equilibrium near these phases: one that runs out leaves, one that lies a little deeper comes in.

    None where the phases are far from it, for the linear programme to come nearer.
    """
    held = list(phases)
    for _ in range(_MOST_CHANGES):
        found = _refined(state, x, [(name, shares) for name, shares, _ in held], [amount for *_, amount in held])
        if found is None:
            return None
        spent = min(range(len(found.phases)), key=lambda k: found.phases[k][2])
        if found.phases[spent][2] < -1e-9:
            if len(found.phases) == 1:
                return None
            held = [phase for k, phase in enumerate(found.phases) if k != spent]
            continue
        deepest = max(state.candidates(found.potentials_j_mol, with_liquid), key=lambda c: c.force_j_mol)
        if deepest.force_j_mol < _FINE_J_MOL:
            return found
        if deepest.force_j_mol > _NEAR_J_MOL or len(found.phases) >= len(x):
            return None
        held = [*found.phases, (deepest.phase, deepest.mole_fractions, _FIRST_AMOUNT)]
    return None


def _pure_columns(state: State, with_liquid: bool) -> tuple[list[tuple[str, Array]], Array, Array]:
    """Each element alone, in the solution that suits it best: a mix that always exists."""
    n = len(state.elements)
    columns: list[tuple[str, Array]] = []
    costs = np.zeros(n)
    for i in range(n):
        usable = {name: s for name, s in state.solutions.items() if s.admitted[i] and (with_liquid or name != "LIQUID")}
        name = min(usable, key=lambda k: float(usable[k].ends_j_mol[i]))
        shares = np.zeros(n)
        shares[i] = 1.0
        columns.append((name, shares))
        costs[i] = usable[name].ends_j_mol[i]
    return columns, np.eye(n), costs


def _enter(
    state: State, new: Candidate, columns: list[tuple[str, Array]], basis: Array, costs: Array, x: Array
) -> None:
    """One simplex step: the new column comes in if it still pays, and the first column that runs out leaves."""
    cost = state.gibbs_energy(new.phase, new.mole_fractions)
    if float(new.mole_fractions @ np.linalg.solve(basis.T, costs)) - cost <= 0.0:
        return
    amounts = np.linalg.solve(basis, x)
    use = np.linalg.solve(basis, new.mole_fractions)
    ratios = np.where(use > 1e-12, np.maximum(amounts, 0.0) / np.where(use > 1e-12, use, 1.0), np.inf)
    leaving = int(ratios.argmin())
    columns[leaving] = (new.phase, new.mole_fractions)
    basis[:, leaving] = new.mole_fractions
    costs[leaving] = cost


def _merged(columns: list[tuple[str, Array]], amounts: Array) -> tuple[list[tuple[str, Array]], list[float]]:
    """Columns that are the same phase, melted into one; those of no amount left out."""
    phases: list[tuple[str, Array]] = []
    kept: list[float] = []
    for (name, shares), amount in sorted(zip(columns, amounts, strict=True), key=lambda pair: -pair[1]):
        if amount <= 0.0:
            continue
        for k, (other, theirs) in enumerate(phases):
            if other == name and float(np.abs(theirs - shares).max()) < _SAME_PHASE:
                total = kept[k] + amount
                phases[k] = (name, (kept[k] * theirs + amount * shares) / total)
                kept[k] = total
                break
        else:
            phases.append((name, shares))
            kept.append(float(amount))
    return phases, kept


def _refined(state: State, x: Array, phases: list[tuple[str, Array]], amounts: list[float]) -> Flash | None:
    """Newton on compositions, amounts and potentials; None where it does not settle.

    A phase that would have to be there in less than zero keeps its amount below zero.
    """
    n = len(x)
    held = [
        (name, np.maximum(shares, 1e-12 * state.solutions[name].admitted) if name in state.solutions else shares)
        for name, shares in phases
    ]
    held = [(name, shares / shares.sum()) for name, shares in held]
    n_phases: Array = np.array(amounts)
    mu: Array = np.zeros(n)
    for count in range(40):
        rows, right = _newton_system(state, x, held, n_phases, mu)
        try:
            step = np.linalg.lstsq(rows, right, rcond=1e-14)[0]
        except np.linalg.LinAlgError:
            return None
        new_mu = step[-n:]
        moved = float(np.abs(new_mu - mu).max())
        mu = new_mu
        position = 0
        for k, (name, shares) in enumerate(held):
            if name in state.solutions:
                size = int((shares > 0.0).sum())
                change = np.clip(step[position : position + size], -1.5, 1.5)
                shares = shares.copy()
                shares[shares > 0.0] *= np.exp(change)
                held[k] = (name, shares / shares.sum())
                moved = max(moved, float(np.abs(change).max()) * state.rt * 1e-3)
                position += size
            elif name == "SBSN":
                held[k], turned = _turned_sbsn(state, shares, float(step[position]))
                moved = max(moved, turned * state.rt * 1e-3)
                position += 1
        n_phases = step[position : position + len(held)]
        if not np.all(np.isfinite(step)):
            return None
        if moved < 1e-5 and count > 1:
            break
    else:
        return None
    if float(n_phases.min()) < -1e-9:
        return Flash(tuple((*h, float(a)) for h, a in zip(held, n_phases, strict=True)), mu)
    merged = zip(*_merged(held, n_phases), strict=True)
    return Flash(tuple((name, shares, amount) for (name, shares), amount in merged), mu)


def _turned_sbsn(state: State, shares: Array, change: float) -> tuple[tuple[str, Array], float]:
    """SbSn with its inner freedom changed, kept inside its bounds, and by how much it really changed."""
    *_, turn = state.sbsn_shape(shares)
    sb = int(turn.argmax())
    y = (7.0 * float(shares[sb]) - 3.0) / 4.0
    new = min(max(y + min(max(change, -0.1), 0.1), 0.5 * y), 0.5 * (1.0 + y))
    return ("SBSN", shares + (new - y) * turn), abs(new - y)


def _newton_system(
    state: State, x: Array, held: list[tuple[str, Array]], amounts: Array, mu: Array
) -> tuple[Array, Array]:
    """Linear equations in: logarithmic changes of every composition, new amounts, new potentials.

    Per solution: its own potentials equal the common ones, and its shares sum to one. Per compound: its energy lies on
    the common plane, and for SbSn, which has one inner freedom, touches it. Over all: the amounts give back the mix.
    """
    n, p = len(x), len(held)
    sizes = [int((s > 0.0).sum()) if name in state.solutions else int(name == "SBSN") for name, s in held]
    inner = sum(sizes)
    width = inner + p + n
    rows, right = [], []
    balance = np.zeros((n, width))
    position = 0
    for k, (name, shares) in enumerate(held):
        balance[:, inner + k] = shares
        if name in state.solutions:
            kept = shares > 0.0
            solution = state.solutions[name]
            block = np.zeros((sizes[k] + 1, width))
            slopes = solution.potential_slopes(shares, state.rt)[np.ix_(kept, kept)]
            block[: sizes[k], position : position + sizes[k]] = slopes * shares[kept]
            block[: sizes[k], inner + p :] = -np.eye(n)[kept]
            block[sizes[k], position : position + sizes[k]] = shares[kept] * state.rt
            rows.append(block)
            right.append(np.append(-solution.potentials(shares, state.rt)[kept], 0.0))
            for place, element in enumerate(np.flatnonzero(kept)):
                balance[element, position + place] = amounts[k] * shares[element]
            position += sizes[k]
        else:
            line = np.zeros((1, width))
            line[0, inner + p :] = shares
            rows.append(line)
            right.append(np.array([state.gibbs_energy(name, shares)]))
        if name == "SBSN":
            _, slope, curve, turn = state.sbsn_shape(shares)
            line = np.zeros((1, width))
            line[0, position], line[0, inner + p :] = -curve, turn
            rows.append(line)
            right.append(np.array([slope]))
            balance[:, position] = amounts[k] * turn
            position += 1
    scale = state.rt
    return np.vstack([*rows, scale * balance]), np.concatenate([*right, scale * x])
