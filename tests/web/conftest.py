"""A shop that can plan, melt and cast, with a plan in its book; made once, copied for each test that wants it."""

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from shop_pages import working_book, working_plan

from pipemetal.shop.book import Book


@pytest.fixture(scope="session")
def planned_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of such a book."""
    path = tmp_path_factory.mktemp("planned") / "s.sqlite"
    with working_book(path) as book:
        working_plan(book)
    return path


@pytest.fixture
def planned(planned_file: Path, tmp_path: Path) -> Iterator[Book]:
    """Such a book of one's own."""
    shutil.copy(planned_file, tmp_path / "s.sqlite")
    with Book.open(tmp_path / "s.sqlite", who="tester") as book:
        yield book
