"""People, analyses, accepted plans, attachments; invoices and days; why metal moved."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "r0002"
down_revision = "r0001"
branch_labels = None
depends_on = None

ADDED = {
    "lots": ("day", "supplier", "invoice"),
    "rolls": ("day", "reserved_for"),
    "melts": ("dross", "plan"),
    "pieces": ("plan", "rank", "pipe"),
}
NEW = {
    "people": ("role", "password", "pin", "note"),
    "analyses": ("about", "day", "composition", "uncertainty", "method", "laboratory", "note"),
    "reservations": ("plan", "about", "organ", "ranks", "melt", "state"),
    "cast_orders": ("plan", "sheet", "alloy", "melt", "body", "state", "cast"),
    "attachments": ("about", "name", "kind", "sha256", "note", "day"),
}
NUMBERS: dict[str, list[sa.Column[Any]]] = {
    "reservations": [sa.Column("mass_kg", sa.Float(53), nullable=False)],
    "cast_orders": [sa.Column("day", sa.Integer, nullable=False), sa.Column("number", sa.Integer, nullable=False)],
    "attachments": [sa.Column("size_bytes", sa.Integer, nullable=False)],
}


def upgrade() -> None:
    """Forward: what a book of the first kind did not say is empty; its plans were kept, not accepted."""
    for table, names in ADDED.items():
        for name in names:
            op.add_column(table, sa.Column(name, sa.Text, nullable=False, server_default=""))
    op.add_column("plans", sa.Column("state", sa.Text, nullable=False, server_default="kept"))
    op.add_column("events", sa.Column("token", sa.String(200), nullable=True))
    op.add_column("movements", sa.Column("why", sa.String(40), nullable=False, server_default=""))
    for table, names in NEW.items():
        op.create_table(
            table,
            sa.Column("id", sa.String(200), primary_key=True),
            *[sa.Column(name, sa.Text, nullable=False) for name in names],
            *NUMBERS.get(table, []),
            sa.Column("version", sa.Integer, nullable=False),
            sa.Column("withdrawn", sa.Boolean, nullable=False),
        )
    op.create_table(
        "blobs",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "tries",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("person", sa.String(200), nullable=False),
        sa.Column("at_s", sa.Float(53), nullable=False),
    )
    op.create_index("reservations_about", "reservations", ["about"])
    op.create_index("attachments_about", "attachments", ["about"])
    op.create_index("events_token", "events", ["token"], unique=True)
