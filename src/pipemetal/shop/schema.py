"""The tables of the shop book. A change here needs a migration beside it."""

from __future__ import annotations

from typing import Final

from sqlalchemy import BigInteger, Boolean, Column, Float, Index, Integer, LargeBinary, MetaData, String, Table, Text

__all__ = ["KEYS", "NAMED", "TABLES", "blobs", "metadata", "names", "sessions", "tries"]

metadata = MetaData()


def _table(name: str, *columns: Column[object], key: str = "id") -> Table:
    """A table whose rows a person may change: every row has a version, and is withdrawn instead of deleted."""
    return Table(
        name,
        metadata,
        Column(key, String(200), primary_key=True),
        *columns,
        Column("version", Integer, nullable=False),
        Column("withdrawn", Boolean, nullable=False),
    )


def _text(name: str, nullable: bool = False) -> Column[object]:
    return Column(name, Text, nullable=nullable)


def _number(name: str, nullable: bool = False) -> Column[object]:
    return Column(name, Float(53), nullable=nullable)


recipes = _table("recipes", _text("target"), _text("windows"), _text("note"))
lots = _table(
    "lots",
    _text("kind"),
    _text("alloy"),
    _text("composition"),
    _number("piece_kg", True),
    _text("uncertainty"),
    _number("price_per_kg"),
    _text("note"),
    _text("day"),
    _text("supplier"),
    _text("invoice"),
)
rolls = _table(
    "rolls",
    _text("alloy"),
    _number("length_mm"),
    _number("width_mm"),
    _number("trim_mm"),
    _text("outline"),
    _text("no_go"),
    _text("place"),
    _text("parent"),
    _number("offset_x_mm"),
    _number("offset_y_mm"),
    _text("readings"),
    _text("field"),
    _text("envelope"),
    _number("mean_mm"),
    _text("state"),
    _text("cast"),
    _text("note"),
    _text("day"),
    _text("reserved_for"),
)
melts = _table(
    "melts",
    _text("recipe"),
    _text("day"),
    _text("inputs"),
    _number("dross_kg"),
    _text("assay"),
    _text("note"),
    _text("dross"),
    _text("plan"),
)
casts = _table("casts", _text("melt"), _text("day"), _text("log"))
pieces = _table(
    "pieces",
    _text("roll"),
    _text("organ"),
    _text("box"),
    _number("mass_kg"),
    _text("plan"),
    _text("rank"),
    _text("pipe"),
)
organs = _table("organs", _text("body"))
plans = _table("plans", _text("organ"), _text("made_at"), _text("body"), _text("state"))
people = _table("people", _text("role"), _text("password"), _text("pin"), _text("note"))
tokens = _table("tokens", _text("person"), _text("role"), _text("secret"), _text("note"), _text("day"))
analyses = _table(
    "analyses",
    _text("about"),
    _text("day"),
    _text("composition"),
    _text("uncertainty"),
    _text("method"),
    _text("laboratory"),
    _text("note"),
)
reservations = _table(
    "reservations",
    _text("plan"),
    _text("about"),
    _text("organ"),
    _text("ranks"),
    _text("melt"),
    _number("mass_kg"),
    _text("state"),
)
cast_orders = _table(
    "cast_orders",
    _text("plan"),
    _text("sheet"),
    _text("alloy"),
    _text("melt"),
    Column("day", Integer, nullable=False),
    Column("number", Integer, nullable=False),
    _text("body"),
    _text("state"),
    _text("cast"),
)
settings = _table("settings", _text("said"))
heard = _table(
    "heard",
    _text("organ"),
    _text("rank"),
    _text("note"),
    Column("pitch_key", Integer, nullable=False),
    _text("day"),
    _number("hertz"),
    _number("cents"),
    _number("half_cents"),
    _number("air_c"),
    _number("shorten_mm"),
    _number("length_mm", True),
    _text("partials"),
)
attachments = _table(
    "attachments",
    _text("about"),
    _text("name"),
    _text("kind"),
    Column("size_bytes", Integer, nullable=False),
    _text("sha256"),
    _text("note"),
    _text("day"),
)
events = Table(
    "events",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("at", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("changes", Text, nullable=False),
    Column("undoes", Integer, nullable=True),
    Column("token", String(200), nullable=True),
)
movements = Table(
    "movements",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("event", Integer, nullable=False),
    Column("element", String(10), nullable=False),
    Column("mass_ug", BigInteger, nullable=False),
    Column("origin", String(220), nullable=False),
    Column("target", String(220), nullable=False),
    Column("reverses", Integer, nullable=True),
    Column("why", String(40), nullable=False),
)
blobs = Table(
    "blobs", metadata, Column("sha256", String(64), primary_key=True), Column("content", LargeBinary, nullable=False)
)
names = Table(
    "names",
    metadata,
    Column("kind", String(20), primary_key=True),
    Column("folded", String(700), primary_key=True),
    Column("id", String(200), nullable=False),
)
"""Which id has a name, however it is written; follows from the other tables."""
tries = Table(
    "tries",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person", String(200), nullable=False),
    Column("at_s", Float(53), nullable=False),
)
sessions = Table(
    "sessions",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("person", String(200), nullable=False),
    Column("seal", String(64), nullable=False),
    Column("touched_s", Float(53), nullable=False),
)
"""Who is signed in on which tablet: of every server before one book."""
Index("movements_origin", movements.c.origin)
Index("movements_target", movements.c.target)
Index("movements_event", movements.c.event)
Index("rolls_parent", rolls.c.parent)
Index("pieces_roll", pieces.c.roll)
Index("reservations_about", reservations.c.about)
Index("attachments_about", attachments.c.about)
Index("events_token", events.c.token, unique=True)

TABLES: Final[dict[str, Table]] = {
    table.name: table for table in metadata.sorted_tables if table.name not in ("blobs", "names", "sessions", "tries")
}
"""The tables that are a shop's record. Not among them: what attachments hold (`blobs`), wrong PINs (`tries`), signed-in tablets
(`sessions`), and the names that ids have (`names`), which follow from the rest."""
NAMED: Final = ("recipes", "lots", "rolls", "melts", "casts", "people")
"""Tables whose ids people choose."""
KEYS: Final = tuple(sorted(TABLES))
