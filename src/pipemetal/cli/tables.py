"""A table that a command prints, and writes as CSV or XLSX where asked: the same columns, numbers as numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from pipemetal.cli.common import out_option, print_table

__all__ = ["show_table", "table_option"]


def table_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--table FILE."""
    return out_option("--table", "table_path", metavar="FILE.xlsx|csv", help="Write the table to a file instead.")(
        command
    )


def show_table(
    title: str,
    columns: Sequence[tuple[str, str]],
    rows: Sequence[Sequence[object]],
    notes: Sequence[str],
    table_path: Path | None,
) -> None:
    """Print a table, or write it. `columns`: heading with its unit, and the format of its numbers, empty for texts."""
    headings = [heading for heading, _ in columns]
    if table_path is not None:
        from pipemetal.files.sheet_out import OutTable, write_tables

        write_tables(table_path, [OutTable(title, headings, rows)])
        click.echo(f"Wrote {len(rows)} rows to {table_path}.")
        return
    formats = [fmt for _, fmt in columns]

    def shown(value: object, fmt: str) -> object:
        return f"{value:{fmt}}" if fmt and isinstance(value, int | float) else value

    # a column in which nothing stands takes room on a screen; a file keeps it
    keep = [k for k in range(len(columns)) if not rows or any(row[k] not in (None, "") for row in rows)]
    print_table(title, [headings[k] for k in keep], [[shown(row[k], formats[k]) for k in keep] for row in rows], notes)
