"""In and out: folders of open files that a shop can read and write without this program."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import BookError
from pipemetal.files.log_file import log_text, read_log
from pipemetal.files.lots_file import SORTED_BY_EYE, read_lots
from pipemetal.files.rack_file import read_rack, read_readings
from pipemetal.files.recipe_file import read_recipes
from pipemetal.melts.lots import Lot
from pipemetal.shop.base import Writing
from pipemetal.shop.catalogue import Catalogue, roll_from_row
from pipemetal.shop.metal import Metal

__all__ = ["Transfer"]

FORMULA_START = ("=", "+", "-", "@", "\t", "\r")


class Transfer(Catalogue, Metal):
    """Import and export."""

    def import_folder(self, path: Path) -> dict[str, int]:
        """Bring in recipes.toml, rack.csv with readings.csv, lots.csv and log.csv of a folder; gives how many of each.

        All of it or nothing; `undo` of the event takes it back. Recipes that are in the book already are left as they are.
        Errors: the files' own with file and row, BookError for ids that are in the book already.
        """
        if not path.is_dir():
            raise BookError("is not a folder", field="import", value=str(path))
        files = {n: path / n for n in ("recipes.toml", "rack.csv", "readings.csv", "lots.csv", "log.csv")}
        if not any(f.exists() for f in files.values()):
            raise BookError("holds nothing to import", field="import", value=str(path), allowed=", ".join(files))
        known = self.recipes()
        recipes = read_recipes(files["recipes.toml"]) if files["recipes.toml"].exists() else {}
        both = recipes | known
        rolls = read_rack(files["rack.csv"], both) if files["rack.csv"].exists() else ()
        readings = read_readings(files["readings.csv"]) if rolls and files["readings.csv"].exists() else {}
        extras = _extras(files["rack.csv"]) if rolls else {}
        lots, unknown = read_lots(files["lots.csv"], both) if files["lots.csv"].exists() else ((), ())
        masses = _lot_extras(files["lots.csv"]) if lots or unknown else {}
        casts = read_log(files["log.csv"]) if files["log.csv"].exists() else ()
        with self.writing("imported", f"folder:{path.name}") as w:
            for name, recipe in recipes.items():
                if name not in known:
                    self._enter_recipe(w, recipe)
            for cast in casts:
                self._enter_cast(w, cast, "")
            for roll in rolls:
                more = extras[roll.id]
                self._enter_roll(w, roll, readings.get(roll.id, ()), more["cast"], more["note"], "counted")
            self._import_lots(w, lots, unknown, masses)
            event = w.event_id
        return {
            "event": event, "recipes": len([n for n in recipes if n not in known]), "rolls": len(rolls),
            "lots": len(lots) + len(unknown), "casts": len(casts),
        }  # fmt: skip

    def _import_lots(
        self, w: Writing, lots: Sequence[Lot], unknown: Sequence[str], extras: dict[str, dict[str, Any]]
    ) -> None:
        for lot in lots:
            by_eye = not lot.analysed and lot.uncertainty_wt_pct == SORTED_BY_EYE
            self._enter_lot(
                w, lot.id, lot.kind, lot.mass_kg, lot.composition, extras[lot.id]["alloy"], lot.piece_kg,
                () if by_eye else lot.uncertainty_wt_pct, lot.price_per_kg, lot.note, "counted", lot.analysed,
            )  # fmt: skip
        for lot_id in unknown:
            more = extras[lot_id]
            self._enter_lot(w, lot_id, more["kind"], more["mass_kg"], None, "", more["piece_kg"], (), more["price_per_kg"],
                            more["note"], "counted", False)  # fmt: skip

    def export_folder(self, path: Path) -> list[Path]:
        """Write the book's tables as open files; an empty book can import what an export wrote.

        Errors: BookError where the folder is a file.
        """
        if path.exists() and not path.is_dir():
            raise BookError("is a file, a folder is wanted", field="export", value=str(path))
        path.mkdir(parents=True, exist_ok=True)
        texts = {"recipes.toml": self._recipes_toml(), **self._rack_csv(), "lots.csv": self._lots_csv()}
        casts = self.casts()
        if casts:
            texts["log.csv"] = log_text(casts)
        texts["stock.csv"] = _table(
            ["account", *(f"{e}_kg" for e in (*ELEMENTS, "unknown")), "total_kg"],
            [
                [account, *(round(m.get(e, 0.0), 9) for e in (*ELEMENTS, "unknown")), round(sum(m.values()), 9)]
                for account, m in sorted(self.stock().items())
            ],
        )
        written = []
        for name, text in texts.items():
            if text:
                (path / name).write_text(text, encoding="utf-8")
                written.append(path / name)
        return written

    def _recipes_toml(self) -> str:
        lines: list[str] = []
        for recipe in self.recipes().values():
            lines += [f"[recipe.{json.dumps(recipe.name, ensure_ascii=False)}]", f'target = "{recipe.target.text()}"']
            if recipe.note:
                lines.append(f"note = {json.dumps(recipe.note, ensure_ascii=False)}")
            lines += [f"{element} = [{low:g}, {high:g}]" for element, low, high in recipe.windows_wt_pct] + [""]
        return "\n".join(lines)

    def _rack_csv(self) -> dict[str, str]:
        rows, readings = [], []
        for row in self.rows("rolls"):
            if row["state"] in ("cut", "scrapped"):
                continue
            roll = roll_from_row(row)
            held = json.loads(row["readings"])
            grid = roll.field.thickness_mm
            rows.append([
                roll.id, roll.alloy, f"{roll.length_mm:g}", f"{roll.width_mm:g}", f"{roll.trim_mm:g}", roll.place, row["parent"],
                row["cast"], _corners([roll.outline] if roll.outline else []), _corners(roll.no_go), row["note"],
                *(("", "") if held else (f"{grid[:, 0].mean():.4f}", f"{grid[:, -1].mean():.4f}")),
            ])  # fmt: skip
            readings += [[roll.id, x, y, t] for x, y, t in held]
        head = ["id", "alloy", "length_mm", "width_mm", "trim_mm", "place", "parent", "cast", "outline", "no_go", "note",
                "thickness_start_mm", "thickness_end_mm"]  # fmt: skip
        texts = {"rack.csv": _table(head, rows) if rows else ""}
        texts["readings.csv"] = _table(["roll", "x_mm", "y_mm", "thickness_mm"], readings) if readings else ""
        return texts

    def _lots_csv(self) -> str:
        known, unknown = self.lots()
        held = {row["id"]: row for row in self.rows("lots")}
        stock = self.stock()
        head = ["id", "kind", "mass_kg", "piece_kg", "composition", "alloy", *(f"plus_minus_{e}" for e in ELEMENTS),
                "price_per_kg", "note"]  # fmt: skip
        rows: list[list[object]] = []
        for lot in known:
            half = dict(lot.uncertainty_wt_pct)
            rows.append([
                lot.id, lot.kind, f"{lot.mass_kg:.6f}".rstrip("0").rstrip("."), lot.piece_kg or "", lot.composition.text(),
                held[lot.id]["alloy"], *(half.get(e, "") for e in ELEMENTS), lot.price_per_kg or "", lot.note,
            ])  # fmt: skip
        for lot_id in unknown:
            row, mass = held[lot_id], sum(stock[f"lot:{lot_id}"].values())
            rows.append([lot_id, row["kind"], f"{mass:.6f}".rstrip("0").rstrip("."), row["piece_kg"] or "", "", "",
                         *("" for _ in ELEMENTS), row["price_per_kg"] or "", row["note"]])  # fmt: skip
        return _table(head, rows) if rows else ""


def _corners(polygons: Iterable[Sequence[tuple[float, float]]]) -> str:
    return " | ".join(", ".join(f"{x:g} {y:g}" for x, y in polygon) for polygon in polygons)


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV whose texts no spreadsheet takes for a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    for row in rows:
        writer.writerow([f"'{v}" if isinstance(v, str) and v.startswith(FORMULA_START) else v for v in row])
    return out.getvalue()


def _extras(path: Path) -> dict[str, dict[str, str]]:
    from pipemetal.files.csv_table import read_csv

    return {r.text("id"): {"cast": r.text("cast", ""), "note": r.text("note", "")} for r in read_csv(path)}


def _lot_extras(path: Path) -> dict[str, dict[str, Any]]:
    from pipemetal.files.csv_table import read_csv

    return {
        r.text("id"): {
            "alloy": r.text("alloy", ""), "kind": r.text("kind"), "mass_kg": r.number("mass_kg", 0.001, 100_000.0),
            "piece_kg": r.maybe_number("piece_kg", 0.05, 2000.0),
            "price_per_kg": r.maybe_number("price_per_kg", 0.0, 10_000.0) or 0.0, "note": r.text("note", ""),
        }
        for r in read_csv(path)
    }  # fmt: skip
