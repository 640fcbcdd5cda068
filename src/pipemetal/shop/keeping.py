"""Keeping the book: backup into one file, restore that equals what was backed up, and the doctor."""

from __future__ import annotations

import contextlib
import datetime
import glob
import hashlib
import itertools
import json
import logging
import os
import platform
import re
import shutil
import sqlite3
import stat
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any, Final

from sqlalchemy import Connection, Select, Table, func, select, text

from pipemetal import __version__
from pipemetal.errors import BookError, FileFormatError
from pipemetal.files.outbox import move_new, part_folder, streaming
from pipemetal.shop import connect, schema
from pipemetal.shop.base import BookBase
from pipemetal.shop.dumping import load_dump, write_dump
from pipemetal.shop.ledger import OUTSIDE, kilograms
from pipemetal.shop.rowfiles import DAMAGE, blob_sizes, check_source, load_source, row_lines, table_hashes, tables_at
from pipemetal.shop.settings import check_settings

__all__ = [
    "BACKUP_FORMAT",
    "KEEP_DAYS",
    "Keeping",
    "check_ledger",
    "installation",
    "load_dump",
    "restore",
    "table_hashes",
]

BACKUP_FORMAT: Final = "pipemetal book 1"
KEEP_DAYS: Final = 14
DAILY: Final = "????-??-??.backup"
STRUCTURES: Final = {
    "rolls": ("outline", "no_go", "readings", "field"),
    "lots": ("uncertainty",),
    "melts": ("inputs",),
    "plans": ("body",),
    "recipes": ("windows",),
    "pieces": ("box",),
    "reservations": ("ranks",),
    "cast_orders": ("body",),
    "events": ("changes",),
    "settings": ("said",),
}
"""Columns that hold JSON."""
MOST_RATIO, LEAST_BYTES, MOST_MANIFEST_BYTES = 200, 1_000_000, 50_000_000
"""Of a backup: unpacked to packed (rows of text pack to a tenth or so), counted from the least size, and its manifest."""
LITTLE_SPACE: Final = 200_000_000
_LOG: Final = logging.getLogger("pipemetal")


def check_ledger(connection: Connection) -> list[str]:
    """What is wrong with the ledger: accounts below nought, reversals that do not match; none in a sound book."""
    m = schema.movements.c
    held: dict[tuple[str, str], int] = {}
    rows = connection.execute(select(m.id, m.element, m.mass_ug, m.origin, m.target, m.reverses)).all()
    by_id = {row.id: row for row in rows}
    faults = []
    for row in rows:
        held[row.origin, row.element] = held.get((row.origin, row.element), 0) - int(row.mass_ug)
        held[row.target, row.element] = held.get((row.target, row.element), 0) + int(row.mass_ug)
        first = by_id.get(row.reverses) if row.reverses is not None else None
        if row.reverses is not None and (
            first is None
            or (first.origin, first.target, first.mass_ug, first.element)
            != (row.target, row.origin, row.mass_ug, row.element)
        ):
            faults.append(f"movement {row.id} does not take back movement {row.reverses}")
        if row.mass_ug <= 0:
            faults.append(f"movement {row.id} moves nothing")
    if sum(held.values()) != 0:
        faults.append("the ledger does not sum to nought")
    faults += [
        f"{account} holds {kilograms(mass):.6f} kg of {element}"
        for (account, element), mass in held.items()
        if mass < 0 and account not in OUTSIDE
    ]
    e = schema.events.c
    lost = connection.execute(select(func.count()).where(m.event.not_in(select(e.id)))).scalar()
    if lost:
        faults.append(f"{lost} movements belong to no event")
    return faults


