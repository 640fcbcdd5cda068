"""A sheet is cast once, an id is one thing's, a melt stands on the heel of its pot, a reading is judged as it is typed."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator

import pytest
from shop_pages import small_organ_casts
from starlette.testclient import TestClient

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.plans.record import Charged, Melt, Plan
from pipemetal.shop.book import Book, NewLot
from pipemetal.shop.rows import OrderState
from pipemetal.web.app import create_app
from pipemetal.web.site import Site
from pipemetal.web.views.finding import Known, known_of_plan, matches
from pipemetal.web.views.melt import melt_below

BASE = "http://127.0.0.1:8137"
OWN = {"x-part": "form"}
CAST = small_organ_casts()[0]
TIN = Composition.parse("Sn 100")


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False) as held:
        yield held


def lot(book: Book, name: str) -> None:
    book.lots.add(NewLot(name, "pig", 20.0, TIN))


def roll(book: Book, name: str, cast: str = "") -> None:
    held = book.rolls.roll(book.rolls.rows()[0].id)
    book.rolls.add(dataclasses.replace(held, id=name, parent=None), cast=cast)


def cast(book: Book, name: str) -> None:
    book.casts.record(dataclasses.replace(CAST, id=name))


MAKERS: tuple[Callable[[Book, str], None], ...] = (lot, roll, cast)


@pytest.mark.parametrize("first", MAKERS)
@pytest.mark.parametrize("second", MAKERS)
def test_an_id_that_is_scanned_names_one_thing(
    planned: Book, first: Callable[[Book, str], None], second: Callable[[Book, str], None]
) -> None:
    first(planned, "Z9")
    with pytest.raises(BookError) as told:
        second(planned, "Z9")
    assert told.value.field == "id"


def test_a_roll_may_be_called_as_its_own_cast(planned: Book) -> None:
    cast(planned, "Z9")
    roll(planned, "Z9", "Z9")
    roll(planned, "Z8", "Z8")
    cast(planned, "Z8")


def test_a_cast_with_the_id_of_a_roll_is_refused_at_its_field(client: TestClient, planned: Book) -> None:
    name = planned.rolls.rows()[0].id
    form = {"id": name, "alloy": "half", "gate_mm": "1.5", "charge_kg": "40", "length_mm": "2000", "sled": "250 x 500"}
    blank = dict.fromkeys(("thickness", "push_time_s", "pour_temperature_c", "verdict", "day", "note"), "")
    answer = client.post("/casting/log", data=form | blank, headers=OWN)
    assert answer.json()["faults"][0]["field"] == "id" and name in answer.json()["faults"][0]["words"]


@pytest.fixture
def accepted(planned: Book) -> Book:
    planned.plans.accept(planned.plans.all()[0].id)
    return planned


def test_a_sheet_is_cast_once_whatever_page_was_kept(client: TestClient, accepted: Book) -> None:
    order = accepted.plans.cast_list()[0]
    plan = accepted.plans.plan(order.plan)
    assert plan is not None
    n = next(k for k, p in enumerate(plan.pours) if p.sheet == order.sheet)
    accepted.casts.record(dataclasses.replace(CAST, id="K90"), order=order.id)
    page = client.get(f"/casting/log?pour={n}").text
    assert f"{order.sheet} is cast already, as K90." in page
    assert 'href="/casting/log?cast=K90"' in page and "<form" not in page.partition("<main")[2]
    with pytest.raises(BookError, match="is cast already, as K90"):
        accepted.casts.record(dataclasses.replace(CAST, id="K91"), order=order.id)
    held = accepted.plans.cast_list(order.plan, state=OrderState.CAST)
    assert [o.cast for o in held if o.sheet == order.sheet] == ["K90"] and not accepted.casts.has("K91")


def test_a_sheet_does_not_take_the_cast_of_a_roll_that_hung_before(client: TestClient, accepted: Book) -> None:
    """A roll bought or brought in names a cast that no log holds."""
    order = accepted.plans.cast_list()[0]
    roll(accepted, "Z70", "K70")
    proposed = re.search(r'name="id"\s+value="([^"]*)"', client.get("/casting/log").text)
    assert proposed is not None and proposed[1] == "K71"
    with pytest.raises(BookError, match="is the cast that roll Z70 came from"):
        accepted.casts.record(dataclasses.replace(CAST, id="K70"), order=order.id)
    cast(accepted, "K70")
    assert "Z70" not in client.get("/casting/measure?cast=K70").text.partition("<main")[2]


@pytest.mark.parametrize(("typed", "words"), [("9.90", "out of range"), ("0.02", "out of range")])
def test_a_reading_that_no_push_gives_is_refused_at_its_place(
    client: TestClient, planned: Book, typed: str, words: str
) -> None:
    cast(planned, "K90")
    page = client.get("/casting/measure?cast=K90&readings=6").text
    names = re.findall(r'name="(t\d+-\d)"', page)
    form = {"cast": "K90", "along": "2", "version": "1"} | dict.fromkeys(names, "1.10")
    answer = client.post("/casting/measure", data=form | {names[3]: typed}, headers=OWN)
    assert answer.json()["faults"][0]["field"] == names[3] and words in answer.json()["faults"][0]["words"]


def test_doubtful_readings_are_told_at_their_place_in_words_of_the_shop(client: TestClient, planned: Book) -> None:
    cast(planned, "K90")
    page = client.get("/casting/measure?cast=K90&readings=6").text
    names = re.findall(r'name="(t\d+-\d)"', page)
    form = {"cast": "K90", "along": "2", "version": "1"} | dict.fromkeys(names, "1.10")
    fault = client.post("/casting/measure", data=form | {names[2]: "1.90"}, headers=OWN).json()["faults"][0]
    assert fault["field"] == names[2] and "is doubtful: measure it again, or say to keep it" in fault["words"]
    del form[names[5]]
    fault = client.post("/casting/measure", data=form, headers=OWN).json()["faults"][0]
    assert fault["field"] == names[5] and "is open" in fault["words"]


def test_the_heel_is_that_of_the_melt_before_in_the_same_pot(planned: Book) -> None:
    plan = planned.plans.plan(planned.plans.all()[0].id)
    assert plan is not None

    def melt(name: str, pot: str, heel: float) -> Melt:
        return Melt(name, "half", heel_kg=heel, pot=pot, charge=Charged(()))

    held: Plan = dataclasses.replace(
        plan, melts=(melt("M1", "a", 0.0), melt("M2", "b", 0.0), melt("M3", "a", 15.0), melt("M4", "b", 0.0))
    )
    booked = {"M1": "first", "M2": "second"}
    assert [melt_below(held, m, booked) for m in held.melts] == ["", "", "first", ""]
    assert melt_below(held, held.melts[2], {"M2": "second"}) == ""


def test_a_short_word_is_looked_for_whole_and_pipes_come_in_the_order_of_their_keys(planned: Book) -> None:
    known = [Known("roll", "R1", "/racks/R1", more="rack A, arm 3"), Known("roll", "R2", "/racks/R2", more="rack B, a")]
    known += [Known("roll", "R3", "/racks/R3", more="rack B, arm 3")]
    assert [m.before + m.hit + m.after for m in matches("rack a", known)[0]] == ["R1", "R2"]
    roll(planned, "Z70")
    planned.rolls.change("Z70", planned.rolls.row("Z70").version, place="wall Q, arm 1")
    roll(planned, "Z71")
    planned.rolls.change("Z71", planned.rolls.row("Z71").version, place="wall R, quick arm")
    assert [f.roll.id for f in planned.rolls.find(text="wall q")] == ["Z70"]
    plan = planned.plans.plan(planned.plans.all()[0].id)
    assert plan is not None
    rank = plan.pipes[0].rank
    found = [m.before + m.hit + m.after for m in matches(rank, known_of_plan(plan, ""))[0] if m.kind == "pipe"]
    assert found == [p.id for p in plan.pipes if rank in p.id] and len(found) > 1
