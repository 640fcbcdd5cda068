"""Every page answers, nothing hostile gets through, and the door keeps shut what it should."""

import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

sys.path.insert(0, str(Path(__file__).parent))
from shop_pages import HOSTILE, small_book, small_plan

from pipemetal.plans.record import CastingDay, DayStep
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.guard import HEADERS
from pipemetal.web.site import Site

PAGES = [
    "/",
    "/plans",
    "/plans/choices",
    "/jobs",
    "/racks",
    "/racks?low=0.9&high=1.1&length=500",
    "/racks/R1",
    "/racks/R1?from=500&to=1500",
    "/stock",
    "/organs",
    "/cutting",
    "/cutting?sheet=R1",
    "/melts",
    "/melts/new",
    "/melts/correct",
    "/casting",
    "/casting/pour?n=0",
    "/casting/log",
    "/casting/log?pour=0",
    "/account",
    "/history",
    "/settings",
    "/settings?check=1",
    "/trace",
    "/trace?of=R1",
    "/enter",
]
BASE = "http://127.0.0.1:8137"


@pytest.fixture(scope="module")
def small_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("small") / "s.sqlite"
    with small_book(path) as held:
        held.plans.keep(small_plan())
    return path


@pytest.fixture
def book(small_file: Path, tmp_path: Path) -> Iterator[Book]:
    shutil.copy(small_file, tmp_path / "s.sqlite")
    with Book.open(tmp_path / "s.sqlite", who=HOSTILE) as held:
        yield held


@pytest.fixture
def client(book: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(book, HOSTILE)), base_url=BASE, follow_redirects=False) as held:
        yield held


def all_pages() -> list[str]:
    return [
        *PAGES,
        f"/racks/{quote(HOSTILE, safe='')}",
        f"/cutting?sheet={quote(HOSTILE)}",
        f"/racks?text={quote(HOSTILE)}",
    ]


@pytest.mark.parametrize("path", all_pages())
def test_every_page_answers_with_nothing_hostile_and_nothing_from_outside(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text[:500]
    assert "<script>alert" not in answer.text and "<svg/onload" not in answer.text
    outside = [
        a for a in re.findall(r'(?:href|src|action)="([^"]*)"', answer.text) if not a.startswith(("/", "#", "?"))
    ]
    assert outside == []
    assert re.findall(r'\sstyle="', answer.text) == []
    for name, value in HEADERS.items():
        assert answer.headers[name] == value


def test_an_empty_book_has_all_pages_too(tmp_path: Path) -> None:
    with (
        Book.open(tmp_path / "e.sqlite", create=True) as empty,
        TestClient(create_app(Site(empty)), base_url=BASE) as client,
    ):
        for path in (
            "/",
            "/plans",
            "/jobs",
            "/racks",
            "/stock",
            "/organs",
            "/cutting",
            "/melts",
            "/casting",
            "/casting/log",
            "/account",
            "/history",
            "/settings",
            "/trace",
            "/melts/correct",
            "/melts/new",
        ):
            assert client.get(path).status_code == 200


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/nope", 404),
        ("/racks/none", 404),
        ("/cutting?sheet=none", 404),
        ("/organs?organ=none", 404),
        ("/casting/pour?n=9", 404),
        ("/casting/cast/none", 404),
        ("/paper/none", 404),
        ("/trace?of=none", 404),
        ("/labels?ids=none", 404),
        ("/docs", 404),
        ("/redoc", 404),
        ("/openapi.json", 404),
        ("/racks?low=abc", 422),
        ("/racks?low=2&high=1", 422),
        ("/racks?length=-5", 422),
        ("/racks/R1?from=nan&to=1", 422),
        ("/static/../app.py", 404),
    ],
)
def test_what_cannot_be_is_told_on_a_page_of_its_own(client: TestClient, path: str, status: int) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "192.168.1.5:8137", "localhost.evil:80"]
)
def test_a_wrong_host_is_refused(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 400


@pytest.mark.parametrize("host", ["127.0.0.1:8137", "localhost", "localhost:9", "[::1]:8137"])
def test_a_right_host_is_answered(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"sec-fetch-site": "same-origin"}, True),
        ({"sec-fetch-site": "same-origin", "origin": BASE}, True),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "none"}, False),
        ({"sec-fetch-site": "cross-site", "origin": BASE}, False),
        ({"origin": BASE}, True),
        ({"origin": "http://evil.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://127.0.0.1:9999"}, False),
        ({}, True),
        ({"cookie": "pipemetal_theme=dark"}, False),
    ],
)
def test_only_our_own_pages_and_scripts_without_cookies_may_change(
    client: TestClient, headers: dict[str, str], allowed: bool
) -> None:
    assert client.post("/settings", data={"theme": "dark"}, headers=headers).status_code == (303 if allowed else 403)


