"""The casting log: `log.csv`, one row for each cast. Documented in docs/casting-files.md."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.casting.log import VERDICTS, LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.errors import InputError, allowed_text
from pipemetal.files.csv_table import CsvRow, CsvTable, csv_table_of, read_csv
from pipemetal.quantities import CAST
from pipemetal.texts import Text, joined

__all__ = ["LOG_COLUMNS", "OPTIONAL", "REQUIRED", "cast_of_row", "log_of", "log_text", "read_log"]

REQUIRED = ("id", "composition", "gate_mm", "charge_kg", "sled_length_mm", "sled_width_mm", "length_mm", "thickness")
OPTIONAL = (
    "day",
    "marks",
    "push_time_s",
    "leftover_kg",
    "run_up_mm",
    "pour_temperature_c",
    "table_temperature_c",
    "air_temperature_c",
    "wait_s",
    "seconds_to_matt",
    "lift_after_s",
    "verdict",
    "timing_sd_s",
    "gauge_sd_mm",
    "lip_mm",
    "crew",
    "note",
    "gate_name",
    "sled_name",
    "cloth_name",
    "wanted_start_mm",
    "wanted_end_mm",
    "table_name",
    "slope_mm_m",
    "asked_marks",
)
LOG_COLUMNS = (*REQUIRED, *OPTIONAL)


def read_log(path: Path) -> tuple[LoggedCast, ...]:
    """All casts of a log.

    `thickness` holds readings as `distance:thickness` in mm, separated by blanks; `marks` holds `distance:time` in m and s.
    `asked_marks` holds those of the card in the same form. What was not logged is left empty; so is `gate_mm` for a box
    without a gate. A number out of its column's range is set aside and told with its cast; where the cast cannot do without
    it, the whole row is.

    Errors: FileFormatError, CastingError, AlloyError with file and row, for what cannot be read at all.
    """
    return _casts(read_csv(path, may_be_empty=True))


def log_of(text: str, name: str) -> tuple[LoggedCast, ...]:
    """All casts of a log's text, as a book keeps it; `name` is how messages call it. Errors: as read_log."""
    return _casts(csv_table_of(text, name), dated=False)


def _casts(table: CsvTable, *, dated: bool = True) -> tuple[LoggedCast, ...]:
    table.check(REQUIRED, OPTIONAL)
    casts: list[LoggedCast] = []
    seen: dict[str, int] = {}
    for row in table:
        cast_id = row.text("id")
        if cast_id in seen:
            raise row.error(Text("is used already in row {seen}", seen=seen[cast_id]), "id", cast_id)
        seen[cast_id] = row.line
        casts.append(cast_of_row(row, cast_id, dated=dated, forgiving=True))
    return tuple(casts)


def _pairs(row: CsvRow, column: str, default: str | None = None) -> tuple[tuple[float, float], ...]:
    pairs = []
    for item in row.text(column, default).split():
        first, colon, second = item.partition(":")
        try:
            if not colon:
                raise ValueError
            pairs.append((float(first), float(second)))
        except ValueError:
            raise row.error(
                "is not a list of pairs", column, item, "0:0 0.5:0.44 ..., a decimal point in each"
            ) from None
    return tuple(pairs)


class _Cells:
    """The numbers of one row, each within its column's range; a forgiving reader sets others aside and tells of them."""

    def __init__(self, row: CsvRow, *, forgiving: bool) -> None:
        self.row, self.forgiving = row, forgiving
        self.set_aside: list[Text] = []
        self.spoiled: list[Text] = []

    def number(self, column: str, limits: tuple[float, float] | None = None) -> float | None:
        """A number, or None where nothing is written or what is written is set aside."""
        return self._read(column, limits or CAST[column].limits, self.set_aside)

    def usual(self, column: str, default: float) -> float:
        """A number, or the usual one."""
        found = self.number(column)
        return default if found is None else found

    def pairs(self, column: str) -> tuple[tuple[float, float], ...]:
        """Pairs of numbers; those that are none or below zero are set aside."""
        found = _pairs(self.row, column, "")
        odd = [p for p in found if not all(math.isfinite(v) and v >= 0.0 for v in p)] if self.forgiving else []
        words = "{column} {pair} cannot be: not used"
        self.set_aside += [Text(words, column=column, pair=f"{a:g}:{b:g}") for a, b in odd]
        return tuple(p for p in found if p not in odd)

    def needed(self, column: str, limits: tuple[float, float] | None = None) -> float:
        """A number that the cast cannot do without; where it is out of range, the least that may be, and the row is
        spoiled.
        """
        low, high = limits or CAST[column].limits
        found = self._read(column, (low, high), self.spoiled)
        if found is None and not self.row.text(column, ""):
            if not self.forgiving:
                raise self.row.error("is empty", column, allowed=allowed_text(low, high, CAST[column].unit))
            words = "{column} is empty ({allowed})"
            self.spoiled.append(Text(words, column=column, allowed=allowed_text(low, high, CAST[column].unit)))
        return low if found is None else found

    def _read(self, column: str, limits: tuple[float, float], told: list[Text]) -> float | None:
        value = self.row.maybe_number(column, -math.inf, math.inf)
        if value is None or limits[0] <= value <= limits[1]:
            return value
        if not self.forgiving:
            return self.row.maybe_number(column, *limits)
        allowed = allowed_text(*limits, CAST[column].unit)
        words = "{column} {value} is out of range ({allowed}): not used"
        told.append(Text(words, column=column, value=f"{value:g}", allowed=allowed))
        return None