class Keeping(BookBase):
    """Backup, dump and doctor."""

    _daily: tuple[Path, int] | None = None
    _backed_up_on = ""

    def backup(self, file: Path) -> dict[str, Any]:
        """Write the whole book into one file, while others go on working; gives the manifest.

        The book is read in one state, and SQLite checked first. The file is written beside its place and then moved, so a
        backup is whole or not there; its owner alone can read it.
        Errors: BookError where the book is damaged or the file cannot be written.
        """
        with self._one_state() as connection:
            tables = tables_at(connection)
            manifest: dict[str, Any] = {
                "format": BACKUP_FORMAT,
                "program": f"pipemetal {__version__}",
                "revision": connect.revision_of(connection),
                "database": self.engine.dialect.name,
                "tables": table_hashes(connection, tables),
                "attachments": blob_sizes(connection),
            }
            try:
                with streaming(file, private=True) as out:
                    _write_archive(out, connection, tables, manifest)
            except FileFormatError as error:
                raise BookError(error.problem, field="backup", value=error.where, allowed=error.allowed) from None
        return manifest

    def dump(self, folder: Path) -> dict[str, Any]:
        """Write the whole book as open files, JSON lines with a schema; gives the schema. Errors: BookError."""
        with self._one_state() as connection:
            return write_dump(connection, folder)

    def keep_daily(self, folder: Path | None = None, keep: int = KEEP_DAYS) -> None:
        """From now on, back up before the first thing written on a day, and keep so many of these backups.

        `folder`: where; by default beside a SQLite file, for PostgreSQL in PIPEMETAL_BACKUPS or ~/.pipemetal/backups.
        """
        self._daily = (folder or self.backups_folder(), keep)

    def backups_folder(self) -> Path:
        """Where automatic backups of this book lie."""
        named = os.environ.get("PIPEMETAL_BACKUPS")
        if self.is_sqlite and not named:
            return Path(f"{self.target}.backups")
        name = re.sub(r"[^A-Za-z0-9._-]+", "-", connect.without_password(self.target).rpartition("/")[2]) or "book"
        return Path(named or Path.home() / ".pipemetal" / "backups") / name

    def _before_writing(self) -> None:
        today = datetime.date.today().isoformat()
        if self._daily is None or self._backed_up_on == today:
            return
        folder, keep = self._daily
        self._backed_up_on = today
        file = folder / f"{today}.backup"
        if file.exists() or not self.last_event():
            return
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.backup(file)
            _keep_latest(folder, file, keep)
        except (OSError, BookError) as error:
            if not file.exists():  # another program may just have made it
                # work in the shop goes on without it; the doctor tells it too
                _LOG.warning("today's backup could not be made: %s", error)

    def _keep_before(self, newest: str) -> None:
        """A copy of the book before it is brought up to a newer schema; one that a killed program made already is enough."""
        if not self.is_sqlite:
            folder = self.backups_folder()
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            with self.reading() as connection:
                now = table_hashes(connection, tables_at(connection))
            for path in sorted(folder.glob(f"before-{newest}*.backup")):
                if _manifest_of(path).get("tables") == now:
                    return
            self.backup(_unused(f"{folder}/before-{newest}", ".backup"))
            return
        book = Path(self.target)
        held = _hashes_of(book)
        earlier = sorted(book.parent.glob(f"{glob.escape(book.name)}.before-{newest}*.sqlite"))
        if any(_hashes_of(path) == held for path in earlier):
            return
        with part_folder(book) as beside:
            made = beside / "book.sqlite"
            copy_to(book, made)
            made.chmod(stat.S_IMODE(book.stat().st_mode))
            move_new(made, _unused(f"{book}.before-{newest}", ".sqlite"))

    @contextlib.contextmanager
    def _one_state(self) -> Iterator[Connection]:
        """A connection on one state of the book, of a SQLite file checked from end to end."""
        with self.reading() as connection:
            if self.is_sqlite:
                verdict = str(connection.execute(text("PRAGMA integrity_check")).scalar())
                if verdict != "ok":
                    raise BookError(f"is damaged: {verdict}", field="shop", value=self.target)
            yield connection

    def doctor(self) -> dict[str, Any]:
        """What stands in the book, and what is wrong with it: `faults` is empty for a sound one."""
        faults: list[str] = []
        with self.reading() as connection:
            revision = connect.revision_of(connection)
            counts = {name: connection.execute(_standing(schema.TABLES[name])).scalar_one() for name in schema.KEYS}
            if self.is_sqlite:
                verdict = connection.execute(text("PRAGMA integrity_check")).scalar()
                if verdict != "ok":
                    faults.append(f"database: {verdict}")
            faults += check_ledger(connection) + check_attachments(connection) + check_structures(connection)
        free = shutil.disk_usage(Path(self.target).resolve().parent).free if self.is_sqlite else None
        if free is not None and free < LITTLE_SPACE:
            faults.append(f"only {free // 1_000_000} MB free on the disk")
        kept = sorted(self.backups_folder().glob(DAILY)) if self.backups_folder().is_dir() else []
        return {
            "shop": connect.without_password(self.target),
            "database": self.engine.dialect.name,
            "revision": revision,
            "rows": counts,
            "free_bytes": free,
            "backups": {
                "folder": str(self.backups_folder()),
                "kept": len(kept),
                "latest": kept[-1].stem if kept else None,
            },
            "faults": faults,
        }


