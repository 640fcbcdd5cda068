"""Layout: which blank lies where on which sheet, the sheets still to cast, and the proof that the plan holds."""

from pipemetal.layout.bound import Bound, lower_bound
from pipemetal.layout.cutting import Cut, CutList, straight_cuts
from pipemetal.layout.jsonform import plan_from_dict, plan_to_dict, problem_from_dict, problem_to_dict
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import FAULT_KINDS, Fault, verify

__all__ = [
    "FAULT_KINDS",
    "Blank",
    "Bound",
    "Castable",
    "Cut",
    "CutList",
    "Fault",
    "LayoutPlan",
    "LayoutProblem",
    "LayoutRoll",
    "NewSheet",
    "Placement",
    "Sector",
    "SheetWanted",
    "SolverSettings",
    "Unplaced",
    "lower_bound",
    "plan_from_dict",
    "plan_to_dict",
    "problem_from_dict",
    "problem_to_dict",
    "solve",
    "straight_cuts",
    "verify",
]
