"""The rows of a book as JSON lines, alike on every database, and the loading of them: what backups and dumps share."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from decimal import Decimal
from pathlib import Path
from typing import IO, Any, Final, Protocol, TypedDict

from sqlalchemy import Column, Connection, MetaData, Table, delete, func, insert, inspect, select

from pipemetal.errors import BookError
from pipemetal.files.plain import same_name
from pipemetal.shop import connect, schema
from pipemetal.shop.places import new_book_file
from pipemetal.shop.rows import Stored
from pipemetal.texts import Text

__all__ = [
    "DAMAGE",
    "Counted",
    "Manifest",
    "Source",
    "blob_sizes",
    "check_source",
    "load_source",
    "row_lines",
    "table_hashes",
    "tables_at",
]

CHUNK: Final = 500
MOST_LINE_BYTES: Final = 100_000_000
DAMAGE: Final = (
    KeyError,
    ValueError,
    OSError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    zlib.error,
    zipfile.BadZipFile,
)
"""What reading a member of a damaged archive or folder raises."""
_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_NAME: Final = re.compile(r"[a-z_]{1,60}")
APART: Final = ("alembic_version", "blobs", "names", "tries")


class Counted(TypedDict):
    """A table in a list of contents."""

    rows: int
    sha256: str


class Manifest(TypedDict, total=False):
    """The list of contents of a backup or a dump, as its file holds it."""

    format: str
    program: str
    revision: str | None
    database: str
    tables: dict[str, Counted]
    attachments: dict[str, int]
    schema: dict[str, object]


def tables_at(connection: Connection) -> dict[str, Table]:
    """The tables of the book as this database has them, of an older revision too."""
    if connect.revision_of(connection) == connect.newest_revision():
        return schema.TABLES
    found = MetaData()
    found.reflect(connection)
    return {name: table for name, table in sorted(found.tables.items()) if name not in APART}


def row_lines(connection: Connection, table: Table) -> Iterator[str]:
    """The rows of a table in the order of their ids, one JSON line each."""
    rows = [dict(row) for row in connection.execute(select(table)).mappings()]
    for row in sorted(rows, key=lambda r: (isinstance(r["id"], str), r["id"])):
        yield json.dumps(row, allow_nan=False, ensure_ascii=True, sort_keys=True, separators=(",", ":"))


def table_hashes(connection: Connection, tables: Mapping[str, Table] | None = None) -> dict[str, Counted]:
    """Rows and their SHA-256 by table: two books that hold the same have the same hashes."""
    found: dict[str, Counted] = {}
    for name, table in sorted((tables or schema.TABLES).items()):
        digest, count = hashlib.sha256(), 0
        for line in row_lines(connection, table):
            digest.update(line.encode() + b"\n")
            count += 1
        found[name] = {"rows": count, "sha256": digest.hexdigest()}
    return found


def blob_sizes(connection: Connection) -> dict[str, int]:
    """The attachments' contents by their SHA-256, with their sizes in bytes."""
    if not inspect(connection).has_table("blobs"):
        return {}
    b = schema.blobs.c
    query = select(b.sha256, func.length(b.content)).order_by(b.sha256)
    return {key: int(size) for key, size in connection.execute(query)}


class Source(Protocol):
    """A backup or a dump: its manifest, the place for messages, and its members."""

    manifest: Manifest
    name: str

    def open(self, member: str) -> IO[bytes]:
        """A member to be read. Raises: KeyError, OSError, ValueError where it is not there or damaged."""


def check_source(source: Source) -> None:
    """Read everything once and compare it with the manifest. Errors: BookError where something is missing or altered."""
    if not _is_whole(source.manifest):
        raise BookError("has a list of contents that is damaged", field="backup", value=source.name)
    if source.manifest["revision"] not in connect.known_revisions():
        raise BookError("was written by a newer program", field="backup", value=source.manifest["revision"])
    wanted = {f"{name}.jsonl": held["sha256"] for name, held in source.manifest["tables"].items()}
    wanted |= {f"attachments/{key}": key for key in source.manifest.get("attachments", {})}
    for member, sha256 in wanted.items():
        digest = hashlib.sha256()
        try:
            with source.open(member) as file:
                while block := file.read(1 << 20):
                    digest.update(block)
        except DAMAGE:
            raise BookError(
                Text("is damaged in {partition}", partition=member.partition(".")[0]), field="backup", value=source.name
            ) from None
        if digest.hexdigest() != sha256:
            raise BookError(
                Text("is damaged in {partition}", partition=member.partition(".")[0]), field="backup", value=source.name
            )


