"""What was booked since the plan in hand was made, and is not in it, is said wherever the work is, with the one way on."""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from shop_pages import cast_one, main_of
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.jobs import Job, JobState
from pipemetal.web.show import cookie_name
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
MONDAY = dt.date(2030, 12, 2)
PAGES = ("/", "/casting", "/plans")
AGAIN, UNDER_WAY, DONE = "waits to be planned anew", "is being planned anew", "worked out since waits to be taken"


@pytest.fixture
def accepted(planned: Book) -> Book:
    """An accepted plan whose days have their dates."""
    plan = planned.plans.plan()
    assert plan is not None
    days = tuple(dataclasses.replace(d, date=str(MONDAY + dt.timedelta(days=d.day - 1))) for d in plan.days)
    planned.settings.change({"day.starts_on": str(MONDAY)})
    planned.plans.accept(dataclasses.replace(plan, days=days))
    return planned


class Queue:
    """The jobs that were asked for, done when the test says so."""

    def __init__(self) -> None:
        self.held: list[Job] = []

    def add(self, task: Any, title: str, who: str, finish: Any) -> Job:
        self.held.append(Job(len(self.held) + 1, title, who, task, finish, JobState.RUNNING))
        return self.held[-1]

    def all(self) -> list[Job]:
        return self.held[::-1]

    def running(self) -> list[Job]:
        return [job for job in self.all() if not job.is_over]

    def stop(self, number: int, *, keep: bool) -> None:
        self.held[number - 1].state = JobState.STOPPED

    def close(self) -> None:
        self.held.clear()

    def do(self) -> None:
        """All that waits, in its order."""
        for job in self.held:
            if not job.is_over:
                job.finish(job.task.done(lambda share, words: None, lambda: False))
                job.state = JobState.DONE


@pytest.fixture
def site(accepted: Book) -> Site:
    held = Site(accepted)
    held.jobs = Queue()  # type: ignore[assignment]
    return held


@pytest.fixture
def client(site: Site) -> Iterator[TestClient]:
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as held:
        yield held


def measure(client: TestClient, cast: str) -> None:
    """As its card had it."""
    page = client.get(f"/casting/measure?cast={cast}&readings=6").text
    names = re.findall(r'class="reading[^"]*"\s+name="([^"]+)"', page)
    walls = re.findall(r'data-typed="([^"]+)"', page)
    version = re.search(r'name="version" value="(\d+)"', page)
    assert version is not None and len(names) == 6
    form = {"cast": cast, "version": version[1], "along": "2", **dict(zip(names, walls, strict=True))}
    assert client.post("/casting/measure", data=form).status_code == 303


def measured(client: TestClient, book: Book) -> str:
    sheet = cast_one(book, "K90")
    measure(client, "K90")
    return f"{sheet} measured"


def failed(client: TestClient, book: Book) -> str:
    sheet = cast_one(book, "K90")
    assert client.post("/casting/trim", data={"cast": "K90"}).status_code == 303
    return f"{sheet} failed"


def lost(client: TestClient, book: Book) -> str:
    assert "This day is lost" in main_of(client, "/casting")
    assert client.post("/casting/lost", data={"day": str(MONDAY)}).status_code == 303
    return f"{MONDAY} lost"


def several(client: TestClient, book: Book) -> str:
    first, second = cast_one(book, "K91"), cast_one(book, "K92")
    measure(client, "K91")
    measure(client, "K92")
    return f"{first}, {second} measured"


@pytest.mark.parametrize("booked", [measured, failed, lost, several])
def test_what_the_plan_does_not_count_is_said_wherever_the_work_is(
    client: TestClient, site: Site, accepted: Book, booked: Callable[[TestClient, Book], str]
) -> None:
    queue: Queue = site.jobs  # type: ignore[assignment]
    pages = PAGES if booked is lost else (*PAGES, "/cutting")

    def said(words: str) -> list[str]:
        return [main_of(client, page) for page in pages if words in main_of(client, page)]

    assert not said("planned anew.")
    what = booked(client, accepted)
    if booked is failed:  # nobody has asked for it yet
        assert len(said(f"{what}: the rest {AGAIN}.")) == len(pages)
        client.post("/jobs/anew", data={"cast": "K90"})
    under_way = said(f"{what}: the rest {UNDER_WAY}.")
    assert len(under_way) == len(pages) and all("See how far it is" in page for page in under_way)
    queue.do()
    waits = said(f"{what}: a plan {DONE}.")
    assert len(waits) == len(pages) and all("Look at it" in page for page in waits)
    found = re.search(r'<a class="button" href="(/casting/after[^"]*)"', waits[0])
    assert found is not None and "Take the new plan" in main_of(client, found[1])
    assert "This day is lost" not in main_of(client, "/casting") or booked is not lost

    # a server that was started anew holds no plan: the same line has the way to it
    kept = dict(site.anew)
    site.anew.clear()
    again = said(f"{what}: the rest {AGAIN}.")
    assert len(again) == len(pages) and all('action="/jobs/anew"' in page for page in again)
    site.anew.update(kept)

    cast = found[1].partition("cast=")[2]
    taken = client.post("/casting/after", data={"cast": cast}).headers["location"]
    assert taken.startswith("/casting?event=")
    assert not said(what)
    client.post(f"/undo/{taken.rpartition('=')[2]}", data={"sure": "1"})
    assert len(said(what)) == len(pages)


def test_a_plan_that_does_not_count_all_is_not_the_way_on(client: TestClient, site: Site, accepted: Book) -> None:
    first, second = cast_one(accepted, "K90"), cast_one(accepted, "K91")
    measure(client, "K90")
    site.jobs.do()  # type: ignore[attr-defined]
    assert f"{first} measured: a plan {DONE}" in main_of(client, "/")
    client.post("/casting/trim", data={"cast": "K91"})
    page = main_of(client, "/")
    assert f"{first} measured; {second} failed: the rest {AGAIN}." in page and "Look at it" not in page
    client.post("/jobs/anew", data={"cast": ""})
    site.jobs.do()  # type: ignore[attr-defined]
    assert f"{first} measured; {second} failed: a plan {DONE}" in main_of(client, "/casting")


def test_it_is_said_in_german_and_of_an_accepted_plan_alone(client: TestClient, accepted: Book) -> None:
    sheet = cast_one(accepted, "K90")
    accepted.casts.trim("K90")
    client.cookies.set(cookie_name(""), "mm.kg.C.comma.de.auto")
    assert f"{sheet} misslungen: der Rest wartet darauf, neu geplant zu werden." in client.get("/").text
    client.cookies.clear()
    assert AGAIN in client.get("/").text
    accepted.plans.give_up(accepted.plans.all()[0].id)
    assert AGAIN not in client.get("/").text
