"""Tables in and out: CSV and XLSX, mapping, preview, every error at once, undo, formulas made harmless."""

import zipfile
from pathlib import Path

import pytest
from openpyxl import Workbook, load_workbook
from shop_samples import HALF, LEAD, TIN, a_roll

from pipemetal.errors import BookError, FileFormatError, InputError
from pipemetal.files.row_errors import TablesError
from pipemetal.files.sheet_in import read_sheets
from pipemetal.files.sheet_out import OutTable, write_tables
from pipemetal.shop.book import Book, NewLot


def workbook(path: Path, **sheets: list[list[object]]) -> Path:
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


ROLLS: list[list[object]] = [
    ["id", "alloy", "length_mm", "width_mm", "place", "thickness_start_mm", "day"],
    ["R1", "half", 2000, 600, "rack A", 1.2, "2024-05-01"],
    ["R2", "half", 2000, 600.5, "rack B", None, None],
]
READINGS: list[list[object]] = [["roll", "x_mm", "y_mm", "thickness_mm"]] + [
    ["R2", x, y, 1.0 + x * 1e-5] for x in (100, 700, 1300, 1900) for y in (50, 300, 550)
]
LOTS: list[list[object]] = [
    ["id", "kind", "mass_kg", "composition", "invoice", "supplier"],
    ["T", "pig", 50, "Sn 100", "2024-117", "an invented trader"],
    ["S", "scrap", 12.5, None, None, None],
]
ANALYSES: list[list[object]] = [["about", "Sn", "Sb", "method"], ["S", 48.5, 0.5, "XRF"]]


def test_a_workbook_comes_in_whole_and_goes_out_by_undo(book: Book, tmp_path: Path) -> None:
    path = workbook(
        tmp_path / "shop.xlsx", Rolls=ROLLS, Readings=READINGS, lots=LOTS, analyses=ANALYSES, notes=[["a"], [1]]
    )
    before = book.ledger.balances()
    told = book.tables.import_file(path, dry_run=True)
    assert (told.event, told.rolls, told.lots, told.readings) == (None, 2, 2, 12)
    assert book.ledger.balances() == before and book.rolls.rows() == []
    told = book.tables.import_file(path)
    assert {f.roll.id for f in book.rolls.find(thickness_mm=(0.95, 1.25))} == {"R1", "R2"}
    assert book.rolls.row("R1").day == "2024-05-01"
    assert book.lots.row("T").invoice == "2024-117"
    assert book.ledger.stock()["lot:S"] == pytest.approx({"Sn": 6.0625, "Sb": 0.0625, "Pb": 6.375})
    book.history.undo(told.event)
    assert book.ledger.balances() == before and book.rolls.rows() == [] and book.lots.in_stock() == ((), ())


def test_everything_that_is_wrong_is_told_with_sheet_row_and_column(book: Book, tmp_path: Path) -> None:
    rolls = [
        *ROLLS,
        ["R3", "gold", "long", 600, "", 1.0, None],
        ["R1", "half", 2000, 5, "", 1.0, None],
        [None, "half", 1, 600],
    ]
    lots = [*LOTS, ["U", "brick", 5, None, None, None], ["V", "pig", -1, "Xx 5", None, None]]
    path = workbook(tmp_path / "shop.xlsx", Rolls=[(r + [None] * 7)[:7] for r in rolls], Readings=READINGS, Lots=lots)
    before = book.history.last()
    with pytest.raises(TablesError) as told:
        book.tables.import_file(path)
    found = {(p.where.partition("'")[2].replace("'", ""), p.field) for p in told.value.problems}
    assert found >= {
        ("Rolls row 4", "alloy"),
        ("Rolls row 4", "length_mm"),
        ("Rolls row 5", "id"),
        ("Rolls row 5", "width_mm"),
        ("Rolls row 6", "id"),
        ("Rolls row 6", "length_mm"),
        ("Lots row 4", "kind"),
        ("Lots row 5", "mass_kg"),
    }
    assert book.history.last() == before and "things cannot be read" in str(told.value)


def test_ids_that_are_taken_are_all_told(book: Book, tmp_path: Path) -> None:
    book.rolls.add(a_roll("R1"))
    book.lots.add(NewLot("T", "pig", 1.0, TIN))
    with pytest.raises(TablesError) as told:
        book.tables.import_file(workbook(tmp_path / "s.xlsx", rolls=ROLLS, readings=READINGS, lots=LOTS))
    assert [p.where for p in told.value.problems] == [
        "s.xlsx sheet 'rolls' row 2, roll",
        "s.xlsx sheet 'lots' row 2, lot",
    ]
    assert [r.id for r in book.rolls.rows()] == ["R1"]


def test_headings_are_mapped(book: Book, tmp_path: Path) -> None:
    path = tmp_path / "bestand.csv"
    path.write_text("Nummer;Art;Gewicht;Legierung;Lager\nT7;pig;12,5;Sn 100;hinten\n", encoding="utf-8")
    mapping = {"nummer": "id", "Art": "kind", "Gewicht": "mass_kg", "Legierung": "composition", "Lager": ""}
    told = book.tables.import_file(path, kind="lots", mapping=mapping)
    assert told.lots == 1 and book.ledger.stock()["lot:T7"] == pytest.approx({"Sn": 12.5})
    with pytest.raises(BookError, match="does not say what it holds"):
        book.tables.import_file(path)


