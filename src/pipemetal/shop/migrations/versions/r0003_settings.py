"""The shop's settings."""

import sqlalchemy as sa
from alembic import op

revision = "r0003"
down_revision = "r0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Forward: a book of before keeps none, so that shop.toml beside it counts as it did."""
    op.create_table(
        "settings",
        sa.Column("id", sa.String(200), primary_key=True),
        sa.Column("said", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
    )
