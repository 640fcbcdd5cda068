"""The shop's settings in the book, and which settings count."""

import json
import sqlite3
from dataclasses import asdict
from pathlib import Path

import pytest
from shop_samples import HALF

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError, InputError
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.shop_file import KEYS, read_said, read_shop, settings_of, shop_toml, value_of
from pipemetal.planning.settings import PotSettings, ShopSettings
from pipemetal.shop.book import Book, NotAllowedError, StaleSaveError, UndoFirstError, restore
from pipemetal.shop.dumping import load_dump
from pipemetal.shop.settings import BESIDE, BOOK, GIVEN, PROGRAM, SaidFile, beside_book, in_effect
from pipemetal.shop.stock import settings_of_book

POT = "pot.capacity_kg"
OLD = Path(__file__).parents[1] / "data" / "shop" / "book-r0002.backup"


def test_a_new_book_says_nothing_and_the_programs_own_counts(book: Book) -> None:
    assert book.settings.kept() == (None, 0)
    found = in_effect(book.settings, None, None)
    assert (found.origin, found.said, found.settings) == (PROGRAM, {}, ShopSettings())


def test_a_file_given_counts_before_the_book_and_the_book_before_the_file_beside_it(book: Book) -> None:
    given, beside = SaidFile("own.toml", {POT: 500.0}), SaidFile("shop.toml", {POT: 300.0, "pot.heel_kg": 5.0})
    assert in_effect(book.settings, None, beside).origin == BESIDE
    book.settings.change({POT: 400.0})
    for files, origin, kg in (
        ((given, beside), GIVEN, 500.0),
        ((None, beside), BOOK, 400.0),
        ((None, None), BOOK, 400.0),
    ):
        found = in_effect(book.settings, *files)
        assert (found.origin, found.settings.pot.capacity_kg) == (origin, kg)
    # one counts alone: the heel of the file beside the book is not mixed in
    assert in_effect(book.settings, None, beside).settings.pot.heel_kg == PotSettings.usual(400.0).heel_kg
    book.settings.forget()
    assert in_effect(book.settings, None, beside).settings.pot.heel_kg == 5.0


def test_what_counted_before_is_taken_over_with_the_first_change(book: Book) -> None:
    event = book.settings.change({POT: 480.0}, 0, base={"pot.burner_kw": 25.0, POT: 300.0}).event
    assert book.settings.kept()[0] == {"pot.burner_kw": 25.0, POT: 480.0}
    book.history.undo(event)
    assert book.settings.kept()[0] is None
    book.history.undo(book.history.last())
    assert book.settings.kept()[0] == {"pot.burner_kw": 25.0, POT: 480.0}


def test_a_value_goes_back_to_the_programs_own(book: Book) -> None:
    book.settings.change({POT: 480.0, "sheets.trim_mm": 20.0})
    book.settings.change({POT: None})
    assert book.settings.kept()[0] == {"sheets.trim_mm": 20.0}
    assert in_effect(book.settings, None, None).origin_of(POT) == PROGRAM
    with pytest.raises(BookError, match="change nothing"):
        book.settings.change({POT: None})


def test_who_saves_late_is_told_both_values_and_nothing_is_overwritten(book: Book) -> None:
    book.settings.change({POT: 480.0}, 0)
    with pytest.raises(StaleSaveError) as told:
        book.settings.change({POT: 490.0, "sheets.trim_mm": 20.0}, 0)
    assert told.value.mine == {POT: 490.0, "sheets.trim_mm": 20.0}
    assert told.value.theirs == {POT: 480.0, "sheets.trim_mm": 15.0}
    assert book.settings.kept()[0] == {POT: 480.0}


def test_values_that_hang_together_are_judged_together(book: Book) -> None:
    with pytest.raises(InputError, match="heel_kg is out of range"):
        book.settings.change({POT: 20.0, "pot.heel_kg": 15.0})
    book.settings.change({POT: 20.0, "pot.heel_kg": 2.0})
    for wrong in (
        {"pot.capacity": 20.0},
        {"pot.kettle_kg": 1.0},
        {POT: "much"},
        {POT: float("nan")},
        {"shop.paper": "a0"},
        {"shop.name": "two\nlines"},
        {"casting.casts_a_day": 2.5},
        {"losses.pig": 0.9},
    ):
        with pytest.raises(InputError):
            book.settings.change(wrong)
    assert book.settings.kept()[0] == {POT: 20.0, "pot.heel_kg": 2.0}


def test_a_change_that_another_rests_on_is_not_taken_back(book: Book) -> None:
    first = book.settings.change({POT: 480.0}).event
    book.settings.change({"pot.heel_kg": 200.0})
    with pytest.raises(UndoFirstError):
        book.history.undo(first)
    assert settings_of(book.settings.kept()[0] or {}).pot.heel_kg == 200.0


