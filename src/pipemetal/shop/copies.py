"""Copies of a SQLite book by its own means, whatever its revision."""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
from pathlib import Path

from pipemetal.errors import BookError
from pipemetal.shop import connect
from pipemetal.shop.rowfiles import Counted, table_hashes, tables_at
from pipemetal.texts import Text

__all__ = ["copy_to", "hashes_of", "unused"]


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
            raise BookError(
                Text("cannot be copied: {error}", error=str(error)), field="shop", value=str(file.parent.parent)
            ) from None
        except sqlite3.DatabaseError as error:
            verdict = str(error)
    if verdict != "ok":
        raise BookError(Text("is damaged: {verdict}", verdict=verdict), field="shop", value=str(book))


def hashes_of(book: Path) -> dict[str, Counted] | None:
    """What a SQLite book holds, None where it cannot be read."""
    engine = connect.engine_for(book, create=False)
    try:
        with connect.clear_errors(book), engine.connect() as connection:
            return table_hashes(connection, tables_at(connection))
    except BookError:
        return None
    finally:
        engine.dispose()


def unused(stem: str, ending: str) -> Path:
    """A file that is not there yet: no copy from before a migration is ever written over."""
    names = (Path(f"{stem}{'' if n == 1 else f'-{n}'}{ending}") for n in itertools.count(1))
    return next(path for path in names if not path.exists())