def test_too_large_a_form_is_refused(client: TestClient) -> None:
    assert client.post("/settings", data={"theme": "x" * 1_100_000}).status_code == 413


def test_a_roll_can_be_moved_and_the_second_of_two_is_told(client: TestClient, book: Book) -> None:
    form = {"version": "1", "place": "rack B", "state": "on rack", "note": ""}
    assert client.post("/racks/R1", data=form).status_code == 303
    answer = client.post("/racks/R1", data=form | {"place": "rack C"})
    assert answer.status_code == 409
    assert "rack C" in answer.text and "rack B" in answer.text
    assert book.rolls.row("R1").place == "rack B"
    assert client.post(f"/undo/{book.history.last()}").status_code == 303
    assert book.rolls.row("R1").place == HOSTILE


def test_a_cast_is_logged_once(client: TestClient, book: Book) -> None:
    form = {
        "id": "C7",
        "day": "2026-11-25",
        "alloy": HOSTILE,
        "gate_mm": "2,4",
        "charge_kg": "90",
        "length_mm": "4000",
        "sled": "250 x 760",
        "thickness": "100:1.2 3000:1.0",
        "push_time_s": "4.5",
        "pour_temperature_c": "",
        "verdict": "good",
    }
    assert client.post("/casting/log", data=form).status_code == 303
    again = client.post("/casting/log", data=form)
    assert again.status_code == 422 and "in the book already" in again.text and "2,4" in again.text
    assert [c.gate_mm for c in book.casts.log()] == [2.4]
    for field, bad in (("gate_mm", "nan"), ("charge_kg", "-3"), ("thickness", "abc"), ("sled", "big"), ("id", "")):
        assert client.post("/casting/log", data=form | {"id": "C8", field: bad}).status_code == 422


def test_units_and_light_are_the_persons_own(client: TestClient) -> None:
    form = {"length": "in", "mass": "lb", "temperature": "F", "theme": "dark", "decimal": "comma", "language": "de"}
    assert client.post("/settings", data=form).status_code == 303
    page = client.get("/racks")
    assert 'data-theme="dark"' in page.text and "78,74 ×" in page.text and 'lang="de"' in page.text
    own = {"sec-fetch-site": "same-origin"}
    assert client.post("/settings", data={"theme": "pink"}, headers=own).status_code == 422


def test_a_form_sent_twice_is_done_once(client: TestClient, book: Book) -> None:
    form = {"id": "L9", "kind": "pig", "mass": "25", "composition": "Pb 100", "token": "t-1"}
    first, again = (client.post("/stock/lot", data=form) for _ in range(2))
    assert first.status_code == again.status_code == 303 and first.headers["location"] == again.headers["location"]
    assert book.ledger.stock()["lot:L9"] == {"Pb": 25.0}


def test_undo_is_offered_after_a_booking(client: TestClient, book: Book) -> None:
    answer = client.post("/stock/lot", data={"id": "L9", "kind": "pig", "mass": "25 kg", "composition": "Pb 100"})
    page = client.get(answer.headers["location"])
    assert f'action="/undo/{book.history.last()}"' in page.text
    assert (
        client.post(f"/undo/{book.history.last()}", data={"back": "/stock"})
        .headers["location"]
        .startswith("/stock?event=")
    )
    assert "lot:L9" not in book.ledger.stock()


