"""A melt that no plan asked for, in a real browser: asked for, weighed, booked, corrected, poured off, taken back."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import served

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
from shop_pages import working_book

from pipemetal.shop.book import Book
from pipemetal.web.site import Site

pytestmark = pytest.mark.browser
BOOKED = "div.tell.booked"


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with working_book(tmp_path / "s.sqlite") as held:
        yield held


@pytest.fixture
def page(book: Book, browser: Any) -> Iterator[Any]:
    with served(Site(book)) as address:
        context = browser.new_context(viewport={"width": 1024, "height": 768}, base_url=address)
        yield context.new_page()
        context.close()


def melted(page: Any) -> None:
    """From the melts' page to a melt in the book, lead first."""
    page.goto("/melts")
    page.click("text=Weigh out a melt")
    page.fill("[name=wanted]", "100")
    page.click("text=What to weigh")
    page.wait_for_selector("#answer")
    page.click("text=All as on the list")
    page.fill("[name=id]", "2026-7")
    page.click("text=Book the melt")
    page.wait_for_selector(BOOKED)


def test_a_melt_is_weighed_out_booked_and_taken_back(page: Any, book: Book) -> None:
    page.goto("/melts/new")
    page.fill("[name=wanted]", "4500")
    page.click("text=What to weigh")
    assert "450.00 kg" in page.inner_text("small.fault") and page.input_value("[name=wanted]") == "4500"
    melted(page)
    assert "melt charged" in page.inner_text(BOOKED) and sum(book.ledger.stock()["melt:2026-7"].values()) > 99.0
    page.goto("/melts/new")
    assert page.input_value("[name=wanted]") == "", "a question that was answered is not asked again"
    page.goto(f"/melts?event={book.history.last()}")
    page.click(f"{BOOKED} button")
    page.wait_for_selector(BOOKED)
    assert "taken back" in page.inner_text(BOOKED) and "melt:2026-7" not in book.ledger.stock()


def test_readings_outlive_a_refusal_and_a_left_out_lot_stays_out(page: Any, book: Book) -> None:
    page.goto("/melts/new")
    page.fill("[name=wanted]", "100")
    page.click("summary:has-text('leave some out')")
    page.check("[name='out:S1']")
    page.click("text=What to weigh")
    page.wait_for_selector("#answer")
    page.click("text=All as on the list")
    page.fill("[name='w:T1']", "301")
    page.click("text=Book the melt")
    page.wait_for_selector("[role=alert]")
    assert "More is weighed than is free: T1" in page.inner_text("[role=alert]")
    assert page.input_value("[name='w:T1']") == "301" and page.get_attribute("[name='w:T1']", "aria-invalid") == "true"
    assert page.input_value("[name='w:L1']") != ""
    page.fill("[name='w:T1']", "50.5")
    page.click("text=Book the melt")
    page.wait_for_selector(BOOKED)
    assert book.ledger.stock()["lot:T1"]["Sn"] == pytest.approx(249.5 * 0.999)


def test_a_melt_is_corrected_and_poured_off(page: Any, book: Book) -> None:
    melted(page)
    page.click("a:text-is('correct') >> nth=-1")
    page.wait_for_selector("text=Enter its assay in the book")
    page.click("text=Enter its assay in the book")
    page.fill("form[action='/stock/analysis'] [name=composition]", "Sn 47 Pb bal")
    page.click("text=Enter the analysis")
    page.wait_for_selector(BOOKED)
    page.goto("/melts/correct?melt=2026-7")
    assert page.input_value("[name=assay]") == "Sn 47 Pb bal"
    page.click("button:has-text('What to add')")
    page.wait_for_selector("#add")
    page.click("text=All as on the list")
    page.click("text=Book what was added")
    page.wait_for_selector(BOOKED)
    assert "melt corrected" in page.inner_text(BOOKED)
    held = book.ledger.stock()["melt:2026-7"]
    assert 49.0 < 100.0 * held["Sn"] / sum(held.values()) < 51.0
    page.goto("/melts/correct?melt=2026-7")
    page.fill("[name=ingot_mass]", "12")
    page.click("text=Book the ingots")
    page.wait_for_selector(BOOKED)
    assert sum(book.ledger.stock()["lot:2026-7-ingots"].values()) == pytest.approx(12.0)


def test_axe_finds_nothing_on_the_list_and_its_refusal(page: Any) -> None:
    from axe_playwright_python.sync_playwright import Axe

    rules = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    page.goto("/melts/new")
    for steps in ([("[name=wanted]", "100")], [("[name='w:T1']", "301"), ("[name=day]", "never")]):
        for field, text in steps:
            page.fill(field, text)
        with page.expect_navigation():
            page.click("text=Book the melt" if len(steps) > 1 else "text=What to weigh")
        page.wait_for_selector("#answer")
        page.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = true))")
        told = [
            f"{v['id']}: {v['nodes'][0]['html'][:160]}"
            for v in Axe().run(page, options={"runOnly": rules}).response["violations"]
        ]
        assert told == []
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
