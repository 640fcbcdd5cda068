"""Sheets: thickness from gauge readings, rolls and remnants, and where a blank finds the thickness it wants."""

from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.fitness import Fit, Window, fit_windows
from pipemetal.sheets.readings import LeftOut, Reading
from pipemetal.sheets.roll import CutOut, Remnant, Roll, cut_out, roll_mass_kg

__all__ = [
    "CutOut",
    "Fit",
    "LeftOut",
    "Reading",
    "Remnant",
    "Roll",
    "ThicknessField",
    "Window",
    "cut_out",
    "fit_field",
    "fit_windows",
    "roll_mass_kg",
]
