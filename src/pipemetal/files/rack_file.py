"""The rack: `rack.csv` with one row for a roll or remnant, and `readings.csv` with its gauge readings beside it."""

from __future__ import annotations

import re
import statistics
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import FileFormatError, InputError, SheetError, near
from pipemetal.files.csv_table import CsvRow, read_csv
from pipemetal.quantities import READING, ROLL
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.texts import Amount, Text

__all__ = ["RACK_COLUMNS", "read_rack", "read_readings", "roll_of_row", "told_of_aside", "usable_rack"]

RACK_COLUMNS = (
    "trim_mm",
    "place",
    "parent",
    "cast",
    "note",
    "day",
    "outline",
    "no_go",
    "thickness_start_mm",
    "thickness_end_mm",
)
"""What a rack may say of a roll besides its id, alloy, length and width."""


def read_readings(path: Path) -> dict[str, list[Reading]]:
    """Gauge readings by roll. Columns: `roll`, `x_mm` (along), `y_mm` (across), `thickness_mm`.

    A reading more than four times its roll's median, or less than a quarter of it, is a slip of the decimal point and is
    refused; smaller misreadings are left to the fit, which leaves them out and names them.

    Errors: FileFormatError with file and row.
    """
    readings, slips, _ = _readings(path)
    for slip in slips.values():
        raise slip
    return readings


def _readings(
    path: Path, *, may_be_empty: bool = False
) -> tuple[dict[str, list[Reading]], dict[str, FileFormatError], dict[str, str]]:
    """All readings by roll, for a roll with a slip of the decimal point the refusal that names it, and each roll's first row."""
    table = read_csv(path, may_be_empty=may_be_empty)
    table.check(["roll", "x_mm", "y_mm", "thickness_mm"], ["note"])
    slips: dict[str, FileFormatError] = {}
    readings: dict[str, list[Reading]] = defaultdict(list)
    rows: dict[str, list[CsvRow]] = defaultdict(list)
    for row in table:
        roll = row.text("roll")
        x, y = row.given(READING["x_mm"]), row.given(READING["y_mm"])
        readings[roll].append(Reading(x, y, row.given(READING["thickness_mm"])))
        rows[roll].append(row)
    for roll, found in readings.items():
        middle = statistics.median(reading.thickness_mm for reading in found)
        for row, reading in zip(rows[roll], found, strict=True):
            if not middle / 4.0 <= reading.thickness_mm <= middle * 4.0:
                slips[roll] = row.error(
                    Text(
                        "is {times} times the other readings of roll {roll}",
                        times=f"{reading.thickness_mm / middle:.2g}",
                        roll=repr(roll),
                    ),
                    "thickness_mm",
                    reading.thickness_mm,
                    Text(
                        "{low} to {high}; correct it or take the row out",
                        low=Amount(middle / 4.0, "mm", 2, bare=True),
                        high=Amount(middle * 4.0, "mm", 2),
                    ),
                )
    return dict(readings), slips, {roll: found[0].where for roll, found in rows.items()}


def read_rack(path: Path, recipes: Mapping[str, Recipe], readings_path: Path | None = None) -> tuple[Roll, ...]:
    """All rolls of a rack; `path` is the CSV or the folder that holds `rack.csv` and `readings.csv`.

    Columns: `id`, `alloy`, `length_mm`, `width_mm`, and optionally `trim_mm` (15), `place`, `parent`, `cast`, `note`,
    `day` (cast on), `outline` and `no_go` (corners as `x y, x y, x y`, several areas separated by |), and for a roll without
    readings `thickness_start_mm` and `thickness_end_mm`.

    Errors: FileFormatError, SheetError with file and row; a roll without any thickness, readings of an unknown roll.
    """
    rolls, refused = _rack(path, recipes, readings_path)
    for error in refused.values():
        raise error
    return rolls


def usable_rack(path: Path, recipes: Mapping[str, Recipe]) -> tuple[tuple[Roll, ...], dict[str, Text]]:
    """The rolls whose thickness is known, and why others are set aside: one misread roll stops no plan.

    Only readings set a roll aside, also where there are none; a row that cannot be read is refused. Arguments and errors
    otherwise as `read_rack`.
    """
    rolls, refused = _rack(path, recipes, None, may_be_empty=True)
    return rolls, {roll: error.text() for roll, error in refused.items()}


