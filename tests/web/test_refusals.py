"""What the pages refuse: one line of the log each, and the whole sentence in the person's language."""

import logging
from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.show import cookie_name
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
OWN = {"sec-fetch-site": "same-origin"}


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False, headers=OWN) as held:
        yield held


def german(client: TestClient, length: str = "mm") -> None:
    client.cookies.set(cookie_name(""), f"{length}.kg.C.comma.de.auto")


FORMS = [
    ("/stock/lot", {"id": "X", "kind": "pig", "mass": "heavy"}, 422),
    ("/stock/lot", {"id": "X", "kind": "pig", "mass": "-5"}, 422),
    ("/stock/lot", {"id": "X", "kind": "pig"}, 422),
    ("/stock/roll", {"id": "R", "alloy": "half", "length": "1", "width": "1", "readings": "1:1 2:1"}, 422),
    ("/melts/new", {"recipe": "half", "wanted": "none", "pot": "empty", "aim": "cost", "certainty": "95"}, 422),
    ("/casting/log", {"id": "C", "alloy": "half", "day": "never"}, 422),
    ("/settings", {"length": "yards"}, 422),
    ("/undo/999999", {}, 404),
    ("/plans/accept", {"plan": "none"}, 404),
]


@pytest.mark.parametrize(("path", "form", "status"), FORMS)
def test_every_refused_form_is_one_line_of_the_log(
    client: TestClient, caplog: pytest.LogCaptureFixture, path: str, form: dict[str, str], status: int
) -> None:
    with caplog.at_level(logging.INFO, "pipemetal"):
        assert client.post(path, data=form).status_code == status
    told = [r.getMessage() for r in caplog.records if r.getMessage().startswith("refused: ")]
    assert len(told) == 1, told
    assert "\n" not in told[0] and len(told[0].rpartition(": ")[2]) > 3


def test_a_script_that_is_refused_is_one_line_too(client: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "pipemetal"):
        assert client.post("/api/lots", json={"id": "X", "kind": "pig", "mass_kg": -1.0}).status_code == 422
    told = [r.getMessage() for r in caplog.records]
    assert len(told) == 1 and told[0].endswith("mass_kg is out of range (allowed: more than 0)")


def test_the_lock_after_wrong_pins_is_one_line_for_each_try(
    client: TestClient, planned: Book, caplog: pytest.LogCaptureFixture
) -> None:
    planned.people.add("Ada", "run", pin="4711")
    with caplog.at_level(logging.INFO, "pipemetal"):
        found = [client.post("/enter", data={"name": "Ada", "secret": "9999"}).status_code for _ in range(12)]
    assert found[-1] == 429
    told = [r.getMessage() for r in caplog.records if r.getMessage().startswith("refused: ")]
    assert len(told) == len(found)
    assert told[-1].startswith("refused: POST /enter, 429, by nobody") and "9999" not in caplog.text


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"id": "X", "kind": "pig"}, "Masse fehlt"),
        ({"id": "X" * 300, "kind": "pig", "mass": "5"}, "Kennung ist zu lang (erlaubt: bis 200)"),
    ],
)
def test_what_the_framework_refuses_is_said_in_german(client: TestClient, form: dict[str, str], words: str) -> None:
    german(client)
    assert words in client.post("/stock/lot", data=form).text


def test_examples_and_steps_are_in_the_person_s_units(client: TestClient) -> None:
    german(client, "in")
    stock, bench = client.get("/stock").text, client.get("/cutting").text
    assert 'placeholder="3,94:0,048 78,74:0,041"' in stock and "in in" not in stock
    assert "1/4 in" in bench and "10 mm" not in bench and "in in" not in bench


def test_the_bench_links_to_pages_that_exist(client: TestClient, planned: Book) -> None:
    page = client.get("/cutting").text
    links = {part.partition('"')[0] for part in page.split('href="')[1:] if part.startswith("/pipes?of=")}
    assert links and all(client.get(link).status_code in (200, 303) for link in links)


def test_titles_are_in_the_person_s_language(client: TestClient, planned: Book) -> None:
    german(client)
    roll = planned.rolls.ids()[0]
    assert f"<title>Rolle {roll}" in client.get(f"/racks/{roll}").text
    assert "<title>Guss von " in client.get("/casting/pour?n=0").text
