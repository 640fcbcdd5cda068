"""Keeping the book: backup into one file, a dump as open files, the day's backup, and the doctor."""

from __future__ import annotations

import contextlib
import datetime
import glob
import hashlib
import logging
import os
import platform
import re
import shutil
import sqlite3
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Select, Table, func, select, text

from pipemetal import __version__
from pipemetal.errors import BookError, FileFormatError
from pipemetal.files.outbox import move_new, part_folder, streaming
from pipemetal.shop import connect, schema
from pipemetal.shop.archive import BACKUP_FORMAT, manifest_of, write_archive
from pipemetal.shop.checking import check_attachments, check_ledger, check_structures
from pipemetal.shop.copies import copy_to, hashes_of, unused
from pipemetal.shop.dumping import write_dump
from pipemetal.shop.resting import rests_on
from pipemetal.shop.rowfiles import Manifest, blob_sizes, table_hashes, tables_at
from pipemetal.shop.rows import PlanState
from pipemetal.shop.second_place import carry, last_failure, latest_carried, second_place
from pipemetal.shop.sheet_metal import hung_twice
from pipemetal.shop.writer import Writer
from pipemetal.texts import Text

__all__ = ["KEEP_DAYS", "Backups", "Health", "Keeping", "installation"]

KEEP_DAYS: Final = 14
DAILY: Final = "????-??-??.backup"
LATE_DAYS: Final = 7
LITTLE_SPACE: Final = 200_000_000
_LOG: Final = logging.getLogger("pipemetal.book")


@dataclass(frozen=True)
class Backups:
    """The daily backups: where they lie, how many, the day of the latest, and the same of the second place.

    `late` says what has not been backed up for a week, in words; empty where all is as it should be.
    """

    folder: str
    kept: int
    latest: str | None
    second: str = ""
    second_latest: str | None = None
    late: tuple[Text, ...] = ()


@dataclass(frozen=True)
class Health:
    """What stands in a book, and what is wrong with it: `faults` is empty for a sound one. `remarks`: what somebody should look
    at, though the book is sound."""

    shop: str
    database: str
    revision: str | None
    rows: dict[str, int]
    free_bytes: int | None
    backups: Backups
    faults: list[str]
    remarks: tuple[Text, ...] = ()


