"""Old pipes on a page: typed or from a file, in a person's units and language, and nothing is booked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipemetal.files.recipe_file import read_recipes
from pipemetal.pipes.old import CONDITION_WORDS, CONDITIONS
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.old_pipes import MOST_ROWS, SIZES, VERDICTS
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
        ({"mouth_width:1": "300"}, r"Pipe 1: Mouth, width .*wider than the pipe is around"),
        ({"note:1": ""}, r"Pipe 1: Note of the pipe"),
        ({"diameter:1": "ninety"}, r"Pipe 1: Diameter inside, at the mouth .*not a number"),
        ({"diameter:1": "9250"}, r"Pipe 1: Diameter inside, at the mouth .*2 to 1200 mm"),
        ({"note:1": "", "diameter:1": "", "length:1": ""}, "no pipe in it"),
        ({"half_tones": "80"}, "Scale, at most is out of range.*0 to 8"),
        ({"footage": "x"}, "Footage that they speak is not a footage"),
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
    assert alert is not None and "Labium, Breite ist größer als der Umfang der Pfeife" in alert[1]


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"diameter:1": "3.2.1"}, "Pfeife 1: Durchmesser innen, am Labium ist keine Zahl (&#39;3.2.1&#39;"),
        ({"mouth_width:1": "300"}, "(300 mm; erlaubt: weniger als 290,6 mm, der innere Umfang"),
        ({"note:1": "H9"}, "Pfeife 1: Ton ist kein Ton"),
        ({"diameter:1": "9250"}, "erlaubt: 2 bis 1200 mm"),
        ({"top_diameter:1": "9"}, "erlaubt: das 0,15- bis 2,5-Fache der 92,5 mm am Labium"),
        ({"half_tones": "80"}, "Mensur, höchstens liegt außerhalb (80.0; erlaubt: 0 bis 8)"),
        ({"footage": "x"}, "Fußtonlage, die sie sprechen ist keine Fußtonzahl"),
        ({"note:1": "", "diameter:1": "", "length:1": ""}, "die getippte Liste"),
    ],
)
def test_nothing_english_and_no_columns_name_is_left_in_german(
    client: TestClient, changed: dict[str, str], told: str
) -> None:
    client.post("/settings", data={"length": "mm", "mass": "kg", "decimal": "comma", "language": "de"}, headers=FROM)
    page = client.post("/pipes/old", data=TYPED | changed, headers=FROM).text
    alert = re.search(r'role="alert">(.*?)</p>', page, re.DOTALL)
    assert alert is not None and told in alert[1]
    assert not re.search(r"_mm|typed list| row |less than|\bto\b", alert[1])


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"mouth_width:1": "30"}, "got 30.0 in; allowed: less than 11.44 in"),
        ({"diameter:1": "92.5"}, "allowed: 0.0787 to 47.2 in"),
        ({"top_diameter:1": "0.1"}, "got 0.100 in; allowed: 0.15 to 2.5 times the 3.64 in"),
    ],
)
def test_a_limit_is_told_in_the_unit_that_was_typed(client: TestClient, changed: dict[str, str], told: str) -> None:
    client.post("/settings", data={"length": "in", "mass": "lb", "decimal": "point", "language": "en"}, headers=FROM)
    page = client.post(
        "/pipes/old", data=TYPED | {"diameter:1": "3.642", "length:1": "51"} | changed, headers=FROM
    ).text
    alert = re.search(r'role="alert">(.*?)</p>', page, re.DOTALL)
    assert alert is not None and told in alert[1]


def test_walls_are_in_the_unit_that_heads_their_column(client: TestClient) -> None:
    client.post("/settings", data={"length": "in", "mass": "lb", "decimal": "point", "language": "en"}, headers=FROM)
    sizes = {"diameter:1": "3.642", "length:1": "51", "thickness:1": "0.041"}
    page = client.post("/pipes/old", data=TYPED | sizes, headers=FROM).text
    assert "wall more by mil" in page
    (row,) = fates(page)
    assert re.search(r" \+\d+$", row), "whole thousandths of an inch"


@pytest.mark.parametrize("typed", ["92,5", "92.5", "92 1/2"])
def test_a_size_may_be_typed_with_comma_point_or_fraction(client: TestClient, typed: str) -> None:
    page = client.post("/pipes/old", data=TYPED | {"diameter:1": typed})
    assert page.status_code == 200 and fates(page.text)


def test_many_rows_are_taken_and_too_many_are_told_with_the_number(client: TestClient) -> None:
    def rows(count: int) -> dict[str, str]:
        sizes = {"note": "C", "diameter": "92.5", "length": "1300", "condition": "good"} | {
            name: "" for name, _ in SIZES if name not in ("diameter", "length")
        }
        return {"rows": str(count), "footage": "4'"} | {
            f"{name}:{n}": value for n in range(1, count + 1) for name, value in sizes.items()
        }

    page = client.post("/pipes/old", data=rows(200))
    assert page.status_code == 200 and len(fates(page.text)) == 200
    for count in (MOST_ROWS + 1, 2 * MOST_ROWS):
        page = client.post("/pipes/old", data=rows(count))
        assert page.status_code == 422
        assert f"the typed list has too many pipes (allowed: up to {MOST_ROWS}; a file takes up to 1000)" in page.text


def test_an_absurd_wall_asks_to_measure_again(client: TestClient) -> None:
    (row,) = fates(client.post("/pipes/old", data=TYPED | {"thickness:1": "9.9"}).text)
    assert "measure first" in row and "no pipe so wide has a wall of 9.9 mm: measure it again" in row


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
