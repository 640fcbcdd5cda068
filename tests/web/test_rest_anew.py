"""The rest of a plan planned anew from the pages without a cast: a day that is lost, or when somebody asks."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from types import SimpleNamespace

import pytest
from shop_pages import small_organ_casts
from starlette.testclient import TestClient

from pipemetal.shop.book import Book, NewLot, NewMelt
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"


@pytest.fixture
def accepted(planned: Book) -> Book:
    plan = planned.plans.plan()
    assert plan is not None
    planned.plans.accept(plan)
    planned.settings.change({"day.starts_on": "2026-12-07"})
    return planned


@pytest.fixture
def site(accepted: Book, monkeypatch: pytest.MonkeyPatch) -> Site:
    held = Site(accepted)
    asked: list[str] = []
    finishes: list[object] = []

    def add(task: object, title: str, who: str, finish: object) -> None:
        asked.append(title)
        finishes.append(finish)

    monkeypatch.setattr(held.jobs, "add", add)
    held.jobs.asked = asked  # type: ignore[attr-defined]
    held.jobs.finishes = finishes  # type: ignore[attr-defined]
    return held


@pytest.fixture
def client(site: Site) -> Iterator[TestClient]:
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as held:
        yield held


def test_a_lost_day_is_kept_and_the_rest_asked_for_anew_and_taken_back(
    client: TestClient, site: Site, accepted: Book
) -> None:
    plan = accepted.plans.all()[0].id
    for k, day in enumerate(("2026-12-08", "2026-12-09"), 1):
        told = client.post("/casting/lost", data={"day": day})
        assert told.status_code == 303 and told.headers["location"].startswith("/casting/after?event=")
        assert site.jobs.asked == [plan] * k  # type: ignore[attr-defined]
    assert site.settings.day.lost_days == "2026-12-08, 2026-12-09"
    assert "settings changed" in client.get(told.headers["location"]).text
    event = told.headers["location"].rpartition("=")[2]
    client.post(f"/undo/{event}")
    assert site.settings.day.lost_days == "2026-12-08"


@pytest.mark.parametrize("day", ["", "soon", "2026-12-08..2026-12-10", "2026-13-01", "2026-12-01"])
def test_what_is_no_one_day_to_lose_changes_nothing(client: TestClient, site: Site, day: str) -> None:
    assert client.post("/casting/lost", data={"day": day}).status_code in (400, 422)
    assert site.settings.day.lost_days == "" and site.jobs.asked == []  # type: ignore[attr-defined]


def test_a_shop_that_never_said_when_it_begins_may_lose_a_day_too(client: TestClient, site: Site) -> None:
    site.book.settings.change({"day.starts_on": None})
    assert client.post("/casting/lost", data={"day": "2026-12-08"}).status_code == 303
    assert (site.settings.day.starts_on, site.settings.day.lost_days) == ("2026-12-08", "2026-12-08")


def test_the_rest_is_planned_anew_when_somebody_asks(client: TestClient, site: Site, accepted: Book) -> None:
    plan = accepted.plans.all()[0].id
    assert 'href="/casting/after"' in client.get("/plans").text
    page = client.get("/casting/after").text
    assert "What is cut, poured or pinned stays" in page and "Work it out" in page
    assert client.post("/jobs/anew", data={}).headers["location"] == "/casting/after"
    assert site.jobs.asked == [plan]  # type: ignore[attr-defined]
    # nothing was worked out: nothing is taken
    assert client.post("/casting/after", data={}).headers["location"] == "/casting/after?changed=1"
    accepted.plans.give_up(plan)
    assert "There is no accepted plan" in client.get("/casting/after").text


def test_a_sheet_is_ready_once_its_melt_is_in_the_pot(client: TestClient, accepted: Book) -> None:
    plan = accepted.plans.plan()
    assert plan is not None
    melt = plan.pours[0].melt
    page = client.get("/casting").text
    assert f"Weigh {melt}" in page and f"Pour {plan.pours[0].sheet}" not in page and ">ready<" not in page
    alloy = plan.pours[0].alloy
    accepted.lots.add(NewLot("A-1", "ingot", 90.0, accepted.recipes.all()[alloy].target))
    accepted.melts.record(NewMelt(melt, alloy, {"A-1": 90.0}, plan=accepted.plans.all()[0].id))
    page = client.get("/casting").text
    assert f"Pour {plan.pours[0].sheet}" in page and f"Weigh {melt}" not in page and "ready" in page


def test_what_was_worked_out_before_another_tablets_cast_is_not_taken(
    client: TestClient, site: Site, accepted: Book
) -> None:
    plan_id = accepted.plans.all()[0].id
    client.post("/jobs/anew", data={})
    finish = site.jobs.finishes[-1]  # type: ignore[attr-defined]
    made = SimpleNamespace(plan=accepted.plans.plan(plan_id))
    finish(made)
    assert site.anew
    order = accepted.plans.cast_list(plan_id)[0]
    log = dataclasses.replace(small_organ_casts()[0], id="K90", note=order.sheet, thickness_mm=(), day="2026-12-01")
    accepted.casts.record(log, order=order.id)
    assert client.post("/casting/after", data={}).headers["location"] == "/casting/after?changed=1"


def takes_a_plan(book: Book) -> int:
    """An accepted plan taken anew as it is but for its notes; gives the event."""
    plan = book.plans.plan()
    assert plan is not None
    anew = dataclasses.replace(plan, notes=(*plan.notes, "planned anew"))
    return book.plans.take(book.plans.all()[0].id, anew).event


@pytest.mark.parametrize("around", ["failed", "lost day"])
def test_a_plan_worked_out_around_what_was_taken_back_says_so_everywhere(
    client: TestClient, site: Site, accepted: Book, around: str
) -> None:
    plan_id = accepted.plans.all()[0].id
    pages = ("/", "/casting", "/plans", "/casting/after")
    order = accepted.plans.cast_list(plan_id)[0]
    if around == "failed":
        accepted.lots.add(NewLot("A-1", "ingot", 90.0, accepted.recipes.all()[order.alloy].target))
        accepted.melts.record(NewMelt("M-1", order.alloy, {"A-1": 90.0}))
        log = dataclasses.replace(small_organ_casts()[0], id="K90", note=order.sheet, thickness_mm=(), day="2026-12-01")
        accepted.casts.record(log, melt="M-1", used_kg=50.0, order=order.id)
        event, told = accepted.casts.trim("K90").event, f"the metal of {order.sheet} that was booked as scrap, cast K90"
    else:
        event = accepted.settings.change({"day.lost_days": "2026-12-08"}).event
        told = "a lost day, 2026-12-08"
    taken = takes_a_plan(accepted)
    assert accepted.plans.rests_on(plan_id) == () and not any("worked out around" in client.get(p).text for p in pages)
    back = accepted.history.undo(event).event
    (rests,) = accepted.plans.rests_on(plan_id)
    assert (rests.plan_event, rests.event, str(rests.what)) == (taken, event, told)
    assert rests.alloy == (order.alloy if around == "failed" else "")
    for page in pages:
        text = client.get(page).text
        assert f"worked out around {told}" in text and f'action="/undo/{taken}"' in text, page
        assert 'action="/jobs/anew"' in text
    assert [str(r) for r in accepted.keeping.doctor().remarks] == [f"{plan_id}: {rests.words}"]
    # each way on ends it: the doing is in force again, another plan is taken, or the plan is taken back too
    again = accepted.history.undo(back).event
    assert accepted.plans.rests_on(plan_id) == ()
    accepted.history.undo(again)
    assert accepted.plans.rests_on(plan_id) != ()
    same = accepted.plans.plan(plan_id)
    assert same is not None
    newer = accepted.plans.take(plan_id, same).event  # worked out anew, and found the same
    assert accepted.plans.rests_on(plan_id) == ()
    accepted.history.undo(newer)
    assert client.post(f"/undo/{taken}", data={"back": "/"}).status_code == 303
    assert accepted.plans.rests_on(plan_id) == () and "worked out around" not in client.get("/").text


def test_what_was_worked_out_by_other_settings_is_not_taken(client: TestClient, site: Site, accepted: Book) -> None:
    client.post("/jobs/anew", data={})
    finish = site.jobs.finishes[-1]  # type: ignore[attr-defined]
    finish(SimpleNamespace(plan=accepted.plans.plan()))
    accepted.settings.change({"day.lost_days": "2026-12-08"})
    assert client.post("/casting/after", data={}).headers["location"] == "/casting/after?changed=1"
