"""One event being written: rows that are new or changed, and metal that moves, all of it or nothing."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Final, Generic, NamedTuple, TypeVar

from sqlalchemy import Connection, func, insert, select, update

from pipemetal.errors import BookError, NotInBookError
from pipemetal.files.plain import hidden_mark, same_name
from pipemetal.shop import schema
from pipemetal.shop.balances import stock_of
from pipemetal.shop.ledger import OUTSIDE, Entry, kilograms
from pipemetal.shop.refusals import MOST_NEAR, StaleSaveError, mention, thing_of, word_of
from pipemetal.shop.rows import Change, Row, Stored
from pipemetal.texts import Amount, Text

__all__ = ["Writing", "Written", "dump", "packed", "unpacked"]

Value = TypeVar("Value")
R = TypeVar("R", bound=Row)

PACKED_FROM: Final = 20_000
"""A text longer than this is pressed together in an event."""
LONG_TEXT = 400
"""What a new row holds of longer texts (fields, plans) stands in the row alone, not in its event again."""
CHUNK: Final = 500
"""Ids that one query asks for."""
KINDS: Final = {"lots": "lot", "rolls": "roll", "melts": "melt", "casts": "cast", "pieces": "pipe"}
"""What accounts of these things begin with."""
SECRET: Final = ("password", "pin", "secret")
"""Columns that no event repeats."""


class Written(NamedTuple, Generic[Value]):
    """What a command of the book gives: the one event that it wrote, which can be taken back, and what came of it."""

    event: int
    value: Value


def dump(value: object) -> str:
    """JSON as the book keeps it: short, no nan."""
    try:
        text = json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
        text.encode()
    except (ValueError, RecursionError):  # nan, halves of characters, lists in lists without end
        raise BookError("holds what a book cannot keep: nan, infinity, or text that is none") from None
    return text


class Writing:
    """One event being written: its changes to rows and its movements of metal, all or nothing.

    New rows of things that were foreseen, and movements, wait until something is read or the event ends: thousands of them go to
    the database at once.
    """

    def __init__(self, connection: Connection, event_id: int, who: str, most: str | None = None) -> None:
        self._connection, self.event_id, self.who, self.most = connection, event_id, who, most
        self.changes: list[Change] = []
        self._next = int(connection.execute(select(func.max(schema.movements.c.id))).scalar() or 0) + 1
        self._seen: dict[str, dict[str, Stored | None]] = {}
        self._named: dict[str, dict[str, str | None]] = {}
        self._waiting: dict[str, list[Stored]] = {}

    @property
    def connection(self) -> Connection:
        """The connection, after everything that waits was written."""
        waiting, self._waiting = self._waiting, {}
        for table, rows in waiting.items():
            self._connection.execute(insert(schema.metadata.tables[table]), rows)
        return self._connection

    def foresee(self, table: str, keys: Sequence[str]) -> None:
        """Look up at once what the book holds of things that are about to be entered."""
        held, named = schema.TABLES[table], schema.names.c
        seen, names = self._seen.setdefault(table, {}), self._named.setdefault(table, {})
        for begin in range(0, len(keys), CHUNK):
            part = keys[begin : begin + CHUNK]
            folded = [same_name(key) for key in part]
            seen |= dict.fromkeys(part)
            names |= dict.fromkeys(folded)
            for row in self.connection.execute(select(held).where(held.c.id.in_(part))).mappings():
                seen[row["id"]] = dict(row)
            query = select(named.folded, named.id).where(named.kind == table, named.folded.in_(folded))
            for name, key in self.connection.execute(query):
                names[name] = key

    def refuse_elsewhere(self, key: str, *tables: str, but: str = "") -> None:
        """Errors: BookError where a thing of another kind bears this id: a label that is scanned must lead to one thing.

        `but`: the table in which it may stand, for a roll that is called as its own cast.
        """
        for table in tables:
            held = self.row(table, key) if table != but else None
            if held is not None and not held["withdrawn"]:
                raise BookError(
                    Text("is the name of something else: {thing}", thing=thing_of(table, key)),
                    field="id",
                    value=key,
                    allowed="an id that nothing else in the shop bears",
                )

    def written(self) -> Written[None]:
        """The event, of a command that gives nothing else."""
        return Written(self.event_id, None)

    def get(self, kind: type[R], key: str) -> R | None:
        """A row as it stands; None where there is none, or it was taken back."""
        found = self.row(kind.TABLE, key)
        return None if found is None or found["withdrawn"] else kind.of(found)

    def row(self, table: str, key: str) -> Stored | None:
        """A row as it stands, withdrawn ones too."""
        if key in self._seen.get(table, ()):
            known = self._seen[table][key]
            return None if known is None else dict(known)
        held = schema.TABLES[table]
        found = self.connection.execute(select(held).where(held.c.id == key)).mappings().first()
        return None if found is None else dict(found)

    def _keep(self, table: str, row: Stored, *, new: bool) -> None:
        """A row into the database, at once or soon."""
        held, key = schema.TABLES[table], str(row["id"])
        if key in self._seen.get(table, ()):
            self._seen[table][key] = row
            if new:
                self._waiting.setdefault(table, []).append(row)
                return
        if new:
            self.connection.execute(insert(held).values(row))
        else:
            self.connection.execute(update(held).where(held.c.id == key).values(row))

    def claim_name(self, table: str, key: str) -> None:
        """Errors: BookError where another thing of this kind is called so, in other capitals or composed letters."""
        if table not in schema.NAMED:
            return
        folded, known, n = same_name(key), self._named.get(table, {}), schema.names.c
        if folded in known:
            held = known[folded]
        else:
            query = select(n.id).where(n.kind == table, n.folded == folded)
            held = self.connection.execute(query).scalar()
        if held is None:
            self._waiting.setdefault("names", []).append({"kind": table, "folded": folded, "id": key})
        elif held != key:
            other = self.row(table, held)
            if other is not None and not other["withdrawn"]:
                raise BookError(
                    Text("is in the book already, written {held}", held=repr(held)),
                    field="id",
                    value=key,
                    where=word_of(table),
                )
            self.connection.execute(update(schema.names).where(n.kind == table, n.folded == folded).values(id=key))
        if folded in known:
            known[folded] = key

    def add(self, table: str, key: str, **values: object) -> None:
        """A new row. Errors: BookError where the id is used already, or a text holds marks that nobody sees."""
        if not key.strip() or len(key) > 200 or not key.isprintable():
            raise BookError("is not an id", field="id", value=key, allowed="1 to 200 printable letters")
        if key != key.strip():
            raise BookError("begins or ends with a blank", field="id", value=key, allowed=repr(key.strip()))
        if table in KINDS and key.partition(":")[0] in KINDS.values() and ":" in key:
            raise BookError(
                "reads like the name of an account", field="id", value=key, allowed="an id without lot:, roll: ..."
            )
        values = _plain(values)
        before = self.row(table, key)
        if before is not None and not before["withdrawn"]:
            raise BookError("is in the book already", field="id", value=key, where=word_of(table))
        self.claim_name(table, key)
        after = {"id": key, **values, "version": version_of(before) + 1 if before else 1, "withdrawn": False}
        self._keep(table, after, new=before is None)
        short = {k: v for k, v in after.items() if k not in SECRET and not (isinstance(v, str) and len(v) > LONG_TEXT)}
        if before is not None:
            before = {k: v for k, v in before.items() if k not in SECRET}
        self.changes.append({"table": table, "id": key, "before": before, "after": short})

    def change(self, table: str, key: str, version: int | None, **values: object) -> None:
        """Change a row. Errors: StaleSaveError where `version` is not the row's, BookError where there is none."""
        before, values = self.row(table, key), _plain(values)
        if before is None or before["withdrawn"]:
            raise NotInBookError(field=word_of(table), value=key, known=self.ids_of(table))
        if version is not None and before["version"] != version:
            by = self.changed_last(table, key)
            raise StaleSaveError(
                thing_of(table, key), values, {k: before[k] for k in values}, by=by, own=bool(by) and by == self.who
            )
        self.put(table, key, before, values | {"version": version_of(before) + 1})

    def ids_of(self, table: str) -> list[str]:
        """Ids of a table that stand, the first few thousand."""
        held = schema.TABLES[table]
        query = select(held.c.id).where(held.c.withdrawn.is_(False)).order_by(held.c.id).limit(MOST_NEAR)
        return [str(key) for key in self.connection.execute(query).scalars()]

    def put(self, table: str, key: str, before: Mapping[str, object], values: Mapping[str, object]) -> None:
        """Change a row whatever it holds, and remember how it was."""
        after = {**before, **values}
        self._keep(table, after, new=False)
        kept = tuple(name for name in values if name not in SECRET)
        was = {k: packed(before[k]) for k in kept}
        # what a long text became stands in the row; what it was is needed to take it back
        now = {k: after[k] for k in kept if not _is_long(after[k])}
        self.changes.append({"table": table, "id": key, "before": was, "after": now})

    def changed_last(self, table: str, key: str) -> str:
        """Who changed a row last, empty where no event tells."""
        e = schema.events.c
        query = select(e.who).where(e.changes.contains(mention(table, key), autoescape=True)).order_by(e.id.desc())
        return str(self.connection.execute(query.limit(1)).scalar() or "")

    def stock(self, account: str) -> dict[str, int]:
        """What an account holds now, in micrograms by element."""
        return stock_of(self.connection, account)

    def book(self, entries: Sequence[Entry], reverses: Sequence[int] | None = None, *, why: str = "") -> None:
        """Write movements; `why` is one of ledger.WHY. Errors: BookError where an account of the shop would fall below zero."""
        rows = []
        for number, entry in enumerate(entries):
            rows.append(
                {
                    "id": self._next,
                    "event": self.event_id,
                    "element": entry.element,
                    "mass_ug": entry.mass_ug,
                    "origin": entry.origin,
                    "target": entry.target,
                    "reverses": reverses[number] if reverses else None,
                    "why": why,
                }
            )
            self._next += 1
        if rows:
            self._waiting.setdefault("movements", []).extend(rows)
        for account in sorted({e.origin for e in entries if e.origin not in OUTSIDE}):
            for element, mass in self.stock(account).items():
                if mass < 0:
                    raise BookError(
                        Text(
                            "would hold {kilograms} of {element}",
                            kilograms=Amount(kilograms(mass), "kg", 3),
                            element=element,
                        ),
                        field="account",
                        value=account,
                        allowed="zero or more",
                    )


