"""What a hand at the bench needs on a tablet: keys in reach whatever is told, readings judged at once, tools beside blanks."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
from shop_pages import small_organ_casts
from test_day import Server
from test_taps import accepted

from pipemetal.shop.book import Book

pytestmark = pytest.mark.browser
COVERED = """() => { const low = document.querySelector('footer.edge').getBoundingClientRect().top;
  return [...document.querySelectorAll('.keypad .key')].map(k => [k.dataset.key, k.getBoundingClientRect()])
    .filter(([, r]) => r.bottom > low + 0.5 || r.top < 0).map(([k]) => k) }"""
OVERLAPS = """() => { const a = document.querySelector('svg.over').getBoundingClientRect();
  const b = document.querySelector('.zoom').getBoundingClientRect();
  return !(b.top >= a.bottom || b.bottom <= a.top || b.left >= a.right || b.right <= a.left) }"""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    file = accepted(tmp_path_factory.mktemp("hands") / "s.sqlite")
    with Book.open(file, who="tester") as book:
        order = book.plans.cast_list()[0]
        book.casts.record(small_organ_casts()[0], order=order.id)
        event = book.history.events()[0].id
    server = Server(file)
    server.measure = f"{server.url}/casting/measure?cast=K1&event={event}"  # type: ignore[attr-defined]
    yield server
    server.kill()


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (768, 1024)])
def test_every_key_stays_in_reach_whatever_is_told(browser: Any, shop: Server, width: int, height: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": height})
    page.goto(shop.measure)  # type: ignore[attr-defined]
    assert page.locator(".tell.booked").count() == 1 and page.evaluate(COVERED) == []
    for field in page.locator("input.reading").all():
        field.evaluate("(f, k) => { f.value = String((Number(f.dataset.expected) * k).toFixed(2)) }", 1.0)
    for n in (0, 6, 12):
        page.locator("input.reading").nth(n).fill("2.20")
    assert page.locator(".keep:visible").count() == 3 and page.evaluate(COVERED) == []
    word, one = (
        page.locator(".keep:visible").first.bounding_box(),
        page.locator(".keep input:visible").first.bounding_box(),
    )
    assert word["x"] <= one["x"] and one["x"] + one["width"] < word["x"] + 60, "the word stands beside its box"
    page.close()


def test_a_reading_is_judged_before_others_stand_beside_it(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.goto(shop.measure)  # type: ignore[attr-defined]
    first = page.locator("input.reading").first
    for key in ("9", "9"):
        page.click(f'.keypad [data-key="{key}"]')
    assert first.input_value() not in ("9.9", "9.90", "99"), "no gate gives it"
    first.fill(f"{float(first.get_attribute('data-expected')) * 1.5:.2f}")
    assert "doubtful" in first.get_attribute("class")
    page.close()


def test_the_zoom_lies_over_no_blank_and_half_of_the_blanks_can_be_touched(browser: Any, shop: Server) -> None:
    for width, height in ((1024, 768), (768, 1024), (390, 844)):
        page = browser.new_page(viewport={"width": width, "height": height})
        page.goto(f"{shop.url}/cutting")
        page.wait_for_selector("svg.over .blank", state="attached")
        assert not page.evaluate(OVERLAPS), width
        if width > 620:
            for part, least_px in (("svg.whole-roll", 200), ("svg.key-to-walls", 150)):
                assert page.locator(part).bounding_box()["width"] >= least_px, (part, width)
        page.close()
