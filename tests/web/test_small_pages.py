"""What pages say where there is little to say: a cast without metal, a remark that is no name, a history to take back from."""

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from shop_samples import HALF
from starlette.testclient import TestClient

from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

CAST = LoggedCast(
    "C1", HALF.target, 2.0, 30.0, Sled(250.0, 600.0), 2000.0, ((100.0, 1.2),), (), push_time_s=3.0, note="thin, cold"
)


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    book = Book.open(tmp_path / "s.sqlite", create=True)
    book.recipes.add(HALF)
    book.casts.record(CAST)
    book.casts.record(replace(CAST, id="C2", note="N012"))
    with TestClient(create_app(Site(book)), base_url="http://127.0.0.1:8137") as held:
        yield held
    book.close()


def test_a_cast_that_holds_no_metal_is_traced_to_what_is_known_of_it(client: TestClient) -> None:
    page = client.get("/trace", params={"of": "cast:C1"})
    assert page.status_code == 200 and "C1" in page.text


def test_a_note_is_a_name_only_where_it_looks_like_one(client: TestClient) -> None:
    shown = [client.get("/casting/measure", params={"cast": c}).text for c in ("C1", "C2")]
    assert "hangs as C1." in shown[0] and "hangs as N012." in shown[1]


def test_the_latest_is_taken_back_from_the_history(client: TestClient) -> None:
    assert 'class="main"' in client.get("/history").text
