"""All that is wrong with a table at once: rows that note their errors instead of stopping at the first."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeVar

from pipemetal.errors import FileFormatError, InputError
from pipemetal.files.csv_table import CsvRow, CsvTable
from pipemetal.texts import Amount, Text, Value, joined

__all__ = ["TablesError", "made_of_rows"]

Made = TypeVar("Made")
MOST_SHOWN, MOST_NOTED = 50, 100
"""Problems that are shown, and after which no further row is looked at."""


class TablesError(FileFormatError):
    """Everything that is wrong with one or more tables; `problems` holds each with its sheet, row and column."""

    def __init__(self, problems: list[InputError]) -> None:
        self.problems = problems
        super().__init__("cannot be read", field="table")

    def text(self) -> Text:
        """How many things are wrong, and each with its place."""
        count = len(self.problems)
        head = "{count} things cannot be read; nothing was brought in"
        lines: list[Value] = [
            Text("1 thing cannot be read; nothing was brought in") if count == 1 else Text(head, count=count)
        ]
        lines += [problem.text() for problem in self.problems[:MOST_SHOWN]]
        if count > MOST_SHOWN:
            lines.append(Text("... and {count} more", count=count - MOST_SHOWN))
        return joined(lines, "\n")


class _NotingRow(CsvRow):
    """A row that notes what is wrong with its cells and goes on with a value that stands in."""

    def __init__(self, row: CsvRow) -> None:
        super().__init__(row.table, row.line, row.cells)
        self.problems: list[InputError] = []

    def text(self, column: str, default: str | None = None) -> str:
        """As CsvRow."""
        try:
            return super().text(column, default)
        except FileFormatError as error:
            self.problems.append(error)
            return default or "?"

    def number(self, column: str, low: float, high: float) -> float:
        """As CsvRow."""
        before = len(self.problems)
        value = self.maybe_number(column, low, high)
        if value is None:
            if len(self.problems) == before:
                self.problems.append(
                    self.error(
                        "is empty",
                        column,
                        allowed=Text("{low} to {high}", low=Amount.short(low), high=Amount.short(high)),
                    )
                )
            return max(low, min(high, 1.0))
        return value

    def maybe_number(self, column: str, low: float, high: float) -> float | None:
        """As CsvRow."""
        try:
            return super().maybe_number(column, low, high)
        except InputError as error:
            self.problems.append(error if error.where else error.at(self.where))
            return None


def made_of_rows(
    table: CsvTable, make: Callable[[CsvRow], Made], problems: list[InputError], key: str | None = "id"
) -> Iterator[tuple[CsvRow, Made]]:
    """What `make` makes of every row that is sound; what is wrong with the others is added to `problems`.

    `key`: the column that no two rows may share, None where rows may be alike.
    """
    seen: dict[str, int] = {}
    for plain in table:
        if len(problems) > MOST_NOTED:
            return
        row = _NotingRow(plain)
        made: Made | None = None
        try:
            name = row.text(key) if key is not None else ""
            if key is not None and name in seen and name != "?":
                row.problems.append(row.error(Text("is used already in row {seen}", seen=seen[name]), key, name))
            seen.setdefault(name, row.line)
            made = make(row)
        except InputError as error:
            fields = {problem.field for problem in row.problems}
            if not row.problems or (error.where == row.where and error.field not in fields):
                row.problems.append(error if row.table.name in error.where else error.at(row.where))
        problems += row.problems
        if not row.problems and made is not None:
            yield plain, made  # which raises what is wrong with cells that are read later
