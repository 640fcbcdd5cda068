"""Which end of a sheet its places are measured from, told by its metal, so that nobody begins at the other end."""

from __future__ import annotations

from typing import Final

from pipemetal.sheets.field import ThicknessField
from pipemetal.texts import Amount, Text

__all__ = ["END_NAMES", "left_end", "which_end"]

ALIKE_MM: Final = 0.03
"""Ends that differ by less are not told apart by a gauge at the bench (estimate)."""
END_NAMES: Final = {"thick": Text("thick end"), "thin": Text("thin end"), "alike": Text("end where the push began")}
"""The end at x = 0, by `which_end`."""


def left_end(field: ThicknessField) -> Text:
    """The end that lies left, x = 0, by what it measures at the middle of its width, and what the other end measures.

    >>> rising = ThicknessField.from_grid([0.0, 4000.0], [[0.45, 0.64], [0.45, 0.64]], width_mm=600.0)
    >>> print(left_end(rising))
    thin end left (0.45 mm there, 0.64 mm at the right)
    """
    left, right = _ends_mm(field)
    words = {
        "thick": "thick end left ({left} there, {right} at the right)",
        "thin": "thin end left ({left} there, {right} at the right)",
        "alike": "the end where the push began left (ends alike: {left}, {right})",
    }
    return Text(words[which_end(field)], left=Amount(left, "mm", 2), right=Amount(right, "mm", 2))


def which_end(field: ThicknessField) -> str:
    """Whether the end at x = 0 is the "thick" or the "thin" one, or both are "alike".

    >>> which_end(ThicknessField.from_grid([0.0, 4000.0], [[1.2, 1.0], [1.2, 1.0]], width_mm=600.0))
    'thick'
    """
    left, right = _ends_mm(field)
    if abs(left - right) < ALIKE_MM:
        return "alike"
    return "thick" if left > right else "thin"


def _ends_mm(field: ThicknessField) -> tuple[float, float]:
    middle = field.width_mm / 2.0
    return float(field.at(0.0, middle)), float(field.at(field.length_mm, middle))
