"""Offers: `offers.csv`, metal that can be ordered, by the piece, and how long it takes."""

from __future__ import annotations

from pathlib import Path

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import InputError
from pipemetal.files.csv_table import CsvRow, read_csv
from pipemetal.melts.buying import Offer
from pipemetal.melts.lots import LOT_KINDS, Lot
from pipemetal.quantities import LOT
from pipemetal.texts import Text

__all__ = ["read_offers"]

MOST_KG = 20_000.0


def read_offers(path: Path) -> tuple[Offer, ...]:
    """What can be ordered.

    Columns: `id`, `composition`, `piece_kg`, `price_per_kg`, `lead_days`, and optionally `kind` (pig), `least_kg` (smallest
    delivery), `most_kg`, `plus_minus_Sn` ..., `note`.

    Errors: FileFormatError, MeltError, AlloyError with file and row.
    """
    table = read_csv(path)
    table.check(
        ["id", "composition", "piece_kg", "price_per_kg", "lead_days"],
        ["kind", "least_kg", "most_kg", "note", *(f"plus_minus_{e}" for e in ELEMENTS)],
    )
    offers: list[Offer] = []
    seen: dict[str, int] = {}
    for row in table:
        offer = _offer(row)
        if offer.lot.id in seen:
            raise row.error(Text("is used already in row {seen}", seen=seen[offer.lot.id]), "id", offer.lot.id)
        seen[offer.lot.id] = row.line
        offers.append(offer)
    return tuple(offers)


def _offer(row: CsvRow) -> Offer:
    kind = row.text("kind", "pig")
    if kind not in LOT_KINDS:
        raise row.error("is not a kind of lot", "kind", kind, ", ".join(LOT_KINDS))
    halves = [(e, row.maybe_number(f"plus_minus_{e}", *LOT["plus_minus_wt_pct"].limits)) for e in ELEMENTS]
    most = row.maybe_number("most_kg", 0.05, 100_000.0) or MOST_KG
    days = row.number("lead_days", 0, 730)
    if days != int(days):
        raise row.error("is not a whole number of days", "lead_days", row.text("lead_days"), "0 to 730")
    try:
        lot = Lot(
            row.text("id"),
            kind,
            Composition.parse(row.text("composition")),
            most,
            row.given(LOT["piece_kg"]),
            tuple((e, half) for e, half in halves if half is not None),
            row.given(LOT["price_per_kg"]),
            note=row.text("note", ""),
        )
        return Offer(lot, int(days), row.maybe_number("least_kg", 0.0, 100_000.0) or 0.0)
    except InputError as error:
        raise error if error.where.startswith(row.where) else error.at(row.where) from None
