"""A small door to the HiGHS solver: rows and columns in, the best point found and a bound on the best possible out.

Source: Huangfu & Hall, Math. Prog. Comp. 10 (2018) 119 (the solver).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import highspy
import numpy as np

from pipemetal.errors import ConvergenceError

__all__ = ["Model", "Point"]


class _QuietHighs(highspy.Highs):
    """The solver without its callbacks, whose setting-up prints a banner that cannot be switched off."""

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()


@dataclass(frozen=True)
class Point:
    """A feasible point, its objective, a lower bound on every objective, and (without whole numbers) what each row costs."""

    values: tuple[float, ...]
    objective: float
    bound: float
    row_prices: tuple[float, ...] = ()

    @property
    def gap(self) -> float:
        """Relative gap between the point and the bound."""
        return abs(self.objective - self.bound) / max(abs(self.objective), 1e-9)


@dataclass
class Model:
    """Minimise cost x over rows low <= A x <= high, columns between bounds, some of them whole numbers.

    >>> model = Model()
    >>> x = model.column(cost=1.0, low=0.0, high=10.0, whole=True)
    >>> model.row({x: 2.0}, low=5.0)
    >>> model.solve().values
    (3.0,)
    """

    cost: list[float] = field(default_factory=list)
    bounds: list[tuple[float, float]] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    rows: list[tuple[dict[int, float], float, float]] = field(default_factory=list)

    def column(self, *, cost: float = 0.0, low: float = 0.0, high: float = math.inf, whole: bool = False) -> int:
        """Add a column and return its number."""
        self.cost.append(cost)
        self.bounds.append((low, high))
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, coefficients: dict[int, float], low: float = -math.inf, high: float = math.inf) -> None:
        """Add a row."""
        self.rows.append((coefficients, low, high))

    def solve(
        self, *, gap: float = 0.005, seconds: float = 5.0, nodes: int = 200_000, relaxed: bool = False
    ) -> Point | None:
        """The best point, or None where no point meets the rows; `relaxed` takes whole numbers for any.

        One thread, so that the same model gives the same point. Raises: ConvergenceError where nothing was found in time.
        """
        solver = _QuietHighs()
        for option, value in (
            ("output_flag", False), ("threads", 1), ("mip_rel_gap", gap), ("time_limit", seconds), ("random_seed", 1),
            ("mip_feasibility_tolerance", 1e-7), ("primal_feasibility_tolerance", 1e-8), ("mip_max_nodes", nodes),
        ):  # fmt: skip
            solver.setOptionValue(option, value)
        for (low, high), cost, whole in zip(self.bounds, self.cost, self.whole, strict=True):
            solver.addVar(low, high)
            column = solver.getNumCol() - 1
            solver.changeColCost(column, cost)
            if whole and not relaxed:
                solver.changeColIntegrality(column, highspy.HighsVarType.kInteger)
        for coefficients, low, high in self.rows:
            index = np.array(list(coefficients), dtype=np.int32)
            solver.addRow(low, high, len(index), index, np.array(list(coefficients.values()), dtype=np.float64))
        solver.run()
        status = solver.getModelStatus()
        if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
            return None
        info = solver.getInfo()
        if info.primal_solution_status != highspy.kSolutionStatusFeasible:
            raise ConvergenceError(f"the mixing problem found no answer in {seconds:g} s ({status.name})")
        mixed = any(self.whole) and not relaxed
        solution = solver.getSolution()
        values = [round(v) if w and mixed else v for v, w in zip(solution.col_value, self.whole, strict=True)]
        bound = info.mip_dual_bound if mixed else info.objective_function_value
        prices = () if mixed else tuple(float(v) for v in solution.row_dual)
        return Point(tuple(float(v) for v in values), float(info.objective_function_value), float(bound), prices)
