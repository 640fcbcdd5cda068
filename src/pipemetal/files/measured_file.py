"""Measured pipes as CSV: one row for each pipe, found or missing. Documented in docs/pipes.md."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Final

from pipemetal.errors import FileFormatError, InputError, PipeError
from pipemetal.files.csv_table import CsvRow, CsvTable, read_csv
from pipemetal.pipes.notes import parse_note
from pipemetal.pipes.old import CONDITIONS, OldPipe, OldRank
from pipemetal.restoration.record import SIZES
from pipemetal.texts import Text
from pipemetal.units import parse_footage

__all__ = [
    "DIAMETERS",
    "MORE_COLUMNS",
    "MORE_SIZES",
    "OPTIONAL",
    "footage_of_row",
    "measured_of",
    "old_pipe_of",
    "read_measured",
]

DIAMETERS = ("diameter_mm", "outer_diameter_mm", "outer_circumference_mm")
TOPS = ("top_diameter_mm", "outer_top_diameter_mm", "outer_top_circumference_mm")
OPTIONAL = (
    "rank",
    "footage",
    *DIAMETERS,
    *TOPS,
    "thickness_mm",
    "length_mm",
    "foot_length_mm",
    "mouth_width_mm",
    "cut_up_mm",
    "mass_kg",
    "condition",
    "remark",
)

MORE_SIZES: Final[Mapping[str, tuple[float, float]]] = {
    "wall_middle_mm": (0.1, 10.0),
    "wall_top_mm": (0.1, 10.0),
    "wall_foot_mm": (0.1, 12.0),
    "toe_mm": (0.5, 150.0),
    "windway_mm": (0.02, 8.0),
}
"""Further sizes that the record of an old rank takes, with their limits in mm."""
MORE_COLUMNS: Final = (
    *MORE_SIZES,
    "altered",
    "altered_by_mm",
    "sounds_hz",
    "sounds_plus_minus_cents",
    "air_c",
    "mark",
    "photo",
    *(f"{name.removesuffix('_mm')}_plus_minus_mm" for name in SIZES),
    *(f"{name.removesuffix('_mm')}_how" for name in SIZES),
)
"""Columns for the record of an old rank (files/restoration_file.py); who asks for less passes over them."""


def read_measured(
    path: Path, *, naming: str = "trade", footage: Fraction | None = None, rank_name: str = ""
) -> tuple[OldRank, ...]:
    """The ranks of a file of measured pipes, in the order in which they appear.

    A diameter is the inner one, or an outer diameter or circumference with the wall's thickness beside it; a row without
    one is a missing pipe. `footage` stands in where the file has no such column.

    Errors: FileFormatError, PipeError: file, row and column are named, and what is allowed.
    """
    return measured_of(read_csv(path), naming=naming, footage=footage, rank_name=rank_name or path.stem)


def measured_of(
    table: CsvTable, *, naming: str = "trade", footage: Fraction | None = None, rank_name: str = ""
) -> tuple[OldRank, ...]:
    """The ranks of a table of measured pipes; `rank_name` stands in where it has no column `rank`. Errors: as read_measured."""
    table.check(["note"], (*OPTIONAL, *MORE_COLUMNS))
    if not any(table.heading_for(name)[0] for name in DIAMETERS):
        raise FileFormatError(
            "is a missing column", field="diameter_mm", where=table.name, allowed=" or ".join(DIAMETERS)
        )
    ranks: dict[str, tuple[Fraction, list[OldPipe]]] = {}
    for row in table:
        name = row.text("rank", rank_name)
        speaks = footage_of_row(row, footage)
        held, pipes = ranks.setdefault(name, (speaks, []))
        if held != speaks:
            raise row.error("differs within one rank", "footage", row.text("footage", ""), "one footage for each rank")
        pipes.append(old_pipe_of(row, naming))
    return tuple(OldRank(name, speaks, tuple(pipes)) for name, (speaks, pipes) in ranks.items())


def footage_of_row(row: CsvRow, given: Fraction | None) -> Fraction:
    """The footage in a row, or the one given. Errors: FileFormatError, UnitError."""
    text = row.text("footage", "")
    if text:
        try:
            return parse_footage(text, field="footage")
        except InputError as error:
            raise error.at(row.where) from None
    if given is None:
        raise row.error(
            "is not known", "footage", allowed='a column footage, or --footage "8\'": half tones need the sound'
        )
    return given


def old_pipe_of(row: CsvRow, naming: str, wall_mm: Callable[[int, float], float] | None = None) -> OldPipe:
    """The pipe of a row. `wall_mm` gives a wall by key and outer diameter where a row has an outer size without one.

    Errors: FileFormatError, PipeError with row and column.
    """
    note = row.text("note")
    try:
        key = parse_note(note, naming=naming)
    except InputError as error:
        raise error.at(row.where) from None
    thickness = row.maybe_number("thickness_mm", 0.1, 10.0)
    wall = thickness
    if thickness is None and wall_mm is not None:
        outer = row.maybe_number(DIAMETERS[1], 2.0, 1220.0)
        around = row.maybe_number(DIAMETERS[2], 6.0, 3900.0)
        across = outer if outer is not None else None if around is None else around / math.pi
        wall = None if across is None else wall_mm(key, across)
    try:
        return _pipe_of(row, key, note, thickness, wall)
    except PipeError as error:
        raise error.at(row.where) from None


def _pipe_of(row: CsvRow, key: int, note: str, thickness: float | None, wall: float | None) -> OldPipe:
    return OldPipe(
        key,
        note,
        _inner_diameter(row, wall, DIAMETERS),
        thickness,
        row.maybe_number("length_mm", 5.0, 12_000.0),
        row.maybe_number("foot_length_mm", 10.0, 4000.0),
        row.maybe_number("mouth_width_mm", 1.0, 2000.0),
        row.maybe_number("cut_up_mm", 0.5, 600.0),
        row.maybe_number("mass_kg", 0.0005, 1000.0),
        row.text("remark", ""),
        row.where,
        _condition(row),
        _inner_diameter(row, wall, TOPS),
    )


def _condition(row: CsvRow) -> str:
    text = row.text("condition", "good").casefold()
    if text not in CONDITIONS:
        raise row.error("is not known", "condition", text, ", ".join(CONDITIONS))
    return text


def _inner_diameter(row: CsvRow, thickness_mm: float | None, columns: tuple[str, str, str]) -> float | None:
    """An inner diameter from one of three columns: inner, outer, and outer circumference."""
    limits = ((2.0, 1200.0), (2.0, 1220.0), (6.0, 3900.0))
    values = {name: row.maybe_number(name, low, high) for name, (low, high) in zip(columns, limits, strict=True)}
    given = [name for name, value in values.items() if value is not None]
    if len(given) > 1:
        raise row.error(
            "is given twice", given[1], allowed=Text("one of {names} in each row", names=", ".join(columns))
        )
    if not given:
        return None
    value = values[given[0]]
    assert value is not None
    if given[0] == columns[0]:
        return value
    if thickness_mm is None:
        raise row.error(
            "is empty", "thickness_mm", allowed="the wall at the mouth: an outer size alone gives no inner one"
        )
    outer = value / math.pi if "circumference" in given[0] else value
    inner = outer - 2.0 * thickness_mm
    if inner < 2.0:
        raise row.error("leaves nothing inside", "thickness_mm", thickness_mm, "less than half of the outer diameter")
    return inner
