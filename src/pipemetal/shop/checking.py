"""What the doctor looks at: the ledger, the attachments, and everything that is kept as JSON."""

from __future__ import annotations

import hashlib
import json
from typing import Final

from sqlalchemy import Connection, func, select

from pipemetal.shop import schema
from pipemetal.shop.ledger import OUTSIDE, kilograms
from pipemetal.shop.settings import check_settings

__all__ = ["check_attachments", "check_ledger", "check_structures"]

STRUCTURES: Final = {
    "rolls": ("outline", "no_go", "readings", "field"),
    "lots": ("uncertainty",),
    "melts": ("inputs",),
    "plans": ("body",),
    "recipes": ("windows",),
    "pieces": ("box",),
    "reservations": ("ranks",),
    "cast_orders": ("body",),
    "events": ("changes",),
    "settings": ("said",),
    "heard": ("partials",),
}
"""Columns that hold JSON."""


def check_ledger(connection: Connection) -> list[str]:
    """What is wrong with the ledger: accounts below zero, reversals that do not match; none in a sound book."""
    m = schema.movements.c
    held: dict[tuple[str, str], int] = {}
    rows = connection.execute(select(m.id, m.element, m.mass_ug, m.origin, m.target, m.reverses)).all()
    by_id = {row.id: row for row in rows}
    faults = []
    for row in rows:
        held[row.origin, row.element] = held.get((row.origin, row.element), 0) - int(row.mass_ug)
        held[row.target, row.element] = held.get((row.target, row.element), 0) + int(row.mass_ug)
        first = by_id.get(row.reverses) if row.reverses is not None else None
        if row.reverses is not None and (
            first is None
            or (first.origin, first.target, first.mass_ug, first.element)
            != (row.target, row.origin, row.mass_ug, row.element)
        ):
            faults.append(f"movement {row.id} does not take back movement {row.reverses}")
        if row.mass_ug <= 0:
            faults.append(f"movement {row.id} moves nothing")
    if sum(held.values()) != 0:
        faults.append("the ledger does not sum to zero")
    faults += [
        f"{account} holds {kilograms(mass):.6f} kg of {element}"
        for (account, element), mass in held.items()
        if mass < 0 and account not in OUTSIDE
    ]
    e = schema.events.c
    lost = connection.execute(select(func.count()).where(m.event.not_in(select(e.id)))).scalar()
    if lost:
        faults.append(f"{lost} movements belong to no event")
    return faults


def check_attachments(connection: Connection) -> list[str]:
    """Attachments whose content is missing or altered."""
    b, a, faults = schema.blobs.c, schema.attachments.c, []
    for key in connection.execute(select(a.sha256).distinct()).scalars().all():
        content = connection.execute(select(b.content).where(b.sha256 == key)).scalar()
        if content is None or hashlib.sha256(content).hexdigest() != key:
            faults.append(f"attachment {key[:12]}... is missing or altered")
    return faults


def check_structures(connection: Connection) -> list[str]:
    """Rows whose lists and tables cannot be read, as somebody leaves them who alters a book or a backup by hand."""
    faults = []
    for name, columns in STRUCTURES.items():
        table = schema.TABLES[name]
        for row in connection.execute(select(table.c.id, *(table.c[column] for column in columns))).mappings():
            for column in columns:
                try:
                    json.loads(row[column] or "null")
                except (ValueError, RecursionError):
                    faults.append(f"{name} {row['id']}: {column} cannot be read")
    s = schema.settings.c
    for text_kept in connection.execute(select(s.said).where(s.withdrawn.is_(False))).scalars():
        faults += check_settings(text_kept)
    return faults
