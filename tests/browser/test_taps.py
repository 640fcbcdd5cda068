"""A foreman's day counted in taps, and the main button of each page of work where a thumb finds it."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_day import Server, _planned

from pipemetal.shop.book import Book

pytestmark = pytest.mark.browser
SIZES = ((1024, 768), (768, 1024), (390, 844))
WORK = (
    "/",
    "/organs",
    "/plans",
    "/melts",
    "/casting",
    "/casting/pour?n=0",
    "/casting/log?pour=0",
    "/racks",
    "/cutting",
)


def accepted(path: Path) -> Path:
    """A book whose plan is accepted."""
    _planned(path)
    with Book.open(path, who="tester") as book:
        if book.plans.state(book.plans.all()[0].id) != "accepted":
            book.plans.accept(book.plans.all()[0].id)
    return path


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Server]:
    server = Server(accepted(tmp_path / "s.sqlite"))
    yield server
    server.kill()


class Hand:
    """Taps on a page, counted."""

    def __init__(self, page: Any, url: str) -> None:
        self.page, self.url, self.taps = page, url, 0

    def at(self, path: str) -> "Hand":
        self.page.goto(self.url + path)
        self.taps = 0
        return self

    def tap(self, where: str) -> "Hand":
        self.page.click(where)
        self.taps += 1
        return self


def test_a_day_takes_few_taps(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    hand = Hand(page, shop.url)
    # a planned melt is weighed and booked: 8 at most
    hand.at("/").tap(".edge .main")
    assert "/melts" in page.url
    hand.tap("text=All as planned").tap("button.main")
    page.wait_for_selector("[data-saved]")
    assert "melt charged" in page.inner_text("main") and hand.taps <= 8
    # a cast is logged: 4 at most
    hand.at("/casting/pour?n=0").tap("[data-log]").tap("label.verdict:has-text('good')")
    with Book.open(shop.shop, who="tester") as book:
        planned = book.plans.plan()
    assert planned is not None
    page.fill("#f-leftover_kg", f"{planned.pours[0].left_kg:.1f}")
    hand.tap("button.main")
    page.wait_for_selector("[data-saved]")
    assert "cast logged" in page.inner_text("main") and hand.taps <= 4
    # a roll is marked as cut: 1
    hand.at("/cutting?sheet=R1").tap("button:has-text('is cut')")
    assert "planned roll cut" in page.inner_text("main") and hand.taps == 1
    # a pipe is traced from its card, a roll is found from anywhere: 2 at most
    with Book.open(shop.shop, who="tester") as book:
        plan = book.plans.plan()
    assert plan is not None
    hand.at(f"/find?q={plan.pipes[0].rank}").tap(".rows a")
    assert hand.taps <= 2
    hand.at("/history").tap(".to-search summary")
    page.keyboard.type("R2")
    page.keyboard.press("Enter")
    page.wait_for_url("**/racks/R2")
    hand.taps += 1
    assert hand.taps <= 2
    hand.at("/racks/R1").tap(".edge .main")
    assert "/trace" in page.url and hand.taps <= 2
    page.close()


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_main_button_is_in_reach_without_scrolling(browser: Any, shop: Server, width: int, height: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": height})
    for path in WORK:
        page.goto(shop.url + path)
        mains = page.locator(".edge .main")
        assert mains.count() <= 1, f"{path}: one main button"
        if mains.count():
            box = mains.first.bounding_box()
            assert box["y"] + box["height"] <= height and box["x"] + box["width"] <= width and box["height"] >= 56, path
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, path
    page.close()


def test_a_page_seen_before_opens_while_the_server_is_away(browser: Any, shop: Server) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{shop.url}/")
    page.evaluate("navigator.serviceWorker.ready")
    page.goto(f"{shop.url}/racks")
    page.goto(f"{shop.url}/")
    page.wait_for_function("navigator.serviceWorker.controller !== null")
    page.goto(f"{shop.url}/racks")
    shop.kill()
    page.goto(f"{shop.url}/racks")
    assert "R1" in page.inner_text("main")
    page.goto(f"{shop.url}/account")
    assert "does not answer" in page.inner_text("main")
    shop.start()
    page.goto(f"{shop.url}/account")
    assert "does not answer" not in page.inner_text("main")
    context.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_part_is_drawn_and_none_lies_on_another(browser: Any, shop: Server, theme: str) -> None:
    """The gallery of parts, looked at by its boxes: each has a size, stays in its strip, and leaves the others free."""
    page = browser.new_context(color_scheme=theme, viewport={"width": 1024, "height": 768}).new_page()
    page.goto(f"{shop.url}/parts")
    boxes = page.evaluate(
        "[...document.querySelectorAll('[data-part]')].map(e => { const b = e.getBoundingClientRect();"
        " return [e.dataset.part, b.left, b.top, b.right, b.bottom, e.scrollWidth - e.clientWidth] })"
    )
    assert len(boxes) == 9
    for name, left, top, right, bottom, over in boxes:
        assert right - left > 100 and bottom - top > 50 and over <= 0, name
    for k, (one, a, b, c, d, _) in enumerate(boxes):
        for other, e, f, g, h, _ in boxes[k + 1 :]:
            assert c <= e + 1 or g <= a + 1 or d <= f + 1 or h <= b + 1, (one, other)
    empty = page.evaluate(
        "[...document.querySelectorAll('[data-part] svg')].filter(s => !s.getBoundingClientRect().width).length"
    )
    assert empty == 0
    page.close()
