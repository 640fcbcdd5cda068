"""The metal account: every kilogram from lot or roll to pipe, remnant, offcut or loss, by alloy and element.

Double entry: a movement takes metal from one place and brings it to another, so what leaves is what arrives; a place in
between must be empty at the end. What the count of places does not explain is shown, not hidden.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import PlanError
from pipemetal.texts import Text

__all__ = ["PLACES", "Account", "Movement"]

SOURCES: Final = ("new metal", "remelt", "own ingots", "heel before", "rack", "unexplained gain")
"""Own ingots: what an earlier melt of the same plan left; scrap and ingots that were there before are remelt. Unexplained
gain and loss: what a scale found more or less than lists and cards give."""
BETWEEN: Final = ("pot", "sheet", "roll cut")
SINKS: Final = (
    "pipes",
    "bench trimmings",
    "remnants",
    "offcuts",
    "kerf",
    "planing shavings",
    "ingots",
    "heel after",
    "dross",
    "unexplained loss",
)
PLACES: Final = (*SOURCES, *BETWEEN, *SINKS)
LOST: Final = ("dross", "kerf")


@dataclass(frozen=True)
class Movement:
    """Metal that goes from one place to another."""

    origin: str
    target: str
    alloy: str
    mass_kg: float
    elements_kg: tuple[float, ...]
    what: str = ""

    def __post_init__(self) -> None:
        for place in (self.origin, self.target):
            if place not in PLACES:
                raise PlanError(
                    "is not a place of the account", field="movement", value=place, allowed=", ".join(PLACES)
                )
        if not self.mass_kg >= 0.0:
            raise PlanError(
                "is negative",
                field="mass_kg",
                value=self.mass_kg,
                where=Text("{origin} to {target}", origin=self.origin, target=self.target),
            )


@dataclass
class Account:
    """All movements of a plan.

    >>> account = Account()
    >>> half = Composition.parse("Sn 50 Pb bal")
    >>> account.move("new metal", "pot", "half", 10.0, half)
    >>> account.move("pot", "heel after", "half", 10.0, half)
    >>> account.unexplained_kg("half"), account.total_kg("new metal", "half")
    (0.0, 10.0)
    """

    movements: list[Movement] = field(default_factory=list)

    def move(self, origin: str, target: str, alloy: str, mass_kg: float, metal: Composition, what: str = "") -> None:
        """Book a movement of metal of one composition."""
        elements = tuple(mass_kg * fraction for fraction in metal.fractions)
        self.movements.append(Movement(origin, target, alloy, mass_kg, elements, what))

    def move_elements(self, origin: str, target: str, alloy: str, elements_kg: Iterable[float], what: str = "") -> None:
        """Book a movement by its elements, as dross needs, whose metal is not the melt's."""
        elements = tuple(elements_kg)
        self.movements.append(Movement(origin, target, alloy, sum(elements), elements, what))

    def alloys(self) -> tuple[str, ...]:
        """All alloys that moved."""
        return tuple(dict.fromkeys(m.alloy for m in self.movements))

    def total_kg(self, place: str, alloy: str | None = None) -> float:
        """Mass that left a source, or arrived at a sink."""
        if place in SOURCES:
            return sum(m.mass_kg for m in self.movements if m.origin == place and alloy in (None, m.alloy))
        return sum(m.mass_kg for m in self.movements if m.target == place and alloy in (None, m.alloy))

    def elements_kg(self, place: str, alloy: str | None = None) -> dict[str, float]:
        """Mass by element that left a source, or arrived at a sink."""
        ours = [m for m in self.movements if alloy in (None, m.alloy)]
        chosen = [m for m in ours if (m.origin if place in SOURCES else m.target) == place]
        return {e: sum(m.elements_kg[i] for m in chosen) for i, e in enumerate(ELEMENTS)}

    def unexplained_kg(self, alloy: str | None = None) -> float:
        """What stays in the places between: zero in a plan that adds up."""
        left = dict.fromkeys(BETWEEN, 0.0)
        for m in self.movements:
            if alloy not in (None, m.alloy):
                continue
            if m.target in left:
                left[m.target] += m.mass_kg
            if m.origin in left:
                left[m.origin] -= m.mass_kg
        return max((abs(v) for v in left.values()), default=0.0)

    def unexplained_elements_kg(self) -> dict[str, float]:
        """The worst that stays in a place between, by element."""
        worst = dict.fromkeys(ELEMENTS, 0.0)
        for place in BETWEEN:
            for i, element in enumerate(ELEMENTS):
                came = sum(m.elements_kg[i] for m in self.movements if m.target == place)
                left = sum(m.elements_kg[i] for m in self.movements if m.origin == place)
                worst[element] = max(worst[element], abs(came - left))
        return worst

    @property
    def new_kg(self) -> float:
        """New metal: pigs, master alloys and what must be bought."""
        return self.total_kg("new metal")

    @property
    def remelt_kg(self) -> float:
        """Scrap and own ingots remelted."""
        return self.total_kg("remelt")

    @property
    def loss_kg(self) -> float:
        """Metal that nobody gets back: dross and kerf."""
        return sum(self.total_kg(place) for place in LOST)
