"""Lower bounds: metal that no plan can go below."""

from __future__ import annotations

from collections.abc import Iterable

from pipemetal.layout.problem import Blank

__all__ = ["area_bound_mm2"]


def area_bound_mm2(blanks: Iterable[Blank]) -> float:
    """The true area of the blanks: no plan can consume, or open, less metal.

    >>> area_bound_mm2([Blank("C1", "body", "A", 1000.0, 300.0, 1.0, 0.9, 0.06)])
    300000.0
    """
    return sum(b.area_mm2() for b in blanks)