@pytest.mark.parametrize("code", ["R1", "T1", HOSTILE])
def test_the_scan_box_lands_on_what_bears_the_code(client: TestClient, code: str) -> None:
    answer = client.get(f"/scan?code={quote(code)}")
    assert answer.status_code == 303
    assert client.get(answer.headers["location"]).status_code == 200


def test_an_unknown_code_is_searched_for(client: TestClient) -> None:
    answer = client.get("/scan?code=nowhere")
    assert answer.status_code == 404 and "Nothing in the book bears nowhere" in answer.text


def test_a_roll_comes_in_with_its_readings(client: TestClient, book: Book) -> None:
    form = {
        "id": "R9",
        "alloy": HOSTILE,
        "length": "2000",
        "width": "600",
        "readings": "100:1,21 1900:1.05",
        "place": "B",
    }
    assert client.post("/stock/roll", data=form).status_code == 303
    assert book.rolls.roll("R9").field.mean_mm == pytest.approx(1.13, abs=0.01)
    six = "100;50:1.2 100;550:1.2 1000;50:1.1 1000;550:1.1 1900;50:1.0 1900;550:1.0"
    assert client.post("/stock/roll", data=form | {"id": "R10", "readings": six}).status_code == 303
    assert len(book.rolls.row("R10").readings_taken) == 6
    for bad in ("100:1.2", "abc def", "9000:1 1:1", "100:nan 200:1"):
        assert client.post("/stock/roll", data=form | {"id": "R11", "readings": bad}).status_code == 422


def test_labels_of_nothing_say_what_to_name(client: TestClient) -> None:
    answer = client.get("/labels")
    assert answer.status_code == 422
    assert "name rolls, lots or blanks" in answer.text


def test_labels_and_papers_are_pdf(client: TestClient) -> None:
    answer = client.get("/labels?ids=R1%0AT1")
    assert answer.headers["content-type"] == "application/pdf" and answer.content[:4] == b"%PDF"


@pytest.mark.parametrize(("asked", "marked"), [("low=abc", 2), ("length=far", 1), ("low=2&high=1", 2)])
def test_a_search_that_cannot_be_read_keeps_its_form_and_marks_the_field(
    client: TestClient, asked: str, marked: int
) -> None:
    answer = client.get(f"/racks?{asked}&text=kept")
    assert answer.status_code == 422 and 'value="kept"' in answer.text
    assert answer.text.count('aria-invalid="true"') == marked


def test_a_trace_of_nothing_keeps_what_was_asked(client: TestClient) -> None:
    answer = client.get("/trace?of=nowhere")
    assert answer.status_code == 404 and 'value="nowhere"' in answer.text and "aria-invalid" in answer.text


@pytest.mark.parametrize("number", ["²", "①", "-1", "9" * 40])
def test_what_only_looks_like_a_number_is_no_number(client: TestClient, number: str) -> None:
    assert client.get("/", params={"event": number}).status_code == 200
    answer = client.post("/casting/log", data={"id": "C1", "version": number, "thickness": "1:1", "token": "t"})
    assert answer.status_code in (404, 422)


@pytest.mark.parametrize(("language", "date"), [("en", "Monday, 7 December"), ("de", "Montag, 7. Dezember")])
def test_the_casting_pages_tell_day_hours_and_sled(tmp_path: Path, language: str, date: str) -> None:
    plan = small_plan("plain")
    steps = (DayStep("melt", "M1", 420.0, 540.0), DayStep("pour", "plain", 560.0, 565.0))
    day = CastingDay(1, "2026-12-07", 420.0, 960.0, 0.0, ("M1",), steps)
    pour = replace(plan.pours[0], starts_at_min=560.0, sled="wide", table="long")
    cookies = {"pipemetal_show": f"mm.kg.C.point.{language}.auto"}
    with small_book(tmp_path / "s.sqlite", "plain") as book:
        book.plans.keep(replace(plan, days=(day,), pours=(pour,)))
        with TestClient(create_app(Site(book, "plain")), base_url=BASE, cookies=cookies) as client:
            for path in ("/casting", "/casting/pour?n=0"):
                text = client.get(path).text
                assert date in text and "9:20" in text and "wide" in text, path
            assert "7:00" in client.get("/casting").text
