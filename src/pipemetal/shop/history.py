"""History: events, undo in one step, and the trace from any piece of metal backwards and forwards."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, select, update

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.base import BookBase, StaleSaveError, Writing, check_allowed
from pipemetal.shop.ledger import OUTSIDE, Entry, kilograms, taken_back

__all__ = ["Event", "History", "TraceStep"]

MOST_ASKED: Final = 500
"""Accounts that one query of a trace names."""


@dataclass(frozen=True)
class Event:
    """Who did what and when; `changes` are rows before and after, `undoes` the event that it takes back."""

    id: int
    at: str
    who: str
    what: str
    about: str
    undoes: int | None
    changes: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class TraceStep:
    """Metal that went from one account to another, `steps` away from the one asked for."""

    steps: int
    origin: str
    target: str
    mass_kg: float
    event: int


class History(BookBase):
    """Events, undo and trace."""

    def events(self, about: str | None = None, limit: int = 200) -> list[Event]:
        """The latest events first; `about` picks those of one thing, as `roll:R101`."""
        e = schema.events.c
        query = select(schema.events).order_by(e.id.desc()).limit(limit)
        if about is not None:
            kind, _, key = about.partition(":")
            mentioned = e.changes.contains(_mention(f"{kind}s", key), autoescape=True)
            query = query.where((e.about == about) | mentioned)
        with self.reading() as connection:
            return [_event(row) for row in connection.execute(query).mappings()]

    def undo(self, event_id: int) -> int:
        """Take an event back by an opposite one; gives the new event.

        Rows go back to what they were, new ones are withdrawn, every movement is reversed by an entry that names it.
        Errors: StaleSaveError where something was changed since, BookError where it is undone already or its metal has moved on.
        """
        m, e = schema.movements.c, schema.events.c
        with self.writing("taken back", f"event:{event_id}", undoes=event_id) as w:
            found = w.connection.execute(select(schema.events).where(e.id == event_id)).mappings().first()
            if found is None:
                raise BookError("is not in the book", field="event", value=event_id)
            check_allowed(w.connection, self.who, found["what"])
            pairs = w.connection.execute(select(e.id, e.undoes)).all()
            if event_id in taken_back((row.id, row.undoes) for row in pairs):
                raise BookError("is taken back already", field="event", value=event_id)
            for change in reversed(json.loads(found["changes"])):
                held = schema.TABLES[change["table"]]
                now = w.row(change["table"], change["id"])
                assert now is not None
                if now["version"] != change["after"]["version"] and _changed_since(w, event_id, change):
                    raise StaleSaveError(f"{change['table']} {change['id']}", change["after"], now)
                back = dict(change["before"]) if change["before"] is not None else {"withdrawn": True}
                back["version"] = now["version"] + 1
                w.connection.execute(update(held).where(held.c.id == change["id"]).values(back))
                before = {k: now[k] for k in back}
                w.changes.append({"table": change["table"], "id": change["id"], "before": before, "after": back})
            rows = w.connection.execute(select(schema.movements).where(m.event == event_id).order_by(m.id.desc())).all()
            w.book(
                [Entry(r.element, int(r.mass_ug), r.origin, r.target).opposite() for r in rows],
                reverses=[r.id for r in rows],
                why="taken back",
            )
            return w.event_id

    def undone(self) -> set[int]:
        """Events that are taken back, and not in force again."""
        e = schema.events.c
        with self.reading() as connection:
            return taken_back((row.id, row.undoes) for row in connection.execute(select(e.id, e.undoes)))

    def trace(self, account: str) -> dict[str, list[TraceStep]]:
        """Where the metal of an account came from and where it went; `account` as `roll:R101`, `lot:T1`, `pipe:...`.

        Movements that were taken back are left out. Errors: BookError for an account that never held anything.
        """
        m = schema.movements.c
        with self.reading() as connection:
            reversals = connection.execute(select(m.id, m.reverses).where(m.reverses.is_not(None)))
            gone = taken_back((row.id, row.reverses) for row in reversals)
            ways = {
                "backwards": _walk(connection, account, gone, backwards=True),
                "forwards": _walk(connection, account, gone, backwards=False),
            }
        if not any(ways.values()):
            raise BookError(
                "holds no metal in this book", field="account", value=account, allowed="roll:ID, lot:ID, melt:ID"
            )
        return ways


def _changed_since(w: Writing, event_id: int, change: Mapping[str, Any]) -> bool:
    """Whether a row was changed after an event by anything that is not itself taken back."""
    e = schema.events.c
    later = w.connection.execute(select(e.id, e.undoes).where(e.id > event_id)).all()
    gone = taken_back((row.id, row.undoes) for row in later)
    touching = e.changes.contains(_mention(change["table"], change["id"]), autoescape=True)
    for number, undoes in w.connection.execute(select(e.id, e.undoes).where(e.id > event_id, touching)):
        if number not in gone and (undoes is None or undoes < event_id):
            return True
    return False


def _mention(table: str, key: str) -> str:
    """How an event's changes name a row."""
    return f'"table":{json.dumps(table)},"id":{json.dumps(key, ensure_ascii=False)},'


def _walk(connection: Connection, start: str, gone: set[int], *, backwards: bool) -> list[TraceStep]:
    """Step by step from an account along its movements; each step asks for those of the accounts at hand alone."""
    steps: list[TraceStep] = []
    seen, front, depth = {start}, [start], 1
    while front:
        leaving = _flows(connection, front, gone, backwards=backwards)
        following = []
        for here in front:
            for (event, origin, target), mass in leaving.get(here, {}).items():
                steps.append(TraceStep(depth, origin, target, kilograms(mass), event))
                there = origin if backwards else target
                if there not in seen and there not in OUTSIDE:
                    seen.add(there)
                    following.append(there)
        front, depth = following, depth + 1
    return steps


def _flows(
    connection: Connection, accounts: Sequence[str], gone: set[int], *, backwards: bool
) -> dict[str, dict[tuple[int, str, str], int]]:
    """What flowed into (backwards) or out of some accounts: by account, event and both ends, in micrograms."""
    m = schema.movements.c
    end = m.target if backwards else m.origin
    columns = (m.id, m.event, m.origin, m.target, m.mass_ug)
    found: dict[str, dict[tuple[int, str, str], int]] = {}
    for k in range(0, len(accounts), MOST_ASKED):
        query = select(*columns).where(end.in_(accounts[k : k + MOST_ASKED]), m.reverses.is_(None)).order_by(m.id)
        for number, event, origin, target, mass in connection.execute(query):
            if number not in gone:
                flows = found.setdefault(target if backwards else origin, {})
                flows[event, origin, target] = flows.get((event, origin, target), 0) + int(mass)
    return found


def _event(row: Any) -> Event:
    return Event(
        row["id"], row["at"], row["who"], row["what"], row["about"], row["undoes"], tuple(json.loads(row["changes"]))
    )
