"""Lower bounds: metal that no plan can go below.

B0 is the area of the blanks. B2 is a linear programme over thickness windows: each sheet is cut into cells along x; a
blank covers of every cell at least what it must, wherever in its window it lies; and at every x the widths side by
side, put through dual feasible functions, fit into the width of the sheet.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np

from pipemetal.layout.few import groups_apart, least_for_few_mm2
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.shelf import piece_of
from pipemetal.layout.windows import find_slots, sheet_table
from pipemetal.sheets.field import FloatArray

__all__ = ["Bound", "area_bound_mm2", "consumed_bound_mm2", "lower_bound", "merged_windows"]

CELL_MM = 100.0
# Sub-intervals of a window, about this long: shorter is tighter and slower.
PART_MM = 100.0
MOST_ROUNDS = 40
# Rows that the last solution breaks by less than this share of a cell are not worth adding.
LEAST_BREACH = 0.002
ROUNDING = 1e-6
# The plain class underneath: the one on top prints a banner on standard output when it is made.
_HIGHS: Any = highspy.Highs.__base__
MIP_SLACK = 1e-4
WORKERS = 2


@dataclass(frozen=True)
class Bound:
    """A lower bound in mm2, how it was found, and what it bounds: "opened" (whole sheets) or "consumed".

    >>> Bound(1.0, "area", "consumed").method
    'area'
    """

    value_mm2: float
    method: str
    applies_to: str


def area_bound_mm2(blanks: Iterable[Blank]) -> float:
    """The true area of the blanks: no plan can consume, or open, less metal.

    >>> area_bound_mm2([Blank("C1", "body", "A", 1000.0, 300.0, 1.0, 0.9, 0.06)])
    300000.0
    """
    return math.fsum(b.area_mm2() for b in blanks)


def consumed_bound_mm2(problem: LayoutProblem, blanks: Iterable[Blank]) -> float:
    """Metal that no plan of a problem which serves these blanks can consume less than: their area, and the kerf beside each.

    At every x where blanks lie, their widths and a kerf for each fit into the sheet's width W and one kerf more; so all of them
    together take W / (W + kerf) of what they cover with their kerfs. A credited strip begins a kerf from the blanks. Blanks of
    another shape than a rectangle count by their true area. Of few blanks, and of the few that ask for most, every way to
    share them among sheets is looked at (`layout.few`); groups that share no sheet are counted apart.

    >>> p = LayoutProblem((), (LayoutRoll("R", "A", 1030.0, 530.0, 15.0, (0.0, 1030.0), np.ones((1, 2))),), None, 2.0)
    >>> round(consumed_bound_mm2(p, [Blank("C1", "body", "A", 1000.0, 99.0, 1.0, 1.0, 0.06)]))
    101000
    """
    mine: dict[str, list[Blank]] = {}
    for blank in blanks:
        mine.setdefault(blank.alloy, []).append(blank)
    return math.fsum(
        max(area_bound_mm2(some), _kerfs_and_all(problem, alloy, some), least_for_few_mm2(problem, some))
        for alloy, every in mine.items()
        for some in groups_apart(problem, every)
    )


def _kerfs_and_all(problem: LayoutProblem, alloy: str, blanks: Sequence[Blank]) -> float:
    castable, kerf = problem.castable, problem.kerf_mm
    widths = [r.width_mm - 2.0 * r.trim_mm for r in problem.rolls if r.alloy == alloy]
    if castable is not None and (castable.alloys is None or alloy in castable.alloys):
        widths.append(castable.min_width_mm - 2.0 * castable.trim_mm)
    if not widths:
        return 0.0
    covered = math.fsum(b.area_mm2() + kerf * _least_side_along(b) for b in blanks)
    return covered * min(widths) / (min(widths) + kerf) * (1.0 - ROUNDING)


def _least_side_along(blank: Blank) -> float:
    """The shortest side that may lie along the sheet; none for a shape whose kerf is not reckoned."""
    if blank.sector is not None or blank.outline is not None:
        return 0.0
    return min(blank.length_mm if turn in (0, 180) else blank.width_mm for turn in blank.turns_deg)


def lower_bound(
    problem: LayoutProblem, *, served: Sequence[str] | None = None, applies_to: str = "opened", seconds: float = 10.0
) -> Bound:
    """Metal that no plan which serves these blanks can go below.

    Arguments: `served`: ids of the blanks that the plan serves (all of them where it is None). `applies_to`
    "opened": whole sheets inside the trim; "consumed": useful remnants taken off, for which only the area and the kerfs hold.
    `seconds`: limit of the linear programmes. Where sheets may be cast their windows are open, and only area and kerfs hold.
    The value is a dual bound (weak duality, computed from the multipliers in exact sign), less a rounding allowance.
    Sources: dual feasible functions: Fekete & Schepers 2001, Math. Program. 91, 11; Clautiaux, Alves & Valerio de
    Carvalho 2010, Ann. Oper. Res. 179, 317.
    Raises: ConvergenceError never; where a programme is not done in time the best bound so far is given.

    >>> lower_bound(LayoutProblem((Blank("C1", "body", "A", 1000.0, 300.0, 1.0, 0.9, 0.06),), ())).value_mm2
    300000.0
    """
    wanted = None if served is None else set(served)
    blanks = [b for b in problem.blanks if wanted is None or b.id in wanted]
    if applies_to != "opened" or problem.castable is not None or not problem.rolls or not blanks:
        area, found = area_bound_mm2(blanks), consumed_bound_mm2(problem, blanks)
        return Bound(found, "blanks, kerfs and sheets for few" if found > area else "area of the blanks", applies_to)
    alloys = sorted({b.alloy for b in blanks})
    workers = min(WORKERS, len(alloys))

    def part(alloy: str) -> tuple[float, str]:
        mine = [b for b in blanks if b.alloy == alloy]
        rolls = [r for r in problem.rolls if r.alloy == alloy]
        own_area = area_bound_mm2(mine)
        share = 0.9 * min(seconds * workers * len(mine) / len(blanks), seconds)
        found = _window_bound(mine, rolls, problem.kerf_mm, share) if rolls else 0.0
        return max(own_area, found), "windows and dual feasible functions" if found > own_area else "area of the blanks"

    with ThreadPoolExecutor(workers) as pool:
        parts = list(pool.map(part, alloys))
    return Bound(math.fsum(v for v, _ in parts), " and ".join(sorted({m for _, m in parts})), applies_to)


def widths_functions(width: float, net: float) -> list[float]:
    """A width through each of the dual feasible functions, in shares of the sheet's width (0 to 1)."""
    # A hair narrower, so that rounding can only weaken the bound: every function rises with the width.
    w = min(max(width / net - 1e-9, 0.0), 1.0)
    values = [w]
    for k in range(1, 7):
        scaled = (k + 1) * w
        whole = abs(scaled - round(scaled)) < 1e-15
        values.append(w if whole else min(math.floor(scaled) / k, 1.0))
    values += [1.0 if w > 1.0 - edge else (w if w >= edge else 0.0) for edge in EDGES]
    # Large widths: all but what fits beside them; small ones: whole shares (Clautiaux et al., their f_CCM1).
    values += [_rounded_down(w, edge) for edge in EDGES]
    return values


