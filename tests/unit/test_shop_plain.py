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
from pipemetal.shop.book import Book
from pipemetal.shop.importing import MOST_THINGS

NO_DAYS = ["2026-02-30", "irgendwann", "3/4/2026", "2026-13", "31.02.2026", "20260304", "-1", "2026-3-4"]
OVERRIDE = "\u202e"


@pytest.mark.parametrize("text", NO_DAYS)
def test_what_is_no_day_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="is not a day"):
        parse_day(text)


def dated(book: Book, day: str) -> dict[str, Callable[[], object]]:
    """Every way to bring a day into the book."""
    return {
        "add_lot": lambda: book.add_lot("D", "pig", 5.0, TIN, day=day),
        "add_roll": lambda: book.add_roll(a_roll("D"), day=day),
        "record_melt": lambda: book.record_melt("D", "half", {"T": 5.0}, day=day),
        "record_analysis": lambda: book.record_analysis("lot:T", TIN, day=day),
        "attach": lambda: book.attach("lot:T", "p.png", PNG, day=day),
        "charge": lambda: book.charge("D", "half", {"T": 5.0}, heel_kg=0.0, heel_metal=None, day=day),
    }


def test_no_method_of_the_book_takes_a_day_that_is_none(book: Book) -> None:
    book.add_lot("T", "pig", 50.0, TIN)
    taking = {
        name
        for name, method in inspect.getmembers(Book, inspect.isfunction)
        if not name.startswith("_") and "day" in inspect.signature(method).parameters
    }
    ways = dated(book, "2026-02-30")
    assert taking - ways.keys() <= {"charge_planned", "charge_melt"}, "a new way to bring in a day"
    for name in taking & ways.keys() - {"charge"}:
        with pytest.raises(InputError, match="is not a day"):
            ways[name]()
    for name in taking & ways.keys() - {"charge"}:
        dated(book, "04.03.2026")[name]()
    assert {row["day"] for table in ("rolls", "melts", "analyses", "attachments") for row in book.rows(table)} == {
        "2026-03-04"
    }


@pytest.mark.parametrize("second", ["r1", "R1".lower(), "ro\u0308hre", "RÖHRE", "röhre"])
def test_ids_that_differ_in_capitals_or_composed_letters_are_one(second: str, book: Book) -> None:
    book.add_roll(a_roll("R1"))
    book.add_roll(a_roll("Röhre"))
    with pytest.raises(BookError, match="in the book already"):
        book.add_roll(a_roll(second))
    book.add_lot(second, "pig", 5.0, TIN)  # a lot may be called as a roll is


def test_a_name_is_free_again_and_not_given_twice(book: Book) -> None:
    entered = book.add_roll(a_roll("R1"))
    gone = book.undo(entered)
    again = book.add_roll(a_roll("r1"))
    with pytest.raises(BookError, match="written 'r1'"):
        book.undo(gone)
    book.undo(again)
    book.undo(gone)
    with pytest.raises(BookError, match="written 'R1'"):
        book.add_roll(a_roll("r1"))


def test_names_are_told_apart_in_an_import_and_after_a_restore(book: Book, tmp_path: Path) -> None:
    from pipemetal.shop.book import restore

    (tmp_path / "lots.csv").write_text("id,kind,mass_kg,composition\nT1,pig,5,Sn 100\nt1,pig,5,Sn 100\n")
    with pytest.raises(InputError, match=r"in the book already|used already"):
        book.import_file(tmp_path / "lots.csv")
    book.add_lot("T1", "pig", 5.0, TIN)
    book.backup(tmp_path / "b")
    restore(tmp_path / "b", tmp_path / "again.sqlite")
    with Book.open(tmp_path / "again.sqlite") as again, pytest.raises(BookError, match="written 'T1'"):
        again.add_lot("t1", "pig", 5.0, TIN)


def test_no_roll_is_cut_from_itself(book: Book) -> None:
    with pytest.raises(BookError, match="cut from itself"):
        book.add_roll(replace(a_roll("R1"), parent="R1"))
    book.add_roll(replace(a_roll("R1"), parent="R3"))
    book.add_roll(replace(a_roll("R2"), parent="R1"))
    with pytest.raises(BookError, match="cut from itself"):
        book.add_roll(replace(a_roll("R3"), parent="R2"))


@pytest.mark.parametrize("mark", [OVERRIDE, "\u2066", "\u200f", "\x1b", "\x9b"])
def test_hidden_marks_are_refused_everywhere(mark: str, book: Book, tmp_path: Path) -> None:
    text = f"tin{mark}sdrawkcab"
    ways: list[Callable[[], object]] = [
        lambda: book.add_person(text, "run", pin="4711"),
        lambda: book.add_person("Ada", "run", pin="4711", note=text),
        lambda: book.add_lot("T", "pig", 5.0, TIN, note=text),
        lambda: book.add_lot("T", "pig", 5.0, TIN, supplier=text),
        lambda: book.add_roll(replace(a_roll(), place=text)),
        lambda: book.add_recipe(replace(HALF, name="other", note=text)),
        lambda: book.add_organ(text, "text"),
        lambda: book.add_organ("Chapel", text),
    ]
    before = book.last_event()
    for way in ways:
        with pytest.raises(InputError):
            way()
    (tmp_path / "rack.csv").write_text(
        f"id,alloy,length_mm,width_mm,thickness_start_mm,thickness_end_mm,note\nR1,half,3000,600,1.2,1.0,{text}\n"
    )
    if mark in (OVERRIDE, "\u2066", "\u200f"):  # the others end a line for a table, or are no text
        with pytest.raises(InputError, match="hidden mark"):
            read_rack(tmp_path / "rack.csv", {"half": HALF})
            book.import_file(tmp_path / "rack.csv")
    assert book.last_event() == before


def test_an_import_that_would_hold_everybody_up_is_refused(book: Book, tmp_path: Path) -> None:
    rows = "".join(f"L{k},pig,10,Sn 50 Pb bal\n" for k in range(MOST_THINGS + 1))
    (tmp_path / "lots.csv").write_text("id,kind,mass_kg,composition\n" + rows)
    before = book.last_event()
    with pytest.raises(BookError, match="too many rows for one writing"):
        book.import_file(tmp_path / "lots.csv")
    assert book.last_event() == before
