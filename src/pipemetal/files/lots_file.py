"""Lots: `lots.csv`, the pigs, ingots, scrap and master alloys on the floor."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.csv_table import CsvRow, read_csv
from pipemetal.melts.lots import LOT_KINDS, Lot
from pipemetal.quantities import LOT
from pipemetal.texts import Text

__all__ = ["LOT_COLUMNS", "SORTED_BY_EYE", "lot_of_row", "read_lots"]

LOT_COLUMNS = (
    "composition",
    "alloy",
    "piece_kg",
    "price_per_kg",
    "note",
    "day",
    "supplier",
    "invoice",
    *(f"plus_minus_{element}" for element in ELEMENTS),
)
"""What a table may say of a lot besides its id, kind and mass."""

SORTED_BY_EYE = (("Sn", 3.0), ("Sb", 0.4), ("Bi", 0.2), ("Cu", 0.1))
"""95 % half-widths of scrap that is sorted by alloy but not analysed (common practice, no source)."""


def read_lots(path: Path, recipes: Mapping[str, Recipe]) -> tuple[tuple[Lot, ...], tuple[str, ...]]:
    """The lots that can be charged, and the ids of those that cannot because nothing is known of their metal.

    Columns: `id`, `kind`, `mass_kg`, and optionally `composition` (as `Sn 50 Pb bal`), `alloy` (sorted by eye: the
    recipe's target, widely unsure), `piece_kg` (only whole pieces are charged), `plus_minus_Sn` ... (95 % half-widths in
    percent by mass), `price_per_kg`, `note`, `day`, `supplier`, `invoice`.

    Errors: FileFormatError, MeltError, AlloyError with file and row.
    """
    table = read_csv(path, may_be_empty=True)
    table.check(["id", "kind", "mass_kg"], LOT_COLUMNS)
    lots: list[Lot] = []
    unknown: list[str] = []
    seen: dict[str, int] = {}
    for row in table:
        lot_id = row.text("id")
        if lot_id in seen:
            raise row.error(Text("is used already in row {seen}", seen=seen[lot_id]), "id", lot_id)
        seen[lot_id] = row.line
        lot = lot_of_row(row, lot_id, recipes)
        if lot is None:
            unknown.append(lot_id)
        else:
            lots.append(lot)
    return tuple(lots), tuple(unknown)


def lot_of_row(row: CsvRow, lot_id: str, recipes: Mapping[str, Recipe]) -> Lot | None:
    """The lot of one row; None where nothing is known of its metal. Errors: FileFormatError, MeltError, AlloyError."""
    text, alloy = row.text("composition", ""), row.text("alloy", "")
    kind = row.text("kind")
    mass = row.given(LOT["mass_kg"])
    piece = row.maybe_given(LOT["piece_kg"])
    price = row.maybe_given(LOT["price_per_kg"]) or 0.0
    stated = []
    for element in ELEMENTS:
        half = row.maybe_number(f"plus_minus_{element}", *LOT["plus_minus_wt_pct"].limits)
        if half is not None:
            stated.append((element, half))
    unsure: tuple[tuple[str, float], ...] = tuple(stated)
    if kind not in LOT_KINDS:
        raise row.error("is not a kind of lot", "kind", kind, ", ".join(LOT_KINDS))
    if alloy and alloy not in recipes:
        raise row.error("is not a recipe of this shop", "alloy", alloy, ", ".join(recipes))
    try:
        if text:
            composition = Composition.parse(text)
        elif alloy:
            composition, unsure = recipes[alloy].target, unsure or SORTED_BY_EYE
        else:
            return None
        return Lot(lot_id, kind, composition, mass, piece, unsure, price, bool(text), row.text("note", ""))
    except InputError as error:
        raise error.at(row.where) from None
