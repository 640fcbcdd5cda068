"""The shop book: one database that a shop's metal lives in."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import func, select

from pipemetal.errors import BookError
from pipemetal.files.outbox import sweep
from pipemetal.shop import connect, schema
from pipemetal.shop.accounting import Accounting
from pipemetal.shop.attaching import Attaching
from pipemetal.shop.base import AlreadyDoneError, NotAllowedError, StaleSaveError
from pipemetal.shop.catalogue import Piece
from pipemetal.shop.free import NotFreeError
from pipemetal.shop.history import TraceStep
from pipemetal.shop.keeping import Keeping, restore
from pipemetal.shop.people import People, Person
from pipemetal.shop.places import PlaceTakenError, holds_nothing, new_book_file
from pipemetal.shop.pot import Pot
from pipemetal.shop.searching import Found, RollEntry
from pipemetal.shop.tracing import Tracing
from pipemetal.shop.transfer import Transfer
from pipemetal.shop.undoing import Event, UndoFirstError

__all__ = [
    "AlreadyDoneError",
    "Book",
    "Event",
    "Found",
    "NotAllowedError",
    "NotFreeError",
    "Person",
    "Piece",
    "RollEntry",
    "StaleSaveError",
    "TraceStep",
    "UndoFirstError",
    "restore",
]


class Book(Transfer, Pot, Accounting, Tracing, Keeping, People, Attaching):
    """A shop book, open. Everything that writes is one event: all of it or nothing, with who and when.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     book = Book.open(f"{folder}/shop.sqlite", create=True)
    ...     event = book.add_lot("T1", "pig", 25.0)
    ...     held = book.stock()["lot:T1"], book.undo(event), book.stock()
    ...     book.close()
    >>> held
    ({'unknown': 25.0}, 2, {})
    """

    @classmethod
    def open(cls, target: str | Path, *, create: bool = False, who: str | None = None) -> Book:
        """Open a book: the path of a SQLite file, or postgresql://...; with `create` a new one is made where there is none.

        A book of an older program is copied beside itself (PostgreSQL: into the folder of backups) and brought up; one of a
        newer program is refused.
        Errors: BookError.
        """
        path = connect.sqlite_file(target)
        if path is not None and create and holds_nothing(path):
            with contextlib.suppress(PlaceTakenError), new_book_file(path) as made:  # taken: somebody else just made it
                cls._open(made, True, who).close()
        if path is not None:
            sweep(path.parent)
        return cls._open(target, create, who)

    @classmethod
    @contextlib.contextmanager
    def open_or_make(cls, target: str | Path, *, who: str | None = None, keep: bool = True) -> Iterator[Book]:
        """The book of a place to bring something in; where there is none, it is there when the block ends without an error.

        `keep` false: a new one does not stay. Errors: BookError.
        """
        path = connect.sqlite_file(target)
        if path is None or not holds_nothing(path):
            with cls.open(target, create=True, who=who) as book:
                yield book
            return
        with new_book_file(path, keep=keep) as made, cls._open(made, True, who) as book:
            yield book

    @classmethod
    def _open(cls, target: str | Path, create: bool, who: str | None) -> Book:
        engine = connect.engine_for(target, create=create)
        book = cls(engine, str(target), who)
        try:
            book._bring_up(create)
        except BaseException:
            engine.dispose()
            raise
        return book

    def _bring_up(self, create: bool) -> None:
        with connect.clear_errors(self.target), self.engine.connect() as connection:
            revision = connect.revision_of(connection)
        newest = connect.newest_revision()
        if revision == newest:
            return
        if revision is None and not create:
            raise BookError("holds no shop book", field="shop", value=connect.without_password(self.target))
        if revision is not None and revision not in connect.known_revisions():
            raise BookError(
                "was written by a newer program",
                field="shop",
                value=revision,
                allowed=f"up to {newest}; update pipemetal",
            )
        with (
            connect.clear_errors(self.target),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connect.one_at_a_time(connection)
            revision = connect.revision_of(connection)
            if revision == newest:  # somebody else was quicker
                return
            if revision is not None:
                self._keep_before(newest)
            connect.upgrade(connection)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add_organ(self, name: str, body: str) -> tuple[int, str]:
        """Keep the text of an organ file; every text is a version of its own. Gives the event and its id."""
        with self.writing("organ kept", f"organ:{name}") as w:
            count = select(func.count()).where(schema.organs.c.id.startswith(f"{name} #", autoescape=True))
            number = int(w.connection.execute(count).scalar() or 0) + 1
            key = f"{name} #{number}"
            w.add("organs", key, body=body)
            return w.event_id, key
