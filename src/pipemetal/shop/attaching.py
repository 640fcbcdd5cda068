"""Attachments: photos and papers of rolls, lots, melts, casts and pieces, kept in the book under their SHA-256."""

from __future__ import annotations

import datetime
import hashlib
from pathlib import PurePosixPath, PureWindowsPath
from typing import Final

from sqlalchemy import func, insert, select

from pipemetal.errors import BookError, NotInBookError
from pipemetal.files.plain import parse_day
from pipemetal.shop import schema
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import AttachmentRow, CastRow, LotRow, MeltRow, PieceRow, RollRow, Row
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Written
from pipemetal.texts import Text

__all__ = ["MOST_BYTES", "Attachments", "kind_of"]

MOST_BYTES: Final = 12_000_000
MOST_EACH: Final = 50
"""Attachments of one thing."""
ABOUT: Final[dict[str, type[Row]]] = {
    "roll": RollRow,
    "lot": LotRow,
    "melt": MeltRow,
    "cast": CastRow,
    "pipe": PieceRow,
}
SIGNS: Final = (
    (b"\xff\xd8\xff", 0, "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", 0, "image/png"),
    (b"WEBP", 8, "image/webp"),
    (b"%PDF-", 0, "application/pdf"),
)


def kind_of(content: bytes) -> str:
    """The media type by what a file holds, whatever it is called. Errors: BookError for what is not taken.

    >>> kind_of(b"%PDF-1.7 ...")
    'application/pdf'
    """
    for sign, at, kind in SIGNS:
        if content[at : at + len(sign)] == sign and (kind != "image/webp" or content[:4] == b"RIFF"):
            return kind
    raise BookError("is not a file that the book takes", field="attachment", allowed="JPEG, PNG, WebP, PDF")


def _plain_name(name: str) -> str:
    """The last part of a file's name, printable: it is only ever shown, never used as a path."""
    last = PureWindowsPath(PurePosixPath(name).name).name
    return "".join(c for c in last if c.isprintable())[:120] or "attachment"


class Attachments:
    """Photos and papers."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def add(self, about: str, name: str, content: bytes, *, note: str = "", day: str = "") -> Written[None]:
        """Keep a photo or paper of `roll:ID`, `lot:ID`, `melt:ID`, `cast:ID` or `pipe:ID`.

        Errors: BookError for a thing that is not there, a file of another kind, one that is empty or too large.
        """
        if not 0 < len(content) <= MOST_BYTES:
            raise BookError(
                "is too large or empty",
                field="attachment",
                value=len(content),
                allowed=Text("1 to {most_bytes} bytes", most_bytes=MOST_BYTES),
            )
        kind, key = kind_of(content), hashlib.sha256(content).hexdigest()
        what, _, thing = about.partition(":")
        a = schema.attachments.c
        with self._writer.writing(Action.ATTACHMENT_KEPT, about) as w:
            if what not in ABOUT:
                raise NotInBookError(field="about", value=about, allowed=", ".join(f"{k}:ID" for k in ABOUT))
            if w.get(ABOUT[what], thing) is None:
                raise NotInBookError(field=what, value=thing, known=w.ids_of(ABOUT[what].TABLE))
            number = int(w.connection.execute(select(func.count()).where(a.about == about)).scalar() or 0) + 1
            if number > MOST_EACH:
                raise BookError(
                    "has enough attachments",
                    field="about",
                    value=about,
                    allowed=Text("up to {most_each}", most_each=MOST_EACH),
                )
            blob = schema.blobs
            if w.connection.execute(select(blob.c.sha256).where(blob.c.sha256 == key)).scalar() is None:
                w.connection.execute(insert(blob).values(sha256=key, content=content))
            w.add(
                "attachments",
                f"{about[:180]} #{number}",
                about=about,
                name=_plain_name(name),
                kind=kind,
                size_bytes=len(content),
                sha256=key,
                note=note,
                day=parse_day(day) or datetime.date.today().isoformat(),
            )
            return w.written()

    def about(self, thing: str | None = None) -> list[AttachmentRow]:
        """Attachments of one thing, or all."""
        return [row for row in self._writer.rows(AttachmentRow) if thing in (None, row.about)]

    def content(self, attachment_id: str) -> tuple[AttachmentRow, bytes]:
        """One attachment and its content. Errors: BookError where it is not there, or its content was altered."""
        row = self._writer.row(AttachmentRow, attachment_id)
        with self._writer.reading() as connection:
            query = select(schema.blobs.c.content).where(schema.blobs.c.sha256 == row.sha256)
            content = connection.execute(query).scalar()
        if content is None or hashlib.sha256(content).hexdigest() != row.sha256:
            raise BookError("is damaged", field="attachment", value=attachment_id)
        return row, bytes(content)

    def withdraw(self, attachment_id: str) -> Written[None]:
        """Show an attachment no more; its content stays, so that this can be taken back. Errors: BookError."""
        about = self._writer.row(AttachmentRow, attachment_id).about
        with self._writer.writing(Action.ATTACHMENT_WITHDRAWN, about) as w:
            w.change("attachments", attachment_id, None, withdrawn=True)
            return w.written()
