"""Alloys: composition, recipes, phase equilibria, freezing curves, properties and assays of pipe metal."""