EDGES = (0.1, 0.15, 0.2, 0.25, 0.3, 1.0 / 3.0, 0.36, 0.4, 0.43, 0.45, 0.47, 0.49)


def _rounded_down(w: float, edge: float) -> float:
    capacity = 2.0 * math.floor(1.0 / edge + 1e-12)
    if w > 0.5 + 1e-12:
        return (capacity - 2.0 * math.floor((1.0 - w) / edge + 1e-12)) / capacity
    return 1.0 / 2.0 if abs(w - 0.5) <= 1e-12 else 2.0 * math.floor(w / edge - 1e-12) / capacity


@dataclass(eq=False)
class _Programme:
    """Columns: share of a blank laid in one part of its window; then the opened share of each sheet."""

    blank: FloatArray
    sheet: FloatArray
    covers: list[list[tuple[int, float]]]
    functions: FloatArray
    cells: list[tuple[int, float]]


def _window_bound(blanks: Sequence[Blank], rolls: Sequence[LayoutRoll], kerf: float, seconds: float) -> float:
    """B2 of one alloy by adding broken rows until none is left or time is up; every round's bound is valid."""
    programme, placeable = _programme(blanks, rolls, kerf)
    if not placeable:
        return 0.0
    areas = np.array([r.net_area_mm2() for r in rolls]) * 1e-6
    solver = _start(programme, areas, len(blanks), kerf, blanks, rolls)
    best, begun = 0.0, time.perf_counter()
    cell_columns = _by_cell(programme)
    for _ in range(MOST_ROUNDS):
        left = seconds - (time.perf_counter() - begun)
        if left <= 0.0:
            break
        solver.setOptionValue("time_limit", solver.getRunTime() + left)
        solver.run()
        solution = solver.getSolution()
        if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            break
        best = max(best, _dual_value(solver))
        if not _add_broken_rows(solver, programme, cell_columns, np.array(solution.col_value)):
            best = max(best, _whole_sheets(solver, len(programme.covers), areas, seconds - time.perf_counter() + begun))
            break
    return max(best * 1e6 * (1.0 - ROUNDING), 0.0)


