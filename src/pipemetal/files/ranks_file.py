"""Ranks as a table: one row for each, headings as the keys of `[[rank]]` in the organ file; made into an organ file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.csv_table import CsvRow, CsvTable
from pipemetal.files.rank_file import Around, read_rank
from pipemetal.files.row_errors import made_of_rows
from pipemetal.files.toml_table import TomlTable, parsed_toml
from pipemetal.pipes.walls import DEFAULT_WALL

__all__ = ["organ_text_of_ranks"]


def organ_text_of_ranks(
    table: CsvTable, organ: str, recipes: Mapping[str, Recipe], problems: list[InputError]
) -> tuple[str, int]:
    """The text of an organ file with these ranks, and how many; what is wrong is added to `problems`.

    A cell is read as TOML where it can be (numbers, true, lists, tables in braces), else as a text. Pitch, walls and allowances
    are the defaults; they can be added to the text.
    """
    around = Around("trade", {DEFAULT_WALL.name: DEFAULT_WALL}, recipes, Path())

    def make(row: CsvRow) -> dict[str, object]:
        values = {key: _value(cell) for key, cell in row.cells.items() if cell.strip()}
        try:
            read_rank(TomlTable(dict(values), row.where), around)
        except InputError as error:
            raise row.error(error.problem, error.field, error.value, error.allowed) from None
        return values

    ranks = [values for _, values in made_of_rows(table, make, problems, key="name")]
    lines = ["[organ]", f"name = {json.dumps(organ, ensure_ascii=False)}", ""]
    for values in ranks:
        lines += ["[[rank]]", *(f"{key} = {_toml(value)}" for key, value in values.items()), ""]
    return "\n".join(lines), len(ranks)


def _value(cell: str) -> Any:
    text = cell.strip()
    try:
        return parsed_toml(f"value = {text}")["value"]
    except (ValueError, KeyError):
        return text


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return f"[{', '.join(_toml(item) for item in value)}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + "}"
    return json.dumps(str(value), ensure_ascii=False)
