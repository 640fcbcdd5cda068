"""Layout: which blank lies where on which sheet, the sheets still to cast, and the proof that the plan holds."""

from pipemetal.layout.jsonform import plan_from_dict, plan_to_dict, problem_from_dict, problem_to_dict
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import FAULT_KINDS, Fault, verify

__all__ = [
    "FAULT_KINDS",
    "Blank",
    "Castable",
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
    "plan_from_dict",
    "plan_to_dict",
    "problem_from_dict",
    "problem_to_dict",
    "solve",
    "verify",
]
