"""A small door to the HiGHS solver: rows and columns in, the best point found and a bound on the best possible out.

Source: Huangfu & Hall, Math. Prog. Comp. 10 (2018) 119 (the solver).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import highspy
import numpy as np

from pipemetal.errors import ConvergenceError

__all__ = ["Model", "Point", "Running"]


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
        self,
        *,
        gap: float = 0.005,
        seconds: float = 5.0,
        nodes: int = 200_000,
        relaxed: bool = False,
        guessed: bool = True,
    ) -> Point | None:
        """The best point, or None where no point meets the rows; `relaxed` takes whole numbers for any.

        Points are `guessed` before the search begins: that costs more time than it saves where the first good one is taken.

        One thread, so that the same model gives the same point. Raises: ConvergenceError where nothing was found in time.
        """
        return Running(self, gap=gap, seconds=seconds, nodes=nodes, relaxed=relaxed, guessed=guessed).solve()


GUESSES: Final = tuple(
    f"mip_heuristic_run_{name}" for name in ("feasibility_jump", "rins", "rens", "root_reduced_cost")
)
"""The solver's ways to guess a point before it searches."""


class Running:
    """A model handed to the solver, to which rows can be added between solutions: the next one starts where the last ended.

    >>> model = Model()
    >>> x = model.column(cost=1.0, low=0.0, high=10.0)
    >>> running = Running(model)
    >>> running.row({x: 2.0}, low=5.0)
    >>> running.solve().values
    (2.5,)
    """

    def __init__(
        self,
        model: Model,
        *,
        gap: float = 0.005,
        seconds: float = 5.0,
        nodes: int = 200_000,
        relaxed: bool = False,
        guessed: bool = True,
    ) -> None:
        self.whole = [] if relaxed else model.whole
        self.mixed = any(self.whole)
        self.seconds = seconds
        self.solver = _QuietHighs()
        for option, value in (
            ("output_flag", False),
            ("threads", 1),
            ("mip_rel_gap", gap),
            ("time_limit", seconds),
            ("random_seed", 1),
            ("mip_feasibility_tolerance", 1e-7),
            ("primal_feasibility_tolerance", 1e-8),
            ("mip_max_nodes", nodes),
            *((option, guessed) for option in GUESSES),
        ):
            self.solver.setOptionValue(option, value)
        for column, ((low, high), cost) in enumerate(zip(model.bounds, model.cost, strict=True)):
            self.solver.addVar(low, high)
            self.solver.changeColCost(column, cost)
            if self.mixed and model.whole[column]:
                self.solver.changeColIntegrality(column, highspy.HighsVarType.kInteger)
        for coefficients, low, high in model.rows:
            self.row(coefficients, low, high)

    def row(self, coefficients: dict[int, float], low: float = -math.inf, high: float = math.inf) -> None:
        """Add a row."""
        index = np.array(list(coefficients), dtype=np.int32)
        values = np.array(list(coefficients.values()), dtype=np.float64)
        self.solver.addRow(low, high, len(index), index, values)

    def solve(self) -> Point | None:
        """As `Model.solve`."""
        self.solver.run()
        status = self.solver.getModelStatus()
        if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
            return None
        info = self.solver.getInfo()
        if info.primal_solution_status != highspy.kSolutionStatusFeasible and not self.mixed:
            self.solver.clearSolver()  # rows added to where the last solution ended can lose it; from the beginning it is found
            self.solver.run()
            info = self.solver.getInfo()
        if info.primal_solution_status != highspy.kSolutionStatusFeasible:
            raise ConvergenceError(f"the mixing problem found no answer in {self.seconds:g} s ({status.name})")
        solution = self.solver.getSolution()
        values = list(solution.col_value)
        if self.mixed:
            values = [round(v) if w else v for v, w in zip(values, self.whole, strict=True)]
        bound = info.mip_dual_bound if self.mixed else info.objective_function_value
        prices = () if self.mixed else tuple(float(v) for v in solution.row_dual)
        return Point(tuple(float(v) for v in values), float(info.objective_function_value), float(bound), prices)
