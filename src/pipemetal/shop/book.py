"""The shop book: one database that a shop's metal lives in, as services over one writer."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path

from pipemetal.errors import BookError
from pipemetal.files.outbox import sweep
from pipemetal.given import given
from pipemetal.shop import connect
from pipemetal.shop.accounts import Ledger
from pipemetal.shop.archive import restore
from pipemetal.shop.attaching import Attachments
from pipemetal.shop.casts import Casts
from pipemetal.shop.cutting import Piece
from pipemetal.shop.flows import TraceStep
from pipemetal.shop.free import NotFreeError
from pipemetal.shop.heard import Heard, NewHeard
from pipemetal.shop.history import History
from pipemetal.shop.keeping import Keeping
from pipemetal.shop.lots import Lots, NewLot
from pipemetal.shop.melts import Melts, NewMelt
from pipemetal.shop.people import People, Person
from pipemetal.shop.places import PlaceTakenError, holds_nothing, new_book_file
from pipemetal.shop.plans import Plans
from pipemetal.shop.recipes import Recipes
from pipemetal.shop.refusals import AlreadyDoneError, NotAllowedError, StaleSaveError
from pipemetal.shop.rolls import Pieces, Rolls
from pipemetal.shop.searching import Found, RollEntry
from pipemetal.shop.sessions import Sessions
from pipemetal.shop.settings import Settings
from pipemetal.shop.tables import Tables
from pipemetal.shop.tokens import Tokens
from pipemetal.shop.tracing import Tracing
from pipemetal.shop.undoing import Event, UndoFirstError
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Written
from pipemetal.texts import Text

__all__ = [
    "AlreadyDoneError",
    "Book",
    "Event",
    "Found",
    "NewHeard",
    "NewLot",
    "NewMelt",
    "NotAllowedError",
    "NotFreeError",
    "Person",
    "Piece",
    "RollEntry",
    "StaleSaveError",
    "TraceStep",
    "UndoFirstError",
    "Written",
    "restore",
]


class Book:
    """A shop book, open. Every command of its services is one event: all of it or nothing, with who and when.

    A command gives `Written`: the number of its event, which `history.undo` takes back, and what came of it.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     book = Book.open(f"{folder}/shop.sqlite", create=True)
    ...     written = book.lots.add(NewLot("T1", "pig", 25.0))
    ...     held = book.ledger.stock()["lot:T1"], book.history.undo(written.event).event, book.ledger.stock()
    ...     book.close()
    >>> held
    ({'unknown': 25.0}, 2, {})
    """

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self.rolls = Rolls(writer)
        self.pieces = Pieces(writer)
        self.lots = Lots(writer)
        self.recipes = Recipes(writer)
        self.melts = Melts(writer)
        self.casts = Casts(writer)
        self.plans = Plans(writer)
        self.people = People(writer)
        self.tokens = Tokens(writer)
        self.sessions = Sessions(writer)
        self.ledger = Ledger(writer)
        self.history = History(writer)
        self.trace = Tracing(writer)
        self.attachments = Attachments(writer)
        self.settings = Settings(writer)
        self.heard = Heard(writer)
        self.tables = Tables(writer)
        self.keeping = Keeping(writer)

    @classmethod
    @given
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
        book = cls(Writer(engine, str(target), who))
        try:
            book._bring_up(create)
        except BaseException:
            engine.dispose()
            raise
        return book

    def _bring_up(self, create: bool) -> None:
        with connect.clear_errors(self.target), self._writer.engine.connect() as connection:
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
                allowed=Text("up to {newest}; update pipemetal", newest=newest),
            )
        with (
            connect.clear_errors(self.target),
            self._writer.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connect.one_at_a_time(connection)
            revision = connect.revision_of(connection)
            if revision == newest:  # somebody else was quicker
                return
            if revision is not None:
                self.keeping.keep_before(newest)
            connect.upgrade(connection)

    def close(self) -> None:
        """Let go of the database."""
        self._writer.engine.dispose()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def target(self) -> str:
        """The path or URL that the book was opened by."""
        return self._writer.target

    @property
    def who(self) -> str:
        """Who acts now: the person of `acting`, else the one that the book was opened by."""
        return self._writer.who

    def acting(self, person: str, token: str | None = None, most: str | None = None) -> AbstractContextManager[None]:
        """What is written inside is done by this person. With `token`, one form's own: what it did it does not do twice.

        `most`: a role that is not gone beyond, whatever the person's own. Holds for the thread or task at hand alone.
        Writing then raises AlreadyDoneError where the token was used before.
        """
        return self._writer.acting(person, token, most)

    def glance(self) -> AbstractContextManager[None]:
        """Inside, the number of the latest event is asked of the database once: for what only looks, and is soon done."""
        return self._writer.glance()
