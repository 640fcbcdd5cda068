"""Keeping: backups of every released schema, daily ones, dumps, and what a full or read-only disk does."""

import datetime
import json
import sqlite3
import threading
from pathlib import Path

import pytest
from alembic.script import ScriptDirectory
from shop_samples import HALF, PNG, TIN, a_roll

from pipemetal.errors import BookError
from pipemetal.shop import connect
from pipemetal.shop.archive import Archive
from pipemetal.shop.book import Book, NewLot, restore
from pipemetal.shop.dumping import load_dump
from pipemetal.shop.rowfiles import _load_rows, table_hashes, tables_at

FIXTURES = sorted((Path(__file__).parents[1] / "data" / "shop").glob("book-*.backup"))


def hashes(book: Book) -> object:
    with book._writer.reading() as connection:
        return table_hashes(connection)


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def older_book(path: Path, fixture: Path) -> None:
    """A SQLite book as an older program left it."""
    source = Archive(fixture)
    engine = connect.engine_for(path, create=True)
    with source.archive, engine.connect().execution_options(writes=True) as connection, connection.begin():
        connect.upgrade(connection, source.manifest["revision"])
        _load_rows(connection, source, tables_at(connection))
    engine.dispose()


def test_there_is_a_fixture_of_every_schema() -> None:
    assert {path.stem.removeprefix("book-") for path in FIXTURES} == connect.known_revisions()
    steps = ScriptDirectory(str(connect.MIGRATIONS))
    assert {step.revision for step in steps.walk_revisions()} == connect.known_revisions()
    assert steps.get_current_head() == connect.newest_revision()


