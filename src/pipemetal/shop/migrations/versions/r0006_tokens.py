"""Tokens of other programs, and who is signed in on which tablet."""

import sqlalchemy as sa
from alembic import op

revision = "r0006"
down_revision = "r0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Forward."""
    op.create_table(
        "tokens",
        sa.Column("id", sa.String(200), primary_key=True),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("secret", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("day", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
    )
    op.create_table(
        "sessions",
        sa.Column("key", sa.String(64), primary_key=True),
        sa.Column("person", sa.String(200), nullable=False),
        sa.Column("seal", sa.String(64), nullable=False),
        sa.Column("touched_s", sa.Float(53), nullable=False),
    )
