"""Gibbs energies, chemical potentials and driving forces of the phases of one set of elements.

Energies are J per mole of atoms, temperatures K, compositions mole fractions: the units of the assessments. The rooms'
own units begin again in ``liquidus``, ``solidus``, ``scheil`` and ``properties``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from pipemetal.alloys.database import Basis, Expression, Phase, packaged_database

__all__ = ["GAS_CONSTANT_J_MOLK", "Candidate", "SolutionAt", "State", "System", "system_of"]

Array = npt.NDArray[np.floating[Any]]

# CODATA 2018, as the assessments were evaluated.
GAS_CONSTANT_J_MOLK = 8.31446

SOLID_SOLUTIONS = ("FCC_A1", "BCT_A5", "RHOMBO_A7", "HCP_A3")
COMPOUNDS = ("AG3SN", "CU3SN", "CU6SN5", "CU6SN5_L", "SB3SN4")
# Ends of each solution from which its tangent composition is sought: a phase may dip near any of them.
_STARTS = {
    "LIQUID": ("PB", "SN", "SB", "BI", "CU", "AG"),
    "FCC_A1": ("PB", "AG", "CU"),
    "BCT_A5": ("SN",),
    "RHOMBO_A7": ("SB", "BI"),
    "HCP_A3": ("PB", "AG"),
}
# An element that a phase does not admit: its share comes out as nought.
_FORBIDDEN_J_MOL = 1.0e6
_TANGENT_TOLERANCE = 1e-9
# Newton's next step would be about the square of this.
_NEWTON_TOLERANCE = 3e-6


@dataclass(frozen=True)
class Candidate:
    """A phase of one composition, held against given chemical potentials.

    ``force_j_mol`` is how far the phase lies below the potentials: above nought it wants to form.
    """

    phase: str
    mole_fractions: Array
    force_j_mol: float


class _EnergyTable:
    """Evaluates many expressions of temperature at once: one matrix per stretch between breakpoints."""

    def __init__(self, expressions: list[Expression]) -> None:
        self._expressions = expressions
        self._bases: list[Basis] = sorted({b for e in expressions for _, terms in e.pieces for b in terms})
        self._edges_k = sorted({high for e in expressions for high, _ in e.pieces})
        self._matrices: dict[int, Array] = {}

    def values(self, temperature_k: float) -> tuple[Array, Array]:
        """Energy and its slope with temperature, for every expression."""
        stretch = int(np.searchsorted(self._edges_k, temperature_k))
        matrix = self._matrices.get(stretch)
        if matrix is None:
            index = {basis: column for column, basis in enumerate(self._bases)}
            matrix = np.zeros((len(self._expressions), len(self._bases)))
            for row, expression in enumerate(self._expressions):
                for basis, weight in expression.at(temperature_k).items():
                    matrix[row, index[basis]] = weight
            self._matrices[stretch] = matrix
        pairs = np.array([_basis_value(basis, temperature_k) for basis in self._bases])
        both = matrix @ pairs
        return both[:, 0], both[:, 1]


def _basis_value(basis: Basis, t: float) -> tuple[float, float]:
    kind, power = basis
    if kind == "EXP":
        value = math.exp(power * t)
        return value, power * value
    value = t**power
    slope = power * t ** (power - 1.0)
    if kind == "LN":
        return value * math.log(t), slope * math.log(t) + value / t
    return value, slope


class SolutionAt:
    """A substitutional solution at one temperature: end-member energies and Redlich-Kister-Muggianu excess terms."""

    def __init__(self, name: str, ends: Array, pairs: Array, triples: list[tuple[tuple[int, int, int], Array]]) -> None:
        self.name = name
        self.ends_j_mol = ends
        self.admitted = ends < _FORBIDDEN_J_MOL
        self._pairs = pairs
        self._triples = triples

    def excess_potentials(self, x: Array) -> Array:
        """Partial excess energies at mole fractions x."""
        d = x[:, None] - x[None, :]
        l0, l1, l2 = self._pairs
        a = l0 + d * (l1 + d * l2)
        slope = l1 + 2.0 * d * l2
        ax = a @ x
        gradient = ax + x * (slope @ x)
        energy = 0.5 * float(x @ ax)
        for (i, j, k), orders in self._triples:
            product = x[i] * x[j] * x[k]
            rest = (1.0 - x[i] - x[j] - x[k]) / 3.0
            strength = orders[0] * (x[i] + rest) + orders[1] * (x[j] + rest) + orders[2] * (x[k] + rest)
            mean = (orders[0] + orders[1] + orders[2]) / 3.0
            energy += product * strength
            for place, (one, two, three) in enumerate(((i, j, k), (j, i, k), (k, i, j))):
                gradient[one] += x[two] * x[three] * strength + product * (orders[place] - mean)
        potentials: Array = energy + gradient - float(x @ gradient)
        return potentials

    def potentials(self, x: Array, rt: float) -> Array:
        """Chemical potentials at mole fractions x."""
        result: Array = self.ends_j_mol + rt * np.log(np.maximum(x, 1e-300)) + self.excess_potentials(x)
        return result

    def potential_slopes(self, x: Array, rt: float) -> Array:
        """Matrix of the derivatives of the chemical potentials by mole fractions.

        Ternary terms are left out: the matrix only steers Newton steps, and they are small near the binary edges.
        """
        d = x[:, None] - x[None, :]
        l0, l1, l2 = self._pairs
        slope = l1 + 2.0 * d * l2
        curve = 2.0 * l2
        hessian = l0 + d * (l1 + d * l2) + d * slope - np.outer(x, x) * curve
        hessian.flat[:: len(x) + 1] += 2.0 * (slope @ x) + x * (curve @ x)
        slopes: Array = hessian - hessian @ x
        slopes.flat[:: len(x) + 1] += rt / np.maximum(x, 1e-300)
        return slopes

    def energy(self, x: Array) -> float:
        """Energy per mole of atoms without the entropy of ideal mixing: the enthalpy, if built from enthalpies."""
        return float(x @ (np.where(x > 0.0, self.ends_j_mol, 0.0) + self.excess_potentials(x)))

    def tangent(self, mu: Array, rt: float, start: Array, near: bool = False) -> Candidate:
        """The composition of this phase that lies deepest below the potentials mu, sought from a start.

        A start that is ``near`` (where the phase last was) goes to Newton at once. Otherwise two rounds of the fixed point
        x_i ~ exp((mu_i - G_i - excess_i(x)) / RT), then Newton; where Newton strays or climbs
        to a lesser place, the fixed point alone, damped after 25 rounds. The force is exact for whatever composition it
        ends at, so a search that has not settled can only understate it.
        """
        if near:
            newton = self._newton_tangent(mu, rt, start)
            if newton is not None and float(np.abs(newton.mole_fractions - start).max()) < 0.1:
                return newton
        x = self._weights(mu, rt, self._weights(mu, rt, start)[0])[0]
        newton = self._newton_tangent(mu, rt, x)
        if newton is not None and newton.force_j_mol >= self._force(mu, rt, x) - 1e-9:
            return newton
        for count in range(80):
            new, force = self._weights(mu, rt, x)
            moved = float(np.abs(new - x).max())
            x = new if count < 25 else 0.5 * (x + new)
            if moved < _TANGENT_TOLERANCE:
                return Candidate(self.name, new, force)
        return Candidate(self.name, x, self._force(mu, rt, x))

    def _weights(self, mu: Array, rt: float, x: Array) -> tuple[Array, float]:
        exponent = (mu - self.ends_j_mol - self.excess_potentials(x)) / rt
        top = float(exponent.max())
        weights = np.exp(exponent - top)
        total = float(weights.sum())
        return weights / total, rt * (top + math.log(total))

    def _force(self, mu: Array, rt: float, x: Array) -> float:
        return float(x @ np.where(x > 0.0, mu - self.potentials(x, rt), 0.0))

    def _newton_tangent(self, mu: Array, rt: float, x: Array) -> Candidate | None:
        """Newton on the logarithms of the mole fractions: all potentials the same height above the phase's own."""
        kept = np.flatnonzero(x > 1e-250)
        n = len(kept)
        if n == 1:
            return Candidate(self.name, x, self._force(mu, rt, x))
        whole = n == len(x)
        matrix = np.zeros((n + 1, n + 1))
        matrix[:n, n] = 1.0
        right = np.zeros(n + 1)
        for _ in range(20):
            part = x if whole else x[kept]
            residual = mu - self.potentials(x, rt)
            slopes = self.potential_slopes(x, rt)
            right[:n] = residual if whole else residual[kept]
            right[n] = 1.0 - part.sum()
            matrix[:n, :n] = (slopes if whole else slopes[kept[:, None], kept]) * part
            matrix[n, :n] = part
            try:
                step = np.linalg.solve(matrix, right)
            except np.linalg.LinAlgError:
                return None
            change = step[:n]
            largest = float(np.abs(change).max())
            if not largest < 5.0:
                return None
            new = part * np.exp(change if largest < 1.0 else np.clip(change, -1.0, 1.0))
            moved = float(np.abs(part * change).max())
            x = np.zeros(len(x))
            x[kept] = new / new.sum()
            if moved < _NEWTON_TOLERANCE:
                return Candidate(self.name, x, float(step[n]))
        return None


