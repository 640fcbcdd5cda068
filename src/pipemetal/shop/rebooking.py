"""Movements that several parts of the book make: what a new analysis changes, and what goes to the scrap bin."""

from __future__ import annotations

from collections.abc import Mapping

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.shop.ledger import Entry, elements_ug, kilograms
from pipemetal.shop.rows import LotRow
from pipemetal.shop.writing import Writing

__all__ = ["add_empty_lot", "assay_entries", "rebook", "to_scrap"]


def assay_entries(stock_ug: Mapping[str, int], composition: Composition, account: str) -> list[Entry]:
    """The entries that make an account hold its mass in the elements that an analysis found.

    What the analysis finds more of comes from the account `assay`, what it finds less of goes there: the two are equal, so
    the mass does not change and `assay` holds zero over all elements.

    >>> for entry in assay_entries({"Sn": 600, "Pb": 400}, Composition.parse("Sn 50 Pb bal"), "lot:T"): print(entry)
    Entry(element='Sn', mass_ug=100, origin='lot:T', target='assay')
    Entry(element='Pb', mass_ug=100, origin='assay', target='lot:T')
    """
    found = elements_ug(kilograms(sum(stock_ug.values())), composition)
    entries = []
    for element in {**stock_ug, **found}:
        more = found.get(element, 0) - stock_ug.get(element, 0)
        if more > 0:
            entries.append(Entry(element, more, "assay", account))
        elif more < 0:
            entries.append(Entry(element, -more, account, "assay"))
    return entries


def rebook(w: Writing, account: str, composition: Composition) -> None:
    """Book the difference that an analysis makes to what lies in an account. Errors: BookError for an empty account."""
    stock = w.stock(account)
    if not stock:
        raise BookError("holds no metal in this book", field="account", value=account)
    w.book(assay_entries(stock, composition, account), why="analysed")


def to_scrap(w: Writing, alloy: str, origin: str, why: str) -> None:
    """What is left in an account goes to the scrap lot of its alloy; a lot is made where there is none."""
    rest = {element: mass for element, mass in w.stock(origin).items() if mass > 0}
    if not rest:
        return
    lot = f"scrap-{alloy}" if alloy else "scrap"
    if w.get(LotRow, lot) is None:
        add_empty_lot(w, lot, "scrap", alloy, "offcuts")
    w.book([Entry(element, mass, origin, f"lot:{lot}") for element, mass in rest.items()], why=why)


def add_empty_lot(w: Writing, lot: str, kind: str, alloy: str, note: str, day: str = "") -> None:
    """A lot that metal of the shop itself goes into."""
    w.add(
        "lots",
        lot,
        kind=kind,
        alloy=alloy,
        composition="",
        piece_kg=None,
        uncertainty="[]",
        price_per_kg=0.0,
        note=note,
        day=day,
        supplier="",
        invoice="",
    )
