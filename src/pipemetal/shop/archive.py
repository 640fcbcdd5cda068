"""A backup: the whole book in one file, and brought back from it."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Final

from sqlalchemy import Connection, Table, select

from pipemetal.errors import BookError
from pipemetal.files.missing import no_such_file
from pipemetal.shop import schema
from pipemetal.shop.rowfiles import DAMAGE, Manifest, check_source, load_source, row_lines

__all__ = ["BACKUP_FORMAT", "Archive", "manifest_of", "restore", "write_archive"]

BACKUP_FORMAT: Final = "pipemetal book 1"
MOST_RATIO, LEAST_BYTES, MOST_MANIFEST_BYTES = 200, 1_000_000, 50_000_000
"""Of a backup: unpacked to packed (rows of text pack to a tenth or so), counted from the least size, and its manifest."""


def write_archive(out: IO[bytes], connection: Connection, tables: Mapping[str, Table], manifest: Manifest) -> None:
    """Rows as JSON lines, attachments by their SHA-256, and the list of contents."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, table in tables.items():
            with archive.open(f"{name}.jsonl", "w") as member:
                for line in row_lines(connection, table):
                    member.write(line.encode() + b"\n")
        for key in manifest["attachments"]:
            content = connection.execute(
                select(schema.blobs.c.content).where(schema.blobs.c.sha256 == key)
            ).scalar_one()
            archive.writestr(zipfile.ZipInfo(f"attachments/{key}"), content)  # photos do not get smaller
        archive.writestr("manifest.json", json.dumps(manifest, indent=1))


def manifest_of(backup: Path) -> Manifest | None:
    """The list of contents of a backup, None for what is none."""
    try:
        with zipfile.ZipFile(backup) as archive, archive.open("manifest.json") as member:
            held: Manifest | None = json.loads(member.read(MOST_MANIFEST_BYTES))
    except DAMAGE:
        return None
    return held if isinstance(held, dict) else None


class Archive:
    """A backup, read."""

    def __init__(self, file: Path) -> None:
        self.name = str(file)
        try:
            self.archive = zipfile.ZipFile(file)
            parts = self.archive.infolist()
            if sum(part.file_size for part in parts) > MOST_RATIO * max(file.stat().st_size, LEAST_BYTES):
                raise BookError("is too large when unpacked", field="backup", value=str(file))
            with self.archive.open("manifest.json") as member:
                self.manifest: Manifest = json.loads(member.read(MOST_MANIFEST_BYTES))
        except BookError:
            raise
        except FileNotFoundError:
            raise no_such_file(file, BookError) from None
        except DAMAGE:
            raise BookError("is not a whole backup", field="backup", value=str(file)) from None
        if not isinstance(self.manifest, dict) or self.manifest.get("format") != BACKUP_FORMAT:
            raise BookError("is not a backup of this program", field="backup", value=str(file), allowed=BACKUP_FORMAT)

    def open(self, member: str) -> IO[bytes]:
        """A member of the archive."""
        try:
            return self.archive.open(member)
        except zipfile.BadZipFile as error:
            raise ValueError(str(error)) from None


def restore(file: Path, target: str | Path) -> Manifest:
    """Bring a backup back into an empty place, SQLite or PostgreSQL, whichever it came from; gives the manifest.

    The backup is checked before anything is written, and the restored rows are compared with it before they are kept; one of
    an older program is brought up then. Errors: BookError for a damaged backup, or a target that holds a book already.
    """
    source = Archive(file)
    with source.archive:
        try:
            check_source(source)
        except DAMAGE as error:
            if isinstance(error, BookError):
                raise
            raise BookError("is damaged", field="backup", value=str(file)) from None
        load_source(source, target)
    return source.manifest
