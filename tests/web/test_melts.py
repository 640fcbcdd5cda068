"""A melt without a plan on the pages: asked for, weighed, booked, corrected, poured off; and what leaves the shop."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient

from pipemetal.alloys.composition import Composition
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
PLAN = "Brindle House #1"
OWN = {"sec-fetch-site": "same-origin"}
ASKED = {
    "recipe": "half",
    "wanted": "100",
    "pot": "empty",
    "pot_mass": "",
    "pot_metal": "",
    "aim": "cost",
    "certainty": "95",
}
SCALE = {
    "w:T1": "50.2",
    "w:L1": "50.4",
    "dross": "0.8",
    "id": "2026-7",
    "day": "2026-11-25",
    "note": "cold day",
    "token": "t1",
}


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False) as held:
        yield held


def total(book: Book, account: str) -> float:
    return sum(book.ledger.stock().get(account, {}).values())


def test_the_list_says_what_to_weigh_what_it_gives_and_what_binds_it(client: TestClient) -> None:
    page = client.get("/melts/new").text
    assert "What is wanted" in page and 'name="out:T1"' in page
    answer = client.post("/melts/new", data=ASKED)
    assert answer.status_code == 200
    for words in (
        "What to weigh",
        "into an empty pot",
        'name="w:T1"',
        "Limits",
        "h to melt",
        "must be dry and warm",
        "zinc",
        "last, with the fire low",
        "Dross takes",
    ):
        assert words in answer.text, words
    assert answer.text.index('name="w:L1"') < answer.text.index('name="w:T1"'), "lead goes in first"


def test_a_lot_is_left_out_and_the_smallest_addition_is_named(client: TestClient) -> None:
    without = client.post("/melts/new", data=ASKED | {"out:T1": "1", "aim": "scrap"})
    assert without.status_code == 200 and 'name="w:T1"' not in without.text
    assert "Sn would mend it" in without.text and "reaches" in without.text
    assert 'name="out:T1" value="1" checked' in " ".join(without.text.split())


def test_faults_stand_beside_their_fields_all_at_once_with_what_was_typed(client: TestClient) -> None:
    asked = ASKED | {"wanted": "4500", "pot": "typed", "pot_mass": "many", "pot_metal": "Xx 5", "recipe": "gold"}
    answer = client.post("/melts/new", data=asked)
    assert answer.status_code == 422
    assert answer.text.count('aria-invalid="true"') == 4
    assert "Type a mass from 1.00 kg to 450.00 kg." in answer.text
    for typed in ('value="4500"', 'value="many"', 'value="Xx 5"'):
        assert typed in answer.text
    for more in (
        {"pot_mass": "5"},
        {"pot": "heel:none"},
        {"pot": "typed", "pot_mass": "200", "pot_metal": "Sn 50 Pb bal"},
        {"wanted": ""},
        {"aim": "gold"},
        {"out:T1": "1", "out:L1": "1", "out:S1": "1"},
    ):
        told = client.post("/melts/new", data=ASKED | more)
        assert told.status_code == 422 and 'class="fault"' in told.text, more


def test_what_the_scale_said_is_booked_once_and_taken_back(client: TestClient, planned: Book) -> None:
    form = ASKED | SCALE
    answer = client.post("/melts/new/book", data=form)
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    assert "melt charged" in page and "2026-7" in page and f'action="/undo/{planned.history.last()}"' in page
    held = planned.ledger.stock()["melt:2026-7"]
    assert sum(held.values()) == pytest.approx(99.8) and held["Sn"] / 99.8 == pytest.approx(0.4990, abs=0.0005)
    row = planned.melts.row("2026-7")
    assert (row.recipe, row.day, row.plan, row.note) == ("half", "2026-11-25", "", "cold day")
    again = client.post("/melts/new/book", data=form)
    assert again.status_code == 303 and again.headers["location"].endswith(f"event={planned.history.last()}")
    assert client.post(f"/undo/{planned.history.last()}").status_code == 303
    assert total(planned, "lot:T1") == pytest.approx(300.0) and "melt:2026-7" not in planned.ledger.stock()


def test_a_melt_outside_its_window_is_told_by_the_book(client: TestClient, planned: Book) -> None:
    client.post("/melts/new/book", data=ASKED | SCALE | {"w:T1": "40"})
    assert "Sn outside its limits" in client.get("/melts").text
    client.post(f"/undo/{planned.history.last()}")
    assert "outside its window" not in client.get("/melts").text.partition("Where from")[0]


def test_more_than_there_is_is_refused_in_one_message_with_the_readings_kept(client: TestClient, planned: Book) -> None:
    before = planned.history.last()
    answer = client.post("/melts/new/book", data=ASKED | SCALE | {"w:T1": "310", "w:L1": "50,4"})
    assert answer.status_code == 422 and planned.history.last() == before
    assert "More is weighed than is free: T1." in answer.text and "The book holds 300.00 kg of it." in answer.text
    for kept in ('value="310"', 'value="50,4"', 'value="cold day"', 'value="t1"', 'value="2026-7"'):
        assert kept in answer.text, kept
    assert client.post("/melts/new/book", data=ASKED | SCALE).status_code == 303


def test_what_a_plan_keeps_is_refused_with_the_plans_name(client: TestClient, planned: Book) -> None:
    planned.plans.accept(PLAN)
    kept = planned.lots.reserved_kg()["T1"]
    free = 300.0 - kept
    listed = client.post("/melts/new", data=ASKED)
    assert listed.status_code == 200 and "reserved" in listed.text
    answer = client.post("/melts/new/book", data=ASKED | SCALE | {"w:T1": f"{free + 1:.2f}"})
    assert answer.status_code == 422
    assert f"Free: {free:.2f} kg of 300.00 kg. Reserved: {kept:.2f} kg: {PLAN}" in answer.text
    counted = client.post("/melts/new", data=ASKED | {"reserved": "1"})
    assert "It cannot be booked until the plan is given up" in counted.text


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"w:T1": "", "w:L1": ""}, "Type what the scale says"),
        ({"w:T1": "290", "w:L1": "290"}, "look at the readings again"),
        ({"w:T1": "nan"}, "Type a mass from"),
        ({"w:T1": "-3"}, "Type a mass from"),
        ({"id": ""}, "Type something here"),
        ({"day": "yesterday"}, "Type a day as"),
        ({"dross": "200"}, "not what can be skimmed"),
        ({"other:1": "S1"}, "Type its mass"),
        ({"other_kg:1": "5"}, "Say which lot"),
        ({"other:1": "T1", "other_kg:1": "5"}, "already"),
        ({"other:1": "none", "other_kg:1": "5"}, "This lot is not in the book"),
    ],
)
def test_a_booking_that_cannot_be_is_marked_and_nothing_is_booked(
    client: TestClient, planned: Book, typed: dict[str, str], told: str
) -> None:
    before = planned.history.last()
    answer = client.post("/melts/new/book", data=ASKED | SCALE | typed)
    assert answer.status_code == 422 and told in answer.text
    assert planned.history.last() == before


def test_an_id_that_is_used_is_marked(client: TestClient) -> None:
    assert client.post("/melts/new/book", data=ASKED | SCALE).status_code == 303
    again = client.post("/melts/new/book", data=ASKED | SCALE | {"token": "t2"})
    assert again.status_code == 422 and "in the book already" in again.text and 'aria-invalid="true"' in again.text


def test_a_lot_beside_the_list_and_a_heel_go_in_too(client: TestClient, planned: Book) -> None:
    client.post("/melts/new/book", data=ASKED | SCALE)
    asked = ASKED | {"pot": "heel:2026-7", "pot_mass": "20"}
    page = client.post("/melts/new", data=asked).text
    assert "on a heel of 20.0 kg" in page
    more = {"id": "2026-8", "token": "t2", "other:1": "S1", "other_kg:1": "3.5"}
    assert client.post("/melts/new/book", data=asked | SCALE | more).status_code == 303
    assert total(planned, "melt:2026-8") == pytest.approx(50.2 + 50.4 + 3.5 + 20.0 - 0.8)
    assert total(planned, "melt:2026-7") == pytest.approx(79.8)
    assert client.post("/melts/new", data=ASKED | {"pot": "heel:2026-7", "pot_mass": "200"}).status_code == 422
    assert client.get("/melts/new?heel=2026-7").text.count('value="heel:2026-7" selected') == 1


def test_metal_in_the_pot_that_the_book_does_not_know_is_counted_in(client: TestClient, planned: Book) -> None:
    asked = ASKED | {"pot": "typed", "pot_mass": "20", "pot_metal": "Sn 48 Pb bal"}
    assert client.post("/melts/new/book", data=asked | SCALE).status_code == 303
    assert "melt:2026-7 heel" in planned.melts.row("2026-7").inputs


def test_pounds_and_a_comma_are_read_and_shown(client: TestClient, planned: Book) -> None:
    client.cookies.set("pipemetal_show", "mm.lb.C.comma.en.auto")
    page = client.post("/melts/new", data=ASKED | {"wanted": "220,5"}, headers=OWN).text
    assert " lb" in page and 'data-planned="' in page
    assert (
        client.post(
            "/melts/new/book", data=ASKED | SCALE | {"wanted": "220,5", "w:T1": "110,5", "w:L1": "111 lb"}, headers=OWN
        ).status_code
        == 303
    )
    inputs = planned.melts.row("2026-7").inputs
    assert json.loads(inputs)["T1"] == pytest.approx(110.5 * 0.45359237)
    bad = client.post("/melts/new", data=ASKED | {"wanted": "9000"}, headers=OWN)
    assert "992,08 lb" in bad.text


def test_german_says_it_in_german(client: TestClient) -> None:
    client.cookies.set("pipemetal_show", "mm.kg.C.comma.de.auto")
    page = client.post("/melts/new", data=ASKED, headers=OWN).text
    for words in (
        "Schmelze einwiegen",
        "zuletzt, bei kleinem Feuer",
        "Was zu wiegen ist",
        "in den leeren Kessel",
        "Krätze",
    ):
        assert words in page, words
    bad = client.post("/melts/new/book", data=ASKED | SCALE | {"w:T1": "310"}, headers=OWN).text
    assert "Es ist mehr eingewogen, als frei ist: T1." in bad and "Das Buch hat davon 300,00 kg." in bad


def charged(client: TestClient, planned: Book) -> str:
    """A melt that came out low in tin, with its assay in the book."""
    client.post("/melts/new/book", data=ASKED | SCALE)
    planned.ledger.analyse("melt:2026-7", Composition.parse("Sn 47 Pb bal"))
    return "2026-7"


def test_what_a_correction_asks_for_is_booked_into_the_melt(client: TestClient, planned: Book) -> None:
    melt = charged(client, planned)
    page = client.get(f"/melts/correct?melt={melt}").text
    assert 'value="99.8"' in page and 'value="Sn 47 Pb bal"' in page and f"/stock?melt={melt}#weigh" in page
    asked = {"melt": melt, "recipe": "half", "mass": "99.8", "assay": "Sn 47 Pb bal"}
    answer = client.post("/melts/correct", data=asked)
    assert 'name="w:T1"' in answer.text and "Book what was added" in answer.text
    version = str(planned.melts.row(melt).version)
    form = asked | {"w:T1": "4.5", "dross": "0.1", "version": version, "token": "c1", "note": ""}
    refused = client.post("/melts/correct/book", data=form | {"w:T1": "900"})
    assert refused.status_code == 422 and "The book holds" in refused.text and 'value="900"' in refused.text
    assert client.post("/melts/correct/book", data=form | {"w:T1": ""}).status_code == 422
    done = client.post("/melts/correct/book", data=form)
    assert done.status_code == 303 and "melt corrected" in client.get(done.headers["location"]).text
    assert total(planned, f"melt:{melt}") == pytest.approx(99.8 + 4.5 - 0.1)
    assert client.post("/melts/correct/book", data=form).headers["location"] == done.headers["location"]
    assert client.post("/melts/correct/book", data=form | {"token": "c2"}).status_code == 409, (
        "the melt has changed meanwhile"
    )
    assert client.post(f"/undo/{planned.history.last()}").status_code == 303
    assert total(planned, f"melt:{melt}") == pytest.approx(99.8)


def test_an_assay_that_the_book_does_not_hold_is_asked_for(client: TestClient, planned: Book) -> None:
    melt = charged(client, planned)
    page = client.post(
        "/melts/correct", data={"melt": melt, "recipe": "half", "mass": "99.8", "assay": "Sn 46 Pb bal"}
    ).text
    assert "Enter the assay in the book first" in page
    assert f'<option value="melt:{melt}" selected>' in client.get(f"/stock?melt={melt}").text
    wrong = client.post("/melts/correct", data={"melt": melt, "recipe": "none", "mass": "x", "assay": "?"})
    assert wrong.status_code == 422 and wrong.text.count('aria-invalid="true"') == 3


def test_metal_poured_off_becomes_a_lot(client: TestClient, planned: Book) -> None:
    melt = charged(client, planned)
    form = {"melt": melt, "ingot_lot": "I-1", "ingot_mass": "12", "token": "i1"}
    for wrong in ({"ingot_mass": "500"}, {"ingot_lot": ""}, {"ingot_lot": "T1"}):
        answer = client.post("/melts/ingots", data=form | wrong)
        assert answer.status_code == 422 and 'aria-invalid="true"' in answer.text
    done = client.post("/melts/ingots", data=form)
    assert done.status_code == 303 and f"melt={melt}" in done.headers["location"]
    assert "ingots poured" in client.get(done.headers["location"]).text
    assert total(planned, "lot:I-1") == pytest.approx(12.0) and total(planned, f"melt:{melt}") == pytest.approx(87.8)
    client.post(f"/undo/{planned.history.last()}")
    assert "lot:I-1" not in planned.ledger.stock()
    assert client.post("/melts/ingots", data=form | {"melt": "none"}).status_code == 422


def test_metal_is_sold_once_and_taken_back(client: TestClient, planned: Book) -> None:
    form = {"account": "lot:S1", "mass": "15", "token": "s1"}
    assert "Metal that is sold" in client.get("/stock").text
    first, again = (client.post("/stock/sell", data=form) for _ in range(2))
    assert first.status_code == again.status_code == 303 and first.headers["location"] == again.headers["location"]
    assert total(planned, "lot:S1") == pytest.approx(25.0) and total(planned, "sold") == pytest.approx(15.0)
    assert client.post("/stock/sell", data=form | {"mass": "30", "token": "s2"}).status_code == 422
    client.post(f"/undo/{planned.history.last()}")
    assert total(planned, "lot:S1") == pytest.approx(40.0)


def test_a_roll_is_sold_from_its_own_page(client: TestClient, planned: Book) -> None:
    page = client.get("/racks/R1").text
    assert "Book the whole roll as sold" in page
    sold = client.post(
        "/stock/sell", data={"account": "roll:R1", "mass": f"{total(planned, 'roll:R1')} kg", "token": "s"}
    )
    assert sold.status_code == 303 and "Book the whole roll" not in client.get(sold.headers["location"]).text
    assert planned.rolls.row("R1").state == "sold"


def test_what_a_sheet_leaves_is_trimmed_on_the_casts_page(client: TestClient, planned: Book) -> None:
    client.post("/melts/new/book", data=ASKED | SCALE)
    cast = LoggedCast(
        "C1", Composition.parse("Sn 50 Pb bal"), 2.0, 30.0, Sled(250.0, 400.0), 2000.0, ((100.0, 1.2), (1900.0, 1.0))
    )
    planned.casts.record(cast, melt="2026-7", used_kg=18.0)
    assert "all of it, 18.0 kg, would go to scrap" in client.get("/casting/cast/C1").text
    form = {"cast": "C1", "swarf": "0,4", "token": "c"}
    assert client.post("/casting/trim", data=form | {"swarf": "90"}).status_code == 422
    assert client.post("/casting/trim", data=form).status_code == 303
    assert total(planned, "swarf") == pytest.approx(0.4) and total(planned, "lot:scrap-half") == pytest.approx(17.6)
    assert "Trim the sheet" not in client.get("/casting/cast/C1").text
    client.post(f"/undo/{planned.history.last()}")
    assert total(planned, "sheet:C1") == pytest.approx(18.0)


def test_who_only_looks_sees_the_list_and_books_nothing(planned: Book) -> None:
    from pipemetal.web.sessions import COOKIE

    planned.people.add("Ada", "run", pin="4711")
    with planned.acting("Ada"):
        planned.people.add("Dot", "look", pin="4714")
    site = Site(planned)
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as client:
        client.cookies.set(COOKIE, site.door.sessions.begin("Dot", site.book.people.person("Dot").seal))
        page = client.post("/melts/new", data=ASKED, headers=OWN)
        assert page.status_code == 200 and "What to weigh" in page.text and "Book the melt" not in page.text
        for path in ("/melts/new/book", "/melts/correct/book", "/melts/ingots", "/stock/sell", "/casting/trim"):
            assert client.post(path, data=ASKED | SCALE, headers=OWN).status_code == 403
    assert "melt:2026-7" not in planned.ledger.stock()


def test_scripts_weigh_out_and_book(client: TestClient, planned: Book) -> None:
    asked: dict[str, Any] = {"recipe": "half", "wanted_kg": 100.0}
    found = client.post("/api/melts/charge", json=asked).json()
    assert {"lots", "composition_wt_pct", "interval_wt_pct", "mass_kg", "cost", "gap_percent", "relaxed"} <= set(found)
    blocked = client.post("/api/melts/charge", json=asked | {"leave_out": ["T1"]}).json()
    assert blocked["blocked_by"][0]["element"] == "Sn" and blocked["missing_kg"]["Sn"] > 0
    weighed = {line["id"]: line["mass_kg"] for line in found["lots"]}
    form = {"recipe": "half", "id": "A-1", "weighed_kg": weighed, "dross_kg": 0.8, "day": "2026-11-25", "token": "k"}
    event = client.post("/api/melts", json=form).json()["event"]
    assert client.post("/api/melts", json=form).json() == {"event": event, "already": True}
    assert client.post("/api/melts", json=form | {"plan": PLAN, "token": ""}).status_code == 422
    on_heel = client.post("/api/melts/charge", json=asked | {"heel_of": "A-1", "heel_kg": 10.0})
    assert on_heel.status_code == 200
    added = {"melt": "A-1", "added_kg": {"T1": 2.0}, "version": planned.melts.row("A-1").version}
    assert client.post("/api/melts/correct", json=added).status_code == 200
    assert client.post("/api/melts/correct", json=added).status_code == 409
    for wrong in (
        {"recipe": "gold"},
        {"wanted_kg": 5000.0},
        {"heel_of": "none"},
        {"heel_kg": 5.0},
        {"objective": "gold"},
    ):
        assert client.post("/api/melts/charge", json=asked | wrong).status_code in (404, 422), wrong


def test_what_a_planned_melt_will_be_follows_the_scale(client: TestClient, planned: Book) -> None:
    plan = planned.plans.plan()
    assert plan is not None
    melt = next(m for m in plan.melts if m.charge)
    asked = {"plan": planned.plans.all()[0].id, "melt": melt.name}
    as_planned = client.post("/melts/as-weighed", data=asked).text
    assert "so far" not in as_planned and 'class="rows elements"' in client.get(f"/melts?melt={melt.name}").text
    line = melt.lots[0]
    more = client.post("/melts/as-weighed", data=asked | {f"w:{line.id}": f"{1.2 * line.mass_kg:.1f}"}).text
    assert "so far" in more and more.partition("<p")[0] != as_planned
    # what is no mass counts as planned, and is told with its field
    for field, typed, name in (
        (f"w:{line.id}", "12,,", line.shown),
        (f"w:{line.id}", "-3", line.shown),
        ("dross", "abc", "Dross"),
    ):
        told = client.post("/melts/as-weighed", data=asked | {field: typed}).text
        assert told.startswith(as_planned.rstrip()) and f"{typed} is no mass" in told and name in told
    # so is dross: the melt is the lighter by what is skimmed more
    assert melt.charge is not None
    skimmed = f"{melt.charge.dross_kg + 5.0:.1f}"
    told = client.post("/melts/as-weighed", data=asked | {"dross": skimmed}).text
    left_kg = melt.charge.mass_kg + melt.charge.dross_kg - float(skimmed)
    assert f"{left_kg:.1f} kg in the pot, {skimmed} kg of dross" in told
    assert client.post("/melts/as-weighed", data=asked | {"dross": f"{melt.charge.dross_kg:.1f}"}).text == as_planned
    assert client.post("/melts/as-weighed", data=asked | {"melt": "M99"}).status_code == 404
