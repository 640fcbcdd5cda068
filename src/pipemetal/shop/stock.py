"""What a plan takes from the book."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipemetal.shop.book import Book

__all__ = ["planning_stock"]


def planning_stock(path_or_url: str | Path) -> dict[str, Any]:
    """Recipes, rolls on the rack, lots that can be charged, and the ids of lots of unknown metal.

    Errors: BookError.
    """
    with Book.open(path_or_url) as book:
        lots, unknown = book.lots()
        return {"recipes": book.recipes(), "rack": book.rack(), "lots": lots, "unknown": unknown}