@dataclass(frozen=True)
class State:
    """Every phase of a system at one temperature."""

    temperature_k: float
    rt: float
    elements: tuple[str, ...]
    solutions: dict[str, SolutionAt]
    slopes: dict[str, SolutionAt]
    compounds: dict[str, tuple[Array, float, float]]
    sbsn: tuple[int, int, Array, Array] | None

    @property
    def liquid(self) -> SolutionAt:
        """The liquid."""
        return self.solutions["LIQUID"]

    def candidate(self, phase: str, mu: Array, start: Array | None = None) -> Candidate:
        """The phase at its best composition against the potentials; a start is where it last was."""
        if phase == "SBSN":
            return self._sbsn_candidate(mu)
        if phase in self.compounds:
            shares, energy, _ = self.compounds[phase]
            return Candidate(phase, shares, float(shares @ mu) - energy)
        solution = self.solutions[phase]
        if start is not None:
            return solution.tangent(mu, self.rt, start, near=True)
        return max((solution.tangent(mu, self.rt, x) for x in self._starts(phase)), key=lambda c: c.force_j_mol)

    def candidates(self, mu: Array, with_liquid: bool = False) -> list[Candidate]:
        """Every phase that these elements can form, against the potentials; one for each end of a solution."""
        found = [
            self.solutions[name].tangent(mu, self.rt, start)
            for name in self.solutions
            if name != "LIQUID" or with_liquid
            for start in self._starts(name)
        ]
        found += [self.candidate(name, mu) for name in self.compounds]
        return found + ([self._sbsn_candidate(mu)] if self.sbsn else [])

    def gibbs_energy(self, phase: str, x: Array) -> float:
        """Energy of a phase of one composition."""
        if phase in self.solutions:
            return float(x @ np.where(x > 0.0, self.solutions[phase].potentials(x, self.rt), 0.0))
        if phase == "SBSN":
            return self._sbsn_energy(x)[0]
        return self.compounds[phase][1]

    def enthalpy(self, phase: str, x: Array) -> float:
        """Enthalpy of a phase of one composition: G - T dG/dT."""
        t = self.temperature_k
        if phase in self.solutions:
            return self.solutions[phase].energy(x) - t * self.slopes[phase].energy(x)
        if phase == "SBSN":
            return self._sbsn_energy(x)[1]
        _, energy, slope = self.compounds[phase]
        return energy - t * slope

    def entropy(self, phase: str, x: Array) -> float:
        """Entropy of a phase of one composition."""
        return (self.enthalpy(phase, x) - self.gibbs_energy(phase, x)) / self.temperature_k

    def _starts(self, phase: str) -> list[Array]:
        solution = self.solutions[phase]
        starts = []
        for element in _STARTS[phase]:
            if element in self.elements and solution.admitted[self.elements.index(element)]:
                x = np.where(solution.admitted, 0.02, 0.0)
                x[self.elements.index(element)] = 1.0
                starts.append(x / x.sum())
        return starts

    def _sbsn_candidate(self, mu: Array) -> Candidate:
        """SbSn has one inner freedom, the antimony share y of its first sublattice: sought on ever finer grids."""
        assert self.sbsn is not None
        sb, sn, values, _ = self.sbsn
        low, high = 0.001, 0.999
        best_y = best = 0.0
        for _ in range(4):
            y = np.linspace(low, high, 41)
            forces = ((3.0 + 4.0 * y) * mu[sb] + 4.0 * (1.0 - y) * mu[sn]) / 7.0 - _sbsn_curve(y, values, self.rt)
            k = int(forces.argmax())
            best_y, best = float(y[k]), float(forces[k])
            low, high = float(y[max(k - 1, 0)]), float(y[min(k + 1, 40)])
        x = np.zeros(len(self.elements))
        x[sb] = (3.0 + 4.0 * best_y) / 7.0
        x[sn] = 1.0 - x[sb]
        return Candidate("SBSN", x, best)

    def sbsn_shape(self, x: Array) -> tuple[float, float, float, Array]:
        """Energy of SbSn, its first two derivatives by the inner freedom y, and the change of the shares with y."""
        assert self.sbsn is not None
        sb, sn, values, _ = self.sbsn
        y = (7.0 * float(x[sb]) - 3.0) / 4.0
        step = 1e-4 * min(1.0, 50.0 * y, 50.0 * (1.0 - y))
        low, mid, high = (float(g) for g in _sbsn_curve(np.array([y - step, y, y + step]), values, self.rt))
        turn = np.zeros(len(self.elements))
        turn[sb], turn[sn] = 4.0 / 7.0, -4.0 / 7.0
        return mid, (high - low) / (2.0 * step), (high - 2.0 * mid + low) / step**2, turn

    def _sbsn_energy(self, x: Array) -> tuple[float, float]:
        assert self.sbsn is not None
        sb, _, values, slopes = self.sbsn
        y = np.array([(7.0 * x[sb] - 3.0) / 4.0])
        gibbs = float(_sbsn_curve(y, values, self.rt)[0])
        return gibbs, float(_sbsn_curve(y, values - self.temperature_k * slopes, 0.0)[0])


