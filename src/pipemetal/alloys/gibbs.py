"""Gibbs energies, chemical potentials and driving forces of the phases of one set of elements.

Energies are J per mole of atoms, temperatures K, compositions mole fractions: the units of the assessments. The rooms'
own units begin again in ``liquidus``, ``solidus``, ``scheil`` and ``properties``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from pipemetal.alloys.database import Expression, Phase, packaged_database
from pipemetal.alloys.energies import EnergyTable
from pipemetal.alloys.solution import FORBIDDEN_J_MOL, Array, Candidate, SolutionAt

__all__ = ["GAS_CONSTANT_J_MOLK", "Array", "Candidate", "SolutionAt", "State", "System", "system_of"]

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


class _Built(Mapping[str, SolutionAt]):
    """The solutions of a system at one temperature, each built when first asked for."""

    def __init__(self, system: System, values: Array, absent: float) -> None:
        self._system, self._values, self._absent = system, values, absent
        self._built: dict[str, SolutionAt] = {}

    def __getitem__(self, name: str) -> SolutionAt:
        if name not in self._built:
            self._built[name] = self._system.solution(name, self._values, self._absent)
        return self._built[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._system.solution_names)

    def __len__(self) -> int:
        return len(self._system.solution_names)

    def __contains__(self, name: object) -> bool:
        return name in self._system.solution_names


@dataclass(frozen=True)
class State:
    """Every phase of a system at one temperature."""

    temperature_k: float
    rt: float
    elements: tuple[str, ...]
    solutions: _Built
    slopes: _Built
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
        """Entropy of a phase of one composition: -dG/dT."""
        if phase in self.solutions:
            held = x[x > 0.0]
            mixing = GAS_CONSTANT_J_MOLK * float(held @ np.log(held))
            return -self.slopes[phase].energy(x) - mixing
        if phase == "SBSN":
            gibbs, enthalpy = self._sbsn_energy(x)
            return (enthalpy - gibbs) / self.temperature_k
        return -self.compounds[phase][2]

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
        self.solution_names = tuple(self._solutions)
        self._compounds = {n: plan for n in COMPOUNDS if (plan := self._compound_plan(phases[n])) is not None}
        self._sbsn = self._sbsn_plan(phases["SBSN"])
        self._table = EnergyTable(self._expressions)

    @lru_cache(maxsize=64)  # noqa: B019 - systems live as long as the process; there are at most 63
    def at(self, temperature_k: float) -> State:
        """All phases at a temperature in K."""
        values, slopes = self._table.values(temperature_k)
        return State(
            temperature_k,
            GAS_CONSTANT_J_MOLK * temperature_k,
            self.elements,
            _Built(self, values, FORBIDDEN_J_MOL),
            _Built(self, slopes, 0.0),
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

    def solution(self, name: str, values: Array, absent: float) -> SolutionAt:
        """One solution from evaluated parameters; ``absent`` stands for the ends that it does not have."""
        ends_plan, pairs_plan, triples_plan = self._solutions[name]
        n = len(self.elements)
        ends = np.full(n, absent)
        for element, row in ends_plan:
            ends[element] = values[row]
        pairs = np.zeros((3, n, n))
        for order, i, j, row in pairs_plan:
            pairs[order, i, j] = values[row]
            pairs[order, j, i] = values[row] * (-1.0) ** order
        triples = [
            ((t[0], t[1], t[2]), (float(values[t[3]]), float(values[t[4]]), float(values[t[5]]))) for t in triples_plan
        ]
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
