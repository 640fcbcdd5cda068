"""What a hand in a glove and an eye at arm's length need, on every page of work: targets, low bars, whole words, zoom, keys."""

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_day import Server
from test_taps import accepted

from pipemetal.shop.book import Book

pytestmark = pytest.mark.browser
PAGES = (
    "/",
    "/organs",
    "/pipes/old",
    "/pipes/old-rank",
    "/plans",
    "/plans/choices",
    "/plans/waste",
    "/melts",
    "/melts/new",
    "/melts/correct",
    "/stock",
    "/stock/recipes",
    "/casting",
    "/casting/pour?n=0",
    "/casting/log?pour=0",
    "/casting/said",
    "/racks",
    "/racks/R1",
    "/cutting",
    "/trace?of=R1",
    "/account",
    "/history",
    "/find?q=R",
    "/jobs",
    "/settings",
)
GERMAN_INCHES = "in.lb.F.comma.de.auto"
TARGETS = """() => [...document.querySelectorAll(
  'main a[href], main button, main input, main select, main summary, header a, header summary, footer a, footer button')]
  .filter(e => !e.matches('[type=hidden], [type=checkbox], [type=radio], [type=file]') && !e.closest('svg'))
  .map(e => [e.textContent.trim().slice(0, 30) || e.name, e.getBoundingClientRect()])
  .filter(([, r]) => r.width > 0 && (r.width < 43.5 || r.height < 43.5)).map(([name, r]) => [name, r.width, r.height])"""
CUT_OFF = """() => [...document.querySelectorAll('main svg text, footer svg text')].filter(t => !t.closest('.over'))
  .map(t => { let top = t.ownerSVGElement; while (top.parentElement.closest('svg')) top = top.parentElement.closest('svg');
    const seen = getComputedStyle(top).overflow === 'visible';
    const a = seen ? { left: 0, right: innerWidth } : top.getBoundingClientRect(); return [t, a, t.getBoundingClientRect()] })
  .filter(([, a, r]) => r.width > 0 && (r.left < a.left - 1.5 || r.right > a.right + 1.5)).map(([t]) => t.textContent)"""
BARS = "['header', 'footer'].reduce((sum, e) => sum + (document.querySelector(e)?.offsetHeight || 0), 0) / innerHeight"
LARGEST_SHARE = 0.26


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    server = Server(accepted(tmp_path_factory.mktemp("reach") / "s.sqlite"))
    yield server
    server.kill()


def german(browser: Any, shop: Server, width: int, height: int) -> Any:
    context = browser.new_context(viewport={"width": width, "height": height}, service_workers="block")
    context.add_cookies([{"name": "pipemetal_show", "value": GERMAN_INCHES, "url": shop.url}])
    return context.new_page()


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (390, 844)])
def test_targets_are_large_and_words_whole_in_german_with_inches(
    browser: Any, shop: Server, width: int, height: int
) -> None:
    page, found = german(browser, shop, width, height), {}
    for path in PAGES:
        page.goto(shop.url + path)
        found[path] = (page.evaluate(TARGETS), page.evaluate(CUT_OFF))
        assert page.evaluate(BARS) <= LARGEST_SHARE, path
    assert {path: bad for path, bad in found.items() if bad != ([], [])} == {}
    page.context.close()


def test_a_page_at_twice_its_size_needs_no_scrolling_sideways(browser: Any, shop: Server) -> None:
    """200 % zoom of a tablet leaves 512 x 384 of a page."""
    page = german(browser, shop, 512, 384)
    for path in PAGES:
        page.goto(shop.url + path)
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, path
        main = page.locator("footer .main")
        if main.count():
            box = main.first.bounding_box()
            assert box["x"] >= 0 and box["x"] + box["width"] <= 512 and box["height"] >= 56, path
            assert box["y"] >= 0 and box["y"] + box["height"] <= 384, f"{path}: the main button is out of sight"
            bar = page.evaluate("document.querySelector('footer').offsetHeight / innerHeight")
            assert bar <= LARGEST_SHARE, path  # the head goes with the page there
    page.context.close()


def test_every_page_of_work_is_walked_with_keys_alone(browser: Any, shop: Server) -> None:
    """Tab reaches the main button from the top, everything on the way shows that it has the focus, and nothing traps it."""
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    focused = (
        "(() => { const e = document.activeElement, s = getComputedStyle(e);"
        " return [e.matches('footer .main'), e === document.body,"
        " s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2 || e.tabIndex < 0] })()"
    )
    for path in PAGES:
        page.goto(shop.url + path)
        mains = page.locator("footer .main:visible:not([disabled])").count()
        reached, stops = (
            not mains,
            page.evaluate("document.querySelectorAll('a, button, input, select, summary').length"),
        )
        for _ in range(min(stops + 10, 400)):
            page.keyboard.press("Tab")
            main, body, seen = page.evaluate(focused)
            assert seen or body, f"{path}: {page.evaluate('document.activeElement.outerHTML')[:160]}"
            reached = reached or main
            if reached:
                break
        assert reached, f"{path}: Tab does not reach the main button"
    page.close()


def test_rolls_of_a_rank_and_what_is_typed_are_two_taps_away(browser: Any, shop: Server) -> None:
    with Book.open(shop.shop, who="tester") as book:
        plan = book.plans.plan()
    assert plan is not None
    rank, rolls = plan.pipes[0].rank, {s.id for s in plan.rolls_used}
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.goto(f"{shop.url}/history")
    page.click(".to-search summary")
    page.keyboard.type(rank[:4].lower())
    page.wait_for_selector(".suggested .found-rows li")
    assert rank in page.inner_text(".suggested") and page.url.endswith("/history"), "suggested while one types"
    page.click(".suggested a:has-text('Its rolls')")
    page.wait_for_url("**/racks?rank=**")
    first = page.locator(".rolls li:not(.axis) .stamp").first.inner_text()
    assert first.strip() in rolls and "Blanks of the rank" in page.inner_text(".rolls")
    page.close()


def test_one_blank_is_cut_alone_and_the_next_is_chosen(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.goto(f"{shop.url}/cutting")
    page.locator("[data-choose]").first.click()
    page.click("[data-cut-one] button")
    page.wait_for_selector("[data-saved]")
    assert "planned blank cut" in page.inner_text("main")
    assert page.locator(".list .is-done").count() == 1 and page.locator(".over .blank.cut").count() == 1
    page.wait_for_selector(".list .chosen")
    assert page.locator(".list .chosen.is-done").count() == 0, "the next is chosen"
    page.click("button:text-is('Undo')")
    assert page.locator(".list .is-done").count() == 0
    page.close()


def test_a_paper_that_takes_its_time_is_announced_at_once(browser: Any, shop: Server) -> None:
    page = browser.new_page()
    page.goto(f"{shop.url}/plans")
    links = [a.get_attribute("href") for a in page.locator("main a[href^='/paper/']").all()]
    page.goto(f"{shop.url}/cutting")
    links += [a.get_attribute("href") for a in page.locator("footer a[href^='/paper/']").all()]
    assert len(links) > 3 and all(link.startswith("/paper/wait/") for link in links)
    answer = page.request.get(shop.url + links[-1])
    paper = re.search(r'content="0;url=([^"]*)"', answer.text())
    assert paper is not None
    assert page.request.get(shop.url + paper[1].replace("&amp;", "&")).headers["content-type"] == "application/pdf"
    page.close()
