"""The first book: recipes, lots, rolls, melts, casts, pieces, organs, plans, events and movements."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "r0001"
down_revision = None
branch_labels = None
depends_on = None


def _text(*names: str) -> list[sa.Column[Any]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _number(*names: str, nullable: bool = False) -> list[sa.Column[Any]]:
    return [sa.Column(name, sa.Float(53), nullable=nullable) for name in names]


def _rows(name: str, *columns: sa.Column[Any]) -> None:
    op.create_table(
        name,
        sa.Column("id", sa.String(200), primary_key=True),
        *columns,
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
    )


def upgrade() -> None:
    """Forward: an empty book."""
    _rows("recipes", *_text("target", "windows", "note"))
    _rows(
        "lots",
        *_text("kind", "alloy", "composition"),
        *_number("piece_kg", nullable=True),
        *_text("uncertainty"),
        *_number("price_per_kg"),
        *_text("note"),
    )
    _rows(
        "rolls",
        *_text("alloy"),
        *_number("length_mm", "width_mm", "trim_mm"),
        *_text("outline", "no_go", "place", "parent"),
        *_number("offset_x_mm", "offset_y_mm"),
        *_text("readings", "field", "envelope"),
        *_number("mean_mm"),
        *_text("state", "cast", "note"),
    )
    _rows("melts", *_text("recipe", "day", "inputs"), *_number("dross_kg"), *_text("assay", "note"))
    _rows("casts", *_text("melt", "day", "log"))
    _rows("pieces", *_text("roll", "organ", "box"), *_number("mass_kg"))
    _rows("organs", *_text("body"))
    _rows("plans", *_text("organ", "made_at", "body"))
    op.create_table(
        "events",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        *_text("at", "who", "what", "about", "changes"),
        sa.Column("undoes", sa.Integer, nullable=True),
    )
    op.create_table(
        "movements",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("event", sa.Integer, nullable=False),
        sa.Column("element", sa.String(10), nullable=False),
        sa.Column("mass_ug", sa.BigInteger, nullable=False),
        sa.Column("origin", sa.String(220), nullable=False),
        sa.Column("target", sa.String(220), nullable=False),
        sa.Column("reverses", sa.Integer, nullable=True),
    )
    for index, table, column in (
        ("movements_origin", "movements", "origin"),
        ("movements_target", "movements", "target"),
        ("movements_event", "movements", "event"),
        ("rolls_parent", "rolls", "parent"),
        ("pieces_roll", "pieces", "roll"),
    ):
        op.create_index(index, table, [column])
