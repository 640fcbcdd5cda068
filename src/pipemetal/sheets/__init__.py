"""Sheets: the thickness field of a sheet from measured points, roll and remnant geometry, fitness of a place for a blank."""
