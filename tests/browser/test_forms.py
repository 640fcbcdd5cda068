"""Numbers typed on the big keypad, faults told at their field, and what was typed kept: in a browser, for every field of a kind."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_day import Server
from test_taps import accepted

pytestmark = pytest.mark.browser
TABLET = {"width": 1024, "height": 768}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    server = Server(accepted(tmp_path_factory.mktemp("forms") / "s.sqlite"))
    yield server
    server.kill()


def keyed(page: Any, keys: str) -> None:
    for key in keys:
        page.locator("[data-figures]:visible").locator(f'[data-key="{key}"]').click()


def test_a_figure_grows_only_into_what_is_allowed(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport=TABLET)
    page.goto(f"{shop.url}/casting/log?pour=0")
    typed = (
        "(keys, least, most, decimals) => [...keys].reduce((text, key) => text === null ? null"
        " : figures.typed(text, key, { least, most, decimals }), '')"
    )
    for keys, limits, text in (
        ("185", (0.1, 12, 2), "1.85"),  # the point sets itself where only it makes sense
        ("12", (0.1, 12, 2), "12"),
        ("129", (0.1, 12, 2), None),
        ("0072", (0.004, 0.472, 3), "0.072"),
        ("000", (0.004, 0.472, 3), "0.00"),
        ("0000", (0.004, 0.472, 3), None),
        ("9", (100, 600, 0), None),
        ("318", (100, 600, 0), "318"),
        ("3181", (100, 600, 0), None),
        ("0", (0, 500, 2), "0"),
    ):
        assert page.evaluate(f"([k, a, b, c]) => ({typed})(k, a, b, c)", [keys, *limits]) == text, keys
    page.close()


@pytest.mark.parametrize("path", ["/melts", "/casting/log?pour=0"])
def test_every_field_of_numbers_refuses_what_cannot_be_and_says_why_there(
    browser: Any, shop: Server, path: str
) -> None:
    page = browser.new_page(viewport=TABLET)
    page.goto(shop.url + path)
    for details in page.locator("main details.notes:not([open]) > summary").all():
        details.click()
    fields = page.locator("[data-most]:visible").all()
    assert fields
    for field in fields:
        field.focus()
        field.fill("")
        most, pressed = float(field.get_attribute("data-most")), 0
        while field.evaluate("f => f === document.activeElement") and not field.get_attribute("aria-invalid"):
            if page.locator("[data-figures]").is_hidden():
                break
            keyed(page, "9")
            pressed += 1
            assert pressed < 8 and float(field.input_value() or 0) <= most, field.get_attribute("name")
    page.close()


def test_the_keypad_steps_from_the_planned_value_and_goes_on_by_itself(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport=TABLET)
    page.goto(f"{shop.url}/melts")
    first, second = page.locator("input.weighed").nth(0), page.locator("input.weighed").nth(1)
    planned = float(first.get_attribute("data-planned"))
    first.focus()
    page.click("[data-key=less]")
    assert abs(float(first.input_value()) - (planned - 0.1)) < 0.006
    page.click("[data-key=planned]")
    assert float(first.input_value()) == planned
    assert second.evaluate("f => f === document.activeElement")
    page.keyboard.press("Escape")
    assert page.locator("[data-figures]").is_hidden()
    page.close()


def test_a_refused_form_keeps_everything_and_tells_each_fault_at_its_field(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport=TABLET)
    page.goto(f"{shop.url}/melts")
    weighed = page.locator("input.weighed")
    for k in range(weighed.count()):
        weighed.nth(k).fill("450")
    page.click("button.main")
    page.wait_for_selector(".lots .fault")
    assert page.url.endswith("/melts") and "planned" in page.locator(".lots .fault").first.inner_text()
    assert [weighed.nth(k).input_value() for k in range(weighed.count())] == ["450"] * weighed.count()
    page.click("[data-sure]")  # it is meant: then the book says that there is not so much
    page.wait_for_selector(".lots .fault:has-text('holds')")
    assert page.evaluate("document.activeElement.getAttribute('aria-describedby')")
    weighed.first.fill("1")
    assert page.locator(".lots .fault").count() == weighed.count() - 1, "a mended field says nothing more"
    page.close()


def test_a_form_with_a_refused_figure_is_looked_at_before_it_is_sent(browser: Any, shop: Server) -> None:
    page = browser.new_page(viewport=TABLET)
    page.goto(f"{shop.url}/casting/log?pour=0")
    field = page.locator("input[data-most]:visible").first
    stood = field.input_value()
    field.focus()
    for _ in range(6):
        if field.get_attribute("aria-invalid"):
            break
        keyed(page, "9")
    field.focus()
    assert field.get_attribute("aria-invalid"), stood
    page.evaluate("document.activeElement.blur()")
    page.locator("footer .main").click()
    assert field.evaluate("f => f === document.activeElement"), "the form is not sent, the field is shown"
    assert "/casting/log" in page.url
    page.close()
