"""What all parts of the book share: reading, and writing as events with their changes and movements."""

from __future__ import annotations

import datetime
import getpass
import json
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, func, insert, select, text, update

from pipemetal.errors import BookError, ConflictError
from pipemetal.shop import schema
from pipemetal.shop.connect import clear_errors
from pipemetal.shop.ledger import OUTSIDE, Entry, kilograms

__all__ = ["BookBase", "StaleSaveError", "Writing", "dump"]


LONG_TEXT = 400
"""What a new row holds of longer texts (fields, plans) stands in the row alone, not in its event again."""


class StaleSaveError(ConflictError):
    """Somebody else saved meanwhile: `mine` is what was to be saved, `theirs` what the book holds now."""

    def __init__(self, about: str, mine: Mapping[str, Any], theirs: Mapping[str, Any]) -> None:
        self.about, self.mine, self.theirs = about, dict(mine), dict(theirs)
        told = "; ".join(f"{k}: yours {v!r}, now {theirs.get(k)!r}" for k, v in self.mine.items())
        super().__init__(f"{about} was changed by somebody else meanwhile; nothing was overwritten ({told})")


def dump(value: object) -> str:
    """JSON as the book keeps it: short, no nan."""
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


class Writing:
    """One event being written: its changes to rows and its movements of metal, all or nothing."""

    def __init__(self, connection: Connection, event_id: int) -> None:
        self.connection, self.event_id = connection, event_id
        self.changes: list[dict[str, Any]] = []
        self._next = int(connection.execute(select(func.max(schema.movements.c.id))).scalar() or 0) + 1

    def row(self, table: str, key: str) -> dict[str, Any] | None:
        """A row as it stands, withdrawn ones too."""
        held = schema.TABLES[table]
        found = self.connection.execute(select(held).where(held.c.id == key)).mappings().first()
        return None if found is None else dict(found)

    def add(self, table: str, key: str, **values: Any) -> None:
        """A new row. Errors: BookError where the id is used already."""
        if not key.strip() or len(key) > 200 or not key.isprintable():
            raise BookError("is not an id", field="id", value=key, allowed="1 to 200 printable letters")
        before = self.row(table, key)
        if before is not None and not before["withdrawn"]:
            raise BookError("is in the book already", field="id", value=key, where=table)
        after = {"id": key, **values, "version": before["version"] + 1 if before else 1, "withdrawn": False}
        held = schema.TABLES[table]
        if before is None:
            self.connection.execute(insert(held).values(after))
        else:
            self.connection.execute(update(held).where(held.c.id == key).values(after))
        short = {k: v for k, v in after.items() if not (isinstance(v, str) and len(v) > LONG_TEXT)}
        self.changes.append({"table": table, "id": key, "before": before, "after": short})

    def change(self, table: str, key: str, version: int | None, **values: Any) -> None:
        """Change a row. Errors: StaleSaveError where `version` is not the row's, BookError where there is none."""
        before = self.row(table, key)
        if before is None or before["withdrawn"]:
            raise BookError("is not in the book", field="id", value=key, where=table)
        if version is not None and before["version"] != version:
            raise StaleSaveError(f"{table} {key}", values, {k: before[k] for k in values})
        after = before | values | {"version": before["version"] + 1}
        held = schema.TABLES[table]
        self.connection.execute(update(held).where(held.c.id == key).values(after))
        kept = (*values, "version")
        self.changes.append(
            {"table": table, "id": key, "before": {k: before[k] for k in kept}, "after": {k: after[k] for k in kept}}
        )

    def stock(self, account: str) -> dict[str, int]:
        """What an account holds now, in micrograms by element."""
        return stock_of(self.connection, account)

    def book(self, entries: Sequence[Entry], reverses: Sequence[int] | None = None) -> None:
        """Write movements. Errors: BookError where an account of the shop would fall below nought."""
        rows = []
        for number, entry in enumerate(entries):
            rows.append({
                "id": self._next, "event": self.event_id, "element": entry.element, "mass_ug": entry.mass_ug,
                "origin": entry.origin, "target": entry.target, "reverses": reverses[number] if reverses else None,
            })  # fmt: skip
            self._next += 1
        if rows:
            self.connection.execute(insert(schema.movements), rows)
        for account in sorted({e.origin for e in entries if e.origin not in OUTSIDE}):
            for element, mass in self.stock(account).items():
                if mass < 0:
                    raise BookError(
                        f"would hold {kilograms(mass):.3f} kg of {element}", field="account", value=account,
                        allowed="nought or more",
                    )  # fmt: skip


def stock_of(connection: Connection, account: str) -> dict[str, int]:
    """What an account holds by element in micrograms, from its movements."""
    held: dict[str, int] = {}
    m = schema.movements.c
    for column, sign in ((m.target, 1), (m.origin, -1)):
        query = select(m.element, func.sum(m.mass_ug)).where(column == account).group_by(m.element)
        for element, mass in connection.execute(query):
            held[element] = held.get(element, 0) + sign * int(mass)
    return {element: mass for element, mass in held.items() if mass}


class BookBase:
    """The engine of a book, its readers and its one writer."""

    def __init__(self, engine: Engine, target: str, who: str | None = None) -> None:
        self.engine, self.target = engine, target
        self.who = who or _login_name()
        self._looking = threading.Lock()

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
    def writing(self, what: str, about: str, undoes: int | None = None) -> Iterator[Writing]:
        """One event: all of it, or nothing. Writers wait for each other."""
        with (
            clear_errors(self.target),
            self.engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            if not self.is_sqlite:
                connection.execute(text("LOCK TABLE events IN EXCLUSIVE MODE"))
            event_id = int(connection.execute(select(func.max(schema.events.c.id))).scalar() or 0) + 1
            writing = Writing(connection, event_id)
            yield writing
            now = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")
            row = {"id": event_id, "at": now, "who": self.who, "what": what, "about": about, "undoes": undoes}
            connection.execute(insert(schema.events).values(row | {"changes": dump(writing.changes)}))

    def rows(self, table: str, *, withdrawn: bool = False) -> list[dict[str, Any]]:
        """All rows of a table, by id."""
        held = schema.TABLES[table]
        query = select(held).order_by(held.c.id)
        if not withdrawn:
            query = query.where(held.c.withdrawn.is_(False))
        with self.reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def row(self, table: str, key: str) -> dict[str, Any]:
        """One row. Errors: BookError where it is not in the book."""
        held = schema.TABLES[table]
        with self.reading() as connection:
            found = connection.execute(select(held).where(held.c.id == key)).mappings().first()
        if found is None or found["withdrawn"]:
            raise BookError("is not in the book", field="id", value=key, where=table)
        return dict(found)

    def last_event(self) -> int:
        """The number of the latest event, nought in an empty book."""
        with self.reading() as connection:
            return int(connection.execute(select(func.max(schema.events.c.id))).scalar() or 0)


def _login_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "somebody"
