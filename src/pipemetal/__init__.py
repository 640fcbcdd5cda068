"""Pipemetal: a pipe shop's metal, from the list of ranks to pipes cut out of catalogued sheet, and back again."""

__version__ = "0.1.0"
