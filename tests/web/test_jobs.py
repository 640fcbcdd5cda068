"""Long work beside the pages: it answers at once, stops when it is told to, keeps the best, and has a way back."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from typing import Any, ClassVar

import pytest
from starlette.testclient import TestClient

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.day import SheetDemand
from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.jobs import Job, Jobs, JobState
from pipemetal.web.site import Site
from pipemetal.web.work import LearnTask, PlanTask, Stop, Tell
from pipemetal.words import Words

BASE = "http://127.0.0.1:8137"


@pytest.fixture
def site(planned: Book) -> Site:
    return Site(planned)


@pytest.fixture
def client(site: Site) -> Iterator[TestClient]:
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as held:
        yield held


def wait_for(client: TestClient) -> dict[str, Any]:
    """The latest job when it is over, however long that takes on a busy machine."""
    while (job := client.get("/jobs.json").json()[0])["state"] in ("waiting", "running"):
        time.sleep(0.2)
    return dict(job)


def test_a_plan_is_made_beside_the_pages_and_can_be_stopped(client: TestClient, planned: Book) -> None:
    for _ in range(2):
        assert client.post("/jobs/plan", data={"organ": "Brindle House #1", "seconds": "100"}).status_code == 303
    jobs = client.get("/jobs.json").json()
    assert jobs[0]["state"] == "waiting"
    assert client.get("/racks").status_code == 200
    assert client.get("/jobs.json").json()[1]["state"] == "running", "the page did not wait for the job"
    page = client.get("/plans").text
    assert page.count("Being made now: Brindle House #1") == 2, "who would start another sees the two"
    client.post("/jobs/stop", data={"job": jobs[0]["id"]})
    while client.get("/jobs.json").json()[1]["percent"] < 5:
        time.sleep(0.2)
    client.post("/jobs/stop", data={"job": jobs[1]["id"], "keep": "1"})
    told = client.get("/jobs.json").json()[1]
    assert told["stopping"] or told["state"] == "done", "the answer comes at once"
    assert told["state"] == "done" or "Stop and keep the best" not in client.get("/jobs").text
    while (job := client.get("/jobs.json").json()[1])["state"] == "running":
        time.sleep(0.2)
    assert job["state"] == "done", job
    assert client.get("/jobs.json").json()[0]["state"] == "stopped"
    assert planned.plans.all()[0].id == "Brindle House #2"
    assert "13 of 13" in client.get("/jobs").text


def test_a_worker_that_fails_says_why() -> None:
    jobs = Jobs()
    job = jobs.add(LearnTask("/nowhere/none.sqlite"), "", "x", lambda _: ("", ""))
    while not job.is_over:
        time.sleep(0.05)
    assert job.state == "failed" and "none.sqlite" in job.words


def test_a_stop_before_the_worker_has_begun_is_not_lost(planned: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped at every moment between asking and working, a job ends, and with what it was told to keep."""
    from pipemetal.web import jobs as module

    text = str(planned.plans.organ("Brindle House #1"))
    task = PlanTask(planned.target, text, ShopSettings(), 3600.0)
    for keep in (True, False):
        jobs = Jobs()
        original = jobs._work

        def stopped_first(job: Job, jobs: Jobs = jobs, keep: bool = keep, original: Any = original) -> None:
            jobs.stop(job.id, keep=keep)
            original(job)

        monkeypatch.setattr(jobs, "_work", stopped_first)
        job = jobs.add(task, "x", "Ada", lambda made: (f"{made.pipes_served} served", ""))
        while not job.is_over:
            time.sleep(0.05)
        assert job.state == ("done" if keep else "stopped"), job.words
        assert ("served" in job.words) is keep
    assert module.STOPPING in Words("de")._texts


def test_a_job_that_failed_has_a_way_back(client: TestClient, site: Site) -> None:
    job = site.jobs.add(LearnTask("/nowhere/none.sqlite"), "", "x", lambda _: ("", ""))
    while not job.is_over:
        time.sleep(0.05)
    page = client.get("/jobs").text
    assert "Try again" in page
    job.task = LearnTask(site.book.target)
    assert client.post("/jobs/again", data={"job": job.id}).status_code == 303
    assert wait_for(client)["id"] != job.id
    refused = client.post("/jobs/again", data={"job": 999})
    assert refused.status_code == 422 and "failed or was stopped" in refused.text


def test_a_plan_that_is_stopped_weighs_out_quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """By count: after a stop no search of a charge looks at more than a few nodes."""
    from pipemetal.planning import melting, weighed

    asked: list[int] = []
    original = weighed.solve_charges
    monkeypatch.setattr(weighed, "solve_charges", lambda *a, **k: asked.append(k["effort"].nodes) or original(*a, **k))
    half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    for hurried, nodes in ((True, weighed.HURRIED_NODES), (False, weighed.MOST_NODES)):
        asked.clear()
        melting.plan_season([SheetDemand("N", "half", 90.0, 80.0)], {"half": half}, (), ShopSettings(), hurried=hurried)
        assert set(asked) == {nodes}


class Hopeless:
    """Work that breaks off."""

    KIND: ClassVar[str] = "hopeless"

    def done(self, tell: Tell, stop: Stop) -> str:
        raise KeyError("what nobody can do")


def test_a_job_is_told_in_the_log_with_what_broke_it(caplog: pytest.LogCaptureFixture) -> None:
    jobs = Jobs()
    with caplog.at_level(logging.INFO, "pipemetal"):
        job = jobs.add(Hopeless(), "Chapel", "Ada", lambda made: ("", ""))
        while len(caplog.records) < 3:
            time.sleep(0.05)
        jobs.close()
    begun, broken, ended = [r.getMessage() for r in caplog.records]
    assert begun == f"job {job.id} begun: hopeless, Chapel, by Ada"
    assert "Traceback" in broken and "KeyError: 'what nobody can do'" in broken
    assert ended.startswith(f"job {job.id} failed after ") and job.state is JobState.FAILED
