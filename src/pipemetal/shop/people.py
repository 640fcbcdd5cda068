"""People: who works with the book, in which role, with a PIN on the shared tablet and a password elsewhere.

Secrets are kept as Argon2id hashes only. Wrong ones are remembered in the book, so that waiting is not cut short by
starting the server again or by asking another one.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from sqlalchemy import delete, func, insert, select

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.base import BookBase, Writing
from pipemetal.shop.connect import clear_errors
from pipemetal.shop.roles import ROLES, may

__all__ = ["People", "Person", "TooManyTriesError"]

LIMITS: Final = ((60.0, 5), (3600.0, 20))
"""Seconds, and wrong secrets of one person within them, after which nothing is looked at any more."""
LEAST_PASSWORD: Final = 10


class TooManyTriesError(BookError):
    """Too many wrong secrets: even a right one is not looked at until the time is over."""


@dataclass(frozen=True)
class Person:
    """Somebody who works with the book; whether there is a PIN or a password, never what it is."""

    name: str
    role: str
    has_pin: bool
    has_password: bool
    note: str
    version: int

    def may(self, action: str) -> bool:
        """Whether the role goes so far."""
        return may(self.role, action)


@cache
def _hasher() -> Any:
    from argon2 import PasswordHasher

    return PasswordHasher()  # Argon2id with the library's defaults, the second choice of RFC 9106, section 4


@cache
def _nobody() -> str:
    """The hash that is checked for a name that is not known, so that names cannot be told by the time it takes."""
    return str(_hasher().hash("nobody"))


def _matches(held: str, given: str) -> bool:
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        return bool(_hasher().verify(held or _nobody(), given)) and bool(held)
    except (VerificationError, InvalidHashError):
        return False


def _checked_pin(pin: str) -> str:
    if not re.fullmatch(r"[0-9]{4,12}", pin) or len(set(pin)) < 2:
        raise BookError("is not a PIN", field="pin", allowed="4 to 12 digits, not all the same")
    return pin


def _checked_password(password: str) -> str:
    if not LEAST_PASSWORD <= len(password) <= 200:
        raise BookError("is not a password", field="password", allowed=f"{LEAST_PASSWORD} to 200 letters")
    return password


class People(BookBase):
    """The people of the book."""

    clock: Callable[[], float] = staticmethod(time.time)

    def add_person(
        self, name: str, role: str, *, pin: str | None = None, password: str | None = None, note: str = ""
    ) -> int:
        """Enter a person; gives the event. The first of a book must have the role `run`, so that somebody can go on.

        Errors: BookError.
        """
        _checked_role(role)
        secrets = {
            "pin": _hasher().hash(_checked_pin(pin)) if pin is not None else "",
            "password": _hasher().hash(_checked_password(password)) if password is not None else "",
        }
        with self.writing("person entered", f"person:{name}") as w:
            if role != "run" and not _runners(w):
                raise BookError("must be run for the first person of a book", field="role", value=role, allowed="run")
            w.add("people", name, role=role, note=note, **secrets)
            return w.event_id

    def give_role(self, name: str, role: str, version: int | None = None) -> int:
        """Give a person another role; gives the event. Errors: BookError, StaleSaveError."""
        _checked_role(role)
        with self.writing("role given", f"person:{name}") as w:
            w.change("people", name, version, role=role)
            return w.event_id

    def close_person(self, name: str) -> int:
        """Let a person do nothing more; what they did stays theirs. Gives the event. Errors: BookError."""
        with self.writing("person closed", f"person:{name}") as w:
            w.change("people", name, None, withdrawn=True)
            return w.event_id

    def set_pin(self, name: str, pin: str) -> int:
        """Set a person's PIN: one's own, or anybody's for who runs the shop. Errors: BookError."""
        return self._set_secret("pin", name, _checked_pin(pin))

    def set_password(self, name: str, password: str) -> int:
        """Set a person's password: one's own, or anybody's for who runs the shop. Errors: BookError."""
        return self._set_secret("password", name, _checked_password(password))

    def _set_secret(self, kind: str, name: str, secret: str) -> int:
        hashed = _hasher().hash(secret)
        with self.writing(f"{kind} set", f"person:{name}") as w:
            mine = w.row("people", self.who)
            if name != self.who and (mine is None or not may(mine["role"], "person entered")):
                raise BookError(f"can set only their own {kind}", field="person", value=self.who, allowed="role run")
            w.change("people", name, None, **{kind: hashed})
        self._forget_tries(name)
        return w.event_id

    def people(self) -> list[Person]:
        """Everybody who may do something, by name."""
        return [_person(row) for row in self.rows("people")]

    def person(self, name: str) -> Person:
        """One person. Errors: BookError."""
        return _person(self.row("people", name))

    def check_pin(self, name: str, pin: str) -> Person | None:
        """The person, where this is their PIN; None where name or PIN is wrong.

        Errors: TooManyTriesError after five wrong ones within a minute or twenty within an hour.
        """
        return self._check("pin", name, pin)

    def check_password(self, name: str, password: str) -> Person | None:
        """The person, where this is their password; None where name or password is wrong. Errors: TooManyTriesError."""
        return self._check("password", name, password)

    def _check(self, kind: str, name: str, given: str) -> Person | None:
        # the try is written down before the secret is looked at, so that many at once do not get round the limit
        self._count_try(name[:200])
        found = next((row for row in self.rows("people") if row["id"] == name), None)
        if not _matches(found[kind] if found else "", given[:200]) or found is None:
            return None
        self._forget_tries(name)
        return _person(found)

    def _count_try(self, name: str) -> None:
        t, now = schema.tries.c, self.clock()
        with (
            clear_errors(self.target),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            for seconds, most in LIMITS:
                query = select(func.count()).where(t.person == name, t.at_s > now - seconds)
                if int(connection.execute(query).scalar() or 0) >= most:
                    raise TooManyTriesError(
                        "had too many wrong tries",
                        field="person",
                        value=name,
                        allowed=f"again in {seconds / 60:.0f} min",
                    )
            connection.execute(delete(schema.tries).where(t.at_s < now - max(s for s, _ in LIMITS)))
            connection.execute(insert(schema.tries).values(person=name, at_s=now))

    def _forget_tries(self, name: str) -> None:
        with (
            clear_errors(self.target),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connection.execute(delete(schema.tries).where(schema.tries.c.person == name))


def _person(row: dict[str, Any]) -> Person:
    return Person(row["id"], row["role"], bool(row["pin"]), bool(row["password"]), row["note"], row["version"])


def _checked_role(role: str) -> None:
    if role not in ROLES:
        raise BookError("is not a role", field="role", value=role, allowed=", ".join(ROLES))


def _runners(w: Writing) -> int:
    p = schema.people.c
    query = select(func.count()).where(p.role == "run", p.withdrawn.is_(False))
    return int(w.connection.execute(query).scalar() or 0)
