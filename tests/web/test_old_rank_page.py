"""An old rank on a page: typed or from a table, what it says, what to make, its papers; nothing is booked."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.restoration_file import read_restoration
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.old_rank import HEAD, LABELS, MOST_ROWS
from pipemetal.web.site import Site
from pipemetal.words import catalogue

BASE = "http://127.0.0.1:8137"
FROM = {"origin": BASE}
DEMO = Path(__file__).parents[2] / "src" / "pipemetal" / "demo_shop"
HOSTILE = "<script>alert(1)</script>"
PIPES = """C 47.5 611.6 37.3 9.4
D 43.6 546.2 34.2 8.7
E 40.0 484.3 31.4 7.8
F# 36.6 431.1 28.9 7.2
G 35.1 413.8 27.5 6.9
A 32.3 367.4 25.3 6.4
c 28.3 303.6 22.2 5.5
e 23.8 242.6 18.7 4.7
g 20.9 202.2 16.4 4.1
c1 16.8 149.4 13.2 3.3"""


def typed(**more: str) -> dict[str, str]:
    """Ten pipes of a 2' rank as they are typed."""
    form = {"rows": "12", "footage": "2'", "compass": "C-g1", "rank": "Octave", "tin": "50", "name": "Hill"}
    for number, line in enumerate(PIPES.splitlines(), start=1):
        names = ("note", "diameter", "length", "mouth_width", "cut_up")
        form |= {f"{name}:{number}": cell for name, cell in zip(names, line.split(), strict=True)}
    return form | more


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book.open(tmp_path / "b.sqlite", create=True, who="foreman") as held:
        for recipe in read_recipes(DEMO / "recipes.toml").values():
            held.recipes.add(recipe)
        yield held


@pytest.fixture
def client(book: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(book)), base_url=BASE, follow_redirects=False) as held:
        yield held


def test_the_page_opens_empty_and_is_reached_from_the_organ(client: TestClient) -> None:
    page = client.get("/pipes/old-rank")
    assert page.status_code == 200 and 'name="diameter:6"' in page.text
    assert "/pipes/old-rank" in client.get("/organs").text


def test_typed_pipes_say_what_they_were_and_nothing_is_booked(client: TestClient, book: Book) -> None:
    before = book.history.last()
    page = client.post("/pipes/old-rank", data=typed(rank=HOSTILE))
    assert page.status_code == 200 and HOSTILE not in page.text
    for words in ("What the pipes say", "Temperaments that the lengths allow", "What to make", "c#1", "open 100 %"):
        assert words in page.text
    assert 'value="47.5"' in page.text  # what was typed stays
    assert book.history.last() == before


def test_inches_and_german_are_those_of_the_person(client: TestClient) -> None:
    client.post("/settings", data={"length": "in", "mass": "lb", "decimal": "comma", "language": "de"})
    inches = {
        name: str(round(float(value) / 25.4, 3)).replace(".", ",") if re.match(r"diam|len|mouth|cut", name) else value
        for name, value in typed().items()
    }
    page = client.post("/pipes/old-rank", data=inches, headers=FROM)
    assert "Was die Pfeifen sagen" in page.text and "5,3" in page.text  # inches at 8' C
    assert not re.search(r"share of belief|not under|What to make", page.text)


@pytest.mark.parametrize(
    ("changed", "field", "told"),
    [
        ({"diameter:2": "4000"}, "diameter:2", "is out of range"),
        ({"note:3": "x"}, "note:3", "is not a note"),
        ({"footage": "abc"}, "footage", "is not a footage"),
        ({"compass": "C-C#"}, "note:2", "lies outside the compass"),
        ({"sounds:1": "130"}, "air:1", "is missing"),
        ({"tin": "200"}, "tin", "is out of range"),
    ],
)
def test_a_fault_is_told_at_its_field(client: TestClient, changed: dict[str, str], field: str, told: str) -> None:
    page = client.post("/pipes/old-rank", data=typed(**changed))
    assert page.status_code == 422
    block = re.search(rf'<input name="{re.escape(field)}".*?</label>', page.text, re.DOTALL)
    assert block is not None and "fault" in block[0] and told in block[0]


def test_nothing_typed_and_too_many_rows_are_told(client: TestClient) -> None:
    assert "has no pipe in it" in client.post("/pipes/old-rank", data={"rows": "4"}).text
    page = client.post("/pipes/old-rank", data=typed(do="more"))
    assert page.text.count('class="pipe-row"') == 18 and 'value="47.5"' in page.text


def test_more_rows_than_a_keyboard_has_are_not_made(client: TestClient) -> None:
    page = client.post("/pipes/old-rank", data={"rows": "97", "do": "more"})
    assert page.text.count('class="pipe-row"') == MOST_ROWS
    many = {f"note:{n}": "C" for n in range(1, 2000)}
    assert client.post("/pipes/old-rank", data=many).status_code == 422


def test_a_table_goes_before_what_is_typed(client: TestClient) -> None:
    table = "note,diameter_mm,length_mm\n" + "\n".join(",".join(line.split()[:3]) for line in PIPES.splitlines())
    page = client.post(
        "/pipes/old-rank", data=typed(**{"diameter:1": "9999"}), files={"file": ("old.csv", table.encode(), "text/csv")}
    )
    assert page.status_code == 200 and "What to make" in page.text
    page = client.post("/pipes/old-rank", data=typed(), files={"file": ("old.csv", b"\xff\xfe\x00", "text/csv")})
    assert page.status_code == 422


def test_the_record_comes_as_files_that_the_command_reads(client: TestClient, tmp_path: Path) -> None:
    answer = client.post("/pipes/old-rank", data=typed(do="record"))
    assert answer.headers["content-type"] == "application/zip"
    zipfile.ZipFile(io.BytesIO(answer.content)).extractall(tmp_path)
    old = read_restoration(tmp_path / "old-rank.toml")
    assert (old.name, old.rank, len(old.there), old.last_key) == ("Hill", "Octave", 10, 31)
    assert old.readings[0].wt_pct == 50.0 and old.pipes[0].pipe.diameter_mm == 47.5


def test_the_organ_file_and_the_dossier_come(client: TestClient, tmp_path: Path) -> None:
    from pipemetal.files.organ_file import read_organ

    answer = client.post("/pipes/old-rank", data=typed(do="organ"))
    assert answer.status_code == 200, answer.text
    zipfile.ZipFile(io.BytesIO(answer.content)).extractall(tmp_path)
    assert read_organ(tmp_path / "organ.toml").ranks[0].name.startswith("Octave")
    pdf = client.post("/pipes/old-rank", data=typed(do="dossier"))
    assert pdf.content[:5] == b"%PDF-"
    refused = client.post("/pipes/old-rank", data=typed(do="organ", tin=""))
    assert refused.status_code == 422 and "none chosen" in refused.text


def test_every_label_has_its_german() -> None:
    held = catalogue("de")
    assert [words for words in (*HEAD.values(), *LABELS.values(), "Old rank") if words not in held] == []
