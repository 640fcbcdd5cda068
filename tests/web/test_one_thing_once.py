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
