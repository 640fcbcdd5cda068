"""History: who did what and when, and any event taken back in one step."""

from __future__ import annotations

from sqlalchemy import func, select

from pipemetal.given import given
from pipemetal.shop import schema
from pipemetal.shop.ledger import taken_back
from pipemetal.shop.refusals import event_unknown, mention
from pipemetal.shop.roles import Action
from pipemetal.shop.undoing import Event, event_of, take_back
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Written

__all__ = ["History"]


class History:
    """The book's events."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    @given
    def undo(self, event_id: int) -> Written[None]:
        """Take an event back by an opposite one.

        Rows go back to what they were, new ones are withdrawn, every movement is reversed by an entry that names it. It takes the
        role that the event took in the first place: taking a taking back back is doing the first again.
        Errors: UndoFirstError where something was done since that must be taken back first; BookError where it is undone
        already, or holds nothing that can be taken back.
        """
        with self._writer.writing(Action.TAKEN_BACK, f"event:{event_id}", undoes=event_id) as w:
            take_back(w, event_id)
            return w.written()

    def events(self, about: str | None = None, limit: int = 200, skip: int = 0) -> list[Event]:
        """The latest events first, after the first `skip`; `about` picks those of one thing, as `roll:R101`."""
        e = schema.events.c
        query = select(schema.events).order_by(e.id.desc()).limit(limit).offset(skip)
        if about is not None:
            kind, _, key = about.partition(":")
            mentioned = e.changes.contains(mention(f"{kind}s", key), autoescape=True)
            query = query.where((e.about == about) | mentioned)
        with self._writer.reading() as connection:
            return [event_of(row) for row in connection.execute(query).mappings()]

    def undone(self) -> set[int]:
        """Events that are taken back, and not in force again."""
        e = schema.events.c
        with self._writer.reading() as connection:
            return taken_back((row.id, row.undoes) for row in connection.execute(select(e.id, e.undoes)))

    def roots(self) -> dict[int, str]:
        """For every taking back, what was done in the first place: its role is the one that taking it back needs."""
        e = schema.events.c
        with self._writer.reading() as connection:
            rows = connection.execute(select(e.id, e.undoes, e.what).order_by(e.id)).all()
        known: dict[int, str] = {}
        for row in rows:
            known[row.id] = row.what if row.undoes is None else known.get(row.undoes, row.what)
        return {row.id: known[row.id] for row in rows if row.undoes is not None}

    def event(self, number: int) -> Event:
        """One event. Errors: BookError."""
        with self._writer.reading() as connection:
            found = connection.execute(select(schema.events).where(schema.events.c.id == number)).mappings().first()
        if found is None:
            raise event_unknown(number, self.last())
        return event_of(found)

    def count(self) -> int:
        """How many events the book holds."""
        with self._writer.reading() as connection:
            return int(connection.execute(select(func.count()).select_from(schema.events)).scalar() or 0)

    def last(self) -> int:
        """The number of the latest event, zero in an empty book."""
        return self._writer.last_event()
