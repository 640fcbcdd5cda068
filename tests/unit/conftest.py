"""A shop book on SQLite, and on PostgreSQL where there is a server."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from shop_samples import HALF

from pipemetal.shop.book import Book


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def book(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Book]:
    target = tmp_path / "shop.sqlite" if request.param == "sqlite" else request.getfixturevalue("postgres_url")
    with Book.open(target, create=True, who="Ada") as opened:
        opened.recipes.add(HALF)
        yield opened