def _standing(table: Table) -> Select[int]:
    """How many rows of a table stand, without those that were taken back."""
    query = select(func.count()).select_from(table)
    return query.where(table.c.withdrawn.is_(False)) if "withdrawn" in table.c else query


def copy_to(book: Path, file: Path) -> None:
    """Copy a SQLite book by its backup interface, whatever its revision, and check the copy.

    Errors: BookError where the book is damaged, or there is no room for the copy.
    """
    with (
        contextlib.closing(sqlite3.connect(book.absolute())) as here,
        contextlib.closing(sqlite3.connect(file)) as there,
    ):
        try:
            here.backup(there)
            verdict = there.execute("PRAGMA integrity_check").fetchone()[0]
        except sqlite3.OperationalError as error:  # no room, no right: the book itself may be sound
            raise BookError(f"cannot be copied: {error}", field="shop", value=str(file.parent.parent)) from None
        except sqlite3.DatabaseError as error:
            verdict = str(error)
    if verdict != "ok":
        raise BookError(f"is damaged: {verdict}", field="shop", value=str(book))


def _hashes_of(book: Path) -> dict[str, dict[str, Any]] | None:
    """What a SQLite book holds, None where it cannot be read."""
    engine = connect.engine_for(book, create=False)
    try:
        with connect.clear_errors(book), engine.connect() as connection:
            return table_hashes(connection, tables_at(connection))
    except BookError:
        return None
    finally:
        engine.dispose()


def _manifest_of(backup: Path) -> dict[str, Any]:
    """The list of contents of a backup, empty for what is none."""
    try:
        with zipfile.ZipFile(backup) as archive, archive.open("manifest.json") as member:
            held = json.loads(member.read(MOST_MANIFEST_BYTES))
    except DAMAGE:
        return {}
    return held if isinstance(held, dict) else {}


def _keep_latest(folder: Path, made: Path, keep: int) -> None:
    """Remove all daily backups but the one just made and the latest others, by what stood in the book and not by the clock."""

    def age(path: Path) -> tuple[int, str]:
        try:
            return int(_manifest_of(path)["tables"]["events"]["rows"]), path.name
        except (KeyError, TypeError, ValueError):
            return 0, path.name

    others = sorted((path for path in folder.glob(DAILY) if path != made), key=age)
    for old in others[: max(len(others) - keep + 1, 0)]:
        old.unlink(missing_ok=True)


def _unused(stem: str, ending: str) -> Path:
    """A file that is not there yet: no copy from before a migration is ever written over."""
    names = (Path(f"{stem}{'' if n == 1 else f'-{n}'}{ending}") for n in itertools.count(1))
    return next(path for path in names if not path.exists())


def check_attachments(connection: Connection) -> list[str]:
    """Attachments whose content is missing or altered."""
    b, a, faults = schema.blobs.c, schema.attachments.c, []
    for key in connection.execute(select(a.sha256).distinct()).scalars().all():
        content = connection.execute(select(b.content).where(b.sha256 == key)).scalar()
        if content is None or hashlib.sha256(content).hexdigest() != key:
            faults.append(f"attachment {key[:12]}... is missing or altered")
    return faults


