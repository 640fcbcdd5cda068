"""Three plans to choose from on the pages: made beside them, stopped, and one taken whole or not at all."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.book import Book
from pipemetal.shop.rows import PlanState
from pipemetal.web import choices
from pipemetal.web.app import create_app
from pipemetal.web.site import Site
from pipemetal.web.work import ChoicesTask

BASE, ORGAN = "http://127.0.0.1:8137", "Brindle House #1"
PAGE = choices.page_of(ORGAN)


@pytest.fixture
def site(planned: Book) -> Site:
    return Site(planned)


@pytest.fixture
def client(site: Site) -> Iterator[TestClient]:
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False, headers={"origin": BASE}) as held:
        yield held


class Counted(ChoicesTask):
    """Moves in place of seconds."""

    def __init__(self, target: str, organ: str, settings: ShopSettings, seconds: float) -> None:
        super().__init__(target, organ, settings, None, 20)


def test_three_plans_are_made_and_one_is_taken(
    client: TestClient, site: Site, planned: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(choices, "ChoicesTask", Counted)
    assert "Work them out" in client.get(PAGE).text
    for _ in range(2):
        asked = client.post("/jobs/choices", data={"organ": ORGAN, "seconds": "20"})
        assert asked.headers["location"] == PAGE
    assert len(site.jobs.all()) == 1, "asked for twice, it is made once"
    assert "<progress" in client.get(PAGE).text
    while (job := client.get("/jobs.json").json()[0])["state"] in ("waiting", "running"):
        time.sleep(0.1)
    assert (job["state"], job["link"]) == ("done", PAGE), job
    page = client.get(PAGE).text
    assert page.count('<section class="choice"') == 3 and page.count("Take this plan:") == 3
    assert "The book was changed" not in page

    known = len(planned.plans.all())
    taken = client.post("/plans/choices", data={"organ": ORGAN, "wish": "safest", "token": "one"})
    assert taken.status_code == 303 and taken.headers["location"].startswith("/plans?event=")
    latest = planned.plans.all()[0]
    assert latest.state is PlanState.ACCEPTED and len(planned.plans.all()) == known + 1
    plan = planned.plans.plan(latest.id)
    assert plan is not None and any("One of three plans to choose from" in note for note in plan.notes)
    client.post("/plans/choices", data={"organ": ORGAN, "wish": "safest", "token": "one"})
    assert len(planned.plans.all()) == known + 1, "sent twice, it is taken once"

    before = planned.history.last()
    refused = client.post("/plans/choices", data={"organ": ORGAN, "wish": "least metal", "token": "two"})
    assert refused.status_code == 422 and "not free" in refused.text
    assert planned.history.last() == before and len(planned.plans.all()) == known + 1
    assert "The book was changed" in client.get(PAGE).text
    assert client.post("/plans/choices", data={"organ": ORGAN, "wish": "cheapest"}).status_code == 404


def test_stopped_by_hand_each_wish_gets_the_best_of_what_was_begun(planned: Book) -> None:
    said: list[str] = []
    task = ChoicesTask(planned.target, planned.plans.organ(ORGAN), ShopSettings(), None, 20)
    made = task.done(lambda share, words: said.append(words), lambda: True)
    assert {c.found_by for c in made.choices} == {"least metal"} == set(made.plans)
    assert made.not_begun == ("least work", "safest") and not made.failed
    assert any(words.startswith("least metal: ") for words in said)


def test_what_cannot_be_planned_is_told_and_the_rest_is_shown(planned: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipemetal.errors import PlanError
    from pipemetal.planning import variants
    from pipemetal.planning.variants import Case
    from pipemetal.planning.variants import planned as whole

    def some(case: Case, *more: object) -> object:
        if case.name != "safest":
            raise PlanError("is out of range", field="x")
        return whole(replace(case, iterations=20), *more)

    monkeypatch.setattr(variants, "planned", some)
    task = ChoicesTask(planned.target, planned.plans.organ(ORGAN), ShopSettings(), None, 20)
    made = task.done(lambda share, words: None, lambda: False)
    assert [c.found_by for c in made.choices] == ["safest"] * 3
    assert list(made.failed) == ["least metal", "least work"]


def test_without_an_organ_there_is_nothing_to_choose(tmp_path: Path, client: TestClient) -> None:
    assert client.get("/plans/choices?organ=nobody").status_code == 404
    with (
        Book.open(tmp_path / "e.sqlite", create=True, who="t") as empty,
        TestClient(create_app(Site(empty)), base_url=BASE) as held,
    ):
        assert "Enter an organ first" in held.get("/plans/choices").text
