"""The tables of the shop book. A change here needs a migration beside it."""

from __future__ import annotations

from typing import Final

from sqlalchemy import BigInteger, Boolean, Column, Float, Index, Integer, MetaData, String, Table, Text

__all__ = ["KEYS", "TABLES", "metadata"]

metadata = MetaData()


def _table(name: str, *columns: Column[object], key: str = "id") -> Table:
    """A table whose rows a person may change: every row has a version, and is withdrawn instead of deleted."""
    return Table(
        name, metadata, Column(key, String(200), primary_key=True), *columns,
        Column("version", Integer, nullable=False), Column("withdrawn", Boolean, nullable=False),
    )  # fmt: skip


def _text(name: str, nullable: bool = False) -> Column[object]:
    return Column(name, Text, nullable=nullable)


def _number(name: str, nullable: bool = False) -> Column[object]:
    return Column(name, Float(53), nullable=nullable)


recipes = _table("recipes", _text("target"), _text("windows"), _text("note"))
lots = _table(
    "lots", _text("kind"), _text("alloy"), _text("composition"), _number("piece_kg", True), _text("uncertainty"),
    _number("price_per_kg"), _text("note"),
)  # fmt: skip
rolls = _table(
    "rolls", _text("alloy"), _number("length_mm"), _number("width_mm"), _number("trim_mm"), _text("outline"), _text("no_go"),
    _text("place"), _text("parent"), _number("offset_x_mm"), _number("offset_y_mm"), _text("readings"), _text("field"),
    _text("envelope"), _number("mean_mm"), _text("state"), _text("cast"), _text("note"),
)  # fmt: skip
melts = _table(
    "melts", _text("recipe"), _text("day"), _text("inputs"), _number("dross_kg"), _text("assay"), _text("note")
)
casts = _table("casts", _text("melt"), _text("day"), _text("log"))
pieces = _table("pieces", _text("roll"), _text("organ"), _text("box"), _number("mass_kg"))
organs = _table("organs", _text("body"))
plans = _table("plans", _text("organ"), _text("made_at"), _text("body"))
events = Table(
    "events", metadata, Column("id", Integer, primary_key=True, autoincrement=False), Column("at", Text, nullable=False),
    Column("who", Text, nullable=False), Column("what", Text, nullable=False), Column("about", Text, nullable=False),
    Column("changes", Text, nullable=False), Column("undoes", Integer, nullable=True),
)  # fmt: skip
movements = Table(
    "movements", metadata, Column("id", Integer, primary_key=True, autoincrement=False),
    Column("event", Integer, nullable=False), Column("element", String(10), nullable=False),
    Column("mass_ug", BigInteger, nullable=False), Column("origin", String(220), nullable=False),
    Column("target", String(220), nullable=False), Column("reverses", Integer, nullable=True),
)  # fmt: skip
Index("movements_origin", movements.c.origin)
Index("movements_target", movements.c.target)
Index("movements_event", movements.c.event)
Index("rolls_parent", rolls.c.parent)
Index("pieces_roll", pieces.c.roll)

TABLES: Final[dict[str, Table]] = {table.name: table for table in metadata.sorted_tables}
KEYS: Final = tuple(sorted(TABLES))
