"""Lots: pigs, ingots, scrap and master alloys, with what the ledger says is left of each and what of it is free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.files.lots_file import SORTED_BY_EYE
from pipemetal.files.plain import parse_day
from pipemetal.given import given
from pipemetal.melts.lots import LOT_KINDS, Lot
from pipemetal.shop.balances import balances_of
from pipemetal.shop.free import reserved_kg
from pipemetal.shop.ledger import composition_of, elements_ug, kilograms, move
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import LotRow, RecipeRow
from pipemetal.shop.writer import Kept
from pipemetal.shop.writing import Writing, Written, dump

__all__ = ["Lots", "NewLot", "enter_lot"]

LEAST_KG: Final = 0.001


@given
@dataclass(frozen=True)
class NewLot:
    """A lot to be entered, with its invoice. Without a composition its metal is unknown until it is assayed.

    `uncertainty_wt_pct`: 95 % half-widths by element. `origin`: the account that it comes from. `analysed` false: the
    composition is what somebody takes it for.
    """

    id: str
    kind: str
    mass_kg: float
    composition: Composition | None = None
    alloy: str = ""
    piece_kg: float | None = None
    uncertainty_wt_pct: Sequence[tuple[str, float]] = ()
    price_per_kg: float = 0.0
    note: str = ""
    origin: str = "bought"
    analysed: bool = True
    day: str = ""
    supplier: str = ""
    invoice: str = ""


class Lots(Kept[LotRow]):
    """Metal in stock that is no roll."""

    KIND = LotRow

    @given
    def add(self, lot: NewLot) -> Written[None]:
        """Enter a lot. Errors: BookError, MeltError."""
        with self._writer.writing(Action.LOT_ENTERED, f"lot:{lot.id}") as w:
            enter_lot(w, lot)
            return w.written()

    def in_stock(self) -> tuple[tuple[Lot, ...], tuple[str, ...]]:
        """The lots in stock that can be charged, and the ids of those of unknown metal; mass and metal from the ledger."""
        with self._writer.reading() as connection:
            held = balances_of(connection, "lot")
        known: list[Lot] = []
        unknown: list[str] = []
        for row in self.rows():
            stock = held.get(f"lot:{row.id}", {})
            mass = round(kilograms(sum(stock.values())), 6)
            if mass < LEAST_KG:
                continue
            composition = Composition.parse(row.composition) if row.composition else composition_of(stock)
            if composition is None:
                unknown.append(row.id)
                continue
            known.append(_lot(row, composition, mass))
        return tuple(known), tuple(unknown)

    def free(self, *, reserved: bool = False, plan: str = "") -> tuple[tuple[Lot, ...], tuple[str, ...]]:
        """The lots that can be charged, less what plans have reserved of them, and the ids of lots of unknown metal.

        `reserved` leaves what is reserved in; `plan` names one whose own reservations do not count.
        """
        lots, unknown = self.in_stock()
        taken = {} if reserved else self.reserved_kg(but=plan)
        left = [_less(lot, taken.get(lot.id, 0.0)) for lot in lots]
        return tuple(lot for lot in left if lot is not None), unknown

    def reserved_kg(self, *, but: str = "") -> dict[str, float]:
        """Kilograms that accepted plans have reserved, by lot; those of one plan may be left out."""
        with self._writer.reading() as connection:
            held = reserved_kg(connection, but)
        return {lot: sum(plans.values()) for lot, plans in held.items()}


def enter_lot(w: Writing, lot: NewLot) -> None:
    """A new lot within an event, with its metal. Errors: BookError, MeltError."""
    if lot.kind not in LOT_KINDS:
        raise BookError("is not a kind of lot", field="kind", value=lot.kind, allowed=", ".join(LOT_KINDS))
    if lot.alloy and w.get(RecipeRow, lot.alloy) is None:
        raise BookError("is not a recipe of this shop", field="alloy", value=lot.alloy)
    w.refuse_elsewhere(lot.id, "rolls", "casts")
    unsure = tuple(lot.uncertainty_wt_pct)
    if lot.composition is not None:
        Lot(lot.id, lot.kind, lot.composition, lot.mass_kg, lot.piece_kg, unsure, lot.price_per_kg, True, lot.note)
    w.add(
        "lots",
        lot.id,
        kind=lot.kind,
        alloy=lot.alloy,
        composition=lot.composition.text() if lot.composition and lot.analysed else "",
        piece_kg=lot.piece_kg,
        uncertainty=dump(list(unsure)),
        price_per_kg=lot.price_per_kg,
        note=lot.note,
        day=parse_day(lot.day),
        supplier=lot.supplier,
        invoice=lot.invoice,
    )
    w.book(move(elements_ug(lot.mass_kg, lot.composition), lot.origin, f"lot:{lot.id}"), why=lot.origin)


def _lot(row: LotRow, composition: Composition, mass_kg: float) -> Lot:
    unsure = row.uncertainty_wt_pct
    if not row.composition and not unsure:
        unsure = SORTED_BY_EYE
    piece = row.piece_kg if row.piece_kg and row.piece_kg <= mass_kg else None
    analysed = bool(row.composition)
    return Lot(row.id, row.kind, composition, mass_kg, piece, unsure, row.price_per_kg, analysed, row.note)


def _less(lot: Lot, taken_kg: float) -> Lot | None:
    """A lot without what is reserved of it; None where nothing, or no whole piece, is left."""
    left = round(lot.mass_kg - taken_kg, 6)
    if left < LEAST_KG or (lot.piece_kg is not None and left < lot.piece_kg):
        return None
    return replace(lot, mass_kg=left)
