"""The shop book: one database that a shop's metal lives in."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from pipemetal.errors import BookError
from pipemetal.shop import connect, schema
from pipemetal.shop.base import StaleSaveError, dump
from pipemetal.shop.catalogue import Found, Piece, RollEntry
from pipemetal.shop.history import Event, History, TraceStep
from pipemetal.shop.keeping import Keeping, restore
from pipemetal.shop.transfer import Transfer

__all__ = ["Book", "Event", "Found", "Piece", "RollEntry", "StaleSaveError", "TraceStep", "restore"]


class Book(Transfer, History, Keeping):
    """A shop book, open. Everything that writes is one event: all of it or nothing, with who and when.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     book = Book.open(f"{folder}/shop.sqlite", create=True)
    ...     event = book.add_lot("T1", "pig", 25.0)
    ...     held = book.stock()["lot:T1"], book.undo(event), book.stock()
    ...     book.close()
    >>> held
    ({'unknown': 25.0}, 2, {})
    """

    @classmethod
    def open(cls, target: str | Path, *, create: bool = False, who: str | None = None) -> Book:
        """Open a book: the path of a SQLite file, or postgresql://...; with `create` a new one is made where there is none.

        A book of an older program is backed up beside itself and brought up; one of a newer program is refused.
        Errors: BookError.
        """
        engine = connect.engine_for(target, create=create)
        book = cls(engine, str(target), who)
        try:
            book._bring_up(create)
        except BaseException:
            engine.dispose()
            raise
        return book

    def _bring_up(self, create: bool) -> None:
        with connect.clear_errors(self.target), self.engine.connect() as connection:
            revision = connect.revision_of(connection)
        newest = connect.newest_revision()
        if revision == newest:
            return
        if revision is None and not create:
            raise BookError("holds no shop book", field="shop", value=connect._without_password(self.target))
        if revision is not None and revision not in connect.known_revisions():
            raise BookError(
                "was written by a newer program",
                field="shop",
                value=revision,
                allowed=f"up to {newest}; update pipemetal",
            )
        if revision is not None and self.is_sqlite:
            self.copy_to(Path(f"{self.target}.before-{newest}.sqlite"))

        with (
            connect.clear_errors(self.target),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connect.upgrade(connection)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add_plan(self, plan: dict[str, Any]) -> str:
        """Keep a plan as its dictionary; every plan of an organ is a version of its own. Gives its id."""
        organ = str(plan.get("organ", "")).strip()
        if not organ:
            raise BookError("names no organ", field="plan")
        p = schema.plans.c
        with self.writing("plan kept", f"organ:{organ}") as w:
            number = int(w.connection.execute(select(func.count()).where(p.organ == organ)).scalar() or 0) + 1
            key = f"{organ[:180]} #{number}"
            now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
            w.add("plans", key, organ=organ, made_at=now, body=dump(plan))
        return key

    def plans(self) -> list[tuple[str, str, str]]:
        """All plans, latest first: id, organ, when."""
        p = schema.plans.c
        query = select(p.id, p.organ, p.made_at).where(p.withdrawn.is_(False)).order_by(p.made_at.desc(), p.id.desc())
        with self.reading() as connection:
            return [(a, b, c) for a, b, c in connection.execute(query)]

    def plan(self, plan_id: str | None = None) -> dict[str, Any] | None:
        """A plan's dictionary, the latest where no id is given; None where the book holds none."""
        if plan_id is None:
            found = self.plans()
            if not found:
                return None
            plan_id = found[0][0]
        held: dict[str, Any] = json.loads(self.row("plans", plan_id)["body"])
        return held

    def add_organ(self, name: str, body: str) -> str:
        """Keep the text of an organ file; every text is a version of its own. Gives its id."""
        with self.writing("organ kept", f"organ:{name}") as w:
            count = select(func.count()).where(schema.organs.c.id.startswith(f"{name} #", autoescape=True))
            number = int(w.connection.execute(count).scalar() or 0) + 1
            key = f"{name} #{number}"
            w.add("organs", key, body=body)
        return key
