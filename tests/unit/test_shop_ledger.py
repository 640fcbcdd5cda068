"""Analyses, weighings, what nothing explains, attachments, and the search by age, melt and place."""

import dataclasses

import pytest
from shop_samples import HALF, LEAD, PNG, TIN, a_roll

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.log_file import read_log
from pipemetal.sheets.roll import roll_mass_kg
from pipemetal.shop.attaching import MOST_BYTES
from pipemetal.shop.book import Book, NewLot, NewMelt, Piece
from pipemetal.shop.ledger import elements_ug, move
from pipemetal.shop.recipes import density_of
from pipemetal.shop.rolls import NewRoll
from pipemetal.shop.searching import Among
from pipemetal.shop.writing import Writing


def total(book: Book, account: str) -> float:
    return sum(book.ledger.stock().get(account, {}).values())


def charged(book: Book) -> None:
    book.lots.add(NewLot("A", "ingot", 50.0, HALF.target))
    book.melts.record(NewMelt("M1", "half", {"A": 40.0}))


def test_a_new_analysis_changes_the_elements_and_not_the_mass(book: Book) -> None:
    book.lots.add(NewLot("S", "scrap", 100.0, HALF.target, alloy="half", analysed=False))
    event = book.ledger.analyse("lot:S", Composition.parse("Sn 48 Sb 1 Pb bal"), method="XRF", laboratory="own").event
    assert book.ledger.stock()["lot:S"] == pytest.approx({"Sn": 48.0, "Sb": 1.0, "Pb": 51.0})
    assert book.ledger.stock()["assay"] == pytest.approx({"Sn": 2.0, "Sb": -1.0, "Pb": -1.0})
    assert total(book, "assay") == pytest.approx(0.0, abs=1e-9)
    (lot,) = book.lots.in_stock()[0]
    assert lot.analysed and lot.composition.wt_pct("Sb") == pytest.approx(1.0)
    (line,) = book.ledger.unexplained()
    assert (line.alloy, line.why) == ("half", "analysed") and line.mass_kg == pytest.approx(0.0, abs=1e-9)
    assert dict(line.elements_kg) == pytest.approx({"Sn": -2.0, "Sb": 1.0, "Pb": 1.0})
    book.history.undo(event)
    assert book.ledger.stock()["lot:S"] == pytest.approx({"Sn": 50.0, "Pb": 50.0})
    assert book.ledger.unexplained() == [] and not book.lots.in_stock()[0][0].analysed


def test_metal_of_unknown_elements_is_known_after_its_assay(book: Book) -> None:
    book.lots.add(NewLot("X", "scrap", 10.0))
    assert book.ledger.standing() == {"lot:X": 10.0}
    book.ledger.analyse("lot:X", Composition.parse("Sn 30 Pb bal"))
    assert book.ledger.standing() == {} and book.lots.in_stock()[1] == ()
    assert book.ledger.stock()["lot:X"] == pytest.approx({"Sn": 3.0, "Pb": 7.0})


def test_dross_takes_the_elements_that_were_found_in_it(book: Book) -> None:
    book.lots.add(NewLot("T", "pig", 50.0, TIN))
    book.lots.add(NewLot("P", "pig", 50.0, LEAD))
    book.melts.record(
        NewMelt("M1", "half", {"T": 40.0, "P": 40.0}, dross_kg=1.0, dross_metal=Composition.parse("Sn 80 Pb bal"))
    )
    assert book.ledger.stock()["dross"] == pytest.approx({"Sn": 0.8, "Pb": 0.2})
    assert book.ledger.stock()["melt:M1"] == pytest.approx({"Sn": 39.2, "Pb": 39.8})
    book.melts.record(
        NewMelt("M2", "half", {"melt:M1": 15.0, "T": 5.0, "P": 5.0}, assay=Composition.parse("Sn 52 Pb bal"))
    )
    assert book.ledger.stock()["melt:M2"] == pytest.approx({"Sn": 13.0, "Pb": 12.0})
    with pytest.raises(BookError, match="would hold"):
        book.melts.record(NewMelt("M3", "half", {"T": 1.0}, dross_kg=0.5, dross_metal=LEAD))


