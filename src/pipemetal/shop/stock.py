"""What a plan takes from the book."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipemetal.melts.lots import Lot
from pipemetal.planning.stock import Stock
from pipemetal.shop.book import Book

__all__ = ["book_stock", "free_lots", "planning_stock"]

LEAST_KG = 0.001


def planning_stock(path_or_url: str | Path, *, reserved: bool = False) -> Stock:
    """Recipes, rolls on the rack, lots that can be charged, and the ids of lots of unknown metal.

    What accepted plans have reserved is left out, unless `reserved` asks for it. Errors: BookError.
    """
    with Book.open(path_or_url) as book:
        return book_stock(book, reserved=reserved)


def book_stock(book: Book, *, reserved: bool = False) -> Stock:
    """As `planning_stock`, of a book that is open."""
    lots, unknown = free_lots(book, reserved=reserved)
    return Stock(book.recipes(), tuple(book.rack(reserved=reserved)), lots, unknown)


def free_lots(book: Book, *, reserved: bool = False, plan: str = "") -> tuple[tuple[Lot, ...], tuple[str, ...]]:
    """The lots that can be charged, less what plans have reserved of them, and the ids of lots of unknown metal.

    `reserved` leaves what is reserved in; `plan` names one whose own reservations do not count.
    """
    lots, unknown = book.lots()
    taken = {} if reserved else book.reserved_kg(but=plan)
    free = [_less(lot, taken.get(lot.id, 0.0)) for lot in lots]
    return tuple(lot for lot in free if lot is not None), unknown


def _less(lot: Lot, taken_kg: float) -> Lot | None:
    """A lot without what is reserved of it; None where nothing, or no whole piece, is left."""
    left = round(lot.mass_kg - taken_kg, 6)
    if left < LEAST_KG or (lot.piece_kg is not None and left < lot.piece_kg):
        return None
    return replace(lot, mass_kg=left)
