"""The organ file: `organ.toml`, pitch, walls, allowances and ranks. Documented in docs/organ-file.md."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.rank_file import Around, read_rank
from pipemetal.files.toml_table import TomlTable, numbers_of, read_toml, toml_of
from pipemetal.files.wall_tables import read_languids, read_wall
from pipemetal.pipes.air import SPEED_STANDARDS
from pipemetal.pipes.borrowed import notes_without_pipe
from pipemetal.pipes.notes import NAMINGS
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Allowances, Organ
from pipemetal.pipes.temperament import TEMPERAMENTS, temperament_cents
from pipemetal.pipes.wall_presets import WALL_PRESETS
from pipemetal.pipes.walls import DEFAULT_WALL

__all__ = ["organ_of", "read_organ"]


def read_organ(path: Path, recipes: Mapping[str, Recipe] | None = None) -> Organ:
    """The organ of a file. With `recipes`, every rank's alloy must be one of them.

    Errors: FileFormatError, PipeError, UnitError: file, table and key are named, and what is allowed.
    """
    return _organ(read_toml(path), path.name, path.parent, recipes)


def organ_of(text: str, recipes: Mapping[str, Recipe] | None = None, *, name: str = "organ.toml") -> Organ:
    """The organ of a text that no file lies beside, so it can name none. Errors: as read_organ."""
    return _organ(toml_of(text, name), name, None, recipes)


def _organ(top: TomlTable, where: str, folder: Path | None, recipes: Mapping[str, Recipe] | None) -> Organ:
    head = top.table("organ")
    name = head.text("name")
    for key in ("client", "note"):
        head.text(key, "")
    naming = head.text("note_names", "trade", NAMINGS)
    wind_mm = head.length_mm("wind", 10.0, 1500.0, None)
    head.finish()
    try:
        pitch = _pitch(top.table("pitch", TomlTable({}, f"{where} [pitch]")))
        allowances = _allowances(top.table("allowances", TomlTable({}, f"{where} [allowances]")))
        languids = read_languids(top.table("languids", TomlTable({}, f"{where} [languids]")))
        walls = {name: read_wall(name, table) for name, table in top.named_tables("wall").items()}
        named = {name: preset.rule for name, preset in WALL_PRESETS.items()}
        walls = {DEFAULT_WALL.name: DEFAULT_WALL, **named, **walls}
        around = Around(naming, walls, recipes, folder)
        ranks = tuple(read_rank(table, around) for table in top.tables("rank"))
        top.finish()
        organ = Organ(name, pitch, ranks, allowances, languids, naming, wind_mm)
        notes_without_pipe(organ)
        return organ
    except InputError as error:
        raise error if error.where.startswith(where) else error.at(where) from None


def _at(table: TomlTable, error: InputError) -> InputError:
    return error if error.where.startswith(table.where) else error.at(table.where)


def _temperament(table: TomlTable) -> tuple[str, tuple[float, ...]]:
    """A temperament by its name, or by twelve offsets of one's own."""
    name = table.text("temperament", None, tuple(TEMPERAMENTS))
    cents = table.array("temperament_cents", None)
    if name is not None and cents is not None:
        raise table.error("is given twice, by name and by offsets", "temperament", name, "one of the two")
    if cents is None:
        return name or "equal", temperament_cents(name or "equal")
    offsets = numbers_of(cents, 12)
    if offsets is None:
        raise table.error("is not twelve numbers", "temperament_cents", len(cents), "offsets in cents for C, C#, ... B")
    return "own", offsets


def _pitch(table: TomlTable) -> Pitch:
    name, cents = _temperament(table)
    at_c = table.temperature_c("at", 0.0, 40.0, 18.0)
    try:
        pitch = Pitch(
            a_hz=table.number("a_hz", 300.0, 600.0, 440.0),
            at_c=at_c,
            tuning_c=table.temperature_c("tuning", 0.0, 40.0, at_c),
            humidity_percent=table.number("humidity_percent", 0.0, 100.0, 50.0),
            pressure_pa=table.number("pressure_pa", 60_000.0, 110_000.0, 101_325.0),
            standard=table.text("speed_of_sound", "cramer", SPEED_STANDARDS),
            temperament_cents=cents,
            temperament=name,
            transpose_semitones=table.whole("transpose_semitones", -12, 12, 0),
        )
    except InputError as error:
        raise _at(table, error) from None
    table.finish()
    return pitch


def _allowances(table: TomlTable) -> Allowances:
    default = Allowances()
    made = Allowances(
        side_trim_mm=table.length_mm("side_trim", 0.0, 50.0, default.side_trim_mm),
        end_trim_mm=table.length_mm("end_trim", 0.0, 50.0, default.end_trim_mm),
        tuning_bass_percent=table.number("tuning_bass_percent", 0.0, 30.0, default.tuning_bass_percent),
        tuning_treble_percent=table.number("tuning_treble_percent", 0.0, 30.0, default.tuning_treble_percent),
        tuning_least_mm=table.length_mm("tuning_least", 0.0, 100.0, default.tuning_least_mm),
        cap_travel=table.number("cap_travel", 0.0, 3.0, None),
        cap_least_mm=table.length_mm("cap_least", 0.0, 200.0, None),
        joint_overlap_mm=table.length_mm("joint_overlap", 0.0, 30.0, default.joint_overlap_mm),
        slot_above=table.number("slot_above", 0.0, 3.0, default.slot_above),
        slide_short=table.number("slide_short", 0.0, 2.0, default.slide_short),
        slide_length=table.number("slide_length", 0.0, 5.0, default.slide_length),
        slide_least_mm=table.length_mm("slide_least", 0.0, 200.0, default.slide_least_mm),
        seam_bevel_mm=table.length_mm("seam_bevel", 0.0, 5.0, default.seam_bevel_mm),
        planing_mm=table.length_mm("planing", 0.0, 1.0, default.planing_mm),
    )
    table.finish()
    return made
