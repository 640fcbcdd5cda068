"""Tables that are to be brought in, read before anything is written, with everything that is wrong at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError, InputError, near
from pipemetal.files.csv_table import CsvRow, CsvTable
from pipemetal.files.lots_file import LOT_COLUMNS, SORTED_BY_EYE, lot_of_row
from pipemetal.files.rack_file import RACK_COLUMNS, roll_of_row
from pipemetal.files.row_errors import made_of_rows
from pipemetal.melts.lots import Lot
from pipemetal.quantities import LOT, READING
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.accounts import Analysis
from pipemetal.shop.lots import NewLot
from pipemetal.shop.roll_rows import roll_values
from pipemetal.shop.rolls import NewRoll
from pipemetal.texts import Amount, Text

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["KINDS", "TablesRead", "kind_of_table", "read_tables", "tables_wanted"]

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


def kind_of_table(name: str) -> str | None:
    """What a table of this name holds; None where the name does not tell."""
    return KINDS.get(name.casefold().strip())


@dataclass
class TablesRead:
    """What the tables hold, before anything is written, and what is wrong with them."""

    problems: list[InputError] = field(default_factory=list)
    recipes: dict[str, Recipe] = field(default_factory=dict)
    readings: dict[str, list[Reading]] = field(default_factory=dict)
    rolls: list[tuple[CsvRow, Roll]] = field(default_factory=list)
    lots: list[tuple[CsvRow, NewLot]] = field(default_factory=list)
    casts: list[tuple[CsvRow, LoggedCast]] = field(default_factory=list)
    analyses: list[tuple[CsvRow, Analysis]] = field(default_factory=list)
    organ: tuple[str, str, int] | None = None
    """Name, text and number of ranks."""

    @property
    def things(self) -> int:
        """How many rows they hold, readings aside."""
        return len(self.rolls) + len(self.lots) + len(self.casts) + len(self.analyses)

    def new_rolls(self) -> list[tuple[CsvRow, NewRoll]]:
        """The rolls with their columns worked out."""
        found = []
        for row, roll in self.rolls:
            readings = self.readings.get(roll.id, ())
            cast, note, day = row.text("cast", ""), row.text("note", ""), row.day("day")
            found.append((row, NewRoll(roll, readings, cast, note, None, day, roll_values(roll, readings))))
        return found


def tables_wanted(found: Mapping[str, CsvTable], name: str, kind: str | None, sheet: str | None) -> dict[str, CsvTable]:
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
            raise BookError(
                Text("holds {what} in two sheets", what=what), field="import", value=name, allowed="--sheet NAME"
            )
        tables[what] = table
    if not tables:
        allowed = f"--as {', '.join(sorted(set(KINDS.values())))}"
        raise BookError("does not say what it holds", field="import", value=name, allowed=allowed)
    return tables


def _first_rows(readings: CsvTable) -> dict[str, str]:
    """Where each roll is named first."""
    found: dict[str, str] = {}
    for row in readings:
        found.setdefault(row.text("roll"), row.where)
    return found


def read_tables(
    read: TablesRead, tables: Mapping[str, CsvTable], recipes: Mapping[str, Recipe], organ: str, rolls: Set[str]
) -> None:
    """Read all tables; what is wrong goes to `read.problems`. `rolls`: the ids of those that are in the book already."""

    def checked(kind: str, required: Sequence[str], optional: Sequence[str]) -> CsvTable | None:
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
    known = {roll.id for _, roll in read.rolls} | rolls
    if "readings" in tables and not read.problems:
        read.problems += [
            BookError("is not on the rack", field="roll", value=name, where=place, nearest=near(name, sorted(known)))
            for name, place in _first_rows(tables["readings"]).items()
            if name not in known
        ]


def _checked(row: CsvRow) -> None:
    """What is kept of a row besides the thing itself, read before the book is locked."""
    for column in ("cast", "note", "supplier", "invoice"):
        row.text(column, "")
    row.day("day")


def _roll_of(row: CsvRow, recipes: Mapping[str, Recipe], read: TablesRead, readings_name: str) -> Roll:
    _checked(row)
    return roll_of_row(row, row.text("id"), recipes, read.readings.get(row.text("id"), []), readings_name)


def _lot_of(row: CsvRow, recipes: Mapping[str, Recipe]) -> NewLot:
    _checked(row)
    lot = lot_of_row(row, row.text("id"), recipes)
    day, supplier, invoice = row.day("day"), row.text("supplier", ""), row.text("invoice", "")
    if lot is None:  # of unknown metal
        return NewLot(
            row.text("id"),
            row.text("kind"),
            row.given(LOT["mass_kg"]),
            piece_kg=row.maybe_given(LOT["piece_kg"]),
            price_per_kg=row.maybe_given(LOT["price_per_kg"]) or 0.0,
            note=row.text("note", ""),
            origin="counted",
            analysed=False,
            day=day,
            supplier=supplier,
            invoice=invoice,
        )
    return _new_lot(lot, row.text("alloy", ""), day, supplier, invoice)


def _new_lot(lot: Lot, alloy: str, day: str, supplier: str, invoice: str) -> NewLot:
    by_eye = not lot.analysed and lot.uncertainty_wt_pct == SORTED_BY_EYE
    return NewLot(
        lot.id,
        lot.kind,
        lot.mass_kg,
        lot.composition,
        alloy,
        lot.piece_kg,
        () if by_eye else lot.uncertainty_wt_pct,
        lot.price_per_kg,
        lot.note,
        "counted",
        lot.analysed,
        day,
        supplier,
        invoice,
    )


def _read_readings(read: TablesRead, table: CsvTable) -> None:
    def make(row: CsvRow) -> tuple[str, Reading]:
        place = row.given(READING["x_mm"]), row.given(READING["y_mm"])
        return row.text("roll"), Reading(*place, row.given(READING["thickness_mm"]))

    rows: dict[str, list[tuple[CsvRow, Reading]]] = {}
    for row, (roll, reading) in made_of_rows(table, make, read.problems, key=None):
        rows.setdefault(roll, []).append((row, reading))
    for roll, found in rows.items():
        middle = sorted(r.thickness_mm for _, r in found)[len(found) // 2]
        for row, reading in found:
            if not middle / MOST_OFF <= reading.thickness_mm <= middle * MOST_OFF:
                read.problems.append(
                    row.error(
                        Text(
                            "is {times} times the other readings of roll {roll}",
                            times=f"{reading.thickness_mm / middle:.2g}",
                            roll=repr(roll),
                        ),
                        "thickness_mm",
                        reading.thickness_mm,
                        Text(
                            "{low} to {high}",
                            low=Amount(middle / MOST_OFF, "mm", 2, bare=True),
                            high=Amount(middle * MOST_OFF, "mm", 2),
                        ),
                    )
                )
        read.readings[roll] = [reading for _, reading in found]


def _analysis(row: CsvRow) -> Analysis:
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
    unsure = [
        (e, h)
        for e in ELEMENTS
        if (h := row.maybe_number(f"plus_minus_{e}", *LOT["plus_minus_wt_pct"].limits)) is not None
    ]
    method, laboratory = row.text("method", ""), row.text("laboratory", "")
    return Analysis(about, Composition.parse(text), unsure, row.day("day"), method, laboratory, row.text("note", ""))
