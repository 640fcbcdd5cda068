"""Scans find what they can, and say what is near; a cast that cannot have been is refused, one that was logged is corrected."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from shop_pages import small_organ_casts
from starlette.testclient import TestClient

from pipemetal.errors import CastingError
from pipemetal.shop.book import Book
from pipemetal.shop.cast_checks import check_cast, sheet_kg
from pipemetal.web.app import create_app
from pipemetal.web.site import Site
from pipemetal.web.usable import good_for

BASE = "http://127.0.0.1:8137"
CAST = replace(small_organ_casts()[0], thickness_mm=(), charge_kg=40.0)


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    for cast in small_organ_casts():
        planned.casts.record(cast)
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False) as held:
        yield held


def test_an_uncut_blank_and_its_pipe_lead_to_their_cutting_sheet(client: TestClient, planned: Book) -> None:
    plan = planned.plans.plan(planned.plans.all()[0].id)
    assert plan is not None
    for sheet in plan.sheets:
        for cut in sheet.cuts:
            for code in (cut.blank, cut.blank.rsplit(" ", 1)[0]):
                answer = client.get("/scan", params={"code": code})
                assert answer.status_code == 303 and answer.headers["location"].startswith("/cutting?sheet="), code


@pytest.mark.parametrize(("typed", "near"), [("r1", "R1"), ("R11", "R1"), ("T-1", "T1"), ("k2", "K2")])
def test_an_unknown_scan_says_what_is_near(client: TestClient, typed: str, near: str) -> None:
    answer = client.get("/scan", params={"code": typed})
    assert answer.status_code in (303, 404)
    if answer.status_code == 404:
        assert re.search(rf'<li><a href="[^"]+">{near}</a></li>', answer.text), answer.text[-1500:]
        assert "shorter length" not in answer.text


# by hand: a sheet 2000 x 500 mm of half tin (8.9 g/cm3 and some) weighs 8.9 to 9.1 kg a millimetre
@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"leftover_kg": 41.0}, "is more than was filled in"),
        ({"leftover_kg": 30.0, "thickness_mm": ((200.0, 2.4), (1800.0, 2.2))}, "by the thickness read"),
        ({"leftover_kg": 2.0, "thickness_mm": ((200.0, 1.2), (1800.0, 1.0))}, "by the thickness read"),
        ({"charge_kg": 15.0, "thickness_mm": ((200.0, 2.4), (1800.0, 2.2))}, "by the thickness read"),
        ({"charge_kg": 90.0, "leftover_kg": 2.0}, "of the gate"),
        ({"push_time_s": 0.1}, "means a push of 20.00 m/s"),
        ({"push_time_s": 120.0}, "means a push of 0.02 m/s"),
    ],
)
def test_what_cannot_have_been_is_refused(change: dict[str, object], says: str) -> None:
    with pytest.raises(CastingError, match=says):
        check_cast(replace(CAST, **change))  # type: ignore[arg-type]


def test_what_can_have_been_is_taken() -> None:
    check_cast(CAST)
    check_cast(replace(CAST, leftover_kg=20.0, thickness_mm=((200.0, 1.9), (1800.0, 1.7))))
    assert sheet_kg(CAST, 1.0) == pytest.approx(8.93, abs=0.1)


def test_two_kilograms_left_of_a_hundred_and_twenty_are_refused_by_what_was_planned() -> None:
    big = replace(
        CAST, charge_kg=124.7, leftover_kg=2.0, length_mm=4400.0, sled=replace(CAST.sled, inner_width_mm=760.0)
    )
    with pytest.raises(CastingError, match="thickness planned"):
        check_cast(big, planned_mm=1.75)
    check_cast(replace(big, leftover_kg=62.0), planned_mm=1.75)


def test_a_logged_cast_is_corrected_and_nothing_else_of_it_changes(client: TestClient, planned: Book) -> None:
    before = {c.id: c for c in planned.casts.log()}
    form = client.get("/casting/log?cast=K2").text
    values = {k: html.unescape(v) for k, v in re.findall(r'name="(\w+)"[^>]*? value="([^"]*)"', form)}
    values |= {"alloy": "half", "melt": "", "verdict": "too hot", "push_time_s": "3.4", "leftover_kg": ""}
    answer = client.post("/casting/log", data=values)
    assert answer.status_code == 303, re.sub(r"<[^>]*>", " ", answer.text)[:800]
    after = {c.id: c for c in planned.casts.log()}
    assert (after["K2"].verdict, after["K2"].push_time_s) == ("too hot", 3.4)
    assert after["K2"].thickness_mm == before["K2"].thickness_mm
    assert {k: v for k, v in after.items() if k != "K2"} == {k: v for k, v in before.items() if k != "K2"}
    again = client.post("/casting/log", data=values | {"token": ""})
    assert again.status_code in (409, 422), "the second of two corrections is told"


def test_a_cast_alone_tells_what_it_can_and_what_it_is_good_for(planned: Book) -> None:
    """Too thick in the middle: no cause is made up, and the places where blanks fit are those where it is thin enough."""
    plan = planned.plans.plan(planned.plans.all()[0].id)
    assert plan is not None
    cut = plan.sheets[0].cuts[0]
    m = 0.5 * (cut.wanted_mouth_mm + cut.wanted_top_mm)
    bow = ((100.0, m), (800.0, m), (1000.0, m + 1.0), (1200.0, m), (1900.0, m))
    alone = replace(small_organ_casts()[0], thickness_mm=bow)
    planned.casts.record(alone)
    with TestClient(create_app(Site(planned)), base_url=BASE) as client:
        page = client.get("/casting/cast/K1").text
    assert "What one cast can tell" in page and "luck" not in page and "Next time" not in page
    found = good_for(alone, "half", plan, 10.0)
    assert any(cut.blank in g.blanks for g in found) and found[0].rank in page
    thick = replace(alone, thickness_mm=tuple((at, 5.0) for at, _ in alone.thickness_mm))
    assert good_for(thick, "half", plan, 10.0) == []
