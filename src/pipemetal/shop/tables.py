"""Tables in and out: an import of rolls, readings, lots, analyses, casts and ranks; an export that an empty book can import."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from pathlib import Path
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError
from pipemetal.files.csv_table import CsvTable
from pipemetal.files.outbox import write_all
from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.row_errors import TablesError
from pipemetal.files.sheet_in import read_sheets, sheets_of
from pipemetal.files.sheet_out import OutTable, csv_of, write_tables
from pipemetal.files.shop_file import shop_toml
from pipemetal.shop import exporting
from pipemetal.shop.accounts import Ledger
from pipemetal.shop.bringing import Brought, bring_in, told_of
from pipemetal.shop.casts import Casts
from pipemetal.shop.importing import KINDS, TablesRead, read_tables, tables_wanted
from pipemetal.shop.lots import Lots
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import RecipeRow, RollRow
from pipemetal.shop.settings import Settings
from pipemetal.shop.writer import Writer
from pipemetal.texts import Text

__all__ = ["MOST_THINGS", "Tables"]

MOST_THINGS: Final = 10_000
"""Rows of one import, readings aside."""


class Tables:
    """What goes in and out as open files."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def import_folder(self, path: Path, *, dry_run: bool = False) -> Brought:
        """Bring in recipes.toml, rack.csv with readings.csv, lots.csv and log.csv of a folder; gives how many of each.

        All of it or nothing; `undo` of the event takes it back. Recipes that are in the book already are left as they are.
        Errors: TablesError with file, row and column of all that is wrong, BookError.
        """
        if not path.is_dir():
            raise BookError("is not a folder", field="import", value=str(path))
        files = [path / f"{n}.csv" for n in ("rack", "readings", "lots", "analyses", "log")]
        recipes = path / "recipes.toml"
        if not any(f.exists() for f in (*files, recipes)):
            names = ", ".join(f.name for f in (recipes, *files))
            raise BookError("holds nothing to import", field="import", value=str(path), allowed=names)
        tables: dict[str, CsvTable] = {}
        for file in files:
            if file.exists():
                tables[KINDS[file.stem]] = read_sheets(file)[file.stem]
        held = read_recipes(recipes) if recipes.exists() else {}
        return self.import_tables(tables, recipes=held, source=path.name, dry_run=dry_run)

    def import_file(
        self,
        path: Path,
        *,
        kind: str | None = None,
        sheet: str | None = None,
        mapping: Mapping[str, str] | None = None,
        organ: str = "",
        dry_run: bool = False,
    ) -> Brought:
        """Bring in a CSV or XLSX file; as import_tables. Beside a CSV of rolls, readings.csv is read too.

        `kind`: what it holds, else told by the name of file or sheet; `sheet`: only this one; `mapping`: headings of the file to
        headings of this program.
        """
        tables = tables_wanted(read_sheets(path, mapping), path.name, kind, sheet)
        beside = path.with_name("readings.csv")
        if set(tables) == {"rolls"} and path.suffix.lower() == ".csv" and beside.exists():
            tables |= {"readings": next(iter(read_sheets(beside).values()))}
        return self.import_tables(tables, source=path.name, organ=organ or path.stem, dry_run=dry_run)

    def import_content(self, content: bytes, name: str, *, organ: str = "", dry_run: bool = False) -> Brought:
        """Bring in what a CSV or XLSX file of this name holds; as import_file."""
        tables = tables_wanted(sheets_of(content, name), name, None, None)
        return self.import_tables(tables, source=name, organ=organ or name.rpartition(".")[0], dry_run=dry_run)

    def import_tables(
        self,
        tables: Mapping[str, CsvTable],
        *,
        recipes: Mapping[str, Recipe] | None = None,
        source: str = "",
        organ: str = "",
        dry_run: bool = False,
    ) -> Brought:
        """Bring in tables by kind, in one event; gives how many of each, the event and the first ids.

        `dry_run`: everything is tried and nothing is kept; the event is None then.
        Errors: TablesError that names file or sheet, row and column of everything that is wrong.
        """
        known = {row.id: row.recipe for row in self._writer.rows(RecipeRow)}
        read = TablesRead(recipes={name: r for name, r in (recipes or {}).items() if name not in known})
        held = {row.id: row for row in self._writer.rows(RollRow)} if "readings" in tables else {}
        read_tables(read, tables, known | read.recipes, organ, set(held))
        if read.problems:
            raise TablesError(read.problems)
        if read.things > MOST_THINGS:
            raise BookError(
                "holds too many rows for one writing, as everybody else waits for it",
                field="import",
                value=f"{read.things} rows",
                allowed=Text(
                    "up to {most_things} rolls, lots, casts and analyses together; split the file",
                    most_things=MOST_THINGS,
                ),
            )
        rolls = read.new_rolls()  # worked out before the book is locked
        trying = self._writer.rehearsal() if dry_run else nullcontext()
        with trying, self._writer.writing(Action.IMPORTED, f"file:{source}") as w:
            bring_in(w, read, rolls, held)
        return told_of(read, None if dry_run else w.event_id)

    def export_folder(self, path: Path) -> list[Path]:
        """Write the book's tables as recipes.toml, shop.toml and CSV files. Errors: FileFormatError."""
        said, _ = Settings(self._writer).kept()
        recipes = [row.recipe for row in self._writer.rows(RecipeRow)]
        texts = {"recipes.toml": exporting.recipes_toml(recipes), "shop.toml": shop_toml(said) if said else ""}
        texts |= {f"{t.title}.csv": csv_of(t.headings, t.rows) for t in self.export_tables() if t.rows}
        return write_all(path, {name: text for name, text in texts.items() if text})

    def export_workbook(self, path: Path) -> list[str]:
        """Write the book's tables as the sheets of one XLSX workbook; gives their names. Errors: FileFormatError."""
        said, _ = Settings(self._writer).kept()
        tables = [table for table in (*self.export_tables(), exporting.settings_table(said or {})) if table.rows]
        if not tables:
            raise BookError("holds nothing to export", field="shop", value=str(path))
        write_tables(path, tables)
        return [table.title for table in tables]

    def export_tables(self) -> list[OutTable]:
        """Rack, readings, lots, casting log, analyses and stock, with the headings that an import reads."""
        lots, rows = Lots(self._writer), Ledger(self._writer).analyses()
        stock = Ledger(self._writer).stock()
        known, unknown = lots.in_stock()
        return [
            *exporting.rack_tables(self._writer.rows(RollRow)),
            exporting.lots_table(known, unknown, {row.id: row for row in lots.rows()}, stock),
            exporting.log_table(Casts(self._writer).log()),
            exporting.analyses_table(rows, {f"lot:{lot.id}" for lot in known}),
            exporting.stock_table(stock),
        ]
