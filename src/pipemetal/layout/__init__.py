"""Layout: which blank lies where on which sheet, the sheets still to cast, and the proof that the plan holds."""

from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector

__all__ = [
    "Blank",
    "Castable",
    "LayoutPlan",
    "LayoutProblem",
    "LayoutRoll",
    "NewSheet",
    "Placement",
    "Sector",
    "SheetWanted",
    "Unplaced",
]
