"""Days that the calendar knows, ids that are one thing however they are written, texts without hidden marks."""

import inspect
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from shop_samples import HALF, PNG, TIN, a_roll

from pipemetal.errors import BookError, InputError
from pipemetal.files.plain import parse_day
from pipemetal.files.rack_file import read_rack
from pipemetal.shop.book import Book, NewLot, NewMelt
from pipemetal.shop.melts import HeelIn
from pipemetal.shop.tables import MOST_THINGS

NO_DAYS = ["2026-02-30", "irgendwann", "3/4/2026", "2026-13", "31.02.2026", "20260304", "-1", "2026-3-4"]
OVERRIDE = "\u202e"


@pytest.mark.parametrize("text", NO_DAYS)
def test_what_is_no_day_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="is not a day"):
        parse_day(text)


def dated(book: Book, day: str) -> dict[str, Callable[[], object]]:
    """Every way to bring a day into the book."""
    return {
        "lots.add": lambda: book.lots.add(NewLot("DL", "pig", 5.0, TIN, day=day)).event,
        "rolls.add": lambda: book.rolls.add(a_roll("D"), day=day).event,
        "melts.record": lambda: book.melts.record(NewMelt("D", "half", {"T": 5.0}, day=day)).event,
        "ledger.analyse": lambda: book.ledger.analyse("lot:T", TIN, day=day).event,
        "attachments.add": lambda: book.attachments.add("lot:T", "p.png", PNG, day=day).event,
        "melts.charge": lambda: (
            book.melts.charge("D", "half", {"T": 5.0}, day=day, heel=HeelIn(mass_kg=0.0, metal=None)).event
        ),
    }


def takes_a_day(method: Callable[..., object]) -> bool:
    """By a parameter of its own, or in a record that it takes."""
    names = inspect.signature(method).parameters
    return "day" in names or bool({str(p.annotation) for p in names.values()} & {"NewLot", "NewMelt"})


def test_no_method_of_the_book_takes_a_day_that_is_none(book: Book) -> None:
    book.lots.add(NewLot("T", "pig", 50.0, TIN))
    taking = {
        f"{service}.{name}"
        for service, held in vars(book).items()
        for name, method in inspect.getmembers(held, inspect.ismethod)
        if not service.startswith("_") and not name.startswith("_") and takes_a_day(method)
    }
    assert len(taking) >= 6
    ways = dated(book, "2026-02-30")
    assert taking - ways.keys() <= {"plans.charge"}, "a new way to bring in a day"
    for name in taking & ways.keys() - {"melts.charge"}:
        with pytest.raises(InputError, match="is not a day"):
            ways[name]()
    for name in taking & ways.keys() - {"melts.charge"}:
        dated(book, "04.03.2026")[name]()
    kept = (*book.rolls.rows(), *book.melts.rows(), *book.ledger.analyses(), *book.attachments.about())
    assert {row.day for row in kept} == {"2026-03-04"}


@pytest.mark.parametrize("second", ["r1", "R1".lower(), "ro\u0308hre", "RÖHRE", "röhre"])
def test_ids_that_differ_in_capitals_or_composed_letters_are_one(second: str, book: Book) -> None:
    book.rolls.add(a_roll("R1"))
    book.rolls.add(a_roll("Röhre"))
    with pytest.raises(BookError, match="in the book already"):
        book.rolls.add(a_roll(second))
    book.lots.add(NewLot(second, "pig", 5.0, TIN))  # a lot may be called as a roll is


def test_a_name_is_free_again_and_not_given_twice(book: Book) -> None:
    entered = book.rolls.add(a_roll("R1")).event
    gone = book.history.undo(entered).event
    again = book.rolls.add(a_roll("r1")).event
    with pytest.raises(BookError, match="written 'r1'"):
        book.history.undo(gone)
    book.history.undo(again)
    book.history.undo(gone)
    with pytest.raises(BookError, match="written 'R1'"):
        book.rolls.add(a_roll("r1"))


def test_names_are_told_apart_in_an_import_and_after_a_restore(book: Book, tmp_path: Path) -> None:
    from pipemetal.shop.book import restore

    (tmp_path / "lots.csv").write_text("id,kind,mass_kg,composition\nT1,pig,5,Sn 100\nt1,pig,5,Sn 100\n")
    with pytest.raises(InputError, match=r"in the book already|used already"):
        book.tables.import_file(tmp_path / "lots.csv")
    book.lots.add(NewLot("T1", "pig", 5.0, TIN))
    book.keeping.backup(tmp_path / "b")
    restore(tmp_path / "b", tmp_path / "again.sqlite")
    with Book.open(tmp_path / "again.sqlite") as again, pytest.raises(BookError, match="written 'T1'"):
        again.lots.add(NewLot("t1", "pig", 5.0, TIN))


def test_no_roll_is_cut_from_itself(book: Book) -> None:
    with pytest.raises(BookError, match="cut from itself"):
        book.rolls.add(replace(a_roll("R1"), parent="R1"))
    book.rolls.add(replace(a_roll("R1"), parent="R3"))
    book.rolls.add(replace(a_roll("R2"), parent="R1"))
    with pytest.raises(BookError, match="cut from itself"):
        book.rolls.add(replace(a_roll("R3"), parent="R2"))


@pytest.mark.parametrize("mark", [OVERRIDE, "\u2066", "\u200f", "\x1b", "\x9b"])
def test_hidden_marks_are_refused_everywhere(mark: str, book: Book, tmp_path: Path) -> None:
    text = f"tin{mark}sdrawkcab"
    ways: list[Callable[[], object]] = [
        lambda: book.people.add(text, "run", pin="4711").event,
        lambda: book.people.add("Ada", "run", pin="4711", note=text).event,
        lambda: book.lots.add(NewLot("T", "pig", 5.0, TIN, note=text)).event,
        lambda: book.lots.add(NewLot("T", "pig", 5.0, TIN, supplier=text)).event,
        lambda: book.rolls.add(replace(a_roll(), place=text)).event,
        lambda: book.recipes.add(replace(HALF, name="other", note=text)).event,
        lambda: book.plans.add_organ(text, "text"),
        lambda: book.plans.add_organ("Chapel", text),
    ]
    before = book.history.last()
    for way in ways:
        with pytest.raises(InputError):
            way()
    (tmp_path / "rack.csv").write_text(
        f"id,alloy,length_mm,width_mm,thickness_start_mm,thickness_end_mm,note\nR1,half,3000,600,1.2,1.0,{text}\n"
    )
    if mark in (OVERRIDE, "\u2066", "\u200f"):  # the others end a line for a table, or are no text
        with pytest.raises(InputError, match="hidden mark"):
            read_rack(tmp_path / "rack.csv", {"half": HALF})
            book.tables.import_file(tmp_path / "rack.csv")
    assert book.history.last() == before


def test_an_import_that_would_hold_everybody_up_is_refused(book: Book, tmp_path: Path) -> None:
    rows = "".join(f"L{k},pig,10,Sn 50 Pb bal\n" for k in range(MOST_THINGS + 1))
    (tmp_path / "lots.csv").write_text("id,kind,mass_kg,composition\n" + rows)
    before = book.history.last()
    with pytest.raises(BookError, match="too many rows for one writing"):
        book.tables.import_file(tmp_path / "lots.csv")
    assert book.history.last() == before