class Keeping:
    """Backup, dump and doctor."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._daily: tuple[Path, int] | None = None
        self._backed_up_on = ""
        writer.before_writing = self._back_up_today

    def backup(self, file: Path) -> Manifest:
        """Write the whole book into one file, while others go on working; gives the manifest.

        The book is read in one state, and SQLite checked first. The file is written beside its place and then moved, so a
        backup is whole or not there; its owner alone can read it.
        Errors: BookError where the book is damaged or the file cannot be written.
        """
        with self._one_state() as connection:
            tables = tables_at(connection)
            manifest: Manifest = {
                "format": BACKUP_FORMAT,
                "program": f"pipemetal {__version__}",
                "revision": connect.revision_of(connection),
                "database": self._writer.engine.dialect.name,
                "tables": table_hashes(connection, tables),
                "attachments": blob_sizes(connection),
            }
            try:
                with streaming(file, private=True) as out:
                    write_archive(out, connection, tables, manifest)
            except FileFormatError as error:
                raise BookError(error.problem, field="backup", value=error.where, allowed=error.allowed) from None
        return manifest

    def dump(self, folder: Path) -> Manifest:
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
        if self._writer.is_sqlite and not named:
            return Path(f"{self._writer.target}.backups")
        name = (
            re.sub(r"[^A-Za-z0-9._-]+", "-", connect.without_password(self._writer.target).rpartition("/")[2]) or "book"
        )
        return Path(named or Path.home() / ".pipemetal" / "backups") / name

    def _back_up_today(self) -> None:
        today = datetime.date.today().isoformat()
        if self._daily is None or self._backed_up_on == today:
            return
        folder, keep = self._daily
        self._backed_up_on = today
        file = folder / f"{today}.backup"
        if file.exists() and second_place() and latest_carried(folder) != today:
            carry(file, keep, self._named_apart())  # it was made today, and did not get there
        if file.exists() or not self._writer.last_event():
            return
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.backup(file)
            _LOG.info("backed up before the first writing of the day: %s", file)
            _keep_latest(folder, file, keep)
            carry(file, keep, self._named_apart())
        except (OSError, BookError) as error:
            if not file.exists():  # another program may just have made it
                # work in the shop goes on without it; the doctor tells it too
                _LOG.warning("today's backup could not be made: %s", error)

    def _named_apart(self) -> str:
        """A folder's name for this book's backups beside those of others, two of the same name too."""
        target = self._writer.target
        whole = str(Path(target).resolve()) if self._writer.is_sqlite else connect.without_password(target)
        name = re.sub(r"[^A-Za-z0-9._-]+", "-", whole.rpartition("/")[2])[:60] or "book"
        return f"{name}-{hashlib.sha256(whole.encode()).hexdigest()[:8]}"

    def backups(self) -> Backups:
        """How it stands with the daily backups."""
        folder = self._daily[0] if self._daily is not None else self.backups_folder()
        kept = sorted(path.stem for path in folder.glob(DAILY)) if folder.is_dir() else []
        latest, second = kept[-1] if kept else None, second_place()
        carried = latest_carried(folder) if second else None
        late: list[Text] = []
        written = self._writer.written_between()
        if written is not None:
            if _is_late(latest, *written):
                late.append(_told_late("no backup", latest, str(folder)))
            if second and _is_late(carried, *written):
                late.append(_told_late("no backup at the second place", carried, second))
        if second and (why := last_failure(folder)):
            late.append(Text("The latest backup did not come to the second place: {why}", why=why))
        return Backups(str(folder), len(kept), latest, second, carried, tuple(late))

    def keep_before(self, newest: str) -> None:
        """A copy of the book before it is brought up to a newer schema; one that a killed program made already is enough."""
        if not self._writer.is_sqlite:
            folder = self.backups_folder()
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            with self._writer.reading() as connection:
                now = table_hashes(connection, tables_at(connection))
            for path in sorted(folder.glob(f"before-{newest}*.backup")):
                if (manifest_of(path) or {}).get("tables") == now:
                    return
            self.backup(unused(f"{folder}/before-{newest}", ".backup"))
            return
        book = Path(self._writer.target)
        held = hashes_of(book)
        earlier = sorted(book.parent.glob(f"{glob.escape(book.name)}.before-{newest}*.sqlite"))
        if any(hashes_of(path) == held for path in earlier):
            return
        with part_folder(book) as beside:
            made = beside / "book.sqlite"
            copy_to(book, made)
            made.chmod(stat.S_IMODE(book.stat().st_mode))
            move_new(made, unused(f"{book}.before-{newest}", ".sqlite"))

    @contextlib.contextmanager
    def _one_state(self) -> Iterator[Connection]:
        """A connection on one state of the book, of a SQLite file checked from end to end."""
        with self._writer.reading() as connection:
            if self._writer.is_sqlite:
                verdict = str(connection.execute(text("PRAGMA integrity_check")).scalar())
                if verdict != "ok":
                    raise BookError(
                        Text("is damaged: {verdict}", verdict=verdict), field="shop", value=self._writer.target
                    )
            yield connection

    def doctor(self) -> Health:
        """What stands in the book, and what is wrong with it."""
        faults: list[str] = []
        with self._writer.reading() as connection:
            revision = connect.revision_of(connection)
            counts = {name: connection.execute(_standing(schema.TABLES[name])).scalar_one() for name in schema.KEYS}
            if self._writer.is_sqlite:
                verdict = connection.execute(text("PRAGMA integrity_check")).scalar()
                if verdict != "ok":
                    faults.append(f"database: {verdict}")
            faults += check_ledger(connection) + check_attachments(connection) + check_structures(connection)
            faults += hung_twice(connection)
            p = schema.plans.c
            accepted = select(p.id).where(p.state == PlanState.ACCEPTED, p.withdrawn.is_(False)).order_by(p.id)
            plans = connection.execute(accepted).scalars().all()
            remarks = tuple(
                Text("{plan}: {what}", plan=k, what=r.words) for k in plans for r in rests_on(connection, k)
            )
        target = self._writer.target
        free = shutil.disk_usage(Path(target).resolve().parent).free if self._writer.is_sqlite else None
        if free is not None and free < LITTLE_SPACE:
            faults.append(f"only {free // 1_000_000} MB free on the disk")
        backups = self.backups()
        faults += [str(late) for late in backups.late]
        database = self._writer.engine.dialect.name
        return Health(connect.without_password(target), database, revision, counts, free, backups, faults, remarks)


def _is_late(latest: str | None, first: datetime.date, last: datetime.date) -> bool:
    """Whether what was written up to `last` has had no backup for a week: a backup holds what stood before its own day."""
    return (last - (datetime.date.fromisoformat(latest) if latest else first)).days > LATE_DAYS


def _told_late(what: str, latest: str | None, where: str) -> Text:
    if latest is None:
        return Text("{what} was ever made: {where}", what=Text(what), where=where)
    return Text("{what} since {day}: {where}", what=Text(what), day=latest, where=where)


def _standing(table: Table) -> Select[int]:
    """How many rows of a table stand, without those that were taken back."""
    query = select(func.count()).select_from(table)
    return query.where(table.c.withdrawn.is_(False)) if "withdrawn" in table.c else query


def _keep_latest(folder: Path, made: Path, keep: int) -> None:
    """Remove all daily backups but the one just made and the latest others, by what stood in the book and not by the clock."""

    def age(path: Path) -> tuple[int, str]:
        try:
            return int((manifest_of(path) or {})["tables"]["events"]["rows"]), path.name
        except (KeyError, TypeError, ValueError):
            return 0, path.name

    others = sorted((path for path in folder.glob(DAILY) if path != made), key=age)
    for old in others[: max(len(others) - keep + 1, 0)]:
        old.unlink(missing_ok=True)


def installation() -> dict[str, str | int]:
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
