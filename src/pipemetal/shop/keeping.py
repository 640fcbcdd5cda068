"""Keeping the book: backup into one file, restore that equals what was backed up, and the doctor."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import platform
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, func, insert, select, text

from pipemetal import __version__
from pipemetal.errors import BookError
from pipemetal.shop import connect, schema
from pipemetal.shop.base import BookBase, dump
from pipemetal.shop.ledger import OUTSIDE, kilograms

__all__ = ["BACKUP_FORMAT", "Keeping", "check_ledger", "restore", "table_hashes"]

BACKUP_FORMAT: Final = "pipemetal book 1"
CHUNK: Final = 500


def _lines(connection: Connection, name: str) -> Iterator[str]:
    """The rows of a table in the order of their ids, one JSON line each, alike on every database."""
    table = schema.TABLES[name]
    rows = [dict(row) for row in connection.execute(select(table)).mappings()]
    for row in sorted(rows, key=lambda r: (isinstance(r["id"], str), r["id"])):
        yield json.dumps(row, allow_nan=False, ensure_ascii=True, sort_keys=True, separators=(",", ":"))


def table_hashes(connection: Connection) -> dict[str, dict[str, Any]]:
    """Rows and their SHA-256 by table: two books that hold the same have the same hashes."""
    found = {}
    for name in schema.KEYS:
        digest, count = hashlib.sha256(), 0
        for line in _lines(connection, name):
            digest.update(line.encode() + b"\n")
            count += 1
        found[name] = {"rows": count, "sha256": digest.hexdigest()}
    return found


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
            first is None or (first.origin, first.target, first.mass_ug, first.element)
            != (row.target, row.origin, row.mass_ug, row.element)
        ):  # fmt: skip
            faults.append(f"movement {row.id} does not take back movement {row.reverses}")
        if row.mass_ug <= 0:
            faults.append(f"movement {row.id} moves nothing")
    if sum(held.values()) != 0:
        faults.append("the ledger does not sum to nought")
    faults += [
        f"{account} holds {kilograms(mass):.6f} kg of {element}"
        for (account, element), mass in held.items() if mass < 0 and account not in OUTSIDE
    ]  # fmt: skip
    e = schema.events.c
    lost = connection.execute(select(func.count()).where(m.event.not_in(select(e.id)))).scalar()
    if lost:
        faults.append(f"{lost} movements belong to no event")
    return faults


class Keeping(BookBase):
    """Backup and doctor."""

    def backup(self, file: Path) -> dict[str, Any]:
        """Write the whole book into one file, while others go on working; gives the manifest.

        SQLite is copied by its backup interface and checked first; PostgreSQL is read in one state. The file is written
        beside its place and then moved, so a backup is whole or not there.
        Errors: BookError where the book is damaged or the file cannot be written.
        """
        if file.is_dir() or not file.parent.is_dir():
            raise BookError("is not a place for a file", field="backup", value=str(file))
        with self._one_state() as connection:
            manifest: dict[str, Any] = {
                "format": BACKUP_FORMAT, "program": f"pipemetal {__version__}", "revision": connect.revision_of(connection),
                "database": self.engine.dialect.name, "tables": table_hashes(connection),
            }  # fmt: skip
            handle, beside = tempfile.mkstemp(prefix=f".{file.name}.", dir=file.parent)
            try:
                with os.fdopen(handle, "wb") as out:
                    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
                        for name in schema.KEYS:
                            with archive.open(f"{name}.jsonl", "w") as member:
                                for line in _lines(connection, name):
                                    member.write(line.encode() + b"\n")
                        archive.writestr("manifest.json", json.dumps(manifest, indent=1))
                    out.flush()
                    os.fsync(out.fileno())
                Path(beside).replace(file)
            except BaseException:
                Path(beside).unlink(missing_ok=True)
                raise
        return manifest

    @contextlib.contextmanager
    def _one_state(self) -> Iterator[Connection]:
        """A connection on one state of the book: for SQLite, on a checked copy."""
        if not self.is_sqlite:
            with self.reading() as connection:
                yield connection
            return
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / "copy.sqlite"
            self.copy_to(copy)
            engine = connect.engine_for(copy, create=False)
            try:
                with engine.connect() as connection:
                    yield connection
            finally:
                engine.dispose()

    def copy_to(self, file: Path) -> None:
        """Copy a SQLite book by its backup interface, whatever its revision, and check the copy.

        Errors: BookError where the book is damaged.
        """
        with (
            contextlib.closing(sqlite3.connect(self.target)) as here,
            contextlib.closing(sqlite3.connect(file)) as there,
        ):
            try:
                here.backup(there)
                verdict = there.execute("PRAGMA integrity_check").fetchone()[0]
            except sqlite3.DatabaseError as error:
                verdict = str(error)
        if verdict != "ok":
            raise BookError(f"is damaged: {verdict}", field="shop", value=self.target)

    def doctor(self) -> dict[str, Any]:
        """What stands in the book, and what is wrong with it: `faults` is empty for a sound one."""
        faults: list[str] = []
        with self.reading() as connection:
            revision = connect.revision_of(connection)
            counts = {
                name: int(connection.execute(select(func.count()).select_from(schema.TABLES[name])).scalar() or 0)
                for name in schema.KEYS
            }
            if self.is_sqlite:
                verdict = connection.execute(text("PRAGMA integrity_check")).scalar()
                if verdict != "ok":
                    faults.append(f"database: {verdict}")
            faults += check_ledger(connection)
        free = shutil.disk_usage(Path(self.target).resolve().parent).free if self.is_sqlite else None
        if free is not None and free < 200_000_000:
            faults.append(f"only {free // 1_000_000} MB free on the disk")
        return {
            "shop": connect._without_password(self.target), "database": self.engine.dialect.name, "revision": revision,
            "rows": counts, "free_bytes": free, "faults": faults,
        }  # fmt: skip


def installation() -> dict[str, Any]:
    """Versions of what the program stands on, and the free disk where it is run."""
    from importlib.metadata import version

    names = ("numpy", "numba", "highspy", "shapely", "sqlalchemy", "alembic", "fastapi")
    return {
        "pipemetal": __version__, "python": platform.python_version(), "system": platform.system(),
        "sqlite": sqlite3.sqlite_version, **{name: version(name) for name in names},
        "free_bytes": shutil.disk_usage(Path.cwd()).free,
    }  # fmt: skip


def _checked_archive(file: Path) -> tuple[dict[str, Any], zipfile.ZipFile]:
    try:
        archive = zipfile.ZipFile(file)
        manifest = json.loads(archive.read("manifest.json"))
    except FileNotFoundError:
        raise BookError("is not there", field="backup", value=str(file)) from None
    except (zipfile.BadZipFile, KeyError, ValueError, OSError):
        raise BookError("is not a whole backup", field="backup", value=str(file)) from None
    if not isinstance(manifest, dict) or manifest.get("format") != BACKUP_FORMAT:
        raise BookError("is not a backup of this program", field="backup", value=str(file), allowed=BACKUP_FORMAT)
    if manifest.get("revision") not in connect.known_revisions():
        raise BookError("was written by a newer program", field="backup", value=manifest.get("revision"))
    for name, wanted in manifest["tables"].items():
        digest = hashlib.sha256()
        try:
            with archive.open(f"{name}.jsonl") as member:
                while block := member.read(1 << 20):
                    digest.update(block)
        except (KeyError, zipfile.BadZipFile, OSError, EOFError):
            raise BookError(f"is damaged in {name}", field="backup", value=str(file)) from None
        if digest.hexdigest() != wanted["sha256"]:
            raise BookError(f"is damaged in {name}", field="backup", value=str(file))
    return manifest, archive


def restore(file: Path, target: str | Path) -> dict[str, Any]:
    """Bring a backup back into an empty place, SQLite or PostgreSQL, whichever it came from; gives the manifest.

    The backup is checked before anything is written, and the restored rows are compared with it before they are kept.
    Errors: BookError for a damaged backup, or a target that holds a book already.
    """
    from pipemetal.shop.book import Book

    manifest, archive = _checked_archive(file)
    path = connect.sqlite_file(target)
    if path is not None and path.exists():
        raise BookError("is there already; restore goes into an empty place", field="shop", value=str(path))
    with archive:
        try:
            book = Book.open(target, create=True)
        except BaseException:
            _forget(path)
            raise
        try:
            _load(book, archive, manifest, path)
        except BaseException:
            book.close()
            _forget(path)
            raise
        book.close()
    return manifest


def _load(book: BookBase, archive: zipfile.ZipFile, manifest: dict[str, Any], path: Path | None) -> None:
    with book.engine.connect().execution_options(writes=True) as connection, connection.begin():
        for name in schema.KEYS:
            table = schema.TABLES[name]
            if connection.execute(select(func.count()).select_from(table)).scalar():
                raise BookError("holds a book already; restore goes into an empty place", field="shop")
            with archive.open(f"{name}.jsonl") as member:
                block: list[dict[str, Any]] = []
                for line in member:
                    block.append(json.loads(line))
                    if len(block) >= CHUNK:
                        connection.execute(insert(table), block)
                        block = []
                if block:
                    connection.execute(insert(table), block)
        if table_hashes(connection) != manifest["tables"]:
            raise BookError("does not equal its backup after loading", field="shop", value=dump(str(path or "")))


def _forget(path: Path | None) -> None:
    if path is not None:
        for suffix in ("", "-wal", "-shm"):
            Path(f"{path}{suffix}").unlink(missing_ok=True)
