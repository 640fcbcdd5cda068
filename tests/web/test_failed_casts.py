"""A cast that came to nothing is shown as failed wherever it stands, its metal is not hung, and the way on is near."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from shop_pages import cast_one, main_of
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.stock import label_of

BASE = "http://127.0.0.1:8137"


@pytest.fixture
def accepted(planned: Book) -> Book:
    planned.plans.accept(planned.plans.all()[0].id)
    return planned


@pytest.fixture
def client(accepted: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(accepted)), base_url=BASE, follow_redirects=False) as held:
        yield held


def test_a_failed_sheet_is_marked_everywhere_and_cannot_be_hung(client: TestClient, accepted: Book) -> None:
    _, sheet = cast_one(accepted, "K90"), cast_one(accepted, "K91")
    all_of = len(accepted.plans.plan(accepted.plans.all()[0].id).pours)  # type: ignore[union-attr]
    assert f"2 of {all_of} sheets cast" in client.get("/").text
    page = main_of(client, "/casting/cast/K91")
    assert page.index("This sheet failed") < page.index("As logged")
    told = client.post("/casting/trim", data={"cast": "K91"})
    assert told.status_code == 303 and told.headers["location"].startswith("/casting/after?cast=K91&event=")
    event = told.headers["location"].rpartition("=")[2]
    waits = f"{sheet} failed: the rest waits to be planned anew."
    today, casting = main_of(client, "/"), main_of(client, "/casting")
    assert waits in today and 'name="cast" value="K91"' in today and "Measure <a" in today
    assert "/casting/measure?cast=K91" not in today and f"1 of {all_of} sheets cast" in client.get("/").text
    assert waits in casting and "failed, as K91" in casting and "cast as K91" not in casting
    (row,) = re.findall(r"<tr> <td> <a href=\"/casting/cast/K91\">.*?</tr>", casting)
    assert "failed" in row and "good" not in row and "not measured yet" not in row
    page = main_of(client, "/casting/cast/K91")
    assert "/casting/measure?cast=K91" not in page and "good" not in page.partition("Measured")[0]
    page = main_of(client, "/casting/measure?cast=K91")
    assert f"by event {event}" in page and "Keep and hang" not in page
    assert waits in main_of(client, "/casting/after?cast=K91") and "Work it out" in main_of(
        client, "/casting/after?cast=K91"
    )
    client.post(f"/undo/{event}")
    assert "failed:" not in main_of(client, "/") and "cast as K91" in main_of(client, "/casting")
    assert "Keep and hang" in main_of(client, "/casting/measure?cast=K91")


def test_metal_that_went_to_scrap_is_not_measured_into_a_roll(client: TestClient, accepted: Book) -> None:
    cast_one(accepted, "K90")
    page = client.get("/casting/measure?cast=K90&readings=6").text
    names = re.findall(r'class="reading[^"]*"\s+name="([^"]+)"', page)
    walls = re.findall(r'data-typed="([^"]+)"', page)
    version = re.search(r'name="version" value="(\d+)"', page)
    assert version is not None and len(names) == len(walls) == 6
    event = accepted.casts.trim("K90").event
    standing = accepted.ledger.standing()
    form = {"cast": "K90", "version": version[1], "along": "2", **dict(zip(names, walls, strict=True))}
    answer = client.post("/casting/measure", data=form)
    assert answer.status_code == 422 and f"take event {event} back first" in answer.text
    assert accepted.ledger.standing() == standing and accepted.rolls.cast_from("K90") == []


def test_what_is_to_be_planed_off_stands_on_the_roll_and_on_its_label(client: TestClient, accepted: Book) -> None:
    cast_one(accepted, "K90")
    page = client.get("/casting/measure?cast=K90&readings=6").text
    names = re.findall(r'class="reading[^"]*"\s+name="([^"]+)"', page)
    walls = re.findall(r'data-typed="([^"]+)"', page)
    version = re.search(r'name="version" value="(\d+)"', page)
    assert version is not None
    form = {"cast": "K90", "version": version[1], "along": "2", **dict(zip(names, walls, strict=True))}
    assert client.post("/casting/measure", data=form).status_code == 303
    (name,) = accepted.rolls.cast_from("K90")
    told = re.search(r"Plane ([\d.]+ mm) off it", client.get("/casting/after?cast=K90").text)
    assert told is not None
    assert f"plane {told[1]} off" in client.get(f"/racks/{name}").text
    site = Site(accepted)
    assert f"plane {told[1]} off" in label_of(site, Show(), name).lines
    assert not any("plane" in line for line in label_of(site, Show(), "R1").lines)


def test_a_form_that_is_sent_twice_is_answered_twice_alike(client: TestClient, accepted: Book) -> None:
    cast_one(accepted, "K90")
    form = {"cast": "K90", "token": "a-token-of-one-form"}
    first = client.post("/casting/trim", data=form)
    last = accepted.history.last()
    again = client.post("/casting/trim", data=form)
    assert (again.status_code, again.headers["location"]) == (303, first.headers["location"])
    assert accepted.history.last() == last


def test_a_plan_that_has_changed_is_worked_out_again_by_a_button(client: TestClient, accepted: Book) -> None:
    cast_one(accepted, "K90")
    accepted.casts.trim("K90")
    before = accepted.history.last()
    told = client.post("/casting/after", data={"cast": "K90"})
    assert told.status_code == 303 and accepted.history.last() == before
    page = main_of(client, told.headers["location"])
    assert "on another tablet perhaps: nothing was taken" in page
    assert 'action="/jobs/anew"' in page and "Work it out" in page