def _sbsn_curve(y: Array, values: Array, rt: float) -> Array:
    end_sb, end_sn, l0, l1 = values
    mixing = 4.0 * rt * (y * np.log(y) + (1.0 - y) * np.log(1.0 - y)) if rt else 0.0
    curve: Array = (y * end_sb + (1.0 - y) * end_sn + mixing + y * (1.0 - y) * (l0 + l1 * (2.0 * y - 1.0))) / 7.0
    return curve


class System:
    """The phases that a set of elements can form; ``at`` gives them at a temperature."""

    def __init__(self, elements: tuple[str, ...]) -> None:
        self.elements = elements
        self._expressions: list[Expression] = []
        phases = packaged_database().phases
        self._solutions = {n: self._solution_plan(phases[n]) for n in ("LIQUID", *SOLID_SOLUTIONS)}
        self._solutions = {n: plan for n, plan in self._solutions.items() if n == "LIQUID" or self._has_start(n)}
        self._compounds = {n: plan for n in COMPOUNDS if (plan := self._compound_plan(phases[n])) is not None}
        self._sbsn = self._sbsn_plan(phases["SBSN"])
        self._table = _EnergyTable(self._expressions)

    @lru_cache(maxsize=64)  # noqa: B019 - systems live as long as the process; there are at most 63
    def at(self, temperature_k: float) -> State:
        """All phases at a temperature in K."""
        values, slopes = self._table.values(temperature_k)
        return State(
            temperature_k,
            GAS_CONSTANT_J_MOLK * temperature_k,
            self.elements,
            {n: self._solution(n, values, _FORBIDDEN_J_MOL) for n in self._solutions},
            {n: self._solution(n, slopes, 0.0) for n in self._solutions},
            {n: (x, float(w @ values[i]), float(w @ slopes[i])) for n, (x, i, w) in self._compounds.items()},
            None if self._sbsn is None else (*self._sbsn[:2], values[self._sbsn[2]], slopes[self._sbsn[2]]),
        )

    def _add(self, expression: Expression) -> int:
        self._expressions.append(expression)
        return len(self._expressions) - 1

    def _has_start(self, phase: str) -> bool:
        return any(element in self.elements for element in _STARTS[phase])

    def _solution_plan(
        self, phase: Phase
    ) -> tuple[list[tuple[int, int]], list[tuple[int, int, int, int]], list[list[int]]]:
        """Where each parameter goes: ends (element, row), pairs (order, i, j, row), triples (i, j, k, three rows)."""
        ends: list[tuple[int, int]] = []
        pairs: list[tuple[int, int, int, int]] = []
        triples: dict[tuple[int, ...], dict[int, int]] = {}
        for parameter in phase.parameters:
            (site,) = parameter.sites
            if not set(site) <= set(self.elements):
                continue
            row = self._add(parameter.expression)
            where = tuple(self.elements.index(element) for element in site)
            if len(where) == 1:
                ends.append((where[0], row))
            elif len(where) == 2:
                pairs.append((parameter.order, where[0], where[1], row))
            else:
                triples.setdefault(where, {})[parameter.order] = row
        # One order alone means a strength that does not depend on composition: the same for all three.
        return ends, pairs, [[*ijk, *(rows.get(o, rows[0]) for o in range(3))] for ijk, rows in triples.items()]

    def _solution(self, name: str, values: Array, absent: float) -> SolutionAt:
        ends_plan, pairs_plan, triples_plan = self._solutions[name]
        n = len(self.elements)
        ends = np.full(n, absent)
        for element, row in ends_plan:
            ends[element] = values[row]
        pairs = np.zeros((3, n, n))
        for order, i, j, row in pairs_plan:
            pairs[order, i, j] = values[row]
            pairs[order, j, i] = values[row] * (-1.0) ** order
        triples = [((t[0], t[1], t[2]), values[t[3:]]) for t in triples_plan]
        return SolutionAt(name, ends, pairs, triples)

    def _compound_plan(self, phase: Phase) -> tuple[Array, list[int], Array] | None:
        """Shares of the elements and the row of the energy; Ag3Sn at its tin end (the antimony end is not assessed)."""
        for parameter in phase.parameters:
            names = [site[0] for site in parameter.sites]
            if "SN" in names and set(names) <= set(self.elements):
                total = sum(phase.site_ratios)
                shares = np.zeros(len(self.elements))
                for name, ratio in zip(names, phase.site_ratios, strict=True):
                    shares[self.elements.index(name)] += ratio / total
                return shares, [self._add(parameter.expression)], np.array([1.0 / total])
        return None

    def _sbsn_plan(self, phase: Phase) -> tuple[int, int, list[int]] | None:
        if not {"SB", "SN"} <= set(self.elements):
            return None
        rows = {
            (parameter.sites[0], parameter.order): self._add(parameter.expression) for parameter in phase.parameters
        }
        keys = ((("SB",), 0), (("SN",), 0), (("SB", "SN"), 0), (("SB", "SN"), 1))
        return self.elements.index("SB"), self.elements.index("SN"), [rows[key] for key in keys]


@cache
def system_of(elements: tuple[str, ...]) -> System:
    """The system of these elements (upper-case symbols), made once."""
    return System(elements)
