"""Every page in a real browser: nothing leaves the machine, nothing runs over, axe finds nothing serious, no error in the console."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import served

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
from shop_pages import small_book, small_plan

from pipemetal.web.site import Site

pytestmark = pytest.mark.browser
SIZES = [(1024, 768, "light"), (390, 844, "dark"), (1920, 1080, "dark")]
PAGES = [
    "/",
    "/plans",
    "/plans/choices",
    "/organs",
    "/pipes/old",
    "/pipes/old-rank",
    "/racks",
    "/racks?low=0.9&high=1.1&length=500",
    "/racks/R1?from=500&to=1500",
    "/cutting",
    "/melts",
    "/melts/new",
    "/melts/correct",
    "/casting",
    "/casting/pour?n=0",
    "/casting/log?pour=0",
    "/stock",
    "/account",
    "/history",
    "/settings",
    "/settings/shop",
    "/settings/shop?group=pot",
    "/settings/shop?group=losses",
    "/settings/shop?group=gate",
    "/stock/recipes",
    "/trace?of=R1",
    "/jobs",
    "/racks/none",
]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with small_book(tmp_path_factory.mktemp("book") / "s.sqlite", "spotted <50>") as book:
        book.plans.keep(small_plan("A rank with a rather long name & <marks>"))
        with served(Site(book)) as address:
            yield address


@pytest.mark.parametrize(("width", "height", "theme"), SIZES)
def test_pages_keep_to_the_machine_and_to_the_screen(
    browser: Any, server: str, width: int, height: int, theme: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=theme)
    asked: list[str] = []
    told: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    for path in PAGES:
        page = context.new_page()
        page.on("console", lambda message, path=path: told.append(f"{path}: {message.text}"))
        page.on("pageerror", lambda error, path=path: told.append(f"{path}: {error}"))
        page.goto(server + path)
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, path
        small = page.evaluate(
            "[...document.querySelectorAll('button, .line a, .button, .other, .main')].filter(e => e.offsetParent && e.getBoundingClientRect().height < 55.5).length"
        )
        assert small == 0, f"{path}: a target is lower than 56 px"
        unnamed = page.evaluate(
            "[...document.querySelectorAll('input:not([type=hidden]), select, textarea')].filter(e => !e.labels.length && !e.ariaLabel).length"
        )
        assert unnamed == 0, f"{path}: a field has no label"
        page.close()
    context.close()
    assert [u for u in asked if not u.startswith(server)] == []
    assert [t for t in told if not t.startswith("/racks/none: Failed to load resource")] == []


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, server: str, theme: str) -> None:
    """axe-core's rules for WCAG 2.1 A and AA, on every page."""
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_context(color_scheme=theme).new_page()
    # the other light changes nothing but colours
    rules = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    for path in PAGES:
        page.goto(server + path)
        asked = rules if theme == "light" else {"type": "rule", "values": ["color-contrast"]}
        found = Axe().run(page, options={"runOnly": asked}).response
        told = [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found["violations"]]
        assert told == [], path
        assert found["passes"], "axe looked at nothing"
    page.context.close()


def test_the_search_works_from_the_keyboard_and_leads_to_the_place(browser: Any, server: str) -> None:
    page = browser.new_page()
    page.goto(f"{server}/racks")
    page.focus("[data-search]")
    page.keyboard.type("0.9")
    page.keyboard.press("Tab")
    page.keyboard.type("1.1")
    page.keyboard.press("Enter")
    page.wait_for_url("**low=0.9**")
    page.click(".rolls a.thing >> nth=0")
    page.wait_for_url("**/racks/*from=*")
    assert "500 to 1500 mm" in page.text_content(".paper svg")
    page.close()


def test_what_was_weighed_stays_and_a_second_tablet_is_told(browser: Any, server: str) -> None:
    first, second = browser.new_context().new_page(), browser.new_context().new_page()
    first.goto(f"{server}/melts")
    first.fill("input.weighed >> nth=0", "12")
    first.reload()
    assert first.input_value("input.weighed >> nth=0") == "12"
    for page in (first, second):
        page.goto(f"{server}/racks/R1")
    for page, place in ((first, "rack one"), (second, "rack two")):
        page.fill("input[name=place]", place)
        page.click("text=Save")
        page.wait_for_selector("[data-saved], th:text-is('You wrote')")
    assert "roll changed" in first.inner_text("main")
    told = second.inner_text("main")
    assert "rack one" in told and "rack two" in told
    first.context.close()
    second.context.close()


def test_a_draft_of_settings_brings_back_what_was_typed_and_nothing_that_was_only_shown(
    browser: Any, server: str
) -> None:
    mine, theirs = browser.new_context().new_page(), browser.new_context().new_page()
    mine.goto(f"{server}/settings/shop?group=pot")
    mine.fill("#pot-spare_kg", "9")
    theirs.goto(f"{server}/settings/shop?group=pot")
    theirs.fill("#pot-burner_kw", "33")
    theirs.click("button.main")
    theirs.wait_for_selector("[data-saved]")
    mine.reload()
    assert (mine.input_value("#pot-spare_kg"), mine.input_value("#pot-burner_kw")) == ("9", "33")
    mine.click("button.main")
    mine.wait_for_selector("[data-saved]")
    assert (mine.input_value("#pot-spare_kg"), mine.input_value("#pot-burner_kw")) == ("9", "33")
    mine.context.close()
    theirs.context.close()
