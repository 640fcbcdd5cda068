"""A shop book on SQLite, and on PostgreSQL where there is a server."""

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop_samples import HALF

import pipemetal as pm
from pipemetal.files.demo_files import packaged_file
from pipemetal.front import Shop
from pipemetal.shop.book import Book


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def book(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Book]:
    target = tmp_path / "shop.sqlite" if request.param == "sqlite" else request.getfixturevalue("postgres_url")
    with Book.open(target, create=True, who="Ada") as opened:
        opened.recipes.add(HALF)
        yield opened


@pytest.fixture(scope="module")
def bare() -> Shop:
    """The invented shop with nothing on its rack and no cast logged."""
    shop = pm.read_shop(packaged_file("rack.csv").parent)
    return dataclasses.replace(shop, stock=dataclasses.replace(shop.stock, rack=()), casts=())
