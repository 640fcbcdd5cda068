"""People: who works with the book, in which role, with a PIN on the shared tablet and a password elsewhere.

Secrets are kept as Argon2id hashes only. Wrong ones are remembered in the book, so that waiting is not cut short by
starting the server again or by asking another one.
"""

from __future__ import annotations

import hashlib
import logging
import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

from sqlalchemy import delete, func, insert, select, update

from pipemetal.errors import BookError
from pipemetal.logs import one_line, tell_refusal
from pipemetal.shop import schema
from pipemetal.shop.connect import clear_errors
from pipemetal.shop.roles import ROLES, Action, Role, may
from pipemetal.shop.rows import PersonRow
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Writing, Written
from pipemetal.texts import Amount, Text

__all__ = ["FROM_ANYWHERE", "People", "Person", "TooManyTriesError"]

_LOG: Final = logging.getLogger("pipemetal.book")
LIMITS: Final = ((60.0, 5), (3600.0, 20))
"""Seconds, and wrong secrets for one name from one place within them, after which nothing is looked at any more."""
FROM_ANYWHERE: Final = (3600.0, 200)
"""As above, for one name from all places together; a place that the person came in from before is not held up by it."""
LEAST_PASSWORD: Final = 10
PLACE: Final = "\n"
"""Between a name and the place that it was tried from: no name holds it."""


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
    seal: str = field(default="", repr=False)
    """Changes with every new PIN or password, and with a new person of the same name; tells nothing of either."""

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
        raise BookError(
            "is not a password",
            field="password",
            allowed=Text("{least_password} to 200 letters", least_password=LEAST_PASSWORD),
        )
    return password