def test_a_weighing_that_differs_is_shown_by_alloy_and_month(book: Book) -> None:
    book.rolls.add(a_roll())
    mass = total(book, "roll:R1")
    book.ledger.weigh("roll:R1", mass - 0.25)
    book.lots.add(NewLot("S", "scrap", 10.0, HALF.target, alloy="half"))
    book.ledger.weigh("lot:S", 10.5)
    found = {(line.alloy, line.why): line.mass_kg for line in book.ledger.unexplained()}
    assert found == {("half", "lost"): pytest.approx(-0.25), ("half", "found"): pytest.approx(0.5)}
    assert all(len(line.month) == 7 for line in book.ledger.unexplained())
    assert book.keeping.doctor().faults == []
    with pytest.raises(BookError, match="say first what it is"):
        book.ledger.weigh("dross", 1.0)


def test_sold_metal_leaves_the_shop(book: Book) -> None:
    book.lots.add(NewLot("S", "scrap", 10.0, HALF.target))
    book.ledger.sell("lot:S", 4.0)
    assert (total(book, "lot:S"), total(book, "sold")) == (pytest.approx(6.0), pytest.approx(4.0))


def test_what_a_sheet_leaves_is_trimmed_to_swarf_and_scrap(book: Book) -> None:
    charged(book)
    book.casts.record(dataclasses.replace(read_log(packaged_file("log.csv"))[0], id="C1"), melt="M1", used_kg=20.0)
    book.rolls.add(a_roll(), cast="C1")
    left = total(book, "sheet:C1")
    assert book.ledger.standing()["sheet:C1"] == pytest.approx(left)
    book.casts.trim("C1", swarf_kg=1.0)
    assert total(book, "sheet:C1") == 0.0 and total(book, "swarf") == pytest.approx(1.0)
    assert total(book, "lot:scrap-half") == pytest.approx(left - 1.0)


@pytest.mark.parametrize("gone", ["scrap", "roll"])
def test_metal_that_has_left_a_sheet_is_not_hung(book: Book, gone: str) -> None:
    charged(book)
    book.casts.record(dataclasses.replace(read_log(packaged_file("log.csv"))[0], id="C1"), melt="M1", used_kg=12.0)
    assert book.casts.failed() == frozenset()
    event = (book.casts.trim("C1") if gone == "scrap" else book.rolls.add(a_roll("R1"), cast="C1")).event
    assert book.casts.failed() == ({"C1"} if gone == "scrap" else frozenset())
    before = book.ledger.standing()
    readings = [(100.0, 1.2), (1900.0, 0.8)]
    for origin in (None, "counted"):
        with pytest.raises(BookError, match=f"by event {event}.*take event {event} back first"):
            book.rolls.add(a_roll("R2"), cast="C1", origin=origin)
    with pytest.raises(BookError, match="is booked already"):
        book.casts.hang("C1", book.casts.row("C1").version, readings, NewRoll(a_roll("R2")))
    assert book.ledger.standing() == before
    assert [b.event for b in book.casts.booked("C1")][-1:] == [event]
    book.history.undo(event)
    assert book.casts.booked("C1") == () and book.casts.failed() == frozenset()
    book.casts.hang("C1", book.casts.row("C1").version, readings, NewRoll(a_roll("R2")))
    assert total(book, "counted") == 0.0


@pytest.mark.parametrize("origin", ["counted", "found"])
def test_the_doctor_finds_metal_that_hangs_twice(book: Book, monkeypatch: pytest.MonkeyPatch, origin: str) -> None:
    charged(book)
    book.casts.record(dataclasses.replace(read_log(packaged_file("log.csv"))[0], id="C1"), melt="M1", used_kg=12.0)
    book.rolls.add(a_roll("R1"), cast="C1")
    assert book.keeping.doctor().faults == []

    def as_before(w: Writing, cast: str, roll: str, mass_kg: float, metal: Composition) -> None:
        w.book(move(elements_ug(mass_kg, metal), origin, f"roll:{roll}"), why=origin)

    with monkeypatch.context() as older:  # a book of a program that did not refuse it
        older.setattr("pipemetal.shop.rolls.take_from_sheet", as_before)
        made = book.rolls.add(a_roll("R2"), cast="C1")
    (fault,) = book.keeping.doctor().faults
    assert "roll:R2" in fault and "cast C1" in fault and "twice" in fault
    book.history.undo(made.event)
    assert book.keeping.doctor().faults == []


