"""What a plan takes from the book: recipes, rack, lots, and the settings that count."""

from __future__ import annotations

from pathlib import Path

from pipemetal.planning.stock import Stock
from pipemetal.shop.book import Book
from pipemetal.shop.settings import InEffect, beside_book, in_effect, said_file

__all__ = ["book_stock", "planning_stock", "settings_of_book"]


def planning_stock(path_or_url: str | Path, *, reserved: bool = False) -> Stock:
    """Recipes, rolls on the rack, lots that can be charged, and the ids of lots of unknown metal.

    What accepted plans have reserved is left out, unless `reserved` asks for it. Errors: BookError.
    """
    with Book.open(path_or_url) as book:
        return book_stock(book, reserved=reserved)


def book_stock(book: Book, *, reserved: bool = False) -> Stock:
    """As `planning_stock`, of a book that is open."""
    lots, unknown = book.lots.free(reserved=reserved)
    return Stock(book.recipes.all(), tuple(book.rolls.rack(reserved=reserved)), lots, unknown)


def settings_of_book(target: str, given: Path | None = None) -> InEffect:
    """The settings that count for a book by path or URL, and a file that was given. Errors: as `in_effect` and `said_file`."""
    if given is not None:
        return in_effect(None, said_file(given), None)
    with Book.open(target) as book:
        kept, _ = book.settings.kept()
        return in_effect(book.settings, None, beside_book(target) if kept is None else None)
