"""A recipe: the composition aimed at, and how far each element may be off."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import AlloyError
from pipemetal.given import given
from pipemetal.texts import Amount, Text

__all__ = ["Recipe"]

# A window edge is met when the composition is within this of it: weighing cannot tell finer.
_EDGE_WT_PCT = 1e-6


@given
@dataclass(frozen=True, slots=True)
class Recipe:
    """A named metal: target composition and a window on every element that matters.

    Elements without a window may be anything from 0 to 100 %.

    Arguments:
        name: what the shop calls it.
        target: the composition aimed at; must lie inside every window.
        windows_wt_pct: tuples of element, lowest and highest percent by mass.
        note: free words (where it comes from, what it is for).
    Raises:
        AlloyError: no name, a window that is not one, a target outside its window, windows that cannot add up to 100.

    >>> plain = Recipe("plain 30", Composition.parse("Sn 30 Sb 0.5 Pb bal"), (("Sn", 29, 31), ("Sb", 0.3, 0.8)))
    >>> plain.misses(Composition.parse("Sn 32 Sb 0.5 Pb bal"))
    [('Sn', 32.0, 29.0, 31.0)]
    """

    name: str
    target: Composition
    windows_wt_pct: tuple[tuple[str, float, float], ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise AlloyError("is empty", field="name", value=self.name)
        seen: dict[str, tuple[float, float]] = {}
        for element, low, high in self.windows_wt_pct:
            where = Text("recipe {name}", name=self.name)
            if element not in ELEMENTS:
                raise AlloyError(
                    "is not known", field="element", value=element, allowed=", ".join(ELEMENTS), where=where
                )
            if element in seen:
                raise AlloyError("has its limits twice", field=element, where=where)
            if not (math.isfinite(low) and math.isfinite(high) and 0.0 <= low <= high <= 100.0):
                raise AlloyError(
                    "is not a pair of limits",
                    field=element,
                    value=(low, high),
                    allowed="0 <= low <= high <= 100",
                    where=where,
                )
            seen[element] = (float(low), float(high))
        windows = tuple((element, *edges) for element, edges in seen.items())
        object.__setattr__(self, "windows_wt_pct", windows)
        self._refuse_what_cannot_be()

    def _refuse_what_cannot_be(self) -> None:
        where = Text("recipe {name}", name=self.name)
        least = math.fsum(self.window(element)[0] for element in ELEMENTS)
        most = math.fsum(self.window(element)[1] for element in ELEMENTS)
        if least > 100.0 + _EDGE_WT_PCT or most < 100.0 - _EDGE_WT_PCT:
            raise AlloyError(
                "cannot add up to 100",
                field="windows_wt_pct",
                value=Text("{low} to {high} % in all", low=Amount.short(least), high=Amount.short(most)),
                where=where,
            )
        missed = self.misses(self.target)
        if missed:
            element, value, low, high = missed[0]
            raise AlloyError(
                "of the target lies outside its own limits",
                field=element,
                value=value,
                allowed=Text("{low} to {high} %", low=Amount.short(low), high=Amount.short(high)),
                where=where,
            )

    def window(self, element: str) -> tuple[float, float]:
        """Lowest and highest percent by mass of an element; 0 and 100 where the recipe does not care."""
        for name, low, high in self.windows_wt_pct:
            if name == element:
                return low, high
        if element not in ELEMENTS:
            raise AlloyError("is not known", field="element", value=element, allowed=", ".join(ELEMENTS))
        return 0.0, 100.0

    def misses(self, composition: Composition) -> list[tuple[str, float, float, float]]:
        """Every element of a composition that lies outside its window: element, percent, lowest, highest."""
        return [
            (element, composition.wt_pct(element), low, high)
            for element, low, high in self.windows_wt_pct
            if not low - _EDGE_WT_PCT <= composition.wt_pct(element) <= high + _EDGE_WT_PCT
        ]
