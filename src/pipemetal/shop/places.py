"""Where a new SQLite book comes to lie: made beside its place, moved there when it is whole, and never over another book."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from pipemetal.errors import BookError
from pipemetal.files.outbox import BESIDE_A_BOOK, move_new, part_folder, shut_out_others
from pipemetal.texts import Text

__all__ = ["PlaceTakenError", "holds_nothing", "new_book_file"]


class PlaceTakenError(BookError):
    """There is something in the place already, or somebody else was quicker; it is untouched."""

    def __init__(self, place: Path) -> None:
        super().__init__(
            "is there already; a book is brought back into an empty place only", field="shop", value=str(place)
        )


def holds_nothing(place: Path) -> bool:
    """Whether nothing lies here that anybody could miss: no file, an empty one, or a database without a table.

    Errors: sqlite3.Error where somebody else is just making a book in it.
    """
    if place.is_symlink() or (place.exists() and not place.is_file()):
        return False
    if not place.exists() or place.stat().st_size == 0:
        return True
    try:
        with contextlib.closing(sqlite3.connect(place.absolute())) as there:
            return bool(there.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,))
    except sqlite3.DatabaseError:
        return False


@contextlib.contextmanager
def new_book_file(place: Path, *, keep: bool = True) -> Iterator[Path]:
    """A file beside a place to make a book in; it stands in its place when the block ends without an error.

    Readable by its owner alone. With `keep` false it is only tried and goes again. A program that is killed leaves the place as
    it was. Errors: PlaceTakenError where something lies there, before or when the book is done; it is untouched.
    """
    if not place.parent.is_dir():
        raise BookError("has no folder to lie in", field="shop", value=str(place))
    if not holds_nothing(place):
        raise PlaceTakenError(place)
    with part_folder(place) as beside:
        made = beside / "book.sqlite"
        yield made
        if not keep:
            return
        try:
            _close_up(made)
            with shut_out_others(place.parent):
                if not holds_nothing(place):
                    raise PlaceTakenError(place)
                for leftover in (place, *(Path(f"{place}{ending}") for ending in BESIDE_A_BOOK)):
                    leftover.unlink(missing_ok=True)
                move_new(made, place)
        except FileExistsError:
            raise PlaceTakenError(place) from None
        except OSError as error:
            raise BookError(
                Text("cannot be written: {value}", value=error.strerror or str(error)), field="shop", value=str(place)
            ) from None


def _close_up(made: Path) -> None:
    """Fold everything that was written into the one file, and make it last."""
    with contextlib.closing(sqlite3.connect(made)) as book:
        book.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    made.chmod(0o600)
    held = os.open(made, os.O_RDONLY)
    try:
        os.fsync(held)
    finally:
        os.close(held)
