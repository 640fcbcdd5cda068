"""The shop book: every test on SQLite, and on PostgreSQL where there is a server."""

import dataclasses
import json
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner
from shop_samples import HALF, a_roll
from sqlalchemy import text

from pipemetal.alloys.composition import Composition
from pipemetal.cli.book_cmd import doctor
from pipemetal.cli.lots_cmd import lots
from pipemetal.cli.paper_cmd import label
from pipemetal.cli.shop_cmd import rolls
from pipemetal.errors import BookError, ConflictError, InputError
from pipemetal.plans.record import Plan
from pipemetal.shop.book import Book, NewLot, NewMelt, Piece, StaleSaveError, UndoFirstError, restore
from pipemetal.shop.rowfiles import table_hashes
from pipemetal.shop.stock import planning_stock


def hashes(book: Book) -> object:
    with book._writer.reading() as connection:
        return table_hashes(connection)


def test_a_roll_comes_back_as_it_was_entered(book: Book) -> None:
    roll = dataclasses.replace(a_roll(), no_go=(((500.0, 100.0), (600.0, 100.0), (600.0, 200.0)),))
    book.rolls.add(roll)
    back = book.rolls.roll("R1")
    assert (back.id, back.length_mm, back.no_go, back.place) == ("R1", 2000.0, roll.no_go, "rack A")
    assert back.field.at(700.0, 300.0) == pytest.approx(roll.field.at(700.0, 300.0), abs=1e-4)


def test_the_search_says_where_on_the_roll(book: Book) -> None:
    book.rolls.add(a_roll())
    book.rolls.add(a_roll("R2", 2.0, 1.9))
    (found,) = book.rolls.find("half", (0.9, 1.1), 900.0)
    assert found.roll.id == "R1"
    assert (found.x_from_mm, found.x_to_mm) == (pytest.approx(500.0, abs=2), pytest.approx(1500.0, abs=2))
    assert book.rolls.find("half", (0.9, 1.1), 1100.0) == []
    assert book.rolls.find(width_mm=590.0) == []
    assert [f.roll.id for f in book.rolls.find(text="r2")] == ["R2"]


def test_a_blemish_breaks_the_place(book: Book) -> None:
    book.rolls.add(dataclasses.replace(a_roll(), no_go=(((900.0, 0.0), (1000.0, 0.0), (1000.0, 600.0)),)))
    (found,) = book.rolls.find("half", (0.9, 1.1))
    assert (found.x_from_mm, found.x_to_mm) == (pytest.approx(1000.0, abs=1), pytest.approx(1500.0, abs=2))


def test_metal_goes_from_lot_to_melt_to_sheet_to_roll_to_pipe_and_can_be_traced(book: Book, shop_folder: Path) -> None:
    from pipemetal.files.log_file import read_log

    book.lots.add(NewLot("T", "pig", 50.0, Composition.parse("Sn 100")))
    book.lots.add(NewLot("P", "pig", 50.0, Composition.parse("Pb 100")))
    book.melts.record(NewMelt("M1", "half", {"T": 40.0, "P": 40.0}, dross_kg=0.5))
    log = dataclasses.replace(read_log(shop_folder / "log.csv")[0], id="C1")
    book.casts.record(log, melt="M1", used_kg=20.0)
    book.rolls.add(a_roll(), cast="C1")
    _, remnants = book.rolls.cut("R1", [Piece("Flute C body", (10.0, 10.0, 900.0, 580.0))], organ="Chapel")
    assert remnants == ("R1-1",)
    trace = book.trace.flows("pipe:Flute C body")
    assert {s.origin for s in trace.backwards} >= {"roll:R1", "sheet:C1", "melt:M1", "lot:T", "lot:P"}
    assert "pipe:Flute C body" in {s.target for s in book.trace.flows("lot:T").forwards}
    stock = book.ledger.stock()
    assert "roll:R1" not in stock and sum(stock["lot:scrap-half"].values()) > 0.0
    assert book.rolls.roll("R1-1").parent == "R1" and book.rolls.children("R1") == ["R1-1"]
    book.melts.to_lot("M1", "I1", 59.5)
    assert sum(book.ledger.stock()["lot:I1"].values()) == pytest.approx(59.5)
    assert book.keeping.doctor().faults == []


