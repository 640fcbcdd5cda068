"""One solution phase at one temperature: its chemical potentials, and how deep it lies below given ones.

Energies are J per mole of atoms, compositions mole fractions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["FORBIDDEN_J_MOL", "Array", "Candidate", "SolutionAt"]

Array = npt.NDArray[np.floating[Any]]

# An element that a phase does not admit: its share comes out as zero.
FORBIDDEN_J_MOL = 1.0e6
_TANGENT_TOLERANCE = 1e-9
# Newton's next step would be about the square of this.
_NEWTON_TOLERANCE = 1e-4


@dataclass(frozen=True)
class Candidate:
    """A phase of one composition, held against given chemical potentials.

    ``force_j_mol`` is how far the phase lies below the potentials: above zero it wants to form.
    """

    phase: str
    mole_fractions: Array
    force_j_mol: float


class SolutionAt:
    """A substitutional solution at one temperature: end-member energies and Redlich-Kister-Muggianu excess terms."""

    def __init__(
        self,
        name: str,
        ends: Array,
        pairs: Array,
        triples: list[tuple[tuple[int, int, int], tuple[float, float, float]]],
    ) -> None:
        self.name = name
        self.ends_j_mol = ends
        self.admitted = ends < FORBIDDEN_J_MOL
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
        energy += self._add_triples(x, gradient)
        potentials: Array = gradient + (energy - float(x @ gradient))
        return potentials

    def _add_triples(self, x: Array, gradient: Array) -> float:
        """Energy of the ternary terms; their share of the gradient is added in place."""
        energy = 0.0
        for (i, j, k), (one, two, three) in self._triples:
            xi, xj, xk = float(x[i]), float(x[j]), float(x[k])
            product = xi * xj * xk
            rest = (1.0 - xi - xj - xk) / 3.0
            strength = one * (xi + rest) + two * (xj + rest) + three * (xk + rest)
            mean = (one + two + three) / 3.0
            energy += product * strength
            gradient[i] += xj * xk * strength + product * (one - mean)
            gradient[j] += xi * xk * strength + product * (two - mean)
            gradient[k] += xi * xj * strength + product * (three - mean)
        return energy

    def potentials(self, x: Array, rt: float) -> Array:
        """Chemical potentials at mole fractions x."""
        result: Array = self.ends_j_mol + rt * np.log(np.maximum(x, 1e-300)) + self.excess_potentials(x)
        return result

    def potential_slopes(self, x: Array, rt: float) -> Array:
        """Matrix of the derivatives of the chemical potentials by mole fractions."""
        return self.potentials_and_slopes(x, rt)[1]

    def potentials_and_slopes(self, x: Array, rt: float) -> tuple[Array, Array]:
        """Chemical potentials, and the matrix of their derivatives by mole fractions.

        Ternary terms are left out of the matrix: it only steers Newton steps, and they are small near the binary edges.
        """
        d = x[:, None] - x[None, :]
        l0, l1, l2 = self._pairs
        a = l0 + d * (l1 + d * l2)
        curve = 2.0 * l2
        slope = l1 + d * curve
        ax, sx = a @ x, slope @ x
        gradient = ax + x * sx
        energy = 0.5 * float(x @ ax)
        energy += self._add_triples(x, gradient)
        safe = np.maximum(x, 1e-300)
        potentials: Array = self.ends_j_mol + rt * np.log(safe) + (gradient + (energy - float(x @ gradient)))
        hessian = a + d * slope - np.outer(x, x) * curve
        hessian.flat[:: len(x) + 1] += 2.0 * sx + x * (curve @ x)
        slopes: Array = hessian - hessian @ x
        slopes.flat[:: len(x) + 1] += rt / safe
        return potentials, slopes

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
            potentials, slopes = self.potentials_and_slopes(x, rt)
            residual = mu - potentials
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