def told_of_aside(aside: Mapping[str, Text]) -> tuple[Text, ...]:
    """What a plan says of rolls that were set aside: why, and that they are to be gauged.

    >>> [str(told) for told in told_of_aside({"R1": Text("readings are missing")})]
    ['Set aside: R1: readings are missing.', 'Too little is known of these rolls to lay blanks on them: R1. Gauge them.']
    """
    notes = [Text("Set aside: {roll}: {why}.", roll=roll, why=why) for roll, why in aside.items()]
    if aside:
        words = "Too little is known of these rolls to lay blanks on them: {rolls}. Gauge them."
        notes.append(Text(words, rolls=", ".join(aside)))
    return tuple(notes)


def _rack(
    path: Path, recipes: Mapping[str, Recipe], readings_path: Path | None, *, may_be_empty: bool = False
) -> tuple[tuple[Roll, ...], dict[str, InputError]]:
    """The rolls of a rack, and by roll what is wrong with its readings."""
    if path.is_dir():
        path = path / "rack.csv"
    table = read_csv(path, may_be_empty=may_be_empty)
    table.check(["id", "alloy", "length_mm", "width_mm"], RACK_COLUMNS)
    beside = readings_path or path.parent / "readings.csv"
    readings, slips, places = (
        _readings(beside, may_be_empty=may_be_empty) if readings_path or beside.exists() else ({}, {}, {})
    )
    rolls: list[Roll] = []
    refused: dict[str, InputError] = dict(slips)
    seen: dict[str, int] = {}
    for row in table:
        roll_id = row.text("id")
        if roll_id in seen:
            raise row.error(Text("is used already in row {seen}", seen=seen[roll_id]), "id", roll_id)
        seen[roll_id] = row.line
        if roll_id in slips:
            continue
        try:
            rolls.append(roll_of_row(row, roll_id, recipes, readings.get(roll_id, []), beside.name))
        except (FileFormatError, SheetError) as error:
            if error.field != "readings":
                raise
            refused[roll_id] = error
    for roll_id in readings:
        if roll_id not in seen:
            raise FileFormatError(
                "is not on the rack",
                field="roll",
                value=roll_id,
                where=places[roll_id],
                allowed=Text("an id of {name}", name=path.name),
                nearest=near(roll_id, list(seen)),
            )
    return tuple(rolls), refused


def roll_of_row(
    row: CsvRow, roll_id: str, recipes: Mapping[str, Recipe], readings: list[Reading], readings_name: str
) -> Roll:
    """The roll of one row of a rack, with its readings. Errors: FileFormatError, SheetError."""
    alloy = row.text("alloy")
    length, width = row.given(ROLL["length_mm"]), row.given(ROLL["width_mm"])
    trim = row.maybe_given(ROLL["trim_mm"])
    start, end = row.maybe_given(ROLL["thickness_start_mm"]), row.maybe_given(ROLL["thickness_end_mm"])
    if alloy not in recipes:
        raise row.error("is not a recipe of this shop", "alloy", alloy, ", ".join(recipes))
    try:
        if readings:
            field = fit_field(readings, length, width)
        elif start is not None:
            field = ThicknessField.from_grid(
                [0.0, length], [[start, end if end is not None else start]], width_mm=width
            )
        else:
            raise row.error(
                "are missing, so nothing tells how thick the roll is",
                "readings",
                None,
                Text("readings in {readings_name} or thickness_start_mm", readings_name=readings_name),
            )
        outline = _polygons(row, "outline")
        if len(outline) > 1:
            raise row.error("has more than one outline", "outline")
        return Roll(
            roll_id,
            alloy,
            length,
            width,
            15.0 if trim is None else trim,
            field,
            outline=outline[0] if outline else None,
            no_go=tuple(_polygons(row, "no_go")),
            place=row.text("place", ""),
            parent=row.text("parent", "") or None,
        )
    except FileFormatError:
        raise
    except InputError as error:
        raise error.at(Text("{where}, roll {roll_id}", where=row.where, roll_id=repr(roll_id))) from None


def _polygons(row: CsvRow, column: str) -> list[tuple[tuple[float, float], ...]]:
    text = row.text(column, "")
    areas = []
    for area in filter(None, (part.strip() for part in text.split("|"))):
        numbers = re.findall(r"-?\d+(?:\.\d+)?", area)
        if not re.fullmatch(r"[-\d.\s,;]+", area) or len(numbers) % 2 or len(numbers) < 6:
            raise row.error("is not a list of corners", column, area, "x y, x y, x y in mm, areas separated by |")
        values = [float(n) for n in numbers]
        areas.append(tuple(zip(values[::2], values[1::2], strict=True)))
    return areas
