"""Old pipes on a page: typed or from a file, in a person's units and language, and nothing is booked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipemetal.files.recipe_file import read_recipes
from pipemetal.pipes.old import CONDITIONS
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.old_pipes import CONDITION_WORDS, SIZES, VERDICTS
from pipemetal.web.site import Site
from pipemetal.words import catalogue

BASE = "http://127.0.0.1:8137"
FROM = {"origin": BASE}
HOSTILE = "<script>alert(1)</script>"
DEMO = Path(__file__).parents[2] / "src" / "pipemetal" / "demo_shop"
ORGAN = """
[organ]
name = "Merrowby"

[[rank]]
name = "Octave"
division = "Great"
footage = "4'"
notes = 24
alloy = "spotted-50"
scale = { half_tones = 0 }

[[rank]]
name = "Gemshorn"
division = "Great"
footage = "4'"
notes = 12
alloy = "spotted-50"
construction = "tapered"
top = 0.4
scale = { half_tones = 2 }
"""
TYPED = {"note:1": "C", "diameter:1": "92.5", "length:1": "1300", "condition:1": "oval", "rows": "4", "footage": "4'"}


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


def fates(page: str) -> list[str]:
    """The rows of the answer, as text."""
    rows = re.findall(r"<tr>\s*<th scope=\"row\">.*?</tr>", page, re.DOTALL)
    return [" ".join(re.sub(r"<[^>]*>", " ", row).split()) for row in rows]


def test_typed_pipes_are_told_what_becomes_of_them_and_nothing_is_booked(client: TestClient, book: Book) -> None:
    before = book.history.last()
    lost = {"note:3": "d", "diameter:3": "40", "length:3": "500", "condition:3": "cracked"}
    page = client.post("/pipes/old", data=TYPED | lost | {"old_rank": HOSTILE})
    assert page.status_code == 200 and HOSTILE not in page.text
    first, second = fates(page.text)
    assert "Octave " in first and "round again" in first
    assert "melt down : it is cracked" in second
    assert book.history.last() == before
    assert 'value="92.5"' in page.text  # what was typed stays


def test_inches_and_german_are_those_of_the_person(client: TestClient) -> None:
    client.post("/settings", data={"length": "in", "mass": "lb", "decimal": "comma", "language": "de"})
    page = client.post("/pipes/old", data=TYPED | {"diameter:1": "3,642", "length:1": "51,18"}, headers=FROM)
    (row,) = fates(page.text)
    assert "neu runden" in row and " in" in row and " mm" not in row


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"mouth_width:1": "300"}, r"typed list row 1.*mouth_width_mm.*wider than the pipe is around"),
        ({"note:1": ""}, r"typed list row 1.*note"),
        ({"diameter:1": "ninety"}, r"typed list row 1.*diameter_mm.*not a number"),
        ({"diameter:1": "9250"}, r"typed list row 1.*diameter_mm.*2 to 1200"),
        ({"note:1": "", "diameter:1": "", "length:1": ""}, "no pipe in it"),
        ({"half_tones": "80"}, "half_tones is out of range"),
        ({"footage": "x"}, "footage"),
    ],
)
def test_what_cannot_be_is_told_with_row_and_field(client: TestClient, changed: dict[str, str], told: str) -> None:
    page = client.post("/pipes/old", data=TYPED | changed)
    assert page.status_code == 422
    alert = re.search(r'role="alert">(.*?)</p>', page.text, re.DOTALL)
    assert alert is not None and re.search(told, alert[1])
    assert 'value="4&#39;"' in page.text or "footage" in changed


def test_what_cannot_be_is_told_in_german(client: TestClient) -> None:
    client.post("/settings", data={"length": "mm", "mass": "kg", "decimal": "comma", "language": "de"})
    page = client.post("/pipes/old", data=TYPED | {"diameter:1": "92,5", "mouth_width:1": "300"}, headers=FROM).text
    alert = re.search(r'role="alert">(.*?)</p>', page, re.DOTALL)
    assert alert is not None and "mouth_width_mm ist größer als der Umfang der Pfeife" in alert[1]


def test_a_file_goes_before_what_is_typed(client: TestClient) -> None:
    table = "note;footage;outer_circumference_mm;outer_top_circumference_mm;thickness_mm;length_mm\n"
    table += "C;4;322,0;129,5;0,8;1205,5\nc;4;;;;\n"
    page = client.post("/pipes/old", data=TYPED, files={"file": ("old.csv", table.encode(), "text/csv")})
    assert page.status_code == 200
    first, second = fates(page.text)
    assert "Gemshorn " in first
    assert "measure first" in second
    bad = client.post("/pipes/old", data=TYPED, files={"file": ("old.csv", b"\xff\xfe\x00", "text/csv")})
    assert bad.status_code == 422 and "UTF-8" in bad.text


def test_more_rows_keep_what_was_typed_and_an_unknown_organ_is_refused(client: TestClient) -> None:
    page = client.post("/pipes/old", data=TYPED | {"more": "1"}).text
    assert 'name="note:8"' in page and 'value="92.5"' in page and not fates(page)
    assert client.get("/pipes/old?organ=none").status_code == 404
    assert client.post("/pipes/old", data=TYPED | {"organ": "none"}).status_code == 404


def test_a_book_without_an_organ_says_so(tmp_path: Path) -> None:
    with (
        Book.open(tmp_path / "empty.sqlite", create=True, who="foreman") as held,
        TestClient(create_app(Site(held)), base_url=BASE) as client,
    ):
        assert "holds no organ yet" in client.get("/pipes/old").text


def test_an_organ_leads_to_its_old_pipes_and_shows_walls_with_their_source(client: TestClient) -> None:
    page = client.get("/organs?rank=Gemshorn").text
    assert "/pipes/old?organ=" in page
    assert "front-tin" in page and "common practice, no source: front of about 75 % tin" in page
    client.post("/settings", data={"length": "mm", "mass": "kg", "decimal": "comma", "language": "de"})
    page = client.get("/organs?rank=Gemshorn").text
    assert "übliche Praxis, ohne Quelle: Prospekt aus etwa 75 % Zinn" in page


def test_every_word_of_the_answer_has_its_german() -> None:
    assert set(CONDITION_WORDS) == set(CONDITIONS)
    held = catalogue("de")
    todos = ["cut the torn top off", "new toe", "new cap", "cut the mouth up", "lower the upper lip", "round again"]
    words = [
        *CONDITION_WORDS.values(),
        *(word for _, word in VERDICTS.values()),
        *(label for _, label in SIZES),
        *todos,
    ]
    assert [word for word in words if word not in held] == []
