"""Evaluates many expressions of temperature at once."""

from __future__ import annotations

import math

import numpy as np

from pipemetal.alloys.database import Basis, Expression
from pipemetal.alloys.solution import Array

__all__ = ["EnergyTable"]


class EnergyTable:
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