def test_new_readings_gauge_a_roll_again_and_leave_its_mass(book: Book, tmp_path: Path) -> None:
    book.rolls.add(a_roll("R2"))
    before = book.ledger.balances()
    told = book.tables.import_file(workbook(tmp_path / "readings.xlsx", Sheet1=READINGS))
    assert (
        book.rolls.roll("R2").field.mean_mm == pytest.approx(1.01, abs=0.005)
        and len(book.rolls.row("R2").readings_taken) == 12
    )
    assert book.ledger.balances() == before
    assert [f.roll.id for f in book.rolls.find(thickness_mm=(0.98, 1.04), length_mm=1900)] == ["R2"]
    book.history.undo(told.event)
    assert book.rolls.roll("R2").field.mean_mm == pytest.approx(1.0, abs=1e-4)
    with pytest.raises(InputError, match="not on the rack"):
        book.tables.import_file(
            workbook(tmp_path / "r.xlsx", readings=[READINGS[0], *([["R9", *r[1:]] for r in READINGS[1:]])])
        )


def test_ranks_become_an_organ_file(book: Book, tmp_path: Path) -> None:
    from pipemetal.files.organ_file import read_organ

    head = ["name", "division", "alloy", "footage", "compass", "scale"]
    octave = ["Octave 4", "Great", "half", "4'", "C-g3", "{halving_pipe = 17, start_diameter_mm = 80}"]
    told = book.tables.import_file(workbook(tmp_path / "chapel.xlsx", ranks=[head, octave]), organ="Chapel")
    assert told.ranks == 1
    (tmp_path / "organ.toml").write_text(next(iter(book.plans.organs().values())), encoding="utf-8")
    assert read_organ(tmp_path / "organ.toml", book.recipes.all()).ranks[0].name == "Octave 4"
    wrong = ["Octave 4", "Great", "gold", "4'", "C-g3", octave[-1]]
    with pytest.raises(TablesError, match="ranks"):
        book.tables.import_file(workbook(tmp_path / "wrong.xlsx", ranks=[head, octave, wrong]))


def test_what_an_export_wrote_an_empty_book_reads(book: Book, tmp_path: Path, shop_folder: Path) -> None:
    book.tables.import_folder(shop_folder)
    book.ledger.analyse("lot:S5", HALF.target, laboratory="=own")
    book.tables.export_workbook(tmp_path / "all.xlsx")
    with Book.open(tmp_path / "again.sqlite", create=True) as again:
        for recipe in book.recipes.all().values():
            again.recipes.add(recipe)
        told = again.tables.import_file(tmp_path / "all.xlsx")
        assert (told.rolls, told.casts, told.analyses) == (len(book.rolls.rack()), 30, 1)
        assert [(x.id, x.mass_kg) for x in again.lots.in_stock()[0]] == [
            (x.id, pytest.approx(x.mass_kg)) for x in book.lots.in_stock()[0]
        ]
        assert again.ledger.analyses()[0].laboratory == "=own"
        assert [r.field.mean_mm for r in again.rolls.rack()] == pytest.approx(
            [r.field.mean_mm for r in book.rolls.rack()], abs=1e-4
        )


FORMULA = '=HYPERLINK("http://x","y")'


def test_no_text_becomes_a_formula_and_numbers_stay_numbers(tmp_path: Path) -> None:
    table = OutTable(
        "Lots", ["note", "tin kg", "text"], [[FORMULA, -5, "-5 mm"], ["@x", 1.5, "plain"], ["+1\x07", 0, ""]]
    )
    write_tables(tmp_path / "t.xlsx", [table])
    sheet = load_workbook(tmp_path / "t.xlsx")["Lots"]
    assert [[c.data_type for c in row] for row in sheet.iter_rows(min_row=2, max_row=3)] == [["s", "n", "s"]] * 2
    assert sheet["A2"].value == FORMULA and sheet["B2"].value == -5 and sheet.freeze_panes == "B2"
    write_tables(tmp_path / "t.csv", [table])
    lines = (tmp_path / "t.csv").read_text().splitlines()
    assert lines[0] == "note,tin kg,text" and lines[1].startswith("\"'=HYPERLINK(") and lines[1].endswith(",-5,'-5 mm")
    (read,) = read_sheets(tmp_path / "t.csv").values()
    assert [row.text("note") for row in list(read)[:2]] == [FORMULA, "@x"]
    with pytest.raises(FileFormatError, match="kind of table"):
        write_tables(tmp_path / "t.exe", [table])


def test_hostile_workbooks_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.xlsx").write_bytes(b"not a workbook")
    with zipfile.ZipFile(tmp_path / "b.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", bytes(30_000_000))
    with zipfile.ZipFile(tmp_path / "c.xlsx", "w") as archive:
        archive.writestr("xl/workbook.xml", '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "b">]><x/>')
    with zipfile.ZipFile(tmp_path / "d.xlsx", "w") as archive:
        archive.writestr("hello.txt", "x")
    for name, problem in (
        ("a", "not an XLSX"),
        ("b", "too large"),
        ("c", "document type"),
        ("d", "not an XLSX"),
        ("e", "exist"),
    ):
        with pytest.raises(FileFormatError, match=problem):
            read_sheets(tmp_path / f"{name}.xlsx")


def test_a_formula_that_was_never_calculated_is_named_by_its_cell(tmp_path: Path) -> None:
    path = workbook(tmp_path / "f.xlsx", lots=[["id", "kind", "mass_kg"], ["T", "pig", "=25*2"]])
    with pytest.raises(FileFormatError, match="cell C2"):
        read_sheets(path)


def test_a_recipe_is_needed_before_its_rolls(book: Book, tmp_path: Path) -> None:
    path = workbook(tmp_path / "x.xlsx", rolls=[ROLLS[0], ["R1", "gold", 2000, 600, "", 1.0, None]])
    with pytest.raises(TablesError, match="not a recipe"):
        book.tables.import_file(path)
    assert LEAD.wt_pct("Pb") == 100.0
