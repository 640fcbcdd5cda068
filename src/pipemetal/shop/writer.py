"""The one writer of a book: its connection, its transactions, and who acts; every service stands on it."""

from __future__ import annotations

import datetime
import getpass
import hashlib
import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Generic, NamedTuple, TypeVar

from sqlalchemy import Connection, Engine, Select, func, insert, select, text

from pipemetal.errors import ConflictError, InputError, NotInBookError
from pipemetal.logs import one_line, tell_refusal
from pipemetal.shop import schema
from pipemetal.shop.connect import clear_errors
from pipemetal.shop.ledger import taken_back
from pipemetal.shop.refusals import (
    MOST_NEAR,
    AlreadyDoneError,
    UsedMarkError,
    check_allowed,
    check_somebody_runs,
    word_of,
)
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import Row
from pipemetal.shop.writing import Writing, dump

__all__ = ["Kept", "Writer"]

_GLANCE: ContextVar[list[int] | None] = ContextVar("glance", default=None)
R = TypeVar("R", bound=Row)
_LOG = logging.getLogger("pipemetal.book")


class _Acting(NamedTuple):
    """Who acts, with which form, and the role that a token does not go beyond."""

    person: str | None = None
    token: str | None = None
    most: str | None = None


_NOBODY = _Acting()
_ACTING: ContextVar[_Acting] = ContextVar("acting", default=_NOBODY)


class Writer:
    """The engine of a book, its readers, and the one way to write in it."""

    def __init__(self, engine: Engine, target: str, who: str | None = None) -> None:
        self.engine, self.target = engine, target
        self._who = who or _login_name()
        self._rehearsing = False
        self.before_writing: Callable[[], None] = lambda: None

    @property
    def who(self) -> str:
        """Who acts now: the person of `acting`, else the one that the book was opened by."""
        return _ACTING.get().person or self._who

    @contextmanager
    def acting(self, person: str, token: str | None = None, most: str | None = None) -> Iterator[None]:
        """What is written inside is done by this person. With `token`, one form's own: what it did it does not do twice.

        `most`: a role that is not gone beyond, whatever the person's own; without it that of the block around stays.
        Holds for the thread or task at hand alone. Writing then raises AlreadyDoneError where the token was used before.
        """
        held = _ACTING.set(_Acting(person, token, most or _ACTING.get().most))
        try:
            yield
        finally:
            _ACTING.reset(held)

    @contextmanager
    def glance(self) -> Iterator[None]:
        """Inside, the number of the latest event is asked of the database once: for what only looks, and is soon done."""
        held = _GLANCE.set([])
        try:
            yield
        finally:
            _GLANCE.reset(held)

    @contextmanager
    def rehearsal(self) -> Iterator[None]:
        """What is written inside is tried to its end and then taken back: a preview. For a book that one thread uses."""
        self._rehearsing = True
        try:
            yield
        finally:
            self._rehearsing = False

    @property
    def is_sqlite(self) -> bool:
        """Whether the book is a SQLite file."""
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the book."""
        with clear_errors(self.target), self.engine.connect() as connection:
            if not self.is_sqlite:
                connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY"))
            yield connection

    @contextmanager
    def writing(self, what: Action, about: str, undoes: int | None = None) -> Iterator[Writing]:
        """One event: all of it, or nothing. Writers wait for each other; each event and each refusal is a line of the log.

        Errors: NotAllowedError where the book has people and this one's role does not go so far, AlreadyDoneError.
        """
        who, begun = self.who, time.monotonic()
        try:
            with self._event(what, about, undoes) as w:
                yield w
        except (InputError, ConflictError) as error:
            tell_refusal(_LOG, f"{what}, {one_line(about)}, by {one_line(who)}: {one_line(str(error))}")
            raise
        if not self._rehearsing:
            took_ms = (time.monotonic() - begun) * 1e3
            _LOG.info("event %d: %s, %s, by %s, %.0f ms", w.event_id, what, one_line(about), one_line(who), took_ms)

    @contextmanager
    def _event(self, what: Action, about: str, undoes: int | None) -> Iterator[Writing]:
        if not self._rehearsing:
            self.before_writing()
        who, (_, token, most) = self.who, _ACTING.get()
        with (
            clear_errors(self.target),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin() as transaction,
        ):
            if not self.is_sqlite:
                connection.execute(text("LOCK TABLE events IN EXCLUSIVE MODE"))
            token = _mark(who, token) if token is not None else None
            if token is not None:
                _refuse_done(connection, token, what, about)
            check_allowed(connection, who, what, most)
            event_id = int(connection.execute(select(func.max(schema.events.c.id))).scalar() or 0) + 1
            writing = Writing(connection, event_id, who, most)
            yield writing
            connection = writing.connection
            if any(change["table"] == "people" for change in writing.changes):
                check_somebody_runs(connection)
            now = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")
            row = {
                "id": event_id,
                "at": now,
                "who": who,
                "what": what.value,
                "about": about,
                "undoes": undoes,
                "token": token,
            }
            connection.execute(insert(schema.events).values(row | {"changes": dump(writing.changes)}))
            if self._rehearsing:
                transaction.rollback()

    def rows(self, kind: type[R], *, withdrawn: bool = False) -> list[R]:
        """All rows of a table, by id. Errors: BookError."""
        held = schema.TABLES[kind.TABLE]
        query = select(held).order_by(held.c.id)
        return self.found(kind, query if withdrawn else query.where(held.c.withdrawn.is_(False)))

    def found(self, kind: type[R], query: Select[Any]) -> list[R]:
        """The rows that a query over all columns of a table finds."""
        with self.reading() as connection:
            return [kind.of(dict(row)) for row in connection.execute(query).mappings()]

    def row(self, kind: type[R], key: str) -> R:
        """One row. Errors: BookError where it is not in the book."""
        held = schema.TABLES[kind.TABLE]
        found = self.found(kind, select(held).where(held.c.id == key, held.c.withdrawn.is_(False)))
        if not found:
            raise NotInBookError(field=word_of(kind.TABLE), value=key, known=self.ids(kind)[:MOST_NEAR])
        return found[0]

    def has(self, kind: type[Row], key: str) -> bool:
        """Whether a row is in the book."""
        held = schema.TABLES[kind.TABLE]
        with self.reading() as connection:
            query = select(held.c.id).where(held.c.id == key, held.c.withdrawn.is_(False))
            return connection.execute(query).first() is not None

    def ids(self, kind: type[Row]) -> list[str]:
        """The ids of a table."""
        held = schema.TABLES[kind.TABLE]
        with self.reading() as connection:
            query = select(held.c.id).where(held.c.withdrawn.is_(False)).order_by(held.c.id)
            return [str(key) for key in connection.execute(query).scalars()]

    def written_between(self) -> tuple[datetime.date, datetime.date] | None:
        """The days of the first and the latest event; None for an empty book."""
        query = select(func.min(schema.events.c.at), func.max(schema.events.c.at))
        with self.reading() as connection:
            first, last = connection.execute(query).one()
        if first is None:
            return None
        return datetime.date.fromisoformat(str(first)[:10]), datetime.date.fromisoformat(str(last)[:10])

    def last_event(self) -> int:
        """The number of the latest event, zero in an empty book."""
        seen = _GLANCE.get()
        if seen:
            return seen[0]
        with self.reading() as connection:
            found = int(connection.execute(select(func.max(schema.events.c.id))).scalar() or 0)
        if seen is not None:
            seen.append(found)
        return found


def _mark(who: str, token: str) -> str:
    """A sender's own mark: two senders that count 1, 2, 3 do not meet."""
    return hashlib.sha256(f"{who}\n{token}".encode()).hexdigest()


