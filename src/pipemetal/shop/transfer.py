"""Out: the book's tables as open files that a shop can read and write without this program, or as one workbook."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import BookError
from pipemetal.files.outbox import write_all
from pipemetal.files.sheet_out import OutTable, csv_of, write_tables
from pipemetal.files.shop_file import shop_toml
from pipemetal.shop.catalogue import roll_from_row
from pipemetal.shop.importing import Importing
from pipemetal.shop.searching import STANDING
from pipemetal.shop.settings import Settings

__all__ = ["Transfer"]


class Transfer(Importing, Settings):
    """Export; an empty book can import what an export wrote."""

    def export_folder(self, path: Path) -> list[Path]:
        """Write the book's tables as recipes.toml, shop.toml and CSV files. Errors: FileFormatError."""
        said, _ = self.settings_kept()
        texts = {"recipes.toml": self._recipes_toml(), "shop.toml": shop_toml(said) if said else ""}
        texts |= {f"{t.title}.csv": csv_of(t.headings, t.rows) for t in self.export_tables() if t.rows}
        return write_all(path, {name: text for name, text in texts.items() if text})

    def export_workbook(self, path: Path) -> list[str]:
        """Write the book's tables as the sheets of one XLSX workbook; gives their names. Errors: FileFormatError."""
        tables = [table for table in (*self.export_tables(), self._settings_table()) if table.rows]
        if not tables:
            raise BookError("holds nothing to export", field="shop", value=str(path))
        write_tables(path, tables)
        return [table.title for table in tables]

    def export_tables(self) -> list[OutTable]:
        """Rack, readings, lots, casting log, analyses and stock, with the headings that an import reads."""
        return [
            *self._rack_tables(),
            self._lots_table(),
            self._log_table(),
            self._analyses_table(),
            self._stock_table(),
        ]

    def _settings_table(self) -> OutTable:
        said, _ = self.settings_kept()
        return OutTable("settings", ["setting", "value"], [[key, value] for key, value in (said or {}).items()])

    def _stock_table(self) -> OutTable:
        present = (*ELEMENTS, "unknown")
        rows = [
            [account, *(round(m.get(e, 0.0), 9) for e in present), round(sum(m.values()), 9)]
            for account, m in sorted(self.stock().items())
        ]
        return OutTable("stock", ["account", *(f"{e}_kg" for e in present), "total_kg"], rows)

    def _log_table(self) -> OutTable:
        from pipemetal.files.log_file import log_text

        casts = self.casts()
        head, *rows = csv.reader(io.StringIO(log_text(casts)))
        return OutTable("log", head, rows)

    def _analyses_table(self) -> OutTable:
        names = ("about", "day", "composition", "method", "laboratory", "note")
        rows: list[list[object]] = []
        there = {f"lot:{lot.id}" for lot in self.lots()[0]}
        for row in self.rows("analyses"):
            if row["about"] not in there:  # of melts, or of lots that are used up: in the dump
                continue
            half = dict(json.loads(row["uncertainty"]))
            rows.append([*(row[name] for name in names), *(half.get(e, "") for e in ELEMENTS)])
        return OutTable("analyses", [*names, *(f"plus_minus_{e}" for e in ELEMENTS)], rows)

    def _recipes_toml(self) -> str:
        lines: list[str] = []
        for recipe in self.recipes().values():
            lines += [f"[recipe.{json.dumps(recipe.name, ensure_ascii=False)}]", f'target = "{recipe.target.text()}"']
            if recipe.note:
                lines.append(f"note = {json.dumps(recipe.note, ensure_ascii=False)}")
            lines += [f"{element} = [{low:g}, {high:g}]" for element, low, high in recipe.windows_wt_pct] + [""]
        return "\n".join(lines)

    def _rack_tables(self) -> list[OutTable]:
        rows: list[list[object]] = []
        readings: list[list[object]] = []
        for row in self.rows("rolls"):
            if row["state"] not in STANDING:
                continue
            roll = roll_from_row(row)
            held = json.loads(row["readings"])
            grid = roll.field.thickness_mm
            rows.append(
                [
                    roll.id,
                    roll.alloy,
                    roll.length_mm,
                    roll.width_mm,
                    roll.trim_mm,
                    roll.place,
                    row["parent"],
                    row["cast"],
                    _corners([roll.outline] if roll.outline else []),
                    _corners(roll.no_go),
                    row["note"],
                    row["day"],
                    *(("", "") if held else (round(float(grid[:, 0].mean()), 4), round(float(grid[:, -1].mean()), 4))),
                ]
            )
            readings += [[roll.id, x, y, t] for x, y, t in held]
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

    def _lots_table(self) -> OutTable:
        known, unknown = self.lots()
        held = {row["id"]: row for row in self.rows("lots")}
        stock = self.stock()
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
                    held[lot.id]["alloy"],
                    *(half.get(e, "") for e in ELEMENTS),
                    *_bought(held[lot.id]),
                ]
            )
        for lot_id in unknown:
            row, mass = held[lot_id], sum(stock[f"lot:{lot_id}"].values())
            blank = ["" for _ in ELEMENTS]
            rows.append([lot_id, row["kind"], round(mass, 6), row["piece_kg"] or "", "", "", *blank, *_bought(row)])
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


def _bought(row: dict[str, Any]) -> list[object]:
    return [row["price_per_kg"] or "", row["note"], row["day"], row["supplier"], row["invoice"]]


def _corners(polygons: Iterable[Sequence[tuple[float, float]]]) -> str:
    return " | ".join(", ".join(f"{x:g} {y:g}" for x, y in polygon) for polygon in polygons)
