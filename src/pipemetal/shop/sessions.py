"""Who is signed in on which tablet. It stands in the book, so that every server before one book knows it, and one that was
started again too. The book keeps SHA-256 of a session's key, never the key.
"""

from __future__ import annotations

import contextlib
import hashlib
import secrets
import time
from collections.abc import Callable
from typing import Final

from sqlalchemy import Delete, Update, delete, func, insert, select, update

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.connect import clear_errors
from pipemetal.shop.writer import Writer

__all__ = ["SHARED_S", "Sessions"]

SHARED_S: Final = 12 * 3600.0
"""A tablet is signed in for a shop's day; it is asked again after as long without a touch."""
TOUCH_S: Final = 300.0
"""A touch is written down so often at most."""
MOST: Final = 2000


class Sessions:
    """Sessions of tablets; they are no events and stand in no dump."""

    clock: Callable[[], float] = staticmethod(time.time)

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def begin(self, person: str, seal: str) -> str:
        """A session's key, for the cookie; `seal` is that of the secret that the person came in with."""
        key, now, held = secrets.token_urlsafe(32), self.clock(), schema.sessions
        with (
            clear_errors(self._writer.target),
            self._writer.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connection.execute(delete(held).where(held.c.touched_s < now - SHARED_S))
            too_many = int(connection.execute(select(func.count()).select_from(held)).scalar() or 0) - MOST + 1
            if too_many > 0:
                oldest = select(held.c.key).order_by(held.c.touched_s).limit(too_many)
                connection.execute(delete(held).where(held.c.key.in_(oldest)))
            connection.execute(insert(held).values(key=_hash(key), person=person, seal=seal, touched_s=now))
        return key

    def person(self, key: str) -> tuple[str, str] | None:
        """Who this session is, with the seal of their secret; None where it is none or has lain too long."""
        now, held, hashed = self.clock(), schema.sessions, _hash(key)
        with self._writer.reading() as connection:
            row = connection.execute(select(held).where(held.c.key == hashed)).first()
        if row is None or now - row.touched_s > SHARED_S:
            return None
        if not 0 <= now - row.touched_s <= TOUCH_S:
            # a book that cannot be written, on a full disk for example, can still be read by who is signed in
            with contextlib.suppress(BookError):
                self._write(update(held).where(held.c.key == hashed).values(touched_s=now))
        return str(row.person), str(row.seal)

    def end(self, key: str) -> None:
        """Sign out."""
        self._write(delete(schema.sessions).where(schema.sessions.c.key == _hash(key)))

    def _write(self, what: Delete | Update) -> None:
        with (
            clear_errors(self._writer.target),
            self._writer.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connection.execute(what)


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
