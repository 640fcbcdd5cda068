"""Sheets: thickness from gauge readings, rolls and remnants, and where a blank finds the thickness it wants."""