def test_only_who_runs_the_shop_may_change_its_settings(book: Book) -> None:
    book.people.add("Ada", "run", pin="4711")
    book.people.add("Ben", "keep", pin="4712")
    with book.acting("Ben"):
        for change in (
            lambda: book.settings.change({POT: 480.0}).event,
            lambda: book.settings.keep({}).event,
            book.settings.forget,
        ):
            with pytest.raises(NotAllowedError):
                change()
        book.recipes.change(Recipe("half", HALF.target, note="kept by Ben"))


def test_dump_backup_and_export_carry_the_settings(book: Book, tmp_path: Path) -> None:
    book.settings.change({POT: 480.0, "shop.name": 'Zwölf "Pfeifen"', "casting.scoop_kg": 11.33980925})
    said = book.settings.kept()
    book.keeping.dump(tmp_path / "dump")
    load_dump(tmp_path / "dump", tmp_path / "a.sqlite")
    book.keeping.backup(tmp_path / "b.backup")
    restore(tmp_path / "b.backup", tmp_path / "b.sqlite")
    for name in ("a.sqlite", "b.sqlite"):
        with Book.open(tmp_path / name) as again:
            assert again.settings.kept() == said and again.keeping.doctor().rows["settings"] == 1
    book.tables.export_folder(tmp_path / "out")
    assert read_said(tmp_path / "out" / "shop.toml") == said[0]
    assert "settings" in book.tables.export_workbook(tmp_path / "out.xlsx")


def test_a_book_of_before_settings_is_brought_up_and_says_nothing(tmp_path: Path) -> None:
    restore(OLD, tmp_path / "s.sqlite")
    with Book.open(tmp_path / "s.sqlite", who="Ada") as book:
        assert book.settings.kept() == (None, 0)
        book.settings.change({POT: 480.0})
        assert book.keeping.doctor().faults == []


def test_settings_altered_by_hand_are_named_by_the_doctor_and_used_by_nobody(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Book.open(path, create=True) as book:
        book.settings.change({POT: 480.0})
        for text, fault in (
            ('{"pot.capacity_kg": 9e9}', "out of range"),
            ("[1", "cannot be read"),
            ('{"pot": 1}', "not a setting"),
        ):
            with sqlite3.connect(path) as raw:
                raw.execute("UPDATE settings SET said = ?", (text,))
            raw.close()
            assert any(fault in told for told in book.keeping.doctor().faults)
            with pytest.raises(InputError, match=fault):
                in_effect(book.settings, None, None)
        book.settings.keep({POT: 450.0})
        assert book.keeping.doctor().faults == []


def test_shop_toml_beside_the_book_is_found_for_a_file_and_not_for_a_url(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True):
        pass
    assert beside_book(str(tmp_path / "s.sqlite")) is None and beside_book("postgresql://nowhere/book") is None
    (tmp_path / "shop.toml").write_text("[pot]\ncapacity = '1000 lb'\n")
    assert settings_of_book(str(tmp_path / "s.sqlite")).said == {POT: pytest.approx(453.59237)}
    (tmp_path / "own.toml").write_text("[pot]\ncapacity_kg = 100\n")
    found = settings_of_book(str(tmp_path / "s.sqlite"), tmp_path / "own.toml")
    assert (found.origin, found.settings.source) == (GIVEN, "own.toml, given")


def test_a_file_written_out_says_what_the_shop_said_and_remarks_the_rest(tmp_path: Path) -> None:
    said = read_said(packaged_file("shop.toml"))
    assert "casting.scoop_kg" in said and "casting.cloth_mm" not in said
    assert settings_of(said) == read_shop(packaged_file("shop.toml"))
    (tmp_path / "shop.toml").write_text(shop_toml(said, ShopSettings()), encoding="utf-8")
    assert read_said(tmp_path / "shop.toml") == said
    assert "# cloth_mm = 1.0" in (tmp_path / "shop.toml").read_text()


def test_every_setting_tells_its_value_and_what_it_rests_on(book: Book) -> None:
    told = in_effect(book.settings, None, None).told()
    assert list(told.values) == list(KEYS) and json.dumps(asdict(told), allow_nan=False)
    own = ShopSettings()
    for key, one in told.values.items():
        assert one.value == one.own == value_of(own, key)
        assert one.rests_on or key.startswith(("shop.", "owned.", "sure.save_metal"))
        assert one.least is None or one.least <= one.value <= one.most


def test_a_recipe_is_changed_and_taken_back(book: Book) -> None:
    wider = Recipe("half", Composition.parse("Sn 49.5 Pb bal"), (("Sn", 48.0, 51.0),), "wider")
    event = book.recipes.change(wider, 1).event
    assert book.recipes.all()["half"] == wider
    with pytest.raises(StaleSaveError):
        book.recipes.change(HALF, 1)
    with pytest.raises(BookError, match="not in the book"):
        book.recipes.change(Recipe("no such", HALF.target))
    book.history.undo(event)
    assert book.recipes.all()["half"] == HALF
    assert [e.what for e in book.history.events("recipe:half")][-2:] == ["recipe changed", "recipe entered"]
