"""Tables brought into the book, in one event: all of them or nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from pipemetal.errors import BookError, InputError, some_listed
from pipemetal.files.csv_table import CsvRow
from pipemetal.files.row_errors import TablesError
from pipemetal.sheets.readings import Reading
from pipemetal.shop.accounts import enter_analysis
from pipemetal.shop.casts import enter_cast
from pipemetal.shop.importing import TablesRead
from pipemetal.shop.lots import enter_lot
from pipemetal.shop.recipes import enter_recipe
from pipemetal.shop.roll_rows import roll_of, roll_values
from pipemetal.shop.rolls import NewRoll, enter_roll
from pipemetal.shop.rows import CastRow, LotRow, OrganRow, RollRow
from pipemetal.shop.writing import Writing
from pipemetal.texts import Text

__all__ = ["Brought", "bring_in", "told_of"]

ROWS_SHOWN: Final = 5
MOST_NAMED: Final = 3
"""Rows that are in the book already are named one by one up to so many."""


@dataclass(frozen=True)
class Brought:
    """What an import brought in, or would bring in where `event` is None: how many of each, and the first ids by kind."""

    event: int | None
    recipes: int
    rolls: int
    lots: int
    casts: int
    analyses: int
    readings: int
    ranks: int
    first: dict[str, list[str]]

    @property
    def counts(self) -> dict[str, int]:
        """How many of each kind, without those of which there is none."""
        names = ("recipes", "rolls", "lots", "casts", "analyses", "readings", "ranks")
        return {name: count for name in names if (count := getattr(self, name))}


def told_of(read: TablesRead, event: int | None) -> Brought:
    """What tables hold, as an import tells it."""
    ids = {
        "rolls": [roll.id for _, roll in read.rolls],
        "lots": [lot.id for _, lot in read.lots],
        "casts": [cast.id for _, cast in read.casts],
        "analyses": [analysis.about for _, analysis in read.analyses],
    }
    return Brought(
        event,
        len(read.recipes),
        len(read.rolls),
        len(read.lots),
        len(read.casts),
        len(read.analyses),
        sum(len(readings) for readings in read.readings.values()),
        read.organ[2] if read.organ else 0,
        {name: found[:ROWS_SHOWN] for name, found in ids.items() if found},
    )


def bring_in(w: Writing, read: TablesRead, rolls: list[tuple[CsvRow, NewRoll]], held: Mapping[str, RollRow]) -> None:
    """Enter everything. `rolls`: those of the tables, worked out before the book was locked; `held`: those of the book.

    Errors: TablesError with row and column of everything that is wrong.
    """
    _foresee(w, read)
    _refuse_what_is_there(w, read)
    for recipe in read.recipes.values():
        enter_recipe(w, recipe)
    entered = {new.roll.id for _, new in rolls}
    steps: list[tuple[CsvRow, Callable[[], None]]] = [
        *((row, partial(enter_cast, w, cast, "")) for row, cast in read.casts),
        *((row, partial(enter_roll, w, new)) for row, new in rolls),
        *((row, partial(enter_lot, w, lot)) for row, lot in read.lots),
        *((row, partial(enter_analysis, w, analysis)) for row, analysis in read.analyses),
    ]
    problems: list[InputError] = []
    for row, step in steps:
        try:
            step()
        except InputError as error:
            problems.append(error.at(row.where))
    for roll_id, readings in read.readings.items():
        if roll_id not in entered:
            _gauge_again(w, held[roll_id], readings)
    if read.organ is not None:
        name, text, _ = read.organ
        number = 1
        while w.get(OrganRow, f"{name} #{number}") is not None:
            number += 1
        w.add("organs", f"{name} #{number}", body=text)
    if problems:
        raise TablesError(problems)


def _foresee(w: Writing, read: TablesRead) -> None:
    alloys = {roll.alloy for _, roll in read.rolls} | set(read.recipes)
    parents = {roll.parent for _, roll in read.rolls if roll.parent}
    w.foresee("recipes", sorted(alloys))
    things = [
        *(cast.id for _, cast in read.casts),
        *(roll.id for _, roll in read.rolls),
        *(lot.id for _, lot in read.lots),
    ]
    for table in ("casts", "rolls", "lots"):
        w.foresee(table, list(dict.fromkeys([*things, *(sorted(parents) if table == "rolls" else ())])))


def _refuse_what_is_there(w: Writing, read: TablesRead) -> None:
    """Refuse once what was brought in before; a few rows are named one by one later. Errors: BookError."""
    things: list[tuple[type[RollRow | LotRow | CastRow], list[str]]] = [
        (RollRow, [roll.id for _, roll in read.rolls]),
        (LotRow, [lot.id for _, lot in read.lots]),
        (CastRow, [cast.id for _, cast in read.casts]),
    ]
    there = [key for kind, keys in things for key in keys if w.get(kind, key) is not None]
    if len(there) > MOST_NAMED:
        raise BookError(
            Text("holds what is in the book already: {things}; nothing was brought in", things=some_listed("", there)),
            field="import",
            allowed="new things alone, in files with the same columns",
            example="pipemetal rolls --add new/rack.csv",
        )


def _gauge_again(w: Writing, row: RollRow, readings: list[Reading]) -> None:
    """New readings of a roll that is in the book already: its field is fitted anew; its mass stays as it is booked."""
    from pipemetal.sheets.fit import fit_field

    roll = roll_of(row)
    fitted = replace(roll, field=fit_field(readings, roll.length_mm, roll.width_mm))
    values = roll_values(fitted, readings)
    kept = {name: values[name] for name in ("readings", "field", "envelope", "mean_mm")}
    w.change("rolls", roll.id, row.version, **kept)
