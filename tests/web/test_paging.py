"""Every list pages: however long it is, a page stays short, and every row is on some page."""

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipemetal.alloys.composition import Composition
from pipemetal.plans.record import Plan
from pipemetal.shop.book import Book, NewLot
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
MANY = 260


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    """A book with many lots, plans and events."""
    path: Path = tmp_path_factory.mktemp("many") / "s.sqlite"
    book = Book.open(path, create=True, who="tester")
    rows = "\n".join(f"L{k:04d},pig,25,Pb 99.9 Sn bal,2.4" for k in range(MANY))
    table = path.parent / "lots.csv"
    table.write_text(f"id,kind,mass_kg,composition,price_per_kg\n{rows}\n", encoding="utf-8")
    (path.parent / "one").mkdir()
    table.rename(path.parent / "one" / "lots.csv")
    book.tables.import_folder(path.parent / "one")
    for k in range(MANY):
        book.plans.keep(Plan("Chapel", seed=k))
    book.lots.add(NewLot("X", "scrap", 10.0, Composition.parse("Sn 50 Pb bal")))
    return TestClient(create_app(Site(book)), base_url=BASE, follow_redirects=False)


@pytest.mark.parametrize(
    ("path", "pattern"), [("/stock", r"lot%3AL\d{4}"), ("/plans", r"Chapel #\d+"), ("/history", r"/undo/\d+")]
)
def test_every_row_is_on_some_page_and_no_page_is_long(client: TestClient, path: str, pattern: str) -> None:
    seen: set[str] = set()
    page, pages = path, 0
    while page:
        answer = client.get(page)
        assert answer.status_code == 200
        assert len(answer.text) < 250_000
        seen |= set(re.findall(pattern, answer.text))
        after = re.search(r'rel="next" href="([^"]+)"', answer.text)
        page, pages = (path + after[1].replace("&amp;", "&") if after else ""), pages + 1
    assert pages >= 5
    assert len(seen) >= MANY


@pytest.mark.parametrize("asked", ["0", "-3", "999999", "x", "1e3", "9" * 30, "²"])
def test_a_page_that_is_none_shows_one_that_is(client: TestClient, asked: str) -> None:
    assert client.get("/stock", params={"page": asked}).status_code == 200


def test_a_lot_that_was_just_entered_stands_on_the_first_page(client: TestClient) -> None:
    assert "lot%3AX" in client.get("/stock", params={"lot": "X"}).text