def cast_of_row(row: CsvRow, cast_id: str, *, dated: bool = True, forgiving: bool = False) -> LoggedCast:
    """The cast of one row of a log. One that is not `dated` takes any text for a day, as older books hold them; a `forgiving`
    one sets a number out of its range aside and tells of it.

    Errors: FileFormatError, CastingError, AlloyError.
    """
    verdict = row.text("verdict", "") or None
    if verdict is not None and verdict not in VERDICTS:
        raise row.error("is not a verdict", "verdict", verdict, ", ".join(VERDICTS))
    cells = _Cells(row, forgiving=forgiving)
    gate = cells.number("gate_mm", (0.0, CAST["gate_mm"].high))  # zero stands for a box without a gate
    if dated and gate == 0.0 and not forgiving:
        raise row.error("is no opening of a gate", "gate_mm", gate, "0.5 to 20; empty for a sled without a gate")
    if dated and gate == 0.0:
        words = "gate_mm 0 is no opening of a gate: leave it empty for a sled without a gate"
        cells.spoiled.append(Text(words))
    if gate is None and cells.set_aside:
        cells.spoiled.append(cells.set_aside.pop())
    try:
        sled = Sled(cells.needed("sled_length_mm"), cells.needed("sled_width_mm"))
        charge_kg, length_mm = cells.needed("charge_kg"), cells.needed("length_mm")
        cast = LoggedCast(
            cast_id,
            Composition.parse(row.text("composition")),
            gate or 0.0,
            charge_kg,
            sled,
            length_mm,
            cells.pairs("thickness"),
            cells.pairs("marks"),
            push_time_s=cells.number("push_time_s"),
            leftover_kg=cells.number("leftover_kg"),
            run_up_mm=cells.number("run_up_mm"),
            pour_temperature_c=cells.number("pour_temperature_c"),
            table_temperature_c=cells.number("table_temperature_c"),
            air_temperature_c=cells.number("air_temperature_c"),
            wait_s=cells.number("wait_s"),
            seconds_to_matt=cells.number("seconds_to_matt"),
            lift_after_s=cells.number("lift_after_s"),
            verdict=verdict,
            timing_sd_s=cells.usual("timing_sd_s", 0.08),
            gauge_sd_mm=cells.usual("gauge_sd_mm", 0.01),
            lip_mm=cells.usual("lip_mm", 20.0),
            day=row.day("day") if dated else row.text("day", ""),
            crew=row.text("crew", ""),
            note=row.text("note", ""),
            gate_name=row.text("gate_name", ""),
            sled_name=row.text("sled_name", ""),
            cloth_name=row.text("cloth_name", ""),
            wanted_start_mm=cells.number("wanted_start_mm"),
            wanted_end_mm=cells.number("wanted_end_mm"),
            table_name=row.text("table_name", ""),
            slope_mm_m=cells.usual("slope_mm_m", 0.0),
            asked_marks=cells.pairs("asked_marks"),
        )
        return replace(cast, set_aside=tuple(cells.set_aside), spoiled=joined(cells.spoiled) if cells.spoiled else None)
    except InputError as error:
        raise error if row.table.name in error.where else error.at(row.where) from None


def log_text(casts: Sequence[LoggedCast], remark: str = "") -> str:
    """The text of a log file; reading it back gives the same casts."""
    out = io.StringIO()
    if remark:
        out.write(f"# {remark}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(LOG_COLUMNS)
    for cast in casts:
        values = {
            "id": cast.id,
            "composition": cast.composition.text(),
            "gate_mm": cast.gate_mm or None,
            "charge_kg": cast.charge_kg,
            "sled_length_mm": cast.sled.inner_length_mm,
            "sled_width_mm": cast.sled.inner_width_mm,
            "length_mm": cast.length_mm,
            "thickness": " ".join(f"{d:g}:{t:g}" for d, t in cast.thickness_mm),
        }
        values |= {n: " ".join(f"{d:g}:{t:g}" for d, t in getattr(cast, n)) for n in ("marks", "asked_marks")}
        rest = [values[c] if c in values else getattr(cast, c) for c in LOG_COLUMNS]
        writer.writerow(["" if v is None else f"{v:g}" if isinstance(v, float) else v for v in rest])
    return out.getvalue()