def test_a_roll_a_little_heavier_than_its_sheet_takes_all_of_it(book: Book) -> None:
    charged(book)
    mass = roll_mass_kg(a_roll(), density_of(HALF.target))
    logged = read_log(packaged_file("log.csv"))[0]
    for name, share in (("C1", 0.95), ("C2", 0.5)):
        book.casts.record(dataclasses.replace(logged, id=name), melt="M1", used_kg=share * mass)
    book.rolls.add(a_roll(), cast="C1")
    assert total(book, "sheet:C1") == 0.0
    assert total(book, "found") == pytest.approx(-0.05 * mass) and total(book, "roll:R1") == pytest.approx(mass)
    with pytest.raises(BookError, match="and this roll would weigh"):
        book.rolls.add(a_roll("R2"), cast="C2")


def test_every_movement_says_why(book: Book) -> None:
    from sqlalchemy import select

    from pipemetal.shop.ledger import WHY
    from pipemetal.shop.schema import movements

    book.rolls.add(a_roll())
    event, _ = book.rolls.cut("R1", [Piece("p", (10.0, 10.0, 500.0, 500.0))])
    with book._writer.reading() as connection:
        told = set(connection.execute(select(movements.c.why).where(movements.c.event == event)).scalars())
    assert told == {"cut", "remnant", "kerf", "offcut"} and told < set(WHY)


def test_the_search_knows_place_words_and_state(book: Book) -> None:
    book.rolls.add(dataclasses.replace(a_roll("R1"), place="rack A, upper"), note="for the front", day="2019-03-01")
    book.rolls.add(dataclasses.replace(a_roll("R2"), place="rack B"), day="2024-11-30")
    book.rolls.add(a_roll("R3"))
    assert [f.roll.id for f in book.rolls.find(among=Among(place="Rack a, u"))] == ["R1"]
    assert [f.roll.id for f in book.rolls.find(text="FRONT upper")] == ["R1"]
    assert [f.roll.id for f in book.rolls.find(among=Among(made=("", "2020")))] == ["R1"]
    assert [f.roll.id for f in book.rolls.find(among=Among(made=("2020", "2024")))] == ["R2"]
    book.rolls.change("R3", 1, state="scrapped")
    assert {f.roll.id for f in book.rolls.find()} == {"R1", "R2"}
    assert {f.roll.id for f in book.rolls.find(among=Among(state=None))} == {"R1", "R2", "R3"}


def test_photos_are_kept_by_what_they_hold(book: Book) -> None:
    book.rolls.add(a_roll())
    event = book.attachments.add("roll:R1", "../../etc/shelf\\photo.png", PNG, note="a scratch").event
    book.attachments.add("roll:R1", "again.png", PNG)
    first, second = book.attachments.about("roll:R1")
    assert (first.name, first.kind, first.sha256) == ("photo.png", "image/png", second.sha256)
    assert book.attachments.content(first.id)[1] == PNG
    for content, problem in (
        (b"<svg onload=x>", "takes"),
        (b"", "empty"),
        (b"\xff\xd8\xff" + bytes(MOST_BYTES), "large"),
    ):
        with pytest.raises(BookError, match=problem):
            book.attachments.add("roll:R1", "x.png", content)
    with pytest.raises(BookError, match="not in the book"):
        book.attachments.add("roll:R9", "x.png", PNG)
    book.history.undo(event)
    assert [a.id for a in book.attachments.about("roll:R1")] == [second.id]
    book.attachments.withdraw(second.id)
    assert book.attachments.about() == [] and book.keeping.doctor().faults == []


def test_an_undo_can_be_undone_and_done_again(book: Book) -> None:
    book.rolls.add(a_roll())
    event, _ = book.rolls.cut("R1", [Piece("p", (10.0, 10.0, 500.0, 500.0))])
    cut = book.ledger.balances()
    back = book.history.undo(event).event
    assert book.history.undone() == {event}
    again = book.history.undo(back).event
    assert book.ledger.balances() == cut and book.history.undone() == {back}
    assert "pipe:p" in {s.target for s in book.trace.flows("roll:R1").forwards}
    assert book.rolls.row("R1-1").state == "on rack" and book.rolls.row("R1").state == "cut"
    book.history.undo(event)
    assert [f.roll.id for f in book.rolls.find()] == ["R1"]
    with pytest.raises(BookError, match="taken back already"):
        book.history.undo(event)
    assert book.history.undone() >= {event, back} and again not in book.history.undone()
    assert book.keeping.doctor().faults == []
