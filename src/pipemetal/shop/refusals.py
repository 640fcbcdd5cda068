"""Why the book refuses to write: a role that does not go so far, a form sent twice, a save that is out of date."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Final

from sqlalchemy import Connection, func, select

from pipemetal.errors import BookError, ConflictError, NotInBookError
from pipemetal.shop import schema
from pipemetal.shop.roles import Role, lesser, may, role_needed
from pipemetal.texts import Text

__all__ = [
    "COLUMN_WORDS",
    "RAW_COLUMNS",
    "AlreadyDoneError",
    "NotAllowedError",
    "StaleSaveError",
    "UsedMarkError",
    "check_allowed",
    "check_somebody_runs",
    "mention",
    "thing_of",
]

COLUMN_WORDS: Final = {
    "place": "place",
    "state": "state",
    "note": "note",
    "kind": "kind",
    "alloy": "alloy",
    "role": "role",
    "day": "day",
    "supplier": "supplier",
    "invoice": "invoice",
    "price_per_kg": "price per kg",
    "target": "target",
    "reserved_for": "reserved for",
}
"""Columns that people know, in words; of others a message says nothing."""
RAW_COLUMNS: Final = {c.name for table in schema.TABLES.values() for c in table.columns} - COLUMN_WORDS.keys()
"""Names that are the book's own, and no person's."""
MOST_NEAR: Final = 5000
"""Ids among which the nearest is looked for."""
THING_WORDS: Final = {
    "rolls": "roll",
    "lots": "lot",
    "melts": "melt",
    "casts": "cast",
    "pieces": "piece",
    "recipes": "recipe",
    "analyses": "analysis",
    "organs": "organ",
    "plans": "plan",
    "people": "person",
    "tokens": "token",
    "attachments": "photo or paper",
    "cast_orders": "sheet to cast",
    "reservations": "reservation",
    "settings": "the shop's settings",
    "heard": "what was heard",
}


class NotAllowedError(BookError):
    """The person's role does not go so far."""


class AlreadyDoneError(ConflictError):
    """The same form was sent before; `event` is what it did then, and nothing was done again."""

    def __init__(self, event: int) -> None:
        self.event = event
        super().__init__(f"this was sent before and is done already (event {event}); nothing was done twice")


class UsedMarkError(ConflictError):
    """A sender's mark stands for something else, or for what was taken back since; nothing was booked."""

    def __init__(self, event: int, what: str = "", about: str = "") -> None:
        self.event = event
        told = (
            f"was used for something else: event {event}, {what}, {about}"
            if what
            else (f"stands for event {event}, which was taken back since; to do it again send a new mark")
        )
        super().__init__(f"this mark {told}; nothing was booked")


class StaleSaveError(ConflictError):
    """It was saved meanwhile: `mine` is what was to be saved, `theirs` what the book holds now, `by` who saved that.

    `by` is empty where nobody is told, and `own` says that it was the same person, on another page perhaps.
    """

    def __init__(
        self, about: str, mine: Mapping[str, object], theirs: Mapping[str, object], *, by: str = "", own: bool = False
    ) -> None:
        self.about, self.mine, self.theirs, self.by, self.own = about, dict(mine), dict(theirs), by, own
        known = {k for k in self.mine if k in COLUMN_WORDS or "." in k}
        shown = {k: v for k, v in self.mine.items() if k in known and v != self.theirs.get(k)}
        told = "; ".join(f"{COLUMN_WORDS.get(k, k)}: yours {v!r}, now {self.theirs.get(k)!r}" for k, v in shown.items())
        who = " by yourself" if own else f" by {by}" if by else ""
        super().__init__(
            f"{about} was changed{who} in the meantime; nothing was overwritten{f' ({told})' if told else ''}"
        )


def check_somebody_runs(connection: Connection) -> None:
    """Whatever was done with people: somebody must be left who may run the shop, or it would stand open to everybody.

    Errors: BookError.
    """
    p = schema.people.c
    if not connection.execute(select(func.count()).where(p.role == Role.RUN.value, p.withdrawn.is_(False))).scalar():
        raise BookError(
            "must stay: nobody else may run the shop", field="person", allowed="another person with role run first"
        )


def mention(table: str, key: str) -> str:
    """How an event's changes name a row."""
    return f'"table":{json.dumps(table)},"id":{json.dumps(key, ensure_ascii=False)},'


def word_of(table: str) -> str:
    """What a row of a table is called in the shop."""
    return THING_WORDS.get(table, table)


def thing_of(table: str, key: str) -> str:
    """A row in the words of the shop.

    >>> thing_of("rolls", "R101")
    'roll R101'
    """
    return THING_WORDS[table] if table == "settings" else f"{word_of(table)} {key}"


def event_unknown(number: int, last: int) -> NotInBookError:
    """The error of an event that never was."""
    return NotInBookError(
        field="event",
        value=number,
        allowed=Text("1 to {last}", last=last) if last else "",
        example=Text("pipemetal book history, which lists them"),
    )


def check_allowed(connection: Connection, who: str, action: str, most: str | None = None) -> None:
    """Refuse who may not do this. A book that names no people asks nobody. `most`: a role that nobody goes beyond, of a token.

    Errors: NotAllowedError.
    """
    p = schema.people.c
    people = connection.execute(select(p.id, p.role).where(p.withdrawn.is_(False))).all()
    roles = {str(row.id): str(row.role) for row in people}
    role = roles.get(who)
    if role is not None and most is not None:
        role = lesser(role, most)
    if roles and not may(role, action):
        raise NotAllowedError(
            Text("may not do this: {action}", action=action),
            field="person",
            value=who,
            allowed=Text(
                "a person of the book with the role {value} or more; --by NAME",
                value=role_needed(action) or "that allows it",
            ),
        )
