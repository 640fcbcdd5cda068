"""Where metal goes that becomes no blank, on the server's pages: of the plan at hand, and of plans to choose from."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
from starlette.testclient import TestClient

from pipemetal.layout.waste import Waste
from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import HeldChoices, Site
from pipemetal.web.work import ChoicesTask

BASE, ORGAN = "http://127.0.0.1:8137", "Brindle House #1"


def test_the_plan_at_hand_shows_its_waste(planned: Book) -> None:
    with TestClient(create_app(Site(planned)), base_url=BASE) as client:
        assert 'href="/plans/waste"' in client.get("/plans").text
        page = client.get("/plans/waste").text
        assert all(kind.value in page for kind in Waste)
        for narrow in ("", "?narrow=1"):
            drawing = ElementTree.fromstring(client.get(f"/plans/waste.svg{narrow}").text)
            plan = planned.plans.plan()
            assert plan is not None
            told = "".join(drawing.itertext())
            assert all(f"{sheet.id}, {sheet.alloy}" in told for sheet in plan.sheets)


def test_a_record_wastes_what_its_plan_wastes(planned: Book) -> None:
    """Read from the book, a plan consumes what it consumed when it was made; so do plans to choose from."""
    from pipemetal.web.wasted import _of_plan

    site = Site(planned)
    (known,) = planned.plans.all()
    plan = planned.plans.plan(known.id)
    assert plan is not None
    sheets = _of_plan(site, known.id)
    assert sum(s.consumed_mm2 for s in sheets) == pytest.approx(plan.consumed_mm2)
    assert {s.sheet for s in sheets if s.is_new} == {s.id for s in plan.new_sheets}
    made = ChoicesTask(planned.target, planned.plans.organ(ORGAN), ShopSettings(), None, 20).done(
        lambda share, words: None, lambda: True
    )
    site.choices[ORGAN] = HeldChoices(made, ShopSettings(), planned.history.last())
    with TestClient(create_app(site), base_url=BASE) as client:
        asked = f"?organ={ORGAN.replace(' ', '+').replace('#', '%23')}&wish=safest"
        assert "safest" in client.get(f"/plans/waste{asked}").text
        assert client.get(f"/plans/waste.svg{asked}").headers["content-type"].startswith("image/svg")
        assert client.get("/plans/waste?organ=x&wish=safest").status_code == 404


def test_without_a_plan_there_is_no_waste(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("empty") / "e.sqlite"
    with (
        Book.open(path, create=True, who="t") as empty,
        TestClient(create_app(Site(empty)), base_url=BASE) as client,
    ):
        assert client.get("/plans/waste").status_code == 404