def _whole_sheets(solver: Any, n: int, areas: FloatArray, seconds: float) -> float:
    """The dual bound of the same programme with each sheet opened whole or not at all; 0 where time is up."""
    if seconds <= 0.2:
        return 0.0
    m = areas.size
    solver.changeColsIntegrality(m, np.arange(n, n + m, dtype=np.int32), np.full(m, highspy.HighsVarType.kInteger))
    solver.setOptionValue("time_limit", solver.getRunTime() + seconds)
    solver.run()
    bound = float(solver.getInfo().mip_dual_bound)
    # The solver grants every row a slack of 1e-6; what that may be worth is taken off.
    return bound * (1.0 - MIP_SLACK) if math.isfinite(bound) else 0.0


def _programme(blanks: Sequence[Blank], rolls: Sequence[LayoutRoll], kerf: float) -> tuple[_Programme, bool]:
    pieces = [piece_of(b, i) for i, b in enumerate(blanks)]
    starts, rows = find_slots(pieces, sheet_table(rolls), kerf)
    cells: list[tuple[int, float]] = []
    edges: list[FloatArray] = []
    first: list[int] = []
    for s, roll in enumerate(rolls):
        x0, x1 = roll.trim_mm, roll.length_mm - roll.trim_mm + kerf
        count = max(1, math.ceil((x1 - x0) / CELL_MM))
        edge = np.linspace(x0, x1, count + 1)
        first.append(len(cells))
        edges.append(edge)
        cells += [(s, float(edge[k + 1] - edge[k])) for k in range(count)]
    owner: list[int] = []
    sheet: list[int] = []
    covers: list[list[tuple[int, float]]] = []
    functions: list[list[float]] = []
    ok = True
    for i in range(len(blanks)):
        if blanks[i].sector is not None or blanks[i].outline is not None:
            # True shapes may interlock and lie outside the windows of their boxes: only their area is sure.
            owner += [i] * len(rolls)
            sheet += list(range(len(rolls)))
            covers += [[] for _ in rolls]
            functions += [widths_functions(0.0, 1.0) for _ in rolls]
            continue
        ok = ok and bool(starts[(i + 1) * len(rolls)] > starts[i * len(rolls)])
        for s in range(len(rolls)):
            for low, high, dx, dy in merged_windows(rows[starts[i * len(rolls) + s] : starts[i * len(rolls) + s + 1]]):
                net = rolls[s].width_mm - 2.0 * rolls[s].trim_mm + kerf
                values = widths_functions(dy, net)
                parts = max(1, math.ceil((high - low) / PART_MM))
                marks = np.linspace(low, high, parts + 1)
                for a, b in itertools.pairwise(marks):
                    # The overlap of a blank with a cell rises, stays and falls as it slides: least at an end.
                    at_a, at_b = (
                        np.clip(np.minimum(edges[s][1:], x + dx) - np.maximum(edges[s][:-1], x), 0.0, None)
                        for x in (a, b)
                    )
                    least = np.minimum(at_a, at_b)
                    held = np.nonzero(least > 1e-9)[0]
                    owner.append(i)
                    sheet.append(s)
                    covers.append([(first[s] + int(c), float(least[c])) for c in held])
                    functions.append(values)
    programme = _Programme(np.array(owner), np.array(sheet), covers, np.array(functions), cells)
    return programme, ok


def merged_windows(rows: FloatArray) -> list[tuple[float, float, float, float]]:
    """Windows of one blank on one sheet, bands and turns of the same size joined to what they cover together."""
    by_size: dict[tuple[float, float], list[tuple[float, float]]] = {}
    for row in rows:
        by_size.setdefault((float(row[4]), float(row[5])), []).append((float(row[0]), float(row[1])))
    merged: list[tuple[float, float, float, float]] = []
    for (dx, dy), spans in sorted(by_size.items()):
        low, high = sorted(spans)[0]
        for a, b in sorted(spans)[1:]:
            if a <= high:
                high = max(high, b)
            else:
                merged.append((low, high, dx, dy))
                low, high = a, b
        merged.append((low, high, dx, dy))
    return merged


