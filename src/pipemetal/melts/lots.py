"""Lots: pigs, ingots, scrap and master alloys on the floor, with what is known of their metal."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import MeltError
from pipemetal.quantities import LOT
from pipemetal.texts import Amount, Text

__all__ = ["LOT_KINDS", "Heel", "Lot", "take_from"]

LOT_KINDS: Final = ("pig", "ingot", "master", "scrap", "shavings", "buy")
NEW_METAL: Final = ("pig", "master", "buy")
"""Kinds that count as new metal; ingots of the shop's own, scrap and shavings are remelt."""


def _check_half_widths(stated: tuple[tuple[str, float], ...], where: str) -> None:
    for element, half in stated:
        if element not in ELEMENTS:
            raise MeltError("is not an element of pipe metal", field="uncertainty", value=element, where=where)
        if not (math.isfinite(half) and 0.0 <= half <= 50.0):
            raise MeltError(
                "is not a half-width", field=f"uncertainty of {element}", value=half, allowed="0 to 50 %", where=where
            )


def _half_width_wt_pct(element: str, metal: Composition, stated_wt_pct: tuple[tuple[str, float], ...]) -> float:
    stated = dict(stated_wt_pct)
    if element == "Pb" and "Pb" not in stated and metal.wt_pct("Pb") > 0.0:
        return math.hypot(*stated.values())
    return stated.get(element, 0.0)


@dataclass(frozen=True)
class Lot:
    """One lot. `piece_kg` is the mass of one piece where only whole pieces are charged, None where it can be divided.

    `uncertainty_wt_pct` is the 95 % half-width of each element's percentage: what the analysis, or sorting by eye, does
    not know. `price_per_kg` is in the shop's currency; a lot of the shop's own scrap has the value it would fetch.

    >>> Lot("L1", "pig", Composition.parse("Sn 100"), 200.0, piece_kg=25.0).pieces
    8
    """

    id: str
    kind: str
    composition: Composition
    mass_kg: float
    piece_kg: float | None = None
    uncertainty_wt_pct: tuple[tuple[str, float], ...] = ()
    price_per_kg: float = 0.0
    analysed: bool = True
    note: str = ""

    def __post_init__(self) -> None:
        where = Text("lot {id}", id=repr(self.id))
        if not self.id.strip():
            raise MeltError("is empty", field="id", where="lot")
        if self.kind not in LOT_KINDS:
            raise MeltError(
                "is not a kind of lot", field="kind", value=self.kind, allowed=", ".join(LOT_KINDS), where=where
            )
        most = LOT["mass_kg"].high  # what is left of a lot may be less than the least that comes in
        if not (math.isfinite(self.mass_kg) and 0.0 < self.mass_kg <= most):
            allowed: str = Text("above 0 to {most}", most=Amount(most, "kg"))
            raise MeltError("is not a mass", field="mass_kg", value=self.mass_kg, allowed=allowed, where=where)
        if self.piece_kg is not None and not LOT["piece_kg"].holds(self.piece_kg):
            allowed = LOT["piece_kg"].allowed
            raise MeltError("is not a piece", field="piece_kg", value=self.piece_kg, allowed=allowed, where=where)
        if self.piece_kg is not None and self.piece_kg > self.mass_kg * 1.0001:
            raise MeltError(
                "is heavier than the whole lot",
                field="piece_kg",
                value=self.piece_kg,
                allowed=Text("up to {mass_kg}", mass_kg=Amount.short(self.mass_kg, "kg")),
                where=where,
            )
        price = LOT["price_per_kg"]
        if not price.holds(self.price_per_kg):
            value = self.price_per_kg
            raise MeltError("is not a price", field=price.name, value=value, allowed=price.allowed, where=where)
        _check_half_widths(self.uncertainty_wt_pct, where)

    @property
    def pieces(self) -> int:
        """Whole pieces in stock; zero for a divisible lot."""
        return int(self.mass_kg / self.piece_kg + 1e-6) if self.piece_kg else 0

    @property
    def is_new_metal(self) -> bool:
        """Whether charging it counts as new metal rather than remelt."""
        return self.kind in NEW_METAL

    def half_width_wt_pct(self, element: str) -> float:
        """95 % half-width of one element's percentage; lead is the balance and as unsure as the others together.

        >>> lot = Lot("S", "scrap", Composition.parse("Sn 50 Pb bal"), 9.0, uncertainty_wt_pct=(("Sn", 0.6), ("Sb", 0.8)))
        >>> lot.half_width_wt_pct("Sn"), lot.half_width_wt_pct("Pb"), lot.half_width_wt_pct("Cu")
        (0.6, 1.0, 0.0)
        """
        return _half_width_wt_pct(element, self.composition, self.uncertainty_wt_pct)


@dataclass(frozen=True)
class Heel:
    """Metal of known composition that stays in the pot between two melts, what a kilogram of it is worth,
    and the 95 % half-widths of its assay."""

    mass_kg: float
    composition: Composition
    price_per_kg: float = 0.0
    uncertainty_wt_pct: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mass_kg) and self.mass_kg >= 0.0):
            raise MeltError("is not a mass", field="heel.mass_kg", value=self.mass_kg, allowed="0 kg or more")
        if not (math.isfinite(self.price_per_kg) and self.price_per_kg >= 0.0):
            raise MeltError("is not a price", field="heel.price_per_kg", value=self.price_per_kg, allowed="0 or more")
        _check_half_widths(self.uncertainty_wt_pct, "heel")

    def half_width_kg(self, element: str) -> float:
        """95 % half-width of an element's mass in the heel; lead is the balance."""
        return self.mass_kg * _half_width_wt_pct(element, self.composition, self.uncertainty_wt_pct) / 100.0


def take_from(lots: tuple[Lot, ...], taken_kg: dict[str, float]) -> tuple[Lot, ...]:
    """The stock that is left when these masses have gone into the pot; used-up lots drop out."""
    rest = []
    for lot in lots:
        left = lot.mass_kg - taken_kg.get(lot.id, 0.0)
        if left < -1e-6:
            raise MeltError(
                "is charged beyond its stock", field="mass_kg", value=-left, where=Text("lot {id}", id=repr(lot.id))
            )
        if left > max(1e-6, (lot.piece_kg or 0.0) * 0.999):
            rest.append(replace(lot, mass_kg=left))
    return tuple(rest)