def _is_whole(manifest: Manifest) -> bool:
    """Whether a manifest names revision, tables and attachments as one that this program wrote does."""
    tables, attachments = manifest.get("tables"), manifest.get("attachments", {})
    return (
        isinstance(manifest.get("revision"), str)
        and isinstance(tables, dict)
        and all(isinstance(held, dict) and isinstance(held.get("sha256"), str) for held in tables.values())
        and isinstance(attachments, dict)
        # a name of a file beside the rows: nothing but a hash, so that it leads nowhere else
        and all(_SHA256.fullmatch(key) for key in attachments)
        and all(_NAME.fullmatch(name) for name in tables)
    )


def load_source(source: Source, target: str | Path) -> None:
    """Bring a checked backup or dump into an empty place, at its own revision first, then up to the program's.

    All in one transaction; the rows are compared with the manifest before they are kept. A SQLite book is made beside its place
    and moved there at the end; of two that bring one back into one place, the second touches nothing.
    Errors: BookError for a target that holds something already, or rows that do not come out equal.
    """
    path = connect.sqlite_file(target)
    if path is None:
        _load_into(source, target)
        return
    with new_book_file(path) as made:
        _load_into(source, made)


def _load_into(source: Source, target: str | Path) -> None:
    engine = connect.engine_for(target, create=True)
    try:
        with (
            connect.clear_errors(target),
            engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            connect.one_at_a_time(connection)
            if connect.revision_of(connection) is not None:
                raise BookError("holds a book already; a book is brought back into an empty place only", field="shop")
            connect.upgrade(connection, source.manifest["revision"] or "head")
            tables = tables_at(connection)
            _load_rows(connection, source, tables)
            if table_hashes(connection, tables) != source.manifest["tables"]:
                raise BookError("does not equal its backup after loading", field="backup", value=source.name)
            connect.upgrade(connection)
            _fill_names(connection)
    finally:
        engine.dispose()


def _fill_names(connection: Connection) -> None:
    """The names that ids have follow from the rows."""
    connection.execute(delete(schema.names))
    for kind in schema.NAMED:
        table = schema.TABLES[kind]
        held: dict[str, str] = {}
        for key in connection.execute(select(table.c.id).order_by(table.c.withdrawn, table.c.id)).scalars():
            held.setdefault(same_name(key), key)
        if held:
            connection.execute(
                insert(schema.names), [{"kind": kind, "folded": name, "id": key} for name, key in held.items()]
            )


def _load_rows(connection: Connection, source: Source, tables: Mapping[str, Table]) -> None:
    for name, table in tables.items():
        if name not in source.manifest["tables"]:
            raise BookError(Text("holds no {name}", name=name), field="backup", value=source.name)
        rows = _rows_of(source, name, table)
        while block := list(itertools.islice(rows, CHUNK)):
            connection.execute(insert(table), block)
    for key in source.manifest.get("attachments", {}):
        with source.open(f"attachments/{key}") as member:
            connection.execute(insert(schema.blobs).values(sha256=key, content=member.read()))


def _rows_of(source: Source, name: str, table: Table) -> Iterator[Stored]:
    """The rows of a table, each with the table's columns and their kinds of values."""
    kinds = {column.name: _kinds(column) for column in table.columns}
    with source.open(f"{name}.jsonl") as member:
        for number, line in enumerate(iter(lambda: member.readline(MOST_LINE_BYTES + 1), b""), 1):
            try:
                row = json.loads(line) if len(line) <= MOST_LINE_BYTES else None
            except (ValueError, RecursionError):
                row = None
            if (
                not isinstance(row, dict)
                or row.keys() != kinds.keys()
                or not all(type(row[key]) in kind for key, kind in kinds.items())
                or not all(math.isfinite(value) for value in row.values() if type(value) is float)
            ):
                raise BookError(
                    Text("is damaged in {name}, line {number}", name=name, number=number),
                    field="backup",
                    value=source.name,
                )
            yield row


def _kinds(column: Column[Any]) -> tuple[type, ...]:
    kind = column.type.python_type
    kinds: tuple[type, ...] = (int, float) if kind in (float, Decimal) else (kind,)
    return (*kinds, type(None)) if column.nullable else kinds
