"""The book's rows as the tables of an export."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence, Set
from typing import TYPE_CHECKING

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.alloys.recipe import Recipe
from pipemetal.files.sheet_out import OutTable
from pipemetal.files.shop_file import Said
from pipemetal.melts.lots import Lot
from pipemetal.shop.roll_rows import roll_of
from pipemetal.shop.rows import AnalysisRow, LotRow, RollRow
from pipemetal.shop.searching import STANDING

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = [
    "analyses_table",
    "log_table",
    "lots_table",
    "rack_tables",
    "recipes_toml",
    "settings_table",
    "stock_table",
]


def settings_table(said: Said) -> OutTable:
    """What the shop says of itself."""
    return OutTable("settings", ["setting", "value"], [[key, value] for key, value in said.items()])


def stock_table(stock: Mapping[str, Mapping[str, float]]) -> OutTable:
    """What every account holds in kg by element."""
    present = (*ELEMENTS, "unknown")
    rows = [
        [account, *(round(m.get(e, 0.0), 9) for e in present), round(sum(m.values()), 9)]
        for account, m in sorted(stock.items())
    ]
    return OutTable("stock", ["account", *(f"{e}_kg" for e in present), "total_kg"], rows)


def log_table(casts: Sequence[LoggedCast]) -> OutTable:
    """The casting log."""
    from pipemetal.files.log_file import log_text

    head, *rows = csv.reader(io.StringIO(log_text(casts)))
    return OutTable("log", head, rows)


def analyses_table(analyses: Sequence[AnalysisRow], there: Set[str]) -> OutTable:
    """Analyses of lots that are in stock; the rest, of melts and of lots that are used up, is in the dump."""
    names = ("about", "day", "composition", "method", "laboratory", "note")
    rows: list[list[object]] = []
    for row in analyses:
        if row.about not in there:
            continue
        half = dict(row.uncertainty_wt_pct)
        rows.append([*(getattr(row, name) for name in names), *(half.get(e, "") for e in ELEMENTS)])
    return OutTable("analyses", [*names, *(f"plus_minus_{e}" for e in ELEMENTS)], rows)


def recipes_toml(recipes: Sequence[Recipe]) -> str:
    """Recipes with their windows, as recipes.toml holds them."""
    lines: list[str] = []
    for recipe in recipes:
        lines += [f"[recipe.{json.dumps(recipe.name, ensure_ascii=False)}]", f'target = "{recipe.target.text()}"']
        if recipe.note:
            lines.append(f"note = {json.dumps(recipe.note, ensure_ascii=False)}")
        lines += [f"{element} = [{low:g}, {high:g}]" for element, low, high in recipe.windows_wt_pct] + [""]
    return "\n".join(lines)


def rack_tables(rolls: Sequence[RollRow]) -> list[OutTable]:
    """The rolls on the rack, and their readings."""
    rows: list[list[object]] = []
    readings: list[list[object]] = []
    for row in rolls:
        if row.state not in STANDING:
            continue
        roll = roll_of(row)
        held = row.readings_taken
        grid = roll.field.thickness_mm
        rows.append(
            [
                roll.id,
                roll.alloy,
                roll.length_mm,
                roll.width_mm,
                roll.trim_mm,
                roll.place,
                row.parent,
                row.cast,
                _corners([roll.outline] if roll.outline else []),
                _corners(roll.no_go),
                row.note,
                row.day,
                *(("", "") if held else (round(float(grid[:, 0].mean()), 4), round(float(grid[:, -1].mean()), 4))),
            ]
        )
        readings += [[roll.id, r.x_mm, r.y_mm, r.thickness_mm] for r in held]
    head = [
        "id",
        "alloy",
        "length_mm",
        "width_mm",
        "trim_mm",
        "place",
        "parent",
        "cast",
        "outline",
        "no_go",
        "note",
        "day",
        "thickness_start_mm",
        "thickness_end_mm",
    ]
    return [
        OutTable("rack", head, rows),
        OutTable("readings", ["roll", "x_mm", "y_mm", "thickness_mm"], readings),
    ]


def lots_table(
    known: Sequence[Lot], unknown: Sequence[str], held: Mapping[str, LotRow], stock: Mapping[str, Mapping[str, float]]
) -> OutTable:
    """The lots in stock, those of unknown metal last."""
    rows: list[list[object]] = []
    for lot in known:
        half = dict(lot.uncertainty_wt_pct)
        rows.append(
            [
                lot.id,
                lot.kind,
                round(lot.mass_kg, 6),
                lot.piece_kg or "",
                lot.composition.text(),
                held[lot.id].alloy,
                *(half.get(e, "") for e in ELEMENTS),
                *_bought(held[lot.id]),
            ]
        )
    for lot_id in unknown:
        row, mass = held[lot_id], sum(stock[f"lot:{lot_id}"].values())
        blank = ["" for _ in ELEMENTS]
        rows.append([lot_id, row.kind, round(mass, 6), row.piece_kg or "", "", "", *blank, *_bought(row)])
    head = [
        "id",
        "kind",
        "mass_kg",
        "piece_kg",
        "composition",
        "alloy",
        *(f"plus_minus_{e}" for e in ELEMENTS),
        "price_per_kg",
        "note",
        "day",
        "supplier",
        "invoice",
    ]
    return OutTable("lots", head, rows)


def _bought(row: LotRow) -> list[object]:
    return [row.price_per_kg or "", row.note, row.day, row.supplier, row.invoice]


def _corners(polygons: Iterable[Sequence[tuple[float, float]]]) -> str:
    return " | ".join(", ".join(f"{x:g} {y:g}" for x, y in polygon) for polygon in polygons)
