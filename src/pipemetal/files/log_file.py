"""The casting log: `log.csv`, one row for each cast. Documented in docs/casting-files.md."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.casting.log import VERDICTS, LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.errors import InputError
from pipemetal.files.csv_table import CsvRow, CsvTable, csv_table_of, read_csv

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
)
LOG_COLUMNS = (*REQUIRED, *OPTIONAL)


def read_log(path: Path) -> tuple[LoggedCast, ...]:
    """All casts of a log.

    `thickness` holds readings as `distance:thickness` in mm, separated by blanks; `marks` holds `distance:time` in m and s.
    What was not logged is left empty; so is `gate_mm` for a box without a gate.

    Errors: FileFormatError, CastingError, AlloyError with file and row.
    """
    return _casts(read_csv(path, may_be_empty=True))


def log_of(text: str, name: str) -> tuple[LoggedCast, ...]:
    """All casts of a log's text, as a book keeps it; `name` is how messages call it. Errors: as read_log."""
    return _casts(csv_table_of(text, name), strict=False)


def _casts(table: CsvTable, *, strict: bool = True) -> tuple[LoggedCast, ...]:
    table.check(REQUIRED, OPTIONAL)
    casts: list[LoggedCast] = []
    seen: dict[str, int] = {}
    for row in table:
        cast_id = row.text("id")
        if cast_id in seen:
            raise row.error(f"is used already in row {seen[cast_id]}", "id", cast_id)
        seen[cast_id] = row.line
        casts.append(cast_of_row(row, cast_id, strict=strict))
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


def cast_of_row(row: CsvRow, cast_id: str, *, strict: bool = True) -> LoggedCast:
    """The cast of one row of a log; one that is not strict takes any text for a day, as older books hold them.

    Errors: FileFormatError, CastingError, AlloyError.
    """
    verdict = row.text("verdict", "") or None
    if verdict is not None and verdict not in VERDICTS:
        raise row.error("is not a verdict", "verdict", verdict, ", ".join(VERDICTS))
    timing, gauge = row.maybe_number("timing_sd_s", 0.001, 5.0), row.maybe_number("gauge_sd_mm", 0.001, 1.0)
    lip = row.maybe_number("lip_mm", 0.0, 40.0)
    gate = row.maybe_number("gate_mm", 0.0, 20.0)
    if strict and gate == 0.0:
        raise row.error("is no opening of a gate", "gate_mm", gate, "0.5 to 20; empty for a box without a gate")
    try:
        return LoggedCast(
            cast_id,
            Composition.parse(row.text("composition")),
            gate or 0.0,
            row.number("charge_kg", 0.5, 2000.0),
            Sled(row.number("sled_length_mm", 40.0, 1000.0), row.number("sled_width_mm", 50.0, 2500.0)),
            row.number("length_mm", 200.0, 20_000.0),
            _pairs(row, "thickness", ""),
            _pairs(row, "marks", ""),
            push_time_s=row.maybe_number("push_time_s", 0.1, 120.0),
            leftover_kg=row.maybe_number("leftover_kg", 0.0, 2000.0),
            run_up_mm=row.maybe_number("run_up_mm", 0.0, 3000.0),
            pour_temperature_c=row.maybe_number("pour_temperature_c", 100.0, 600.0),
            table_temperature_c=row.maybe_number("table_temperature_c", -20.0, 170.0),
            air_temperature_c=row.maybe_number("air_temperature_c", -20.0, 60.0),
            wait_s=row.maybe_number("wait_s", 0.0, 3600.0),
            seconds_to_matt=row.maybe_number("seconds_to_matt", 0.1, 3600.0),
            lift_after_s=row.maybe_number("lift_after_s", 1.0, 36_000.0),
            verdict=verdict,
            timing_sd_s=0.08 if timing is None else timing,
            gauge_sd_mm=0.01 if gauge is None else gauge,
            lip_mm=20.0 if lip is None else lip,
            day=row.day("day") if strict else row.text("day", ""),
            crew=row.text("crew", ""),
            note=row.text("note", ""),
            gate_name=row.text("gate_name", ""),
            sled_name=row.text("sled_name", ""),
            cloth_name=row.text("cloth_name", ""),
            wanted_start_mm=row.maybe_number("wanted_start_mm", 0.2, 10.0),
            wanted_end_mm=row.maybe_number("wanted_end_mm", 0.2, 10.0),
            table_name=row.text("table_name", ""),
            slope_mm_m=row.maybe_number("slope_mm_m", -60.0, 60.0) or 0.0,
        )
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
            "marks": " ".join(f"{d:g}:{t:g}" for d, t in cast.marks),
        }
        rest = [values[c] if c in values else getattr(cast, c) for c in LOG_COLUMNS]
        writer.writerow(["" if v is None else f"{v:g}" if isinstance(v, float) else v for v in rest])
    return out.getvalue()