def version_of(row: Mapping[str, object]) -> int:
    """The version of a stored row."""
    return int(str(row["version"]))


def _is_long(value: object) -> bool:
    return isinstance(value, str) and len(value) > PACKED_FROM


def packed(value: object) -> object:
    """A long text (a plan, an organ) as an event keeps it: pressed together.

    >>> unpacked(packed("x" * 100_000)) == "x" * 100_000, packed("short")
    (True, 'short')
    """
    if not isinstance(value, str) or len(value) <= PACKED_FROM:
        return value
    return {"packed": base64.b64encode(zlib.compress(value.encode(), 6)).decode()}


def unpacked(value: object) -> object:
    """What `packed` was given."""
    if isinstance(value, dict) and set(value) == {"packed"}:
        return zlib.decompress(base64.b64decode(value["packed"])).decode()
    return value


def _plain(values: Mapping[str, object]) -> Stored:
    """Values as a database keeps them: a state as its word. Errors: BookError where a text holds marks that nobody sees."""
    for column, value in values.items():
        if isinstance(value, str) and (mark := hidden_mark(value)):
            raise BookError(
                Text("holds a hidden mark, {mark}", mark=mark),
                field=column,
                value=value,
                allowed="letters that are seen",
            )
    return {column: value.value if isinstance(value, StrEnum) else value for column, value in values.items()}
