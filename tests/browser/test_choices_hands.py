"""Three plans to choose from in a browser: on a phone, a tablet and a desk, in German and inches, from the keyboard, and taken."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import served

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
from shop_pages import working_book

from pipemetal.documents.choices_page import choices_page
from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.book import Book
from pipemetal.web.choices import page_of
from pipemetal.web.site import HeldChoices, Site
from pipemetal.web.work import ChoicesMade, ChoicesTask

pytestmark = pytest.mark.browser
ORGAN = "Brindle House #1"
PAGE = page_of(ORGAN)
WASTE = "/plans/waste?organ=Brindle+House+%231&wish=safest"
SIZES = [(390, 844), (768, 1024), (1024, 768), (1440, 900)]
WIDE = """[...document.querySelectorAll('main *')].filter(
  e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    with working_book(tmp_path_factory.mktemp("choices") / "s.sqlite") as held:
        yield held


@pytest.fixture(scope="module")
def made(book: Book) -> ChoicesMade:
    task = ChoicesTask(book.target, book.plans.organ(ORGAN), ShopSettings(), None, 20)
    return task.done(lambda share, words: None, lambda: False)


@pytest.fixture(scope="module")
def server(book: Book, made: ChoicesMade) -> Iterator[str]:
    site = Site(book)
    site.choices[ORGAN] = HeldChoices(made, ShopSettings(), book.history.last())
    with served(site) as address:
        yield address


def cards(page: Any) -> list[dict[str, float]]:
    found: list[dict[str, float]] = page.evaluate(
        """[...document.querySelectorAll('.choice')].map(c => ({
          x: c.getBoundingClientRect().x, picture: c.querySelector('.choice-picture svg').getBoundingClientRect().width,
          first: c.querySelector('.choice-lines li').getBoundingClientRect().y}))"""
    )
    return found


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_plans_stand_side_by_side_or_one_under_the_other(
    browser: Any, server: str, made: ChoicesMade, tmp_path: Path, width: int, height: int
) -> None:
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    (tmp_path / "c.html").write_text(
        choices_page("Chapel", made.choices, made.waste, ShopSettings(language="de")), encoding="utf-8"
    )
    for address in (server + PAGE, (tmp_path / "c.html").as_uri()):
        page.goto(address)
        assert page.evaluate(WIDE) == [], address
        found = cards(page)
        assert len(found) == 3
        if width <= 760:
            assert len({c["x"] for c in found}) == 1 and all(c["picture"] > 0.8 * width for c in found)
        else:
            assert len({c["x"] for c in found}) == 3 and len({round(c["first"]) for c in found}) == 1
            assert all(c["picture"] > 0.15 * width for c in found)
    page.goto(server + WASTE)
    assert page.evaluate(WIDE) == []
    drawn = page.evaluate("(i => [i.complete, i.naturalWidth, i.clientWidth])(document.querySelector('picture img'))")
    assert drawn[0] and drawn[1] > 0 and drawn[2] > 0.8 * width
    context.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_in_german_and_inches(browser: Any, server: str, theme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(color_scheme=theme)
    context.add_cookies([{"name": "pipemetal_show", "value": "in.lb.F.comma.de.auto", "url": server}])
    page = context.new_page()
    rules = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    for path, title in ((PAGE, "Drei Pläne zur Wahl"), (WASTE, "Wohin das Metall geht")):
        page.goto(server + path)
        page.evaluate("document.querySelectorAll('.choice details').forEach(d => d.open = true)")
        told = Axe().run(page, options={"runOnly": rules}).response["violations"]
        assert [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in told] == []
        words = page.inner_text("main")
        assert title in words and "ft²" in words
        assert not any(unit in words for unit in (" m²", " kg", "best "))
    context.close()


def test_a_figure_says_from_what_it_is_and_a_plan_is_taken_from_the_keyboard(
    browser: Any, server: str, book: Book
) -> None:
    page = browser.new_page()
    page.goto(server + PAGE)
    page.focus(".choice-lines li:nth-child(12) summary >> nth=0")
    page.keyboard.press("Enter")
    assert page.locator(".choice-lines li:nth-child(12) p >> nth=0").is_visible()
    assert "Casting days:" in page.inner_text(".choice-lines li:nth-child(12) p >> nth=0")
    page.focus("[aria-label='Take this plan: least work']")
    page.keyboard.press("Enter")
    page.wait_for_url("**/plans?event=*")
    assert [plan.state.value for plan in book.plans.all()] == ["accepted"]
    page.close()
