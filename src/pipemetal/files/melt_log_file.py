"""The melt log: `melts.csv`, every weighing of melts that were weighed in and out, for the shop's own dross."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import FileFormatError, InputError
from pipemetal.files.csv_table import CsvRow, read_csv
from pipemetal.melts.dross import MeltRecord
from pipemetal.melts.lots import LOT_KINDS, Heel, Lot
from pipemetal.quantities import LOT
from pipemetal.texts import Text

__all__ = ["ENTRIES", "read_melt_log"]

ENTRIES: Final = ("in", "heel", "out", "dross")


@dataclass
class _Open:
    """A melt while its rows are read."""

    line: int
    charged: list[Lot] = field(default_factory=list)
    heel: Heel | None = None
    out_kg: list[float] = field(default_factory=list)
    assay: Composition | None = None
    assay_half: tuple[tuple[str, float], ...] = ()
    dross_kg: float | None = None


def read_melt_log(path: Path) -> tuple[MeltRecord, ...]:
    """The melts of a log, one row a weighing.

    Columns: `melt`, `entry` (in, heel, out or dross), `mass_kg`, and optionally `kind` (of what went in: pig, scrap ...),
    `lot`, `composition` (of what went in and of the heel; on an `out` row it is the melt's assay), `plus_minus_Sn` ..., `note`.
    All that comes out and all that stays in the pot goes on `out` rows, so that a melt adds up.

    Errors: FileFormatError, MeltError, AlloyError with file and row.
    """
    table = read_csv(path)
    table.check(
        ["melt", "entry", "mass_kg"], ["kind", "lot", "composition", "note", *(f"plus_minus_{e}" for e in ELEMENTS)]
    )
    melts: dict[str, _Open] = {}
    for row in table:
        try:
            _read(row, melts.setdefault(row.text("melt"), _Open(row.line)))
        except InputError as error:
            raise error if error.where.startswith(row.where) else error.at(row.where) from None
    return tuple(_closed(name, melt, path.name) for name, melt in melts.items())


def _read(row: CsvRow, melt: _Open) -> None:
    entry, mass = row.text("entry"), row.number("mass_kg", 0.0, 20_000.0)
    halves = [(e, row.maybe_number(f"plus_minus_{e}", *LOT["plus_minus_wt_pct"].limits)) for e in ELEMENTS]
    unsure = tuple((e, half) for e, half in halves if half is not None)
    text = row.text("composition", "")
    if entry == "in":
        kind = row.text("kind")
        if kind not in LOT_KINDS:
            raise row.error("is not a kind of lot", "kind", kind, ", ".join(LOT_KINDS))
        if not text:
            raise row.error("is empty: what went in must be known", "composition")
        lot = row.text("lot", f"row {row.line}")
        melt.charged.append(Lot(lot, kind, Composition.parse(text), mass, None, unsure))
    elif entry == "heel":
        if melt.heel is not None:
            raise row.error("stands twice in one melt", "entry", entry)
        if not text:
            raise row.error("is empty: the heel must be known", "composition")
        melt.heel = Heel(mass, Composition.parse(text), 0.0, unsure)
    elif entry == "out":
        melt.out_kg.append(mass)
        if text:
            assay = Composition.parse(text)
            if melt.assay is not None and melt.assay != assay:
                raise row.error("is a second assay of one melt", "composition", text, "one assay to a melt")
            melt.assay, melt.assay_half = assay, unsure
    elif entry == "dross":
        melt.dross_kg = (melt.dross_kg or 0.0) + mass
    else:
        raise row.error("is not an entry", "entry", entry, ", ".join(ENTRIES))


def _closed(name: str, melt: _Open, file_name: str) -> MeltRecord:
    where = Text("{place} row {number}", place=file_name, number=melt.line)
    if not melt.out_kg:
        raise FileFormatError("has no row of what came out", field="melt", value=name, where=where, allowed="entry out")
    try:
        return MeltRecord(
            name,
            tuple(melt.charged),
            sum(melt.out_kg),
            melt.heel,
            melt.assay,
            melt.assay_half,
            melt.dross_kg,
            len(melt.out_kg),
        )
    except InputError as error:
        raise error.at(where) from None