def check_structures(connection: Connection) -> list[str]:
    """Rows whose lists and tables cannot be read, as somebody leaves them who alters a book or a backup by hand."""
    faults = []
    for name, columns in STRUCTURES.items():
        table = schema.TABLES[name]
        for row in connection.execute(select(table.c.id, *(table.c[column] for column in columns))).mappings():
            for column in columns:
                try:
                    json.loads(row[column] or "null")
                except (ValueError, RecursionError):
                    faults.append(f"{name} {row['id']}: {column} cannot be read")
    s = schema.settings.c
    for text_kept in connection.execute(select(s.said).where(s.withdrawn.is_(False))).scalars():
        faults += check_settings(text_kept)
    return faults


def _write_archive(
    out: IO[bytes], connection: Connection, tables: Mapping[str, Table], manifest: Mapping[str, Any]
) -> None:
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, table in tables.items():
            with archive.open(f"{name}.jsonl", "w") as member:
                for line in row_lines(connection, table):
                    member.write(line.encode() + b"\n")
        for key in manifest["attachments"]:
            content = connection.execute(
                select(schema.blobs.c.content).where(schema.blobs.c.sha256 == key)
            ).scalar_one()
            archive.writestr(zipfile.ZipInfo(f"attachments/{key}"), content)  # photos do not get smaller
        archive.writestr("manifest.json", json.dumps(manifest, indent=1))


def installation() -> dict[str, Any]:
    """Versions of what the program stands on, and the free disk where it is run."""
    from importlib.metadata import version

    names = ("numpy", "numba", "highspy", "shapely", "sqlalchemy", "alembic", "fastapi", "argon2-cffi", "openpyxl")
    return {
        "pipemetal": __version__,
        "python": platform.python_version(),
        "system": platform.system(),
        "sqlite": sqlite3.sqlite_version,
        **{name: version(name) for name in names},
        "free_bytes": shutil.disk_usage(Path.cwd()).free,
    }


class _Archive:
    """A backup, read."""

    def __init__(self, file: Path) -> None:
        self.name = str(file)
        try:
            self.archive = zipfile.ZipFile(file)
            parts = self.archive.infolist()
            if sum(part.file_size for part in parts) > MOST_RATIO * max(file.stat().st_size, LEAST_BYTES):
                raise BookError("is too large when unpacked", field="backup", value=str(file))
            with self.archive.open("manifest.json") as member:
                self.manifest: dict[str, Any] = json.loads(member.read(MOST_MANIFEST_BYTES))
        except BookError:
            raise
        except FileNotFoundError:
            raise BookError("is not there", field="backup", value=str(file)) from None
        except DAMAGE:
            raise BookError("is not a whole backup", field="backup", value=str(file)) from None
        if not isinstance(self.manifest, dict) or self.manifest.get("format") != BACKUP_FORMAT:
            raise BookError("is not a backup of this program", field="backup", value=str(file), allowed=BACKUP_FORMAT)

    def open(self, member: str) -> IO[bytes]:
        """A member of the archive."""
        try:
            return self.archive.open(member)
        except zipfile.BadZipFile as error:
            raise ValueError(str(error)) from None


def restore(file: Path, target: str | Path) -> dict[str, Any]:
    """Bring a backup back into an empty place, SQLite or PostgreSQL, whichever it came from; gives the manifest.

    The backup is checked before anything is written, and the restored rows are compared with it before they are kept; one of
    an older program is brought up then. Errors: BookError for a damaged backup, or a target that holds a book already.
    """
    source = _Archive(file)
    with source.archive:
        try:
            check_source(source)
        except DAMAGE as error:
            if isinstance(error, BookError):
                raise
            raise BookError("is damaged", field="backup", value=str(file)) from None
        load_source(source, target)
    return source.manifest
