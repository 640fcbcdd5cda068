"""A full dump as open files that a shop can read without this program, and its exact re-import."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Final

from sqlalchemy import Connection, Table, select

from pipemetal import __version__
from pipemetal.errors import BookError, FileFormatError
from pipemetal.files.layout_file import read_json
from pipemetal.files.outbox import part_folder, private_file
from pipemetal.shop import connect, schema
from pipemetal.shop.rowfiles import Manifest, blob_sizes, check_source, load_source, row_lines, table_hashes, tables_at
from pipemetal.texts import Text

__all__ = ["DUMP_FORMAT", "load_dump", "write_dump"]

DUMP_FORMAT: Final = "pipemetal dump 1"
MEANING: Final = {
    "analyses": "analyses of lots and melts",
    "attachments": "photos and papers; contents lie in attachments/ by SHA-256",
    "cast_orders": "sheets to cast for accepted plans",
    "casts": "the casting log; `log` is a log file of one cast",
    "events": "who did what and when, with the rows before and after",
    "heard": "finished pipes as they were heard: hertz, cents off with the 95 % half-width, the body's length in mm",
    "lots": "pigs, ingots, scrap; masses are in movements",
    "melts": "melts with what was charged in kg",
    "movements": "the ledger: micrograms of an element from account to account",
    "organs": "organ files, every text a version",
    "tokens": "tokens of other programs; SHA-256 of their secrets",
    "people": "who works with the book; Argon2id hashes of their secrets",
    "pieces": "blanks cut, with the roll and their place x0, y0, x1, y1 in mm on it",
    "plans": "plans, every one a version",
    "recipes": "recipes with limits in percent by mass",
    "reservations": "rolls and lots kept for accepted plans",
    "settings": "what the shop says of itself: keys of shop.toml with metric values",
    "rolls": "rolls and remnants with readings [x mm, y mm, thickness mm] and the field fitted to them",
}
"""What every table holds."""


def write_dump(connection: Connection, folder: Path) -> Manifest:
    """Write every row of the book as JSON lines with a schema, and every attachment; gives the schema.

    The folder is made whole beside its place and then moved there, readable by its owner alone. The same book gives the
    same bytes.
    Errors: BookError where the folder is there already and not empty.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BookError("is not an empty place", field="dump", value=str(folder), allowed="a new or empty folder")
    tables = tables_at(connection)
    manifest: Manifest = {
        "format": DUMP_FORMAT,
        "program": f"pipemetal {__version__}",
        "revision": connect.revision_of(connection),
        "tables": table_hashes(connection, tables),
        "schema": _columns(tables),
        "attachments": blob_sizes(connection),
    }
    try:
        with part_folder(folder) as beside:
            made = beside / "dump"
            made.mkdir(mode=0o700)
            for name, table in tables.items():
                with private_file(made / f"{name}.jsonl") as file:
                    file.writelines(f"{line}\n".encode() for line in row_lines(connection, table))
            _write_blobs(connection, made, manifest["attachments"])
            with private_file(made / "schema.json") as file:
                file.write(f"{json.dumps(manifest, indent=1, sort_keys=True)}\n".encode())
            made.rename(folder)  # which the system refuses where the folder is not empty
    except FileFormatError as error:
        raise BookError(error.problem, field="dump", value=error.where) from None
    except OSError as error:
        raise BookError(
            Text("cannot be written: {value}", value=error.strerror or str(error)), field="dump", value=str(folder)
        ) from None
    return manifest


def _write_blobs(connection: Connection, folder: Path, sizes: Mapping[str, int]) -> None:
    if not sizes:
        return
    (folder / "attachments").mkdir(mode=0o700)
    for key in sizes:
        content = connection.execute(select(schema.blobs.c.content).where(schema.blobs.c.sha256 == key)).scalar_one()
        with private_file(folder / "attachments" / key) as file:
            file.write(content)


def _columns(tables: Mapping[str, Table]) -> dict[str, object]:
    return {
        name: {
            "meaning": MEANING.get(name, ""),
            "columns": {
                c.name: {"type": c.type.python_type.__name__, "may_be_empty": bool(c.nullable)} for c in table.columns
            },
        }
        for name, table in tables.items()
    }


class _Folder:
    """A dump, read."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.name = folder, str(folder)
        try:
            self.manifest: Manifest = read_json(folder / "schema.json")
            whole = self.manifest["format"] == DUMP_FORMAT and isinstance(self.manifest["tables"], dict)
        except (OSError, ValueError, KeyError, TypeError):
            whole = False
        if not whole:
            raise BookError(
                "is not a dump of a book", field="dump", value=str(folder), allowed="a folder with schema.json"
            )

    def open(self, member: str) -> IO[bytes]:
        """A file of the dump."""
        return (self.folder / member).open("rb")


def load_dump(folder: Path, target: str | Path) -> Manifest:
    """Bring a dump into an empty place; gives its schema. Errors: BookError for a dump that is damaged or of a newer program."""
    source = _Folder(folder)
    check_source(source)
    load_source(source, target)
    return source.manifest