class People:
    """The people of the book."""

    clock: Callable[[], float] = staticmethod(time.time)

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._came_from: set[tuple[str, str]] = set()

    def add(
        self, name: str, role: str, *, pin: str | None = None, password: str | None = None, note: str = ""
    ) -> Written[None]:
        """Enter a person. The first of a book must have the role `run`, so that somebody can go on.

        Errors: BookError.
        """
        _checked_role(role)
        secrets = {
            "pin": _hasher().hash(_checked_pin(pin)) if pin is not None else "",
            "password": _hasher().hash(_checked_password(password)) if password is not None else "",
        }
        with self._writer.writing(Action.PERSON_ENTERED, f"person:{name}") as w:
            if role != Role.RUN and not _runners(w):
                raise BookError(
                    "must be run for the first person of a book", field="role", value=role, allowed=Role.RUN.value
                )
            w.add("people", name, role=role, note=note, **secrets)
            return w.written()

    def give_role(self, name: str, role: str, version: int | None = None) -> Written[None]:
        """Give a person another role. Errors: BookError, StaleSaveError."""
        _checked_role(role)
        with self._writer.writing(Action.ROLE_GIVEN, f"person:{name}") as w:
            w.change("people", name, version, role=role)
            return w.written()

    def close(self, name: str) -> Written[None]:
        """Let a person do nothing more; what they did stays theirs. Errors: BookError."""
        with self._writer.writing(Action.PERSON_CLOSED, f"person:{name}") as w:
            w.change("people", name, None, withdrawn=True)
            return w.written()

    def set_pin(self, name: str, pin: str) -> Written[None]:
        """Set a person's PIN: one's own, or anybody's for who runs the shop. Errors: BookError."""
        return self._set_secret("pin", Action.PIN_SET, name, _checked_pin(pin))

    def set_password(self, name: str, password: str) -> Written[None]:
        """Set a person's password: one's own, or anybody's for who runs the shop. Errors: BookError."""
        return self._set_secret("password", Action.PASSWORD_SET, name, _checked_password(password))

    def _set_secret(self, kind: str, action: Action, name: str, secret: str) -> Written[None]:
        hashed = _hasher().hash(secret)
        with self._writer.writing(action, f"person:{name}") as w:
            mine = w.get(PersonRow, w.who)
            if name != w.who and (mine is None or not may(mine.role, Action.PERSON_ENTERED)):
                raise BookError(
                    Text("can set only their own {kind}", kind=kind), field="person", value=w.who, allowed="role run"
                )
            w.change("people", name, None, **{kind: hashed})
        self._forget_tries(name)
        return w.written()

    def all(self) -> list[Person]:
        """Everybody who may do something, by name."""
        return [_person(row) for row in self._writer.rows(PersonRow)]

    def person(self, name: str) -> Person:
        """One person. Errors: BookError."""
        return _person(self._writer.row(PersonRow, name))

    def check_pin(self, name: str, pin: str, source: str = "") -> Person | None:
        """The person, where this is their PIN; None where name or PIN is wrong. `source`: the place that it comes from.

        Errors: TooManyTriesError after five wrong ones from one place within a minute or twenty within an hour.
        """
        return self._check(("pin",), name, pin, source)

    def check_password(self, name: str, password: str, source: str = "") -> Person | None:
        """The person, where this is their password; None where name or password is wrong. Errors: TooManyTriesError."""
        return self._check(("password",), name, password, source)

    def check_secret(self, name: str, given: str, source: str = "") -> Person | None:
        """The person, where this is their PIN or their password: one try. Errors: TooManyTriesError."""
        return self._check(("pin", "password") if given.isdecimal() else ("password",), name, given, source)

    def _check(self, kinds: tuple[str, ...], name: str, given: str, source: str) -> Person | None:
        # the try is written down before the secret is looked at, so that many at once do not get round the limit
        self._count_try(name, source)
        found = next((row for row in self._writer.rows(PersonRow) if row.id == name), None)
        # every kind is looked at, so that the time does not tell which of them somebody has
        right = [_matches(getattr(found, kind) if found else "", given[:200]) for kind in kinds]
        if found is None or not any(right):
            # what was typed for a name that nobody has may be a secret in the wrong field
            whose = one_line(found.id) if found else "a name that is not in the book"
            tell_refusal(_LOG, f"wrong PIN or password of {whose}, from {one_line(source) or 'here'}")
            return None
        self._forget_tries(name, source)
        self._came_from.add((name, source))
        return _person(found)

    def _count_try(self, name: str, source: str) -> None:
        t, now = schema.tries.c, self.clock()
        of_name, here = t.person.startswith(f"{name[:100]}{PLACE}", autoescape=True), t.person == _place(name, source)
        limits = [(here, *limit) for limit in LIMITS]
        if (name, source) not in self._came_from:
            limits.append((of_name, *FROM_ANYWHERE))
        with (
            clear_errors(self._writer.target),
            self._writer.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            # a clock that ran ahead and was set right must not lock anybody out for longer than the limit
            connection.execute(update(schema.tries).where(t.at_s > now).values(at_s=now))
            wait_s = 0.0
            for whose, seconds, most in limits:
                query = select(func.count()).where(whose, t.at_s > now - seconds)
                if int(connection.execute(query).scalar() or 0) >= most:
                    wait_s = max(wait_s, seconds)
            connection.execute(delete(schema.tries).where(t.at_s < now - max(s for s, _ in LIMITS)))
            if not wait_s:
                connection.execute(insert(schema.tries).values(person=_place(name, source), at_s=now))
        if wait_s:
            allowed = Text("again in {minutes} min", minutes=Amount(wait_s / 60))
            raise TooManyTriesError("had too many wrong tries", field="person", value=name, allowed=allowed)

    def _forget_tries(self, name: str, source: str | None = None) -> None:
        """Forget the wrong tries for a name, from one place or from all."""
        t = schema.tries.c
        every = t.person.startswith(f"{name[:100]}{PLACE}", autoescape=True)
        with (
            clear_errors(self._writer.target),
            self._writer.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connection.execute(
                delete(schema.tries).where(every if source is None else t.person == _place(name, source))
            )


def _place(name: str, source: str) -> str:
    """Whose tries from where."""
    return f"{name[:100].replace(PLACE, ' ')}{PLACE}{source[:80]}"


def _person(row: PersonRow) -> Person:
    seal = hashlib.sha256(f"{row.id}\n{row.pin}\n{row.password}".encode()).hexdigest()
    return Person(row.id, row.role, bool(row.pin), bool(row.password), row.note, row.version, seal)


def _checked_role(role: str) -> None:
    if role not in ROLES:
        raise BookError("is not a role", field="role", value=role, allowed=", ".join(ROLES))


def _runners(w: Writing) -> int:
    p = schema.people.c
    query = select(func.count()).where(p.role == Role.RUN.value, p.withdrawn.is_(False))
    return int(w.connection.execute(query).scalar() or 0)
