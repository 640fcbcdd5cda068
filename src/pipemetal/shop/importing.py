"""Tables in: rolls, readings, lots, analyses, casts and ranks, all of it or nothing, with everything that is wrong at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError, InputError
from pipemetal.files.csv_table import CsvRow, CsvTable
from pipemetal.files.lots_file import LOT_COLUMNS, SORTED_BY_EYE, lot_of_row
from pipemetal.files.rack_file import RACK_COLUMNS, roll_of_row
from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.row_errors import TablesError, made_of_rows
from pipemetal.files.sheet_in import read_sheets, sheets_of
from pipemetal.melts.lots import Lot
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.accounting import Accounting
from pipemetal.shop.base import Writing
from pipemetal.shop.catalogue import Catalogue, roll_from_row, roll_values

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["KINDS", "Importing", "kind_of_table"]

KINDS: Final = {
    "rolls": "rolls",
    "rack": "rolls",
    "readings": "readings",
    "lots": "lots",
    "analyses": "analyses",
    "casts": "casts",
    "log": "casts",
    "ranks": "ranks",
}
"""What a sheet or file may be called, and what it holds then."""
MOST_OFF: Final = 4.0
MOST_THINGS: Final = 10_000
"""Rows of one import, readings aside."""
ROWS_SHOWN: Final = 5


def kind_of_table(name: str) -> str | None:
    """What a table of this name holds; None where the name does not tell."""
    return KINDS.get(name.casefold().strip())


@dataclass
class _Read:
    """What the tables hold, before anything is written, and what is wrong with them."""

    problems: list[InputError] = field(default_factory=list)
    recipes: dict[str, Recipe] = field(default_factory=dict)
    readings: dict[str, list[Reading]] = field(default_factory=dict)
    rolls: list[tuple[CsvRow, Roll]] = field(default_factory=list)
    lots: list[tuple[CsvRow, Lot | str]] = field(default_factory=list)
    casts: list[tuple[CsvRow, LoggedCast]] = field(default_factory=list)
    analyses: list[tuple[CsvRow, dict[str, Any]]] = field(default_factory=list)
    organ: tuple[str, str, int] | None = None
    values: dict[str, dict[str, Any]] = field(default_factory=dict)


class Importing(Catalogue, Accounting):
    """Import of tables."""

    def import_folder(self, path: Path, *, dry_run: bool = False) -> dict[str, Any]:
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
    ) -> dict[str, Any]:
        """Bring in a CSV or XLSX file; as import_tables. Beside a CSV of rolls, readings.csv is read too.

        `kind`: what it holds, else told by the name of file or sheet; `sheet`: only this one; `mapping`: headings of the file to
        headings of this program.
        """
        tables = _tables_wanted(read_sheets(path, mapping), path.name, kind, sheet)
        beside = path.with_name("readings.csv")
        if set(tables) == {"rolls"} and path.suffix.lower() == ".csv" and beside.exists():
            tables |= {"readings": next(iter(read_sheets(beside).values()))}
        return self.import_tables(tables, source=path.name, organ=organ or path.stem, dry_run=dry_run)

    def import_content(self, content: bytes, name: str, *, organ: str = "", dry_run: bool = False) -> dict[str, Any]:
        """Bring in what a CSV or XLSX file of this name holds; as import_file."""
        tables = _tables_wanted(sheets_of(content, name), name, None, None)
        return self.import_tables(tables, source=name, organ=organ or name.rpartition(".")[0], dry_run=dry_run)

    def import_tables(
        self,
        tables: Mapping[str, CsvTable],
        *,
        recipes: Mapping[str, Recipe] | None = None,
        source: str = "",
        organ: str = "",
        dry_run: bool = False,
    ) -> dict[str, Any]:
        """Bring in tables by kind, in one event; gives how many of each, the event and the first ids.

        `dry_run`: everything is tried and nothing is kept; the event is None then.
        Errors: TablesError that names file or sheet, row and column of everything that is wrong.
        """
        known = self.recipes()
        read = _Read(recipes={name: r for name, r in (recipes or {}).items() if name not in known})
        both = known | read.recipes
        rows = {row["id"]: row for row in self.rows("rolls")} if "readings" in tables else {}
        _read_all(read, tables, both, organ, rows)
        if read.problems:
            raise TablesError(read.problems)
        many = len(read.rolls) + len(read.lots) + len(read.casts) + len(read.analyses)
        if many > MOST_THINGS:
            raise BookError(
                "holds too many rows for one writing, as everybody else waits for it",
                field="import",
                value=f"{many} rows",
                allowed=f"up to {MOST_THINGS} rolls, lots, casts and analyses together; split the file",
            )
        # worked out before the book is locked
        read.values = {roll.id: roll_values(roll, read.readings.get(roll.id, ())) for _, roll in read.rolls}
        if dry_run:
            with self.rehearsal():
                self._bring_in(read, source, rows)
            return _report(read, None)
        return _report(read, self._bring_in(read, source, rows))

    def import_casts(self, casts: Sequence[LoggedCast], source: str) -> int:
        """Enter several casts in the log, all of them or none; gives the event."""
        with self.writing("imported", f"file:{source}") as w:
            for cast in casts:
                self._enter_cast(w, cast, "")
            return w.event_id

    def _bring_in(self, read: _Read, source: str, rolls: Mapping[str, Mapping[str, Any]]) -> int:
        with self.writing("imported", f"file:{source}") as w:
            alloys = {roll.alloy for _, roll in read.rolls} | set(read.recipes)
            w.foresee("recipes", sorted(alloys))
            w.foresee("casts", [cast.id for _, cast in read.casts])
            parents = {roll.parent for _, roll in read.rolls if roll.parent}
            w.foresee("rolls", list(dict.fromkeys([*(roll.id for _, roll in read.rolls), *sorted(parents)])))
            w.foresee("lots", [lot if isinstance(lot, str) else lot.id for _, lot in read.lots])
            for recipe in read.recipes.values():
                self._enter_recipe(w, recipe)
            entered = {roll.id for _, roll in read.rolls}
            steps: list[tuple[CsvRow, Callable[[], None]]] = [
                *((row, partial(self._enter_cast, w, cast, "")) for row, cast in read.casts),
                *((row, partial(self._bring_roll, w, row, roll, read)) for row, roll in read.rolls),
                *((row, partial(self._bring_lot, w, row, lot)) for row, lot in read.lots),
                *((row, partial(self._enter_analysis, w, **values)) for row, values in read.analyses),
            ]
            problems: list[InputError] = []
            for row, step in steps:
                try:
                    step()
                except InputError as error:
                    problems.append(error.at(row.where))
            for roll_id, readings in read.readings.items():
                if roll_id not in entered:
                    _gauge_again(w, rolls[roll_id], readings)
            if read.organ is not None:
                name, text, _ = read.organ
                number = 1
                while (held := w.row("organs", f"{name} #{number}")) is not None and not held["withdrawn"]:
                    number += 1
                w.add("organs", f"{name} #{number}", body=text)
            if problems:
                raise TablesError(problems)
            return w.event_id

    def _bring_roll(self, w: Writing, row: CsvRow, roll: Roll, read: _Read) -> None:
        readings, values = read.readings.get(roll.id, ()), read.values[roll.id]
        cast, note, day = row.text("cast", ""), row.text("note", ""), row.day("day")
        self._enter_roll(w, roll, readings, cast, note, None, day, values)

    def _bring_lot(self, w: Writing, row: CsvRow, lot: Lot | str) -> None:
        more = (row.day("day"), row.text("supplier", ""), row.text("invoice", ""))
        if isinstance(lot, str):
            price = row.maybe_number("price_per_kg", 0.0, 10_000.0) or 0.0
            piece = row.maybe_number("piece_kg", 0.05, 2000.0)
            self._enter_lot(
                w,
                lot,
                row.text("kind"),
                row.number("mass_kg", 0.001, 100_000.0),
                None,
                "",
                piece,
                (),
                price,
                row.text("note", ""),
                "counted",
                False,
                *more,
            )
            return
        by_eye = not lot.analysed and lot.uncertainty_wt_pct == SORTED_BY_EYE
        self._enter_lot(
            w,
            lot.id,
            lot.kind,
            lot.mass_kg,
            lot.composition,
            row.text("alloy", ""),
            lot.piece_kg,
            () if by_eye else lot.uncertainty_wt_pct,
            lot.price_per_kg,
            lot.note,
            "counted",
            lot.analysed,
            *more,
        )


def _tables_wanted(
    found: Mapping[str, CsvTable], name: str, kind: str | None, sheet: str | None
) -> dict[str, CsvTable]:
    """The tables of a file by what they hold. Errors: BookError where that cannot be told."""
    if sheet is not None and sheet not in found:
        raise BookError("is not a sheet of the workbook", field="sheet", value=sheet, allowed=", ".join(found))
    stem = name.rpartition(".")[0]
    tables: dict[str, CsvTable] = {}
    for title, table in found.items():
        if sheet not in (None, title):
            continue
        what = kind or kind_of_table(title) or (kind_of_table(stem) if len(found) == 1 else None)
        if what is None:
            continue
        if what in tables:
            raise BookError(f"holds {what} in two sheets", field="import", value=name, allowed="--sheet NAME")
        tables[what] = table
    if not tables:
        allowed = f"--as {', '.join(sorted(set(KINDS.values())))}"
        raise BookError("does not say what it holds", field="import", value=name, allowed=allowed)
    return tables


def _report(read: _Read, event: int | None) -> dict[str, Any]:
    parts: dict[str, Sequence[object]] = {
        "rolls": read.rolls,
        "lots": read.lots,
        "casts": read.casts,
        "analyses": read.analyses,
    }
    ids = {
        "rolls": [r.id for _, r in read.rolls],
        "lots": [x if isinstance(x, str) else x.id for _, x in read.lots],
        "casts": [c.id for _, c in read.casts],
        "analyses": [v["about"] for _, v in read.analyses],
    }
    return {
        "event": event,
        "recipes": len(read.recipes),
        **{name: len(part) for name, part in parts.items()},
        "readings": sum(len(r) for r in read.readings.values()),
        "ranks": read.organ[2] if read.organ else 0,
        "first": {name: found[:ROWS_SHOWN] for name, found in ids.items() if found},
    }


def _read_all(
    read: _Read, tables: Mapping[str, CsvTable], recipes: Mapping[str, Recipe], organ: str, rolls: Mapping[str, Any]
) -> None:
    def checked(kind: str, required: Any, optional: Any) -> CsvTable | None:
        if kind not in tables:
            return None
        try:
            tables[kind].check(required, optional)
        except InputError as error:
            read.problems.append(error)
            return None
        return tables[kind]

    if table := checked("readings", ["roll", "x_mm", "y_mm", "thickness_mm"], ["note"]):
        _read_readings(read, table)
    if table := checked("rolls", ["id", "alloy", "length_mm", "width_mm"], RACK_COLUMNS):
        name = tables["readings"].name if "readings" in tables else "readings.csv"
        read.rolls += made_of_rows(table, lambda row: _roll_of(row, recipes, read, name), read.problems)
    if table := checked("lots", ["id", "kind", "mass_kg"], LOT_COLUMNS):
        read.lots += made_of_rows(table, lambda row: _lot_of(row, recipes), read.problems)
    if "casts" in tables:
        from pipemetal.files.log_file import OPTIONAL, REQUIRED, cast_of_row

        if table := checked("casts", REQUIRED, OPTIONAL):
            read.casts += made_of_rows(table, lambda row: cast_of_row(row, row.text("id")), read.problems)
    optional = ["day", "method", "laboratory", "note", "composition", *ELEMENTS, *(f"plus_minus_{e}" for e in ELEMENTS)]
    if table := checked("analyses", ["about"], optional):
        read.analyses += made_of_rows(table, _analysis, read.problems, key=None)
    if "ranks" in tables:
        from pipemetal.files.ranks_file import organ_text_of_ranks

        text, count = organ_text_of_ranks(tables["ranks"], organ, recipes, read.problems)
        read.organ = (organ, text, count)
    known = {roll.id for _, roll in read.rolls} | set(rolls)
    if "readings" in tables and not read.problems:
        read.problems += [
            BookError("is not on the rack", field="roll", value=name, where=tables["readings"].name)
            for name in read.readings
            if name not in known
        ]


def _checked(row: CsvRow) -> None:
    """What is kept of a row besides the thing itself, read before the book is locked."""
    for column in ("cast", "note", "supplier", "invoice"):
        row.text(column, "")
    row.day("day")


def _roll_of(row: CsvRow, recipes: Mapping[str, Recipe], read: _Read, readings_name: str) -> Roll:
    _checked(row)
    return roll_of_row(row, row.text("id"), recipes, read.readings.get(row.text("id"), []), readings_name)


def _lot_of(row: CsvRow, recipes: Mapping[str, Recipe]) -> Lot | str:
    _checked(row)
    return lot_of_row(row, row.text("id"), recipes) or row.text("id")


def _read_readings(read: _Read, table: CsvTable) -> None:
    def make(row: CsvRow) -> tuple[str, Reading]:
        place = row.number("x_mm", 0.0, 20_000.0), row.number("y_mm", 0.0, 20_000.0)
        return row.text("roll"), Reading(*place, row.number("thickness_mm", 0.02, 60.0))

    rows: dict[str, list[tuple[CsvRow, Reading]]] = {}
    for row, (roll, reading) in made_of_rows(table, make, read.problems, key=None):
        rows.setdefault(roll, []).append((row, reading))
    for roll, found in rows.items():
        middle = sorted(r.thickness_mm for _, r in found)[len(found) // 2]
        for row, reading in found:
            if not middle / MOST_OFF <= reading.thickness_mm <= middle * MOST_OFF:
                read.problems.append(
                    row.error(
                        f"is {reading.thickness_mm / middle:.2g} times the other readings of roll {roll!r}",
                        "thickness_mm",
                        reading.thickness_mm,
                        f"{middle / MOST_OFF:.2f} to {middle * MOST_OFF:.2f} mm",
                    )
                )
        read.readings[roll] = [reading for _, reading in found]


def _analysis(row: CsvRow) -> dict[str, Any]:
    about, text = row.text("about"), row.text("composition", "")
    if ":" not in about:
        about = f"lot:{about}"
    percents = {e: p for e in ELEMENTS if (p := row.maybe_number(e, 0.0, 100.0)) is not None}
    if bool(text) == bool(percents):
        raise row.error("is needed once", "composition", text or None, 'a composition, or columns "Sn", "Pb", ...')
    if percents:
        # what an analysis does not state is lead, or without lead's own figure the rest of it
        given = " ".join(f"{e} {p:g}" for e, p in percents.items() if e != "Pb" and p > 0.0)
        text = (
            f"{given} Pb bal"
            if "Pb" not in percents or sum(percents.values()) < 100.0
            else f"{given} Pb {percents['Pb']:g}"
        )
    unsure = [(e, h) for e in ELEMENTS if (h := row.maybe_number(f"plus_minus_{e}", 0.0, 50.0)) is not None]
    return {
        "about": about,
        "composition": Composition.parse(text),
        "uncertainty": unsure,
        "day": row.day("day"),
        "method": row.text("method", ""),
        "laboratory": row.text("laboratory", ""),
        "note": row.text("note", ""),
    }


def _gauge_again(w: Writing, row: Mapping[str, Any], readings: list[Reading]) -> None:
    """New readings of a roll that is in the book already: its field is fitted anew; its mass stays as it is booked."""
    roll = roll_from_row(row)
    from pipemetal.sheets.fit import fit_field

    fitted = replace(roll, field=fit_field(readings, roll.length_mm, roll.width_mm))
    values = roll_values(fitted, readings)
    kept = {name: values[name] for name in ("readings", "field", "envelope", "mean_mm")}
    w.change("rolls", roll.id, row["version"], **kept)