@pytest.mark.parametrize("fixture", FIXTURES, ids=lambda p: p.stem)
@pytest.mark.parametrize("where", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_a_backup_of_every_schema_is_restored(
    fixture: Path, where: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    target = tmp_path / "s.sqlite" if where == "sqlite" else request.getfixturevalue("postgres_url")
    restore(fixture, target)
    with Book.open(target, who="Ada") as book:
        assert book.keeping.doctor().faults == [] and book.keeping.doctor().revision == connect.newest_revision()
        assert {lot.id for lot in book.lots.in_stock()[0]} >= {"T", "P", "scrap-half"}
        assert {s.origin for s in book.trace.flows("pipe:Flute C body").backwards} >= {"lot:T", "melt:M1", "roll:R1"}
        book.lots.add(NewLot("new", "pig", 5.0, TIN))


@pytest.mark.parametrize("where", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_an_older_book_is_copied_before_it_is_brought_up(
    where: str, tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PIPEMETAL_BACKUPS", str(tmp_path / "backups"))
    target = tmp_path / "s.sqlite" if where == "sqlite" else request.getfixturevalue("postgres_url")
    older_book(target, FIXTURES[0])
    with Book.open(target) as book:
        assert book.keeping.doctor().faults == []
        kept = book.keeping.backups_folder() / f"before-{connect.newest_revision()}.backup"
    if where == "sqlite":
        with sqlite3.connect(f"{target}.before-{connect.newest_revision()}.sqlite") as copy:
            assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == ("r0001",)
        copy.close()
    else:
        restore(kept, tmp_path / "again.sqlite")


def test_a_dump_read_again_is_the_same_dump(book: Book, tmp_path: Path, shop_folder: Path) -> None:
    book.tables.import_folder(shop_folder)
    book.rolls.add(a_roll(), note="Żółć, =1+1")
    book.attachments.add("roll:R1", "photo.png", PNG)
    book.people.add("Ada", "run", pin="4711")
    book.history.undo(book.rolls.change("R1", 1, place="rack B").event)
    book.keeping.dump(tmp_path / "one")
    load_dump(tmp_path / "one", tmp_path / "again.sqlite")
    with Book.open(tmp_path / "again.sqlite") as again:
        again.keeping.dump(tmp_path / "two")
        assert hashes(again) == hashes(book) and again.attachments.content("roll:R1 #1")[1] == PNG
    assert tree(tmp_path / "one") == tree(tmp_path / "two")
    told = json.loads((tmp_path / "one" / "schema.json").read_text())
    assert all(t["meaning"] for t in told["schema"].values())
    with pytest.raises(BookError, match="empty place"):
        book.keeping.dump(tmp_path / "one")
    (tmp_path / "one" / "rolls.jsonl").write_text("")
    with pytest.raises(BookError, match="damaged in rolls"):
        load_dump(tmp_path / "one", tmp_path / "x.sqlite")
    assert not (tmp_path / "x.sqlite").exists()


def test_photos_are_in_the_backup(book: Book, tmp_path: Path) -> None:
    book.rolls.add(a_roll())
    book.attachments.add("roll:R1", "photo.png", PNG)
    book.keeping.backup(tmp_path / "b")
    restore(tmp_path / "b", tmp_path / "again.sqlite")
    with Book.open(tmp_path / "again.sqlite") as again:
        assert again.attachments.content("roll:R1 #1")[1] == PNG
    damaged = (tmp_path / "b").read_bytes().replace(b"an invented picture", b"an altered picture!")
    (tmp_path / "c").write_bytes(damaged)
    with pytest.raises(BookError, match="damaged"):
        restore(tmp_path / "c", tmp_path / "x.sqlite")


def test_the_first_writing_of_a_day_backs_the_book_up_first(book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    folder.mkdir()
    for day in range(1, 30):
        (folder / f"2020-01-{day:02d}.backup").write_bytes(b"")
    book.keeping.keep_daily(folder, keep=5)
    before = hashes(book)
    book.lots.add(NewLot("T", "pig", 5.0, TIN))
    book.lots.add(NewLot("T2", "pig", 5.0, TIN))
    today = f"{datetime.date.today().isoformat()}.backup"
    assert [p.name for p in sorted(folder.glob("*.backup"))][-2:] == ["2020-01-29.backup", today]
    assert len(list(folder.glob("*.backup"))) == 5
    restore(folder / today, tmp_path / "again.sqlite")
    with Book.open(tmp_path / "again.sqlite") as again:
        assert hashes(again) == before


def test_a_backup_that_cannot_be_made_does_not_stop_the_shop(
    book: Book, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "file").write_text("in the way")
    book.keeping.keep_daily(tmp_path / "file")
    book.lots.add(NewLot("T", "pig", 5.0, TIN))
    assert "backup could not be made" in caplog.text and len(book.lots.in_stock()[0]) == 1


def test_an_altered_photo_is_found_by_the_doctor(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True) as book:
        book.recipes.add(HALF)
        book.rolls.add(a_roll())
        book.attachments.add("roll:R1", "photo.png", PNG)
        with sqlite3.connect(tmp_path / "s.sqlite") as raw:
            raw.execute("UPDATE blobs SET content = x'00'")
        raw.close()
        assert any("altered" in fault for fault in book.keeping.doctor().faults)
        with pytest.raises(BookError, match="damaged"):
            book.attachments.content("roll:R1 #1")


def waited() -> None:
    for thread in threading.enumerate():
        if thread.name == "second backup":
            thread.join(120)


def carried(book: Book, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Write something with a backup before it, and wait until that was carried to the second place."""
    book.lots.add(NewLot("T0", "pig", 5.0, TIN))
    book.keeping.keep_daily(tmp_path / "kept")
    book.lots.add(NewLot("T", "pig", 5.0, TIN))
    waited()
    return tmp_path / "kept" / f"{datetime.date.today().isoformat()}.backup"


def test_the_daily_backup_comes_to_a_second_folder(book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "second").mkdir()
    monkeypatch.setenv("PIPEMETAL_BACKUPS_SECOND", str(tmp_path / "second"))
    made = carried(book, monkeypatch, tmp_path)
    (held,) = (tmp_path / "second").glob(f"*/{made.name}")
    assert held.read_bytes() == made.read_bytes()
    told = book.keeping.backups()
    assert (told.latest, told.second_latest, told.late) == (made.stem, made.stem, ())


def test_the_daily_backup_is_given_to_a_command(book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PIPEMETAL_BACKUPS_COMMAND", f"cp {{file}} '{tmp_path}/far away.backup'")
    made = carried(book, monkeypatch, tmp_path)
    assert (tmp_path / "far away.backup").read_bytes() == made.read_bytes()


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("PIPEMETAL_BACKUPS_SECOND", "/nowhere/at/all", "is not there"),
        ("PIPEMETAL_BACKUPS_COMMAND", "false {file}", "ended with 1"),
        ("PIPEMETAL_BACKUPS_COMMAND", "cp a b", "is no command for a backup"),
        ("PIPEMETAL_BACKUPS_COMMAND", "no-such-program {file}", "is not installed"),
    ],
)
def test_a_second_place_that_fails_is_told_and_stops_nobody(
    name: str,
    value: str,
    told: str,
    book: Book,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setenv(name, value)
    made = carried(book, monkeypatch, tmp_path)
    assert made.is_file() and told in caplog.text and book.keeping.backups().second_latest is None
    assert told in str(book.keeping.backups().late[-1])  # it is said at once, and by the doctor
    monkeypatch.setenv(name, str(tmp_path) if name.endswith("SECOND") else "true {file}")
    again = Book.open(book.target)
    again.keeping.keep_daily(tmp_path / "kept")
    again.lots.add(NewLot("T9", "pig", 5.0, TIN))
    waited()
    assert again.keeping.backups().late == () and again.keeping.backups().second_latest == made.stem
    again.close()


def test_a_week_without_a_backup_is_told(book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PIPEMETAL_BACKUPS", str(tmp_path / "kept"))
    book.lots.add(NewLot("T", "pig", 5.0, TIN))
    assert book.keeping.backups().late == ()
    days = [datetime.date(2026, 5, 1), datetime.date(2026, 5, 9)]
    monkeypatch.setattr(type(book._writer), "written_between", lambda _: tuple(days))
    assert "no backup was ever made" in str(book.keeping.backups().late[0])
    assert any("no backup was ever made" in fault for fault in book.keeping.doctor().faults)
    folder = book.keeping.backups_folder()
    folder.mkdir(parents=True)
    (folder / "2026-05-01.backup").touch()
    assert "no backup since 2026-05-01" in str(book.keeping.backups().late[0])
    (folder / "2026-05-02.backup").touch()
    assert book.keeping.backups().late == ()
    monkeypatch.setenv("PIPEMETAL_BACKUPS_SECOND", str(tmp_path))
    assert "no backup at the second place was ever made" in str(book.keeping.backups().late[0])


@pytest.mark.parametrize("where", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_a_book_of_the_first_schema_is_brought_up_under_load(
    where: str, tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Many programs open an old book at once and write at once: it is brought up once, copied before, and holds what all wrote."""
    monkeypatch.setenv("PIPEMETAL_BACKUPS", str(tmp_path / "backups"))
    target = tmp_path / "s.sqlite" if where == "sqlite" else request.getfixturevalue("postgres_url")
    older_book(target, FIXTURES[0])
    wrong: list[BaseException] = []

    def work(number: int) -> None:
        try:
            with Book.open(target) as book:
                for k in range(5):
                    book.lots.add(NewLot(f"N{number}-{k}", "pig", 1.0, TIN))
        except BaseException as error:
            wrong.append(error)

    hands = [threading.Thread(target=work, args=(number,)) for number in range(6)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    assert not wrong
    with Book.open(target) as book:
        assert {f"N{n}-{k}" for n in range(6) for k in range(5)} <= {lot.id for lot in book.lots.in_stock()[0]}
        assert book.keeping.doctor().faults == []
        newest = connect.newest_revision()
        copies = [*tmp_path.glob(f"*.before-{newest}*"), *book.keeping.backups_folder().glob(f"before-{newest}*")]
        assert len(copies) == 1


def test_two_books_of_one_name_share_a_second_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "second").mkdir()
    monkeypatch.setenv("PIPEMETAL_BACKUPS_SECOND", str(tmp_path / "second"))
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        with Book.open(tmp_path / name / "shop.sqlite", create=True) as book:
            book.lots.add(NewLot(f"T{name}", "pig", 5.0, TIN))
            book.keeping.keep_daily()
            book.lots.add(NewLot("T", "pig", 5.0, TIN))
            waited()
    held = sorted((tmp_path / "second").glob("shop.sqlite-*/*.backup"))
    assert len(held) == 2
    lots = set()
    for k, file in enumerate(held):
        restore(file, tmp_path / f"again{k}.sqlite")
        with Book.open(tmp_path / f"again{k}.sqlite") as book:
            lots |= {lot.id for lot in book.lots.in_stock()[0]}
    assert lots == {"Ta", "Tb"}
