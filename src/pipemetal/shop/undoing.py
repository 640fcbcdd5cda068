"""Undo: any event in one step, by who might have done it; or a clear word what must be taken back first."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, Row, RowMapping, func, select

from pipemetal.errors import BookError, ConflictError
from pipemetal.shop import schema
from pipemetal.shop.ledger import Entry, taken_back
from pipemetal.shop.refusals import check_allowed, event_unknown, mention, thing_of
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import Change, Stored
from pipemetal.shop.writing import Writing, unpacked, version_of
from pipemetal.texts import Text

__all__ = ["KEPT_BY_NOBODY", "Event", "UndoFirstError", "event_of", "take_back", "told_touched"]

COUNTED: Final = {
    "rolls": ("roll", "rolls"),
    "lots": ("lot", "lots"),
    "melts": ("melt", "melts"),
    "casts": ("cast", "casts"),
    "pieces": ("piece", "pieces"),
    "recipes": ("recipe", "recipes"),
    "analyses": ("analysis", "analyses"),
    "organs": ("organ", "organs"),
    "plans": ("plan", "plans"),
    "people": ("person", "people"),
    "tokens": ("token", "tokens"),
    "attachments": ("photo or paper", "photos or papers"),
    "cast_orders": ("sheet to cast", "sheets to cast"),
    "settings": ("settings", "settings"),
    "heard": ("pipe heard", "pipes heard"),
}
"""Tables whose rows are things of the shop, in words; reservations follow from plans."""


KEPT_BY_NOBODY: Final = (Action.PIN_SET, Action.PASSWORD_SET, Action.TOKEN_WITHDRAWN)
"""What cannot be taken back: no event holds a secret, and a token that was withdrawn may be in wrong hands."""


@dataclass(frozen=True)
class Event:
    """Who did what and when; `changes` are rows before and after, `undoes` the event that it takes back."""

    id: int
    at: str
    who: str
    what: str
    about: str
    undoes: int | None
    changes: tuple[Change, ...] = ()

    @property
    def touched(self) -> dict[str, int]:
        """How many things of each kind it entered or changed, by table."""
        names = {(c["table"], c["id"]) for c in self.changes if c["table"] in COUNTED}
        return {table: n for table in COUNTED if (n := sum(1 for t, _ in names if t == table))}


def told_touched(touched: Mapping[str, int]) -> str:
    """Counts of things in words.

    >>> told_touched({"rolls": 40, "recipes": 1})
    '40 rolls, 1 recipe'
    """
    return ", ".join(f"{n} {COUNTED[table][n != 1]}" for table, n in touched.items())


class UndoFirstError(ConflictError):
    """An event cannot be taken back yet: `first` is the event that must be taken back before it."""

    def __init__(self, event_id: int, thing: str, first: Event) -> None:
        self.event_id, self.thing, self.first = event_id, thing, first
        super().__init__(
            f"event {event_id} cannot be taken back yet: {thing} was used or changed since by event {first.id}, "
            f"{first.what}, {first.about} ({first.who}, {first.at[:16].replace('T', ' ')}); take event {first.id} back first"
        )


def take_back(w: Writing, event_id: int) -> None:
    """Take an event back within another. Errors: UndoFirstError, BookError."""
    m, e = schema.movements.c, schema.events.c
    found = w.connection.execute(select(schema.events).where(e.id == event_id)).mappings().first()
    if found is None:
        raise event_unknown(event_id, int(w.connection.execute(select(func.max(e.id))).scalar() or 0))
    check_allowed(w.connection, w.who, _root(w.connection, found), w.most)
    gone = taken_back((row.id, row.undoes) for row in w.connection.execute(select(e.id, e.undoes)))
    if event_id in gone:
        raise BookError("is taken back already", field="event", value=event_id)
    changes: list[Change] = json.loads(found["changes"])
    rows = w.connection.execute(select(schema.movements).where(m.event == event_id).order_by(m.id.desc())).all()
    if found["what"] in KEPT_BY_NOBODY or (not rows and not any(_columns(change) for change in changes)):
        raise BookError(
            Text("cannot be taken back: of {what} the book keeps nothing to go back to", what=found["what"]),
            field="event",
            value=event_id,
            allowed="doing it anew, as it should be",
        )
    for change in reversed(changes):
        _take_back(w, event_id, change, gone)
    _move_back(w, event_id, rows, gone)


def _root(connection: Connection, row: RowMapping) -> str:
    """What was done in the first place, at the end of a chain of takings back."""
    e = schema.events.c
    what, undoes = row["what"], row["undoes"]
    while undoes is not None:
        found = connection.execute(select(e.what, e.undoes).where(e.id == undoes)).first()
        if found is None:
            break
        what, undoes = found
    return str(what)


def _columns(change: Change) -> set[str]:
    """What of a row a change can be taken back from: all of a new row, else the columns that the event tells."""
    return {"withdrawn"} if change["before"] is None else set(change["before"]) - {"version", "id"}


def _take_back(w: Writing, event_id: int, change: Change, gone: Iterable[int]) -> None:
    now = w.row(change["table"], change["id"])
    assert now is not None
    if now["version"] != change["after"]["version"]:
        first = _changed_since(w, event_id, change, set(gone))
        if first is not None:
            raise UndoFirstError(event_id, thing_of(change["table"], change["id"]), first)
    was = change["before"]
    back: Stored = {"withdrawn": True} if was is None else {name: unpacked(value) for name, value in was.items()}
    back["version"] = version_of(now) + 1
    if now["withdrawn"] and not back.get("withdrawn", True):
        w.claim_name(change["table"], change["id"])
    w.put(change["table"], change["id"], now, back)


def _changed_since(w: Writing, event_id: int, change: Change, gone: set[int]) -> Event | None:
    """The latest event still in force that changed the same of a row after an event, or the row at all where that is new."""
    e = schema.events.c
    touching = e.changes.contains(mention(change["table"], change["id"]), autoescape=True)
    query = select(schema.events).where(e.id > event_id, touching).order_by(e.id.desc())
    for row in w.connection.execute(query).mappings():
        if row["id"] in gone or _is_settled(row, event_id):
            continue
        for later in json.loads(row["changes"]):
            if (later["table"], later["id"]) != (change["table"], change["id"]):
                continue
            if _columns(later) & _columns(change) or (change["before"] is None and _columns(later)):
                return event_of(row)
    return None


def _is_settled(row: RowMapping, event_id: int) -> bool:
    """Whether an event only takes back another that came later than the one at hand: the two are as if neither were."""
    return row["undoes"] is not None and row["undoes"] > event_id


def _move_back(w: Writing, event_id: int, rows: Sequence[Row[tuple[object, ...]]], gone: Iterable[int]) -> None:
    opposite = [Entry(r.element, int(r.mass_ug), r.origin, r.target).opposite() for r in rows]
    try:
        w.book(opposite, reverses=[r.id for r in rows], why="taken back")
    except BookError as error:
        m, e, back = schema.movements.c, schema.events.c, set(gone)
        query = select(m.event).where(m.origin == error.value, m.event > event_id, m.reverses.is_(None)).distinct()
        later = w.connection.execute(query.order_by(m.event.desc())).scalars()
        last = next((number for number in later if number not in back), None)
        if last is None or error.field != "account":
            raise
        found = w.connection.execute(select(schema.events).where(e.id == last)).mappings().one()
        kind, _, key = str(error.value).partition(":")
        raise UndoFirstError(event_id, f"the metal of {kind} {key}".strip(), event_of(found)) from None


def event_of(row: RowMapping) -> Event:
    """The event of a row."""
    return Event(
        row["id"], row["at"], row["who"], row["what"], row["about"], row["undoes"], tuple(json.loads(row["changes"]))
    )
