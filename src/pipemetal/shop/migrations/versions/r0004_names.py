"""What ids are called however they are written: one that differs in capitals or composed letters only is the same."""

import unicodedata

import sqlalchemy as sa
from alembic import op

revision = "r0004"
down_revision = "r0003"
branch_labels = None
depends_on = None

KINDS = ("recipes", "lots", "rolls", "melts", "casts", "people")


def upgrade() -> None:
    """Forward: of two that are in the book already, the first that is not withdrawn has the name."""
    names = op.create_table(
        "names",
        sa.Column("kind", sa.String(20), primary_key=True),
        sa.Column("folded", sa.String(700), primary_key=True),
        sa.Column("id", sa.String(200), nullable=False),
    )
    connection = op.get_bind()
    for kind in KINDS:
        table = sa.table(kind, sa.column("id"), sa.column("withdrawn"))
        held: dict[str, str] = {}
        query = sa.select(table.c.id).order_by(table.c.withdrawn, table.c.id)
        for key in connection.execute(query).scalars():
            held.setdefault(unicodedata.normalize("NFC", unicodedata.normalize("NFC", key).casefold()), key)
        if held and names is not None:
            op.bulk_insert(names, [{"kind": kind, "folded": folded, "id": key} for folded, key in held.items()])
