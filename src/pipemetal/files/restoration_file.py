"""A restoration: a TOML head that says what is known, and beside it a table (CSV or XLSX) of the pipes. Documented in
docs/restoration.md."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Final

from pipemetal.alloys.assay import Beside, Reading, Weighing, tin_from_weighing
from pipemetal.errors import FileFormatError, InputError
from pipemetal.files.analyses_file import read_readings
from pipemetal.files.csv_table import CsvRow, CsvTable
from pipemetal.files.measured_file import DIAMETERS, MORE_COLUMNS, MORE_SIZES, OPTIONAL, footage_of_row, old_pipe_of
from pipemetal.files.sheet_in import read_sheets
from pipemetal.files.toml_table import TomlTable, read_toml, texts_of
from pipemetal.pipes.notes import NAMINGS, parse_compass, parse_note
from pipemetal.pipes.rank import CONSTRUCTIONS
from pipemetal.pipes.temperament import TEMPERAMENTS
from pipemetal.pipes.walls import DEFAULT_WALL
from pipemetal.restoration.record import (
    ALTERED,
    SIZES,
    SURE_95,
    Added,
    Choice,
    FoundPipe,
    PitchRange,
    Restoration,
)

__all__ = ["PIPE_COLUMNS", "pipes_of", "read_restoration"]

PIPE_COLUMNS: Final = ("note", *OPTIONAL, *MORE_COLUMNS)
"""Every column that the table of pipes may have."""
WALL_KNOWN_WITHIN: Final = 0.25
"""Share within which a wall is known that nobody measured, 95 % (common practice, no source)."""
READING_MM: Final = 0.3


def read_restoration(path: Path) -> Restoration:
    """The restoration of a TOML file, with the table and the readings that it names beside it.

    Errors: FileFormatError, PipeError, UnitError, AlloyError: file, table, row and key are named, and what is allowed.
    """
    top = read_toml(path)
    try:
        return _restoration(top, path)
    except InputError as error:
        raise error if error.where.startswith(path.name) or error.where else error.at(path.name) from None


@dataclass(frozen=True)
class _RankHead:
    name: str
    footage: Fraction
    compass: tuple[int, int] | None
    construction: str | None
    without: frozenset[int]
    table: CsvTable


def _restoration(top: TomlTable, path: Path) -> Restoration:
    head = top.table("restoration")
    name = head.text("name")
    naming = head.text("note_names", "trade", NAMINGS)
    about = {key: head.text(key, "") for key in ("place", "built", "owner", "note")}
    sources, photos = _texts(head, "sources"), _texts(head, "photos")
    head.finish()
    rank = _rank_head(top.table("rank"), naming, path.parent)
    pitch = _pitch(top.table("pitch", TomlTable({}, f"{path.name} [pitch]")))
    usual = _usual_errors(top.table("plus_minus", TomlTable({}, f"{path.name} [plus_minus]")))
    how = _usual_ways(top.table("how", TomlTable({}, f"{path.name} [how]")))
    readings, weighings = _metal(top.table("metal", TomlTable({}, f"{path.name} [metal]")), path.parent)
    choice = _choice(top.table("make", TomlTable({}, f"{path.name} [make]")))
    added = tuple(_added(table) for table in top.tables("added"))
    top.finish()
    pipes = pipes_of(rank.table, rank.name, rank.footage, naming, usual=usual, how=how)
    keys = [found.pipe.key for found in pipes]
    compass = rank.compass or (min(keys), max(keys))
    return Restoration(
        name,
        rank.name,
        rank.footage,
        *compass,
        pipes,
        naming,
        rank.construction,
        about["place"],
        about["built"],
        about["owner"],
        about["note"],
        pitch,
        readings,
        added,
        sources,
        photos,
        choice,
        rank.without,
        weighings,
    )


def _texts(table: TomlTable, key: str) -> tuple[str, ...]:
    found = texts_of(table.array(key, []))
    if found is None:
        raise table.error("holds something that is no text", key, allowed='["one", "another"]')
    return found


def _rank_head(table: TomlTable, naming: str, folder: Path) -> _RankHead:
    name = table.text("name")
    footage = table.footage("footage", table.text("footage"))
    construction = table.text("construction", None, CONSTRUCTIONS)
    text = table.text("compass", None)
    file, sheet = table.text("measured"), table.text("sheet", None)
    notes = _texts(table, "without")
    try:
        compass = None if text is None else parse_compass(text, naming=naming)
        without = frozenset(parse_note(note, field="without", naming=naming) for note in notes)
    except InputError as error:
        raise error.at(table.where) from None
    table.finish()
    sheets = read_sheets(folder / file)
    if sheet is not None and sheet not in sheets:
        raise table.error("is not a sheet of this file", "sheet", sheet, ", ".join(sheets))
    if sheet is None and len(sheets) > 1:
        raise table.error("is missing: the file has several", "sheet", allowed=", ".join(sheets))
    return _RankHead(name, footage, compass, construction, without, sheets[sheet or next(iter(sheets))])


def _pitch(table: TomlTable) -> PitchRange:
    usual = PitchRange()
    try:
        made = PitchRange(
            table.number("low_hz", 200.0, 900.0, usual.low_hz),
            table.number("high_hz", 200.0, 900.0, usual.high_hz),
            table.temperature_c("at", 0.0, 40.0, usual.at_c),
        )
    except InputError as error:
        raise error if error.where else error.at(table.where) from None
    table.finish()
    return made


def _usual_errors(table: TomlTable) -> dict[str, float]:
    found = {}
    for name in SIZES:
        value: float | None = table.length_mm(name.removesuffix("_mm"), 0.0, 50.0, None)
        if value is not None:
            found[name] = value
    table.finish()
    return found


def _usual_ways(table: TomlTable) -> dict[str, str]:
    found = {}
    for name in SIZES:
        value: str | None = table.text(name.removesuffix("_mm"), None)
        if value is not None:
            found[name] = value
    table.finish()
    return found


def _choice(table: TomlTable) -> Choice:
    made = Choice(
        table.text("alloy", None),
        table.number("a_hz", 300.0, 600.0, None),
        table.text("temperament", None, tuple(TEMPERAMENTS)),
    )
    table.finish()
    return made


def _added(table: TomlTable) -> Added:
    made = Added(table.text("what"), table.text("mark", ""), table.text("when", ""), table.text("why", ""))
    table.finish()
    return made


def _metal(table: TomlTable, folder: Path) -> tuple[tuple[Reading, ...], tuple[Weighing, ...]]:
    """Readings of the old metal: a table of them (XRF, or any other), and weighings in air and in water."""
    file = table.text("readings", None)
    readings = list(read_readings(folder / file)) if file is not None else []
    weighings = []
    for item in table.tables("weighing"):
        weighing = Weighing(
            item.number("air_g", 0.01, 500_000.0),
            item.number("water_g", 0.0, 500_000.0),
            item.temperature_c("water", 0.0, 40.0, 20.0),
            item.number("balance_g", 0.0001, 100.0, 0.01),
            thread_water_g=item.number("thread_water_g", 0.0, 100.0, 0.0),
        )
        worked = not item.flag("as_cast", False)
        beside = Beside(item.number("sb_wt_pct", 0.0, 10.0, None))
        item.finish()
        try:
            found = tin_from_weighing(weighing, beside, state="worked" if worked else "as cast")
        except InputError as error:
            raise error.at(item.where) from None
        half = (found.sn_wt_pct_high - found.sn_wt_pct_low) / 2.0
        weighings.append(weighing)
        readings.append(Reading("Sn", found.sn_wt_pct, max(half / SURE_95, 0.05), method="weighing"))
    table.finish()
    return tuple(readings), tuple(weighings)


def pipes_of(
    table: CsvTable,
    rank_name: str,
    footage: Fraction,
    naming: str = "trade",
    *,
    usual: Mapping[str, float] | None = None,
    how: Mapping[str, str] | None = None,
) -> tuple[FoundPipe, ...]:
    """The pipes of a table; `usual` errors and ways of measuring stand in where a row has none of its own.

    Errors: FileFormatError, PipeError, UnitError with row and column.
    """
    table.check(["note"], (*OPTIONAL, *MORE_COLUMNS))
    rows = [row for row in table if row.text("rank", rank_name) == rank_name]
    if not rows:
        raise FileFormatError("holds no pipe of this rank", field="rank", value=rank_name, where=table.name)
    wall_mm = _walls(rows, naming)
    found = []
    for row in rows:
        if footage_of_row(row, footage) != footage:
            raise row.error("differs from that of the rank", "footage", row.text("footage"), "the footage of the rank")
        found.append(_found(row, naming, wall_mm, usual or {}, how or {}))
    return tuple(found)


def _walls(rows: list[CsvRow], naming: str) -> Callable[[int, float], float]:
    """The wall of a pipe whose own was not measured: that of the nearest measured key, else a usual one."""
    known: dict[int, float] = {}
    for row in rows:
        wall = row.maybe_number("thickness_mm", 0.1, 10.0)
        if wall is not None:
            try:
                known[parse_note(row.text("note"), naming=naming)] = wall
            except InputError as error:
                raise error.at(row.where) from None

    def wall_mm(key: int, across_mm: float) -> float:
        if known:
            return known[min(known, key=lambda held: abs(held - key))]
        return min(DEFAULT_WALL.mouth_mm(across_mm), 0.2 * across_mm)

    return wall_mm


def _found(
    row: CsvRow,
    naming: str,
    wall_mm: Callable[[int, float], float],
    usual: Mapping[str, float],
    how: Mapping[str, str],
) -> FoundPipe:
    pipe = old_pipe_of(row, naming, wall_mm)
    sizes = {
        name: value
        for name, (low, high) in MORE_SIZES.items()
        if (value := row.maybe_number(name, low, high)) is not None
    }
    errors, ways = dict(usual), dict(how)
    for name in SIZES:
        base = name.removesuffix("_mm")
        half = row.maybe_number(f"{base}_plus_minus_mm", 0.0, 50.0)
        if half is not None:
            errors[name] = half
        if text := row.text(f"{base}_how", ""):
            ways[name] = text
    guessed: tuple[str, ...] = ()
    outside = any(row.maybe_number(name, 2.0, 3900.0) is not None for name in DIAMETERS[1:])
    if outside and pipe.thickness_mm is None and pipe.diameter_mm is not None:
        guessed = ("diameter_mm",)
        wall = wall_mm(pipe.key, pipe.diameter_mm)
        errors["diameter_mm"] = math.hypot(errors.get("diameter_mm", READING_MM), 2.0 * WALL_KNOWN_WITHIN * wall)
    altered = row.text("altered", "as made").casefold()
    if altered not in ALTERED:
        raise row.error("is not known", "altered", altered, ", ".join(ALTERED))
    try:
        return FoundPipe(
            replace(pipe, where=row.where),
            sizes,
            altered,
            row.maybe_number("altered_by_mm", 0.1, 2000.0),
            row.maybe_number("sounds_hz", 15.0, 12_000.0),
            row.maybe_number("sounds_plus_minus_cents", 0.01, 100.0) or 2.0,
            row.maybe_number("air_c", 0.0, 40.0),
            row.text("mark", ""),
            tuple(part.strip() for part in row.text("photo", "").split(";") if part.strip()),
            errors,
            ways,
            guessed,
            tuple(name for name in ("condition", "altered") if row.text(name, "")),
        )
    except InputError as error:
        raise error.at(row.where) from None
