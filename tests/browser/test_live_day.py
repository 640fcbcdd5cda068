"""A casting day, live: weigh, pour, log, measure, take the new plan, the next pour, a failed cast, lost days, undo; a tablet that dies."""

import datetime as dt
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
sys.path.insert(0, str(Path(__file__).parent))
from shop_pages import working_book, working_plan
from test_day import Server, served  # noqa: F401

from pipemetal.shop.book import Book
from pipemetal.shop.rows import OrderState

pytestmark = pytest.mark.browser


def _accepted(path: Path) -> None:
    with working_book(path) as book:
        book.plans.accept(working_plan(book))


def _poured(page: Any, server: Server, n: int) -> None:
    """From the pour's page through the log to the page of measuring."""
    page.goto(f"{server.url}/casting/pour?n={n}")
    page.click("[data-log]")
    page.click("label.verdict:has-text('good')")
    page.click("[data-for=f-push_time_s][data-step='0.1']")
    with Book.open(server.shop, who="tester") as book:
        plan = book.plans.plan()
    assert plan is not None
    page.fill("#f-leftover_kg", f"{plan.pours[n].left_kg:.1f}")
    page.click("text=Enter the cast")
    page.wait_for_url("**/casting/measure**")


def _read(page: Any, places: list[Any], factor: float) -> None:
    """Some places read with the big keys."""
    for place in places:
        place.focus()
        for figure in f"{factor * float(place.get_attribute('data-expected')):.2f}":
            page.click(f"[data-key='{figure}']")


def _melted(page: Any, server: Server) -> None:
    page.goto(f"{server.url}/melts")
    page.click("text=All as planned")
    page.click("button.main")
    page.wait_for_selector("[data-saved]:visible, [data-sure]:visible")
    if page.is_visible("[data-sure]"):
        page.click("[data-sure]")
    page.wait_for_selector("[data-saved]:visible")
    assert "melt charged" in page.inner_text("main")


def _lost(page: Any, server: Server, days: list[dt.date]) -> None:
    """The shop casts on every day of the week from today on, and says which days it lost."""
    page.goto(f"{server.url}/settings/shop?group=day")
    page.fill("input:not([type=hidden])[name$='starts_on']", days[0].isoformat())
    page.fill("input:not([type=hidden])[name$='weekdays']", "Mon-Sun")
    page.fill("input:not([type=hidden])[name$='lost_days']", ", ".join(d.isoformat() for d in days))
    page.click("button.main")
    page.wait_for_url("**event=**")


def test_a_casting_day_live(browser: Any, served: Callable[[Callable[[Path], None]], Server]) -> None:  # noqa: F811
    server = served(_accepted)
    tablet = browser.new_context(viewport={"width": 1024, "height": 768})
    page = tablet.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    _melted(page, server)
    _poured(page, server, 0)
    fields = page.query_selector_all("[data-expected]")
    assert len(fields) == 15
    _read(page, fields[:9], 0.95)
    assert "9 good, 0 doubtful, 6 open" in page.inner_text("footer")
    # the tablet dies and the server with it; what was typed stands there again
    page.close()
    server.kill()
    server.start()
    page = tablet.new_page()
    page.goto(f"{server.url}/casting")
    with Book.open(server.shop, who="tester") as book:
        cast = book.casts.log()[-1].id
    page.goto(f"{server.url}/casting/measure?cast={cast}")
    fields = page.query_selector_all("[data-expected]")
    assert [f.input_value() != "" for f in fields] == [True] * 9 + [False] * 6
    _read(page, fields[9:14], 0.95)
    _read(page, fields[14:], 0.5)
    assert "14 good, 1 doubtful, 0 open" in page.inner_text("footer")
    page.click("button.main")
    page.wait_for_url("**/casting/after**")
    page.wait_for_selector("[data-after]")
    with Book.open(server.shop, who="tester") as book:
        plan_id = book.plans.all()[0].id
        before, log = book.plans.plan(plan_id), book.casts.log()[-1]
        assert len(log.thickness_mm) == 14 and book.rolls.cast_from(cast)
    # nothing is changed before it is taken; taken, it can be taken back
    page.click("text=Take the new plan")
    assert "plan taken anew" in page.inner_text("main")
    with Book.open(server.shop, who="tester") as book:
        taken = book.plans.plan(plan_id)
        assert taken != before
    page.click("button:text-is('Undo')")
    with Book.open(server.shop, who="tester") as book:
        assert book.plans.plan(plan_id) == before
    page.goto(f"{server.url}/casting/after?cast={cast}")
    page.click("text=Work it out")
    page.wait_for_selector("[data-after]")
    page.click("text=Take the new plan")
    # the next pour fails: its metal goes to scrap, and its blanks are planned anew
    with Book.open(server.shop, who="tester") as book:
        plan = book.plans.plan(plan_id)
        assert plan is not None
        waiting = {o.sheet for o in book.plans.cast_list(plan_id)}
    in_pot = plan.pours[0].melt
    n, pour = next((n, p) for n, p in enumerate(plan.pours) if p.sheet in waiting)
    if pour.melt != in_pot:  # its own melt is charged first, onto what the last one left in the pot
        _melted(page, server)
    _poured(page, server, n)
    with Book.open(server.shop, who="tester") as book:
        failed = next(o.cast for o in book.plans.cast_list(plan_id, state=OrderState.CAST) if o.sheet == pour.sheet)
    page.goto(f"{server.url}/casting/cast/{failed}")
    page.click("text=Book the rest as scrap")
    page.wait_for_url("**/casting/after**")
    # today and tomorrow are lost: what is left begins later, each melt on a day that is none of them
    lost = [dt.date.today() + dt.timedelta(days=k) for k in (0, 1)]
    _lost(page, server, lost)
    page.goto(f"{server.url}/casting/after?cast={failed}")
    page.click("text=Work it out")
    page.wait_for_selector("[data-after]")
    page.click("text=Take the new plan")
    with Book.open(server.shop, who="tester") as book:
        last = book.plans.plan(plan_id)
        assert last is not None and pour.sheet not in [s.id for s in last.new_sheets]
        blanks = {c.blank for s in last.sheets for c in s.cuts}
        assert before is not None and blanks == {c.blank for s in before.sheets for c in s.cuts}
        days = [last.day_of(m.name) for m in last.melts if set(m.sheets) & {s.id for s in last.new_sheets}]
        dates = [day.date for day in days if day is not None]
        assert dates and all(dt.date.fromisoformat(d) > lost[-1] for d in dates)
    assert wrong == []
