"""The ledger: double entry by element, in whole micrograms so that sums are exact.

An entry takes metal of one element out of one account and brings it to another, so all accounts together always hold
zero. Entries are never changed; a mistake is taken back by an opposite entry that names the first.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import BookError
from pipemetal.quantities import LOT
from pipemetal.texts import Amount, Text

__all__ = [
    "MICROGRAMS_PER_KG",
    "OUTSIDE",
    "ROUNDING_UG",
    "UNEXPLAINED",
    "UNKNOWN",
    "WHY",
    "Entry",
    "balances",
    "composition_of",
    "elements_ug",
    "kilograms",
    "move",
    "opposites",
    "share_of",
    "taken_back",
]

MICROGRAMS_PER_KG: Final = 1_000_000_000
ROUNDING_UG: Final = 3_000_000
"""So much more than there is comes from rounding for people: grams of kilograms, or hundredths of a pound."""
UNKNOWN: Final = "unknown"
"""Metal whose elements nobody has told."""
OUTSIDE: Final = ("bought", "found", "lost", "sold", "dross", "counted", "kerf", "swarf", "assay")
"""Accounts outside the shop's stock: they may go below zero, all others may not.

`kerf` is what the cut edges take, `swarf` what planing takes and nobody gathers, `assay` what a new analysis found more
of one element and less of another: over all elements it holds zero.
"""
WHY: Final = (
    "bought",
    "counted",
    "charged",
    "added",
    "heel",
    "dross",
    "poured",
    "ingots",
    "rolled",
    "trimmed",
    "cut",
    "remnant",
    "offcut",
    "kerf",
    "swarf",
    "analysed",
    "found",
    "lost",
    "sold",
    "taken back",
)
"""Why metal moved; movements of books of the first kind do not say."""
UNEXPLAINED: Final = ("found", "lost", "assay")
"""Accounts that nothing in the shop explains: they are shown, by alloy and month."""


@dataclass(frozen=True)
class Entry:
    """Metal of one element that goes from one account to another.

    >>> Entry("Sn", 5, "bought", "lot:T1").opposite()
    Entry(element='Sn', mass_ug=5, origin='lot:T1', target='bought')
    """

    element: str
    mass_ug: int
    origin: str
    target: str

    def __post_init__(self) -> None:
        if self.element not in (*ELEMENTS, UNKNOWN):
            raise BookError("is not an element of pipe metal", field="element", value=self.element)
        if self.mass_ug <= 0:
            raise BookError("must be above zero", field="mass", value=self.mass_ug)
        if self.origin == self.target:
            raise BookError("goes from an account to itself", field="movement", value=self.origin)

    def opposite(self) -> Entry:
        """The entry that takes this one back."""
        return Entry(self.element, self.mass_ug, self.target, self.origin)


def kilograms(mass_ug: int) -> float:
    """Micrograms as kilograms.

    >>> kilograms(1_500_000_000)
    1.5
    """
    return mass_ug / MICROGRAMS_PER_KG


def elements_ug(mass_kg: float, composition: Composition | None) -> dict[str, int]:
    """A mass by element in whole micrograms that add up to the whole; of unknown metal where there is no composition.

    Errors: BookError for a mass that is not above zero and up to 100 t.

    >>> elements_ug(2.0, Composition.parse("Sn 50 Pb bal"))
    {'Pb': 1000000000, 'Sn': 1000000000}
    """
    if not (math.isfinite(mass_kg) and 0.0 < mass_kg <= LOT["mass_kg"].high):
        raise BookError("is not a mass", field="mass_kg", value=mass_kg, allowed="above 0 to 100000")
    total = round(mass_kg * MICROGRAMS_PER_KG)
    if composition is None:
        return {UNKNOWN: total}
    return _shared_out(total, dict(zip(ELEMENTS, composition.fractions, strict=True)))


def _shared_out(total: int, weights: Mapping[str, float]) -> dict[str, int]:
    """A whole number shared out by weights, the largest taking up the rounding."""
    whole = math.fsum(weights.values())
    parts = {name: round(total * weight / whole) for name, weight in weights.items() if weight > 0.0}
    largest = max(parts, key=lambda name: parts[name])
    parts[largest] += total - sum(parts.values())
    return {name: part for name, part in parts.items() if part > 0}


def share_of(stock: Mapping[str, int], mass_kg: float) -> dict[str, int]:
    """What a mass taken from this stock holds, element by element; never more than there is.

    Errors: BookError where the stock does not hold that mass.

    >>> share_of({"Sn": 3_000_000_000, "Pb": 1_000_000_000}, 2.0)
    {'Sn': 1500000000, 'Pb': 500000000}
    """
    held, wanted = sum(stock.values()), round(mass_kg * MICROGRAMS_PER_KG)
    if not math.isfinite(mass_kg) or wanted <= 0 or wanted > held + ROUNDING_UG:
        raise BookError(
            "is not in stock",
            field="mass_kg",
            value=mass_kg,
            allowed=Text("above 0 to {kilograms}", kilograms=Amount(kilograms(held), "", 3)),
        )
    if wanted >= held:
        return {element: mass for element, mass in stock.items() if mass > 0}
    parts = {element: mass * wanted // held for element, mass in stock.items()}
    short = wanted - sum(parts.values())
    for element in sorted(parts, key=lambda e: stock[e] - parts[e], reverse=True):
        step = min(short, stock[element] - parts[element])
        parts[element] += step
        short -= step
    return {element: mass for element, mass in parts.items() if mass > 0}


def move(masses_ug: Mapping[str, int], origin: str, target: str) -> list[Entry]:
    """The entries of one movement."""
    return [Entry(element, mass, origin, target) for element, mass in masses_ug.items() if mass > 0]


def balances(entries: Iterable[Entry]) -> dict[str, dict[str, int]]:
    """What every account holds by element; accounts and elements at zero are left out.

    >>> balances([Entry("Sn", 5, "bought", "lot:T1")])
    {'bought': {'Sn': -5}, 'lot:T1': {'Sn': 5}}
    """
    held: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for entry in entries:
        held[entry.origin][entry.element] -= entry.mass_ug
        held[entry.target][entry.element] += entry.mass_ug
    kept = {account: {e: m for e, m in masses.items() if m} for account, masses in held.items()}
    return {account: masses for account, masses in kept.items() if masses}


def opposites(entries: Sequence[Entry]) -> list[Entry]:
    """The entries that take these back, last first."""
    return [entry.opposite() for entry in reversed(entries)]


def taken_back(pairs: Iterable[tuple[int, int | None]]) -> set[int]:
    """Of numbered entries or events, each with the number that it takes back or None: those that do not count any more.

    What takes back may itself be taken back, and then the first counts again.

    >>> taken_back([(1, None), (2, 1), (3, None)]), taken_back([(1, None), (2, 1), (3, 2)])
    ({1}, {2})
    """
    gone: set[int] = set()
    for number, takes_back in sorted(pairs, reverse=True, key=lambda pair: pair[0]):
        if takes_back is not None and number not in gone:
            gone.add(takes_back)
    return gone


def composition_of(stock: Mapping[str, int]) -> Composition | None:
    """The composition of a stock; None where it is empty or holds metal of unknown elements.

    >>> composition_of({"Sn": 1, "Pb": 1}).text()
    'Sn 50 Pb bal'
    """
    total = sum(stock.values())
    if total <= 0 or stock.get(UNKNOWN, 0) > 0:
        return None
    return Composition(tuple(max(stock.get(element, 0), 0) / total for element in ELEMENTS))
