"""What the shop's own scripts are answered, as rows of JSON. Masses in kg, lengths in mm, metal in percent by mass."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "AccountRow",
    "Booked",
    "BookedCut",
    "CastRow",
    "EventRow",
    "FoundRow",
    "LotRow",
    "LotsRow",
    "RecipeRow",
    "RollRow",
]


@dataclass(frozen=True)
class Booked:
    """The event under which something was booked; `already` where the same mark was sent before, and nothing was booked again."""

    event: int
    already: bool = field(default=False, kw_only=True)


@dataclass(frozen=True)
class BookedCut(Booked):
    """A roll booked as cut, and the remnants hung up."""

    remnants: tuple[str, ...]


@dataclass(frozen=True)
class FoundRow:
    """A roll that the search found, and where on it."""

    id: str
    alloy: str
    length_mm: float
    width_mm: float
    thinnest_mm: float
    thickest_mm: float
    place: str
    state: str
    version: int
    x_from_mm: float
    x_to_mm: float


@dataclass(frozen=True)
class RollRow:
    """A roll; readings are (x, y, thickness)."""

    id: str
    alloy: str
    length_mm: float
    width_mm: float
    trim_mm: float
    place: str
    parent: str
    state: str
    cast: str
    note: str
    day: str
    mean_mm: float
    version: int
    readings_mm: tuple[tuple[float, float, float], ...]
    mass_kg: float


@dataclass(frozen=True)
class LotRow:
    """A lot with what the ledger says is left."""

    id: str
    kind: str
    mass_kg: float
    composition: str


@dataclass(frozen=True)
class LotsRow:
    """The lots of known metal, and the ids of those that wait for an analysis."""

    lots: tuple[LotRow, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class CastRow:
    """A cast of the log; thickness as (distance, thickness)."""

    id: str
    day: str
    composition: str
    gate_mm: float
    charge_kg: float
    length_mm: float
    thickness_mm: tuple[tuple[float, float], ...]
    verdict: str | None


@dataclass(frozen=True)
class AccountRow:
    """Balances by kind of account and element, and what everything adds up to."""

    accounts_kg: dict[str, dict[str, float]]
    everything_kg: float


@dataclass(frozen=True)
class EventRow:
    """An event of the book."""

    event: int
    at: str
    who: str
    what: str
    about: str
    undoes: int | None


@dataclass(frozen=True)
class RecipeRow:
    """A recipe with its windows, and the version to change it on."""

    name: str
    version: int | None
    target: str
    note: str
    windows: dict[str, tuple[float, float]]
