"""Strict reading of CSV tables: headings with units, rows that know their number, decimal commas where the table has them.

Comma, semicolon or tab separate the columns; with semicolons or tabs a decimal comma is read as such. A heading ends in
its unit (`length_mm`, `length_in`, `mass_lb`); a sheet in inches is read as well as one in millimetres.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from pipemetal.errors import FileFormatError, UnitError, near
from pipemetal.files.plain import hidden_mark, parse_day
from pipemetal.files.toml_table import read_text
from pipemetal.quantities import Quantity, unit_of
from pipemetal.texts import Amount, Text
from pipemetal.units import LENGTH_MM, MASS_KG, parse_number

__all__ = ["CsvRow", "CsvTable", "csv_table_of", "read_csv"]

MAX_ROWS = 200_000
MOST_COLUMNS = 200
_FACTORS = {
    "mm": {unit: LENGTH_MM[unit] for unit in ("mm", "cm", "m", "in")},
    "kg": {unit: MASS_KG[unit] for unit in ("kg", "g", "lb")},
}


class CsvRow:
    """One row, with its place in the file."""

    def __init__(self, table: CsvTable, line: int, cells: dict[str, str]) -> None:
        self.table, self.line, self.cells = table, line, cells

    @property
    def where(self) -> str:
        """File and row."""
        return Text("{place} row {number}", place=self.table.name, number=self.line)

    def error(self, problem: str, field: str, value: object = None, allowed: str = "") -> FileFormatError:
        """An error in this row."""
        return FileFormatError(problem, field=field, value=value, allowed=allowed, where=self.where)

    def text(self, column: str, default: str | None = None) -> str:
        """A text; empty only where there is a default."""
        value = self.cells.get(column, "").strip()
        if not value:
            if default is None:
                raise self.error("is empty", column)
            return default
        if mark := hidden_mark(value):
            raise self.error(Text("holds a hidden mark, {mark}", mark=mark), column, value, "letters that are seen")
        return value

    def day(self, column: str) -> str:
        """A day, or nothing. Errors: FileFormatError."""
        try:
            return parse_day(self.text(column, ""), field=column)
        except FileFormatError as error:
            raise error.at(self.where) from None

    def number(self, column: str, low: float, high: float) -> float:
        """A number in the unit that the column's name ends in, between two limits."""
        value = self.maybe_number(column, low, high)
        if value is None:
            raise self.error(
                "is empty", column, allowed=Text("{low} to {high}", low=Amount.short(low), high=Amount.short(high))
            )
        return value

    def given(self, quantity: Quantity) -> float:
        """A quantity, in the column of its name."""
        return self.number(quantity.name, *quantity.limits)

    def maybe_given(self, quantity: Quantity) -> float | None:
        """A quantity, or None where the cell is empty or the column is not there."""
        return self.maybe_number(quantity.name, *quantity.limits)

    def maybe_number(self, column: str, low: float, high: float) -> float | None:
        """A number, or None where the cell is empty or the column is not there."""
        heading, factor = self.table.heading_for(column)
        text = self.cells.get(heading, "").strip() if heading else ""
        if not text or heading is None:
            return None
        if not self.table.decimal_comma and not self.table.typed and "," in text:
            raise self.error("has a comma in a table separated by commas", heading, text, "a decimal point")
        try:
            value = float(text.replace(",", ".")) if self.table.decimal_comma else parse_number(text, field=heading)
        except UnitError as error:
            allowed = error.allowed or "digits, no unit: the heading names it"
            raise self.error(error.problem, heading, text, allowed) from None
        except ValueError:
            raise self.error("is not a number", heading, text, "digits, no unit: the heading names it") from None
        if not math.isfinite(value):
            raise self.error("is not a number", heading, text)
        value *= factor
        if column.endswith("_c") and heading.endswith("_f"):
            value = (value - 32.0) / 1.8
        if not low <= value <= high:
            raise self.error("is out of range", heading, text, _limits(column, heading, low, high, factor))
        return value


def _limits(column: str, heading: str, low: float, high: float, factor: float) -> Text:
    """The limits of a column in the unit that its heading names."""
    if column.endswith("_c") and heading.endswith("_f"):
        low, high, factor = low * 1.8 + 32.0, high * 1.8 + 32.0, 1.0
    ends = (Amount.short(float(f"{limit / factor:.3g}") if factor != 1.0 else limit) for limit in (low, high))
    return Text("{low} to {high} {unit}", low=next(ends), high=next(ends), unit=unit_of(heading))