def _refuse_done(connection: Connection, mark: str, what: Action, about: str) -> None:
    """Errors: AlreadyDoneError where this was sent before; ConflictError where the mark stands for something else, or that was
    taken back."""
    e = schema.events.c
    done = connection.execute(select(e.id, e.what, e.about).where(e.token == mark)).first()
    if done is None:
        return
    if (done.what, done.about) != (what.value, about):
        raise UsedMarkError(int(done.id), str(done.what), str(done.about))
    gone = taken_back((row.id, row.undoes) for row in connection.execute(select(e.id, e.undoes)))
    if done.id in gone:
        raise UsedMarkError(int(done.id))
    raise AlreadyDoneError(int(done.id))


def _login_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "somebody"


class Kept(Generic[R]):
    """The rows of one table, as a service shows them."""

    KIND: type[R]

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def row(self, key: str) -> R:
        """One row as it stands in the book. Errors: BookError."""
        return self._writer.row(self.KIND, key)

    def rows(self, *, withdrawn: bool = False) -> list[R]:
        """All rows by id; those that were taken back where asked for."""
        return self._writer.rows(self.KIND, withdrawn=withdrawn)

    def ids(self) -> list[str]:
        """The ids of all rows."""
        return self._writer.ids(self.KIND)

    def has(self, key: str) -> bool:
        """Whether there is such a row."""
        return self._writer.has(self.KIND, key)
