"""Finished pipes that were heard: pitch with its interval, the air, and the length where it was measured."""

import sqlalchemy as sa
from alembic import op

revision = "r0005"
down_revision = "r0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Forward: a book of before has heard nothing."""
    op.create_table(
        "heard",
        sa.Column("id", sa.String(200), primary_key=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("organ", "rank", "note")),
        sa.Column("pitch_key", sa.Integer, nullable=False),
        sa.Column("day", sa.Text, nullable=False),
        *(sa.Column(n, sa.Float(53), nullable=False) for n in ("hertz", "cents", "half_cents", "air_c", "shorten_mm")),
        sa.Column("length_mm", sa.Float(53), nullable=True),
        sa.Column("partials", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
    )