def test_a_melt_cannot_take_what_is_not_there(book: Book) -> None:
    book.lots.add(NewLot("T", "pig", 50.0, Composition.parse("Sn 100")))
    before = hashes(book)
    with pytest.raises(BookError, match="not in stock"):
        book.melts.record(NewMelt("M1", "half", {"T": 60.0}))
    assert hashes(book) == before


def test_undo_gives_back_stock_and_rows(book: Book) -> None:
    book.rolls.add(a_roll())
    before = book.ledger.balances()
    event, _ = book.rolls.cut("R1", [Piece("p", (10.0, 10.0, 500.0, 500.0))])
    assert book.ledger.balances() != before
    book.history.undo(event)
    assert book.ledger.balances() == before
    assert book.rolls.row("R1").state == "on rack"
    with pytest.raises(BookError, match="taken back already"):
        book.history.undo(event)
    book.rolls.cut("R1", [Piece("p", (10.0, 10.0, 500.0, 500.0))])
    assert book.keeping.doctor().faults == []


def test_undo_of_what_has_moved_on_is_refused(book: Book) -> None:
    event = book.lots.add(NewLot("T", "pig", 50.0, Composition.parse("Sn 100"))).event
    book.melts.record(NewMelt("M1", "half", {"T": 10.0}))
    with pytest.raises(UndoFirstError, match="take event 3 back first"):
        book.history.undo(event)


def test_the_second_of_two_is_told_and_nothing_is_lost(book: Book) -> None:
    book.rolls.add(a_roll())
    version = book.rolls.row("R1").version
    book.rolls.change("R1", version, place="rack B")
    with pytest.raises(StaleSaveError) as told:
        book.rolls.change("R1", version, place="rack C")
    assert isinstance(told.value, ConflictError)
    assert (told.value.mine, told.value.theirs) == ({"place": "rack C"}, {"place": "rack B"})
    assert [e.what for e in book.history.events("roll:R1")] == ["roll changed", "roll entered"]
    assert book.history.events("roll:R1")[0].who == "Ada"


def test_plans_are_kept_by_version(book: Book) -> None:
    assert book.plans.plan() is None
    assert [book.plans.keep(Plan("Chapel", seed=n)).value for n in (1, 2)] == ["Chapel #1", "Chapel #2"]
    assert book.plans.plan() == Plan("Chapel", seed=2)
    assert book.plans.plan("Chapel #1") == Plan("Chapel", seed=1)