def _start(
    p: _Programme, areas: FloatArray, n_blanks: int, kerf: float, blanks: Sequence[Blank], rolls: Sequence[LayoutRoll]
) -> Any:
    """The programme with its lasting rows: every blank is laid, on no sheet more than it is opened, within its area."""
    solver = _HIGHS()
    solver.setOptionValue("log_to_console", False)
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)
    n, m = len(p.covers), len(areas)
    solver.addVars(n, np.zeros(n), np.full(n, 1.0))
    solver.addVars(m, np.zeros(m), np.ones(m))
    solver.changeColsCost(m, np.arange(n, n + m, dtype=np.int32), areas)
    for i in range(n_blanks):
        mine = np.nonzero(p.blank == i)[0].astype(np.int32)
        solver.addRow(1.0, highspy.kHighsInf, mine.size, mine, np.ones(mine.size))
        for s in np.unique(p.sheet[mine]):
            pair = np.append(mine[p.sheet[mine] == s], n + s).astype(np.int32)
            solver.addRow(-highspy.kHighsInf, 0.0, pair.size, pair, np.append(np.ones(pair.size - 1), -1.0))
    true = np.array([b.area_mm2() for b in blanks]) * 1e-6
    for s in range(m):
        some = np.nonzero(p.sheet == s)[0]
        within = np.append(some, n + s).astype(np.int32)
        solver.addRow(-highspy.kHighsInf, 0.0, within.size, within, np.append(true[p.blank[some]], -areas[s]))
    return solver


def _by_cell(p: _Programme) -> list[tuple[np.ndarray, np.ndarray]]:
    """For every cell the columns that must cover some of it, and how much of its length."""
    columns: list[list[int]] = [[] for _ in p.cells]
    lengths: list[list[float]] = [[] for _ in p.cells]
    for column, cover in enumerate(p.covers):
        for cell, length in cover:
            columns[cell].append(column)
            lengths[cell].append(length)
    return [(np.array(c, np.int32), np.array(v)) for c, v in zip(columns, lengths, strict=True)]


def _add_broken_rows(solver: Any, p: _Programme, cells: list[tuple[np.ndarray, np.ndarray]], values: FloatArray) -> int:
    """Adds for every cell the row of the function that the solution breaks most; returns how many were added."""
    added, n = 0, len(p.covers)
    for c, (columns, lengths) in enumerate(cells):
        if columns.size == 0:
            continue
        sheet, length = p.cells[c]
        loads = (p.functions[columns] * lengths[:, None]).T @ values[columns] / length
        worst = int(np.argmax(loads))
        if loads[worst] <= values[n + sheet] + LEAST_BREACH:
            continue
        weights = p.functions[columns, worst] * lengths / length
        some = weights > 0.0
        row = np.append(columns[some], n + sheet).astype(np.int32)
        solver.addRow(-highspy.kHighsInf, 0.0, row.size, row, np.append(weights[some], -1.0))
        added += 1
    return added


def _dual_value(solver: Any) -> float:
    """The value of the dual solution, made feasible: multipliers of the wrong sign are set to zero, and what is then
    lacking in a column is paid at its upper bound of one. Valid whatever the solver's tolerances."""
    lp = solver.getLp()
    duals = np.array(solver.getSolution().row_dual)
    lower, upper = np.array(lp.row_lower_), np.array(lp.row_upper_)
    at_least = lower > -1e20
    duals = np.where(at_least, np.maximum(duals, 0.0), np.minimum(duals, 0.0))
    value = float(np.sum(np.where(at_least, lower, np.where(upper < 1e20, upper, 0.0)) * duals))
    start, index, entry = (np.array(a) for a in (lp.a_matrix_.start_, lp.a_matrix_.index_, lp.a_matrix_.value_))
    if lp.a_matrix_.format_ == highspy.MatrixFormat.kColwise:
        column = np.repeat(np.arange(lp.num_col_), np.diff(start))
        reduced = np.array(lp.col_cost_) - np.bincount(column, entry * duals[index], lp.num_col_)
    else:
        rows = np.repeat(np.arange(lp.num_row_), np.diff(start))
        reduced = np.array(lp.col_cost_) - np.bincount(index, entry * duals[rows], lp.num_col_)
    return value + float(np.minimum(reduced, 0.0).sum())
