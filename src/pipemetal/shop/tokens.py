"""Tokens: how other programs come in, in a person's name and never beyond a role, without that person's password.

A token is shown once. The book keeps SHA-256 of its secret, which is 256 random bits and needs no slower hash.
"""

from __future__ import annotations

import datetime
import hashlib
import hmac
import secrets
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import BookError, NotInBookError
from pipemetal.shop.roles import ROLES, Action, Role, lesser
from pipemetal.shop.rows import PersonRow, TokenRow
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Written
from pipemetal.texts import Text

__all__ = ["PREFIX", "Token", "Tokens"]

PREFIX: Final = "pipemetal"
"""What every token begins with, so that one that got into a file by mistake is found."""


@dataclass(frozen=True)
class Token:
    """What the book knows of a token: never its secret."""

    id: str
    person: str
    role: str
    note: str
    day: str


class Tokens:
    """The tokens of other programs."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def give(self, person: str, role: str, note: str) -> Written[str]:
        """A new token that acts for a person, with this role at most; its text is given here and never again.

        Errors: BookError for a role that there is none of or that goes beyond the person's own, or without a note.
        """
        if role not in ROLES or role == Role.RUN:
            allowed = ", ".join(name for name in ROLES if name != Role.RUN)
            raise BookError("is no role of a token", field="role", value=role, allowed=allowed, example="work")
        if not note.strip():
            raise BookError("is needed: what the token is for", field="note", example="the floor scale")
        secret, key = secrets.token_urlsafe(32), secrets.token_hex(4)
        with self._writer.writing(Action.TOKEN_GIVEN, f"token:{key}") as w:
            row = w.get(PersonRow, person)
            if row is None:
                raise NotInBookError(field="person", value=person, where="people")
            if lesser(role, row.role) != role:
                raise BookError(
                    Text("goes beyond what {person} may do", person=person), field="role", value=role, allowed=row.role
                )
            today = datetime.date.today().isoformat()
            w.add("tokens", key, person=person, role=role, secret=_hash(secret), note=note.strip()[:200], day=today)
            return Written(w.event_id, f"{PREFIX}_{key}_{secret}")

    def withdraw(self, key: str) -> Written[None]:
        """Let a token do nothing more, for ever: it cannot be taken back. Errors: BookError."""
        with self._writer.writing(Action.TOKEN_WITHDRAWN, f"token:{key}") as w:
            w.change("tokens", key, None, withdrawn=True, secret="")
            return w.written()

    def all(self) -> list[Token]:
        """Every token that is good, by the day on which it was given; one of a person who was closed is not."""
        people = set(self._writer.ids(PersonRow))
        rows = [row for row in self._writer.rows(TokenRow) if row.person in people]
        held = [Token(row.id, row.person, row.role, row.note, row.day) for row in rows]
        return sorted(held, key=lambda token: (token.day, token.id))

    def check(self, text: str) -> Token | None:
        """The token of a text; None where it is none, or no longer good."""
        prefix, _, rest = text.partition("_")
        key, _, secret = rest.partition("_")
        if prefix != PREFIX or not self._writer.has(TokenRow, key):
            return None
        row = self._writer.row(TokenRow, key)
        if not hmac.compare_digest(row.secret, _hash(secret)):
            return None
        return Token(row.id, row.person, row.role, row.note, row.day)


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