def test_backup_restores_to_an_equal_book_on_either_database(
    book: Book, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    book.rolls.add(a_roll())
    book.history.undo(book.lots.add(NewLot("T", "pig", 1 / 3, Composition.parse("Sn 33.3 Pb bal"))).event)
    book.keeping.backup(tmp_path / "b")
    restore(tmp_path / "b", tmp_path / "again.sqlite")
    with Book.open(tmp_path / "again.sqlite") as again:
        assert hashes(again) == hashes(book)
    if not book._writer.is_sqlite:
        return
    with pytest.raises(BookError, match="empty place"):
        restore(tmp_path / "b", tmp_path / "again.sqlite")


@pytest.mark.postgres
def test_a_sqlite_backup_goes_into_postgresql_and_back(tmp_path: Path, postgres_url: str) -> None:
    with Book.open(tmp_path / "a.sqlite", create=True) as book:
        book.recipes.add(HALF)
        book.rolls.add(a_roll())
        book.keeping.backup(tmp_path / "b1")
        first = hashes(book)
    restore(tmp_path / "b1", postgres_url)
    with Book.open(postgres_url) as there:
        assert hashes(there) == first
        there.keeping.backup(tmp_path / "b2")
    restore(tmp_path / "b2", tmp_path / "c.sqlite")
    with Book.open(tmp_path / "c.sqlite") as back:
        assert hashes(back) == first


def test_a_half_written_or_altered_backup_is_refused(tmp_path: Path) -> None:
    with Book.open(tmp_path / "a.sqlite", create=True) as book:
        book.recipes.add(HALF)
        book.keeping.backup(tmp_path / "b")
    whole = (tmp_path / "b").read_bytes()
    for cut in (len(whole) // 3, len(whole) - 10):
        (tmp_path / "half").write_bytes(whole[:cut])
        with pytest.raises(BookError, match="not a whole backup"):
            restore(tmp_path / "half", tmp_path / "x.sqlite")
    spoiled = bytearray(whole)
    with zipfile.ZipFile(tmp_path / "b") as archive:
        member = archive.getinfo("recipes.jsonl")
    spoiled[member.header_offset + 30 + len(member.filename) + member.compress_size // 2] ^= 0xFF
    (tmp_path / "spoiled").write_bytes(bytes(spoiled))
    with pytest.raises(BookError, match=r"damaged|whole"):
        restore(tmp_path / "spoiled", tmp_path / "x.sqlite")
    assert not (tmp_path / "x.sqlite").exists()


def test_a_book_of_a_newer_program_is_refused(book: Book) -> None:
    with book._writer.engine.connect().execution_options(writes=True) as connection, connection.begin():
        connection.execute(text("UPDATE alembic_version SET version_num = 'r9999'"))
    with pytest.raises(BookError, match="newer program"):
        Book.open(book.target)


def test_the_search_sees_every_change_at_once(book: Book) -> None:
    book.rolls.add(a_roll())
    assert [f.roll.place for f in book.rolls.find()] == ["rack A"]
    book.lots.add(NewLot("T", "pig", 5.0))
    event = book.rolls.change("R1", 1, place="rack B").event
    entered = book.rolls.add(a_roll("R2")).event
    assert {f.roll.id: f.roll.place for f in book.rolls.find()} == {"R1": "rack B", "R2": "rack A"}
    book.history.undo(event)
    book.history.undo(entered)
    assert {f.roll.id: f.roll.place for f in book.rolls.find()} == {"R1": "rack A"}


def test_the_migrations_give_the_tables_of_the_program(book: Book) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    from pipemetal.shop.schema import metadata

    with book._writer.reading() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


@pytest.mark.parametrize("bad", ["nope.sqlite", ".", "readme.txt", "mysql://x/y"])
def test_what_is_no_book_gets_one_message(bad: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("readme.txt").write_text("not a database at all")
    with pytest.raises(BookError):
        Book.open(bad)


def test_many_writers_lose_nothing(book: Book) -> None:
    from concurrent.futures import ThreadPoolExecutor

    book.lots.add(NewLot("T", "pig", 100.0, Composition.parse("Sn 100")))

    def work(worker: int) -> None:
        with Book.open(book.target, who=f"worker {worker}") as own:
            for number in range(5):
                own.melts.record(NewMelt(f"M{worker}-{number}", "half", {"T": 1.0}))
                own.rolls.find()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))
    assert sum(book.ledger.stock()["lot:T"].values()) == pytest.approx(80.0)
    assert len(book.melts.rows()) == 20
    assert book.history.last() == 22


def test_a_damaged_book_or_a_full_disk_is_told_in_one_message(tmp_path: Path) -> None:
    (tmp_path / "d.sqlite").write_bytes(b"SQLite format 3\x00" + b"rubbish " * 2000)
    with pytest.raises(BookError, match="cannot be used"):
        Book.open(tmp_path / "d.sqlite", create=True)
    with Book.open(tmp_path / "f.sqlite", create=True) as book:
        book.recipes.add(HALF)
        with book._writer.reading() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        from sqlalchemy import event

        # a disk with no more room, as SQLite meets it
        event.listen(book._writer.engine, "connect", lambda c, _: c.execute(f"PRAGMA max_page_count={pages}").close())
        with pytest.raises(BookError, match="cannot be used: database or disk is full"):
            for number in range(50):
                book.rolls.add(a_roll(f"R{number}"))
        assert book.keeping.doctor().faults == []


def test_sqlite_is_opened_with_care(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True) as book, book._writer.reading() as connection:
        values = [
            connection.exec_driver_sql(f"PRAGMA {p}").scalar()
            for p in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        ]
    assert values == ["wal", 2, 1, 5000]


def test_the_invented_shop_goes_in_and_comes_out_and_can_be_planned_from(tmp_path: Path, shop_folder: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True) as book:
        counts = book.tables.import_folder(shop_folder)
        assert counts.rolls > 30 and counts.casts == 30
        with pytest.raises(InputError, match="in the book already"):
            book.tables.import_folder(shop_folder)
        book.tables.export_folder(tmp_path / "out")
        known, unknown = book.lots.in_stock()
    with Book.open(tmp_path / "t.sqlite", create=True) as second:
        second.tables.import_folder(tmp_path / "out")
        again, unknown_again = second.lots.in_stock()
        assert unknown_again == unknown
        assert [(x.id, x.mass_kg, x.composition) for x in again] == [(x.id, x.mass_kg, x.composition) for x in known]
        second.history.undo(1)
        assert second.ledger.stock() == {}
    stock = planning_stock(tmp_path / "s.sqlite")
    assert set(stock.recipes) and stock.notes == ()
    assert len(stock.rack) == counts.rolls and stock.unknown == unknown


def test_the_commands_answer_in_json(tmp_path: Path) -> None:
    shop = str(tmp_path / "s.sqlite")
    with Book.open(shop, create=True) as book:
        book.recipes.add(HALF)
        book.rolls.add(a_roll())
    run = CliRunner()
    asked = ["--alloy", "half", "--thickness", "0.9..1.1", "--length", "900", "--shop", shop, "--json"]
    told = json.loads(run.invoke(rolls, asked, catch_exceptions=False).stdout)
    assert told["rolls"][0]["id"] == "R1" and told["rolls"][0]["x_from_mm"] == pytest.approx(500.0, abs=2)
    args = ["--add", "T", "--mass", "55 lb", "--composition", "Sn 100", "--shop", shop, "--json"]
    run.invoke(lots, args, catch_exceptions=False)
    told = json.loads(run.invoke(lots, ["--shop", shop, "--json"], catch_exceptions=False).stdout)
    assert told["lots"][0]["mass_kg"] == pytest.approx(24.9476)
    assert json.loads(run.invoke(doctor, ["--shop", shop, "--json"]).stdout)["faults"] == []
    out = tmp_path / "l.pdf"
    assert run.invoke(label, ["R1", "--out", str(out), "--shop", shop], catch_exceptions=False).exit_code == 0
    assert out.read_bytes().startswith(b"%PDF-")


def test_doctor_works_without_a_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PIPEMETAL_SHOP", raising=False)
    result = CliRunner().invoke(doctor, ["--json"], catch_exceptions=False)
    assert result.exit_code == 0 and "sqlite" in json.loads(result.stdout)["installation"]


def test_who_only_looks_asks_for_the_latest_event_once(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True) as book:
        first = book.lots.add(NewLot("T1", "pig", 25.0)).event
        with book.glance():
            seen = book.history.last()
            second = book.lots.add(NewLot("T2", "pig", 25.0)).event
            assert book.history.last() == seen == first
        assert book.history.last() == second


@pytest.mark.parametrize("key", [" Q", "Q ", "lot:Q", "roll:Q"])
def test_an_id_that_is_taken_for_another_is_refused(book: Book, key: str) -> None:
    with pytest.raises(BookError, match=r"blank|account"):
        book.lots.add(NewLot(key, "pig", 10.0, Composition.parse("Pb 99.9 Sn bal")))


def test_the_doctor_counts_what_stands(book: Book) -> None:
    event = book.lots.add(NewLot("Q", "pig", 10.0, Composition.parse("Pb 99.9 Sn bal"))).event
    assert book.keeping.doctor().rows["lots"] == 1
    book.history.undo(event)
    assert book.keeping.doctor().rows["lots"] == 0


@pytest.mark.parametrize(
    "second", [(10.0, 10.0, 500.0, 500.0), (499.0, 10.0, 900.0, 500.0), (100.0, 100.0, 200.0, 200.0)]
)
def test_pieces_that_lie_on_each_other_are_refused_and_nothing_is_cut(book: Book, second: tuple[float, ...]) -> None:
    """The same place would give its metal twice, out of what is left of the roll."""
    book.rolls.add(a_roll())
    before = book.ledger.stock()
    x0, y0, x1, y1 = second
    with pytest.raises(BookError, match=r"q2.*beside q1"):
        book.rolls.cut("R1", [Piece("q1", (10.0, 10.0, 500.0, 500.0)), Piece("q2", (x0, y0, x1, y1))])
    assert book.ledger.stock() == before
    book.rolls.cut("R1", [Piece("q1", (10.0, 10.0, 500.0, 500.0)), Piece("q2", (500.0, 10.0, 900.0, 500.0))])