class CsvTable:
    """A table with its headings checked. One that was `typed` into a form has no commas between its cells."""

    def __init__(
        self,
        name: str,
        headings: list[str],
        rows: list[tuple[int, list[str]]],
        decimal_comma: bool,
        *,
        typed: bool = False,
    ) -> None:
        self.name, self.headings, self.decimal_comma, self.typed = name, headings, decimal_comma, typed
        self._rows = rows

    def heading_for(self, column: str) -> tuple[str | None, float]:
        """The heading that carries a column, and the factor to its unit."""
        if column in self.headings:
            return column, 1.0
        base, _, unit = column.rpartition("_")
        for other, factor in _FACTORS.get(unit, {}).items():
            if f"{base}_{other}" in self.headings:
                return f"{base}_{other}", factor / _FACTORS[unit][unit]
        if unit == "c" and f"{base}_f" in self.headings:
            return f"{base}_f", 1.0
        return None, 1.0

    def check(self, required: Sequence[str], optional: Sequence[str] = (), prefixes: Sequence[str] = ()) -> None:
        """Refuse missing, unknown and doubled headings."""
        allowed = ", ".join([*required, *optional, *(f"{p}..." for p in prefixes)])
        for heading in self.headings:
            if self.headings.count(heading) > 1:
                raise FileFormatError("stands twice in the headings", field=heading, where=self.name)
        carried = {self.heading_for(column)[0] for column in (*required, *optional)}
        for column in required:
            if self.heading_for(column)[0] is None:
                strange = [h for h in self.headings if h not in carried]
                raise FileFormatError(
                    Text("is a missing column; there are {headings}", headings=", ".join(self.headings)),
                    field=column,
                    where=self.name,
                    allowed=allowed,
                    example=Text("{column} instead of {meant}", column=column, meant=meant)
                    if (meant := near(column, strange, 0.5))
                    else "",
                )
        for heading in self.headings:
            if heading not in carried and not heading.startswith(tuple(prefixes) or ("\0",)):
                hint = near(heading, [*required, *optional])
                raise FileFormatError(
                    "is not a column of this table", field=heading, where=self.name, allowed=allowed, nearest=hint
                )

    def __iter__(self) -> Iterator[CsvRow]:
        for number, cells in self._rows:
            yield CsvRow(self, number, dict(zip(self.headings, cells, strict=True)))

    def __len__(self) -> int:
        return len(self._rows)

    def numbered_rows(self) -> Sequence[tuple[int, list[str]]]:
        """The cells of every row with the row's number in the file."""
        return self._rows


def _perhaps_comma(cells: list[str], headings: list[str], delimiter: str) -> tuple[str, str]:
    """Where a number with a decimal comma became two cells: what may stand there, and how it is written instead."""
    pairs = itertools.pairwise(cells)
    split = next(((a, b) for a, b in pairs if re.search(r"(^|\s)-?\d+$", a) and re.match(r"\d+(\s|$)", b)), None)
    if delimiter != "," or len(cells) <= len(headings) or split is None:
        return "", ""
    (whole, part) = split
    thousands = f" or {whole}{part}" if len(part) == 3 else ""
    return Text("a decimal point, perhaps, where a comma stands"), f"{whole}.{part}{thousands}"


def read_csv(path: Path, *, may_be_empty: bool = False) -> CsvTable:
    """A CSV file as a table; lines that begin with # and empty lines are passed over.

    Errors: FileFormatError for a file that is missing, empty, has no rows (but where it `may_be_empty`), or a row with too
    many or too few cells.
    """
    return csv_table_of(read_text(path), path.name, may_be_empty=may_be_empty)


def csv_table_of(text: str, name: str, *, may_be_empty: bool = False) -> CsvTable:
    """A CSV text as a table; `name` is how messages call it. Errors: FileFormatError, as read_csv."""
    lines = text.splitlines()
    kept = [(i, line) for i, line in enumerate(lines, start=1) if line.strip() and not line.lstrip().startswith("#")]
    if not kept:
        raise FileFormatError("is empty", where=name, allowed="a line of headings and at least one row")
    first = kept[0][1]
    delimiter = max((",", ";", "\t"), key=first.count)
    reader = csv.reader(io.StringIO("\n".join(line for _, line in kept)), delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    headings: list[str] = []
    try:
        for index, cells in enumerate(reader):
            number = kept[min(reader.line_num, len(kept)) - 1][0]
            if index == 0:
                headings = [cell.strip() for cell in cells]
                if len(headings) > MOST_COLUMNS:
                    raise FileFormatError(
                        "has too many columns",
                        where=name,
                        allowed=Text("up to {most_columns}", most_columns=MOST_COLUMNS),
                    )
                continue
            if len(rows) >= MAX_ROWS:
                raise FileFormatError(
                    "has too many rows", where=name, allowed=Text("up to {max_rows}", max_rows=MAX_ROWS)
                )
            if len(cells) != len(headings):
                allowed, example = _perhaps_comma(cells, headings, delimiter)
                raise FileFormatError(
                    Text(
                        "has {cells} cells where the headings have {headings}", cells=len(cells), headings=len(headings)
                    ),
                    where=Text("{place} row {number}", place=name, number=number),
                    allowed=allowed,
                    example=example,
                )
            rows.append((number, cells))
    except csv.Error as error:
        raise FileFormatError(Text("is not a CSV table: {error}", error=str(error)), where=name) from None
    if not rows and not may_be_empty:
        raise FileFormatError("has headings but no rows", where=name)
    return CsvTable(name, headings, rows, delimiter != ",")
