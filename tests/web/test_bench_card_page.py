"""The bench card of a pipe as a page: found by the pipe's name and by its blanks, in a person's units and language."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

from pipemetal.files.recipe_file import read_recipes
from pipemetal.shop.book import Book, NewLot
from pipemetal.web.app import create_app
from pipemetal.web.bench import card_of
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
HOSTILE = "<script>alert(1)</script>"
DEMO = Path(__file__).parents[2] / "src" / "pipemetal" / "demo_shop"
ORGAN = f"""
[organ]
name = "Merrowby {HOSTILE}"

[[rank]]
name = "Octave {HOSTILE}"
division = "Great"
footage = "4'"
notes = 3
alloy = "spotted-50"
scale = {{ half_tones = 0 }}

[[rank]]
name = "Octave"
division = "Great"
footage = "16'"
notes = 2
alloy = "spotted-50"
scale = {{ half_tones = 0 }}
"""


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book.open(tmp_path / "b.sqlite", create=True, who="foreman") as held:
        for recipe in read_recipes(DEMO / "recipes.toml").values():
            held.recipes.add(recipe)
        held.plans.add_organ("chapel", ORGAN)
        yield held


@pytest.fixture
def client(book: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(book)), base_url=BASE, follow_redirects=False) as held:
        yield held


@pytest.mark.parametrize(
    "name", [f"Octave {HOSTILE} C", "Octave C", "Octave C body", "Octave C# foot", "Octave C languid 1"]
)
def test_a_card_is_found_by_the_pipe_and_by_its_blanks(client: TestClient, name: str) -> None:
    page = client.get(f"/pipes?of={quote(name, safe='')}")
    assert page.status_code == 200
    assert "Flat body" in page.text and "stamp on body and foot" in page.text
    assert HOSTILE not in page.text
    pdf = client.get(f"/pipes/card.pdf?of={quote(name, safe='')}")
    assert pdf.content[:5] == b"%PDF-"


def test_a_card_speaks_the_persons_units_and_language(client: TestClient) -> None:
    client.post("/settings", data={"length": "in", "mass": "lb", "decimal": "comma", "language": "de"})
    page = client.get("/pipes?of=Octave%20C").text
    assert "Körper flach" in page and "Stempel auf Körper und Fuß" in page
    assert " in</text>" in page and " mm</text>" not in page


def test_what_is_no_pipe_is_refused_or_traced(client: TestClient, book: Book) -> None:
    assert client.get("/pipes").headers["location"] == "/organs"
    assert client.get("/pipes?of=Octave%20zz").status_code == 404
    assert client.get("/pipes/card.pdf?of=nothing").status_code == 404
    book.lots.add(NewLot("L1", "scrap", 5.0))
    assert client.get("/pipes?of=L1").headers["location"] == "/trace?of=L1"
    assert card_of(Site(book), "Octave C#") is not None


def test_the_pipes_of_an_organ_lead_to_their_cards(client: TestClient) -> None:
    page = client.get("/organs?rank=Octave").text
    assert "/pipes/rank?organ=" in page
    assert "/pipes?of=Octave%20C" in page


def test_a_rank_has_its_list_and_its_cards_on_paper(client: TestClient, book: Book) -> None:
    key = str(next(iter(book.plans.organs())))
    page = client.get("/pipes/rank", params={"organ": key, "rank": f"Octave {HOSTILE}"})
    assert page.status_code == 200 and HOSTILE not in page.text
    assert page.text.count("/pipes?of=Octave") == 3
    pdf = client.get("/pipes/rank.pdf", params={"organ": key, "rank": "Octave"})
    assert pdf.content[:5] == b"%PDF-"
    assert client.get("/pipes/rank", params={"organ": key, "rank": "none"}).status_code == 404


def test_a_pipe_that_no_sheet_serves_says_why_above_its_drawings(client: TestClient, book: Book) -> None:
    thick = ORGAN.replace("scale =", "wall = { mouth_mm = 7, top_mm = 6 }\nscale =").replace('"Octave"', '"Thick"')
    book.plans.add_organ("thick", thick)
    page = client.get("/pipes?of=Thick%20C").text
    assert 0 < page.index("Not served") < page.index("<svg", page.index("<main"))
    assert "it is too thick" in page
    assert "Not served" not in client.get("/pipes?of=Octave%20C").text
    client.post("/settings", data={"length": "mm", "mass": "kg", "decimal": "comma", "language": "de"})
    assert "es ist zu dick" in client.get("/pipes?of=Thick%20C").text
