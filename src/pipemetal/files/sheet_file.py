"""A sheet file: `sheet.toml`, one sheet to push. Documented in docs/casting-files.md."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.casting.model import CastingTable, Gate, Sled
from pipemetal.casting.wanted import LADLE_KG, Outfit
from pipemetal.errors import InputError
from pipemetal.files.toml_table import TomlTable, read_toml
from pipemetal.quantities import CAST

__all__ = ["SheetJob", "read_sheet"]


@dataclass(frozen=True)
class SheetJob:
    """A sheet to push: metal, size, thickness as cast at both ends, what it is cast with, and surroundings."""

    name: str
    composition: Composition
    length_mm: float
    width_mm: float
    thickness_start_mm: float
    thickness_end_mm: float
    outfit: Outfit
    gate_mm: float | None
    charge_kg: float | None
    pour_temperature_c: float | None
    table_c: float
    air_c: float
    first_cast: bool
    crew: str
    log: Path | None


def read_sheet(path: Path) -> SheetJob:
    """A sheet file.

    Keys: `composition`, `length`, `width`, `thickness_start`, `thickness_end` (as cast; the end defaults to the start),
    [sled] `inner_length`, `inner_width`, and optionally `gate`, `charge`, `scoop` (11.34 kg), `run_up` (300 mm),
    `pour_temperature`, `table` (18 C), `air` (18 C), `first_cast`, `lip` (20 mm), `no_gate` (the sled's fixed gap),
    `slope` (mm that the table falls in a metre of the push), `side_bars`, `crew` (who casts, by its name
    in the log), `log` (a log.csv to learn from).

    Errors: FileFormatError, AlloyError, CastingError with table and key.
    """
    top = read_toml(path)
    try:
        composition = Composition.parse(top.text("composition"))
        start = top.given(CAST["thickness_mm"], base="thickness_start")
        box: TomlTable = top.table("sled")
        sled = Sled(
            box.given(CAST["sled_length_mm"], base="inner_length"), box.given(CAST["sled_width_mm"], base="inner_width")
        )
        box.finish()
        log = top.text("log", None)
        job = SheetJob(
            top.text("name", path.stem),
            composition,
            top.given(CAST["length_mm"]),
            top.given(CAST["sled_width_mm"], base="width"),
            start,
            top.given(CAST["thickness_mm"], start, base="thickness_end"),
            _outfit(top, sled),
            top.given(CAST["gate_mm"], None),
            top.given(CAST["charge_kg"], None),
            top.given(CAST["pour_temperature_c"], None),
            top.given(CAST["table_temperature_c"], 18.0, base="table"),
            top.given(CAST["air_temperature_c"], 18.0, base="air"),
            top.flag("first_cast", False),
            top.text("crew", ""),
            None if log is None else path.parent / log,
        )
    except InputError as error:
        raise error if error.where.startswith(path.name) else error.at(path.name) from None
    top.finish()
    return job


def _outfit(top: TomlTable, sled: Sled) -> Outfit:
    gap = top.length_mm("no_gate", 0.5, 20.0, None)
    slope, bars = top.number("slope", *CAST["slope_mm_m"].limits, 0.0), top.flag("side_bars", False)
    gate = Gate(lip_mm=top.given(CAST["lip_mm"], 20.0), largest_mm=14.0, fixed_mm=gap)
    table = CastingTable(20_000.0, 5000.0, slope_mm_m=slope, side_bars=bars) if slope or bars else None
    return Outfit(sled, gate, table, top.mass_kg("scoop", 0.5, 50.0, LADLE_KG), top.given(CAST["run_up_mm"], 300.0))
