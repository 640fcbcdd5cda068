"""Writes docs/openapi.json: the interface for other programs as the program describes it itself."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from pipemetal.shop.book import Book
from pipemetal.web.api import described
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

PAGE = Path(__file__).parents[1] / "docs" / "openapi.json"


def description() -> str:
    """The description as it is kept: sorted, a line for each value, so that a change is seen in a comparison."""
    with tempfile.TemporaryDirectory() as folder, Book.open(f"{folder}/shop.sqlite", create=True) as book:
        told = described(create_app(Site(book)))
    return json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    PAGE.write_text(description(), encoding="utf-8")
