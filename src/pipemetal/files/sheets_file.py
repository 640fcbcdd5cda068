"""Sheets to cast, listed by hand: `sheets.csv`, one row for each sheet or several alike."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipemetal.alloys.recipe import Recipe
from pipemetal.files.csv_table import read_csv
from pipemetal.layout.plan import NewSheet
from pipemetal.planning.settings import ShopSettings
from pipemetal.texts import Text

__all__ = ["read_sheets"]


def read_sheets(path: Path, recipes: Mapping[str, Recipe], settings: ShopSettings) -> tuple[NewSheet, ...]:
    """The sheets of a list, finished sizes.

    Columns: `id`, `alloy`, `length_mm`, `width_mm`, `thickness_start_mm`, and optionally `thickness_end_mm` (as the start)
    and `number` (1; several alike are named id-1, id-2, ...). A width that no sled has is cast on the next wider one.

    Errors: FileFormatError with file and row.
    """
    table, limits, cast = read_csv(path), settings.sheets, settings.castable()
    table.check(["id", "alloy", "length_mm", "width_mm", "thickness_start_mm"], ["thickness_end_mm", "number"])
    sheets: list[NewSheet] = []
    seen: dict[str, int] = {}
    for row in table:
        name, alloy = row.text("id"), row.text("alloy")
        if name in seen:
            raise row.error(Text("is used already in row {seen}", seen=seen[name]), "id", name)
        seen[name] = row.line
        if alloy not in recipes:
            raise row.error("is not a recipe of this shop", "alloy", alloy, ", ".join(recipes))
        length = row.number("length_mm", cast.min_length_mm, cast.max_length_mm)
        width = row.number("width_mm", limits.least_width_mm, cast.max_width_mm)
        width = min(
            (w.width_mm for w in cast.widths if w.width_mm >= width and w.max_length_mm >= length), default=width
        )
        start = row.number("thickness_start_mm", limits.thinnest_mm, limits.thickest_mm)
        end = row.maybe_number("thickness_end_mm", limits.thinnest_mm, limits.thickest_mm)
        count = row.maybe_number("number", 1.0, 100.0) or 1.0
        if count != round(count):
            raise row.error("is not a whole number", "number", row.text("number"))
        for index in range(1, round(count) + 1):
            sheet_id = name if count == 1.0 else f"{name}-{index}"
            sheets.append(NewSheet(sheet_id, alloy, length, width, start, end or start, limits.trim_mm))
    return tuple(sheets)
