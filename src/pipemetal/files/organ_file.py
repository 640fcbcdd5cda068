"""The organ file: `organ.toml`, pitch, walls, allowances and ranks. Documented in docs/organ-file.md."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.toml_table import TomlTable, read_toml
from pipemetal.pipes.air import SPEED_STANDARDS
from pipemetal.pipes.pitch import Pitch, parse_note, sounding_semitones
from pipemetal.pipes.rank import CONSTRUCTIONS, TUNINGS, Allowances, Break, Chimney, Organ, Rank
from pipemetal.pipes.scale import DiameterPoints, DiameterTable, HalfToneScale, HalvingScale, Scale
from pipemetal.pipes.temperament import TEMPERAMENTS, temperament_cents
from pipemetal.pipes.walls import DEFAULT_WALL, GivenWall, LanguidRule, WallRule

__all__ = ["read_organ"]

_BUILT_IN_TUNING = {"stopped": "cap", "chimney": "cap"}


def read_organ(path: Path, recipes: Mapping[str, Recipe] | None = None) -> Organ:
    """The organ of a file. With `recipes`, every rank's alloy must be one of them.

    Errors: FileFormatError, PipeError, UnitError: file, table and key are named, and what is allowed.
    """
    top = read_toml(path)
    head = top.table("organ")
    name = head.text("name")
    for key in ("client", "note"):
        head.text(key, "")
    head.finish()
    try:
        pitch = _pitch(top.table("pitch", TomlTable({}, f"{path.name} [pitch]")))
        allowances = _allowances(top.table("allowances", TomlTable({}, f"{path.name} [allowances]")))
        languids = _languids(top.table("languids", TomlTable({}, f"{path.name} [languids]")))
        walls = {name: _wall(name, table) for name, table in top.named_tables("wall").items()}
        walls.setdefault(DEFAULT_WALL.name, DEFAULT_WALL)
        ranks = tuple(_rank(table, walls, recipes) for table in top.tables("rank"))
        top.finish()
        return Organ(name, pitch, ranks, allowances, languids)
    except InputError as error:
        raise error if error.where.startswith(path.name) else error.at(path.name) from None


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
    if len(cents) != 12 or not all(isinstance(c, int | float) and not isinstance(c, bool) for c in cents):
        raise table.error("is not twelve numbers", "temperament_cents", len(cents), "offsets in cents for C, C#, ... B")
    return "own", tuple(float(c) for c in cents)


def _pitch(table: TomlTable) -> Pitch:
    name, cents = _temperament(table)
    at_c = table.temperature_c("at", 0.0, 40.0, 18.0)
    try:
        pitch = Pitch(
            a_hz=table.number("a_hz", 300.0, 600.0, 440.0), at_c=at_c,
            tuning_c=table.temperature_c("tuning", 0.0, 40.0, at_c),
            humidity_percent=table.number("humidity_percent", 0.0, 100.0, 50.0),
            pressure_pa=table.number("pressure_pa", 60_000.0, 110_000.0, 101_325.0),
            standard=table.text("speed_of_sound", "cramer", SPEED_STANDARDS), temperament_cents=cents, temperament=name,
            transpose_semitones=table.whole("transpose_semitones", -12, 12, 0),
        )  # fmt: skip
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
        cap_travel=table.number("cap_travel", 0.0, 3.0, default.cap_travel),
        cap_least_mm=table.length_mm("cap_least", 0.0, 200.0, default.cap_least_mm),
        slot_above=table.number("slot_above", 0.0, 3.0, default.slot_above),
    )
    table.finish()
    return made


def _languids(table: TomlTable) -> LanguidRule:
    default = LanguidRule()
    least = table.length_mm("least", 0.3, 8.0, default.least_mm)
    made = LanguidRule(
        share=table.ratio("share", 0.0, 0.1, default.share), fixed_mm=table.length_mm("fixed", 0.0, 10.0, default.fixed_mm),
        step_mm=table.length_mm("step", 0.05, 2.0, default.step_mm), least_mm=least,
        most_mm=table.length_mm("most", least, 12.0, max(default.most_mm, least)),
    )  # fmt: skip
    table.finish()
    return made


def _pairs(table: TomlTable, key: str) -> tuple[tuple[float, float], ...]:
    pairs = []
    for item in table.array(key):
        ok = isinstance(item, list) and len(item) == 2 and all(isinstance(v, int | float) for v in item)
        if not ok or any(isinstance(v, bool) for v in item):
            raise table.error(
                "holds something that is not a pair of numbers", key, item, "[[diameter, wall], ...] in mm"
            )
        pairs.append((float(item[0]), float(item[1])))
    return tuple(pairs)


def _wall(name: str, table: TomlTable) -> WallRule:
    try:
        rule = WallRule(
            name,
            _pairs(table, "table_mm") if "table_mm" in table else DEFAULT_WALL.table,
            factor=table.number("factor", 0.3, 4.0, 1.0),
            natural_taper_mm_per_m=table.number("taper_mm_per_m", 0.0, 1.0, DEFAULT_WALL.natural_taper_mm_per_m),
            least_top_ratio=table.ratio("least_top", 0.3, 1.0, DEFAULT_WALL.least_top_ratio),
            source=table.text("source", DEFAULT_WALL.source if "table_mm" not in table else "given by the organ file"),
        )
    except InputError as error:
        raise _at(table, error) from None
    table.finish()
    return rule


def _rank_wall(table: TomlTable, walls: Mapping[str, WallRule]) -> WallRule | GivenWall:
    value = table.raw("wall")
    if value is None:
        return DEFAULT_WALL
    if isinstance(value, str):
        if value not in walls:
            raise table.error("is not a wall rule of this file", "wall", value, ", ".join(walls))
        return walls[value]
    inner: TomlTable = table.table("wall")
    if "table_mm" in inner or "factor" in inner:
        return _wall("own", inner)
    mouth = inner.length_mm("mouth", 0.2, 8.0)
    wall = GivenWall(mouth, inner.length_mm("top", 0.2, 8.0, mouth))
    inner.finish()
    return wall


def _compass(table: TomlTable) -> tuple[int, int]:
    text, notes = table.text("compass", None), table.whole("notes", 1, 97, None)
    try:
        if text is not None:
            first, dash, last = text.partition("-")
            if not dash:
                raise table.error("is not a compass", "compass", text, "C-g3, or notes = 56")
            keys = parse_note(first, field="compass"), parse_note(last, field="compass")
            if notes is not None and notes != keys[1] - keys[0] + 1:
                raise table.error(f"does not agree with the compass, which has {keys[1] - keys[0] + 1}", "notes", notes)
            return keys
    except InputError as error:
        raise _at(table, error) from None
    if notes is None:
        raise table.error("is missing", "compass", allowed='"C-g3", or notes = 56 counted from great C')
    return 0, notes - 1


def _rank(table: TomlTable, walls: Mapping[str, WallRule], recipes: Mapping[str, Recipe] | None) -> Rank:
    name = table.text("name")
    first, last = _compass(table)
    footage = table.raw("footage")
    parsed = table.footage("footage", footage) if footage is not None else None
    construction = table.text("construction", "open", CONSTRUCTIONS)
    alloy = _alloy(table, "alloy", recipes)
    try:
        rank = Rank(
            name=name, division=table.text("division"), alloy=alloy, footage=parsed, first_key=first, last_key=last,
            construction=construction, scale=_scale(table, first), wall=_rank_wall(table, walls),
            breaks=tuple(_break(item) for item in table.tables("break")),
            mouth_fraction=table.ratio("mouth", 0.1, 0.45, 0.25), cut_up_fraction=table.ratio("cut_up", 0.1, 0.8, 0.25),
            foot_length_mm=table.length_mm("foot_length", 40.0, 2500.0, 200.0),
            foot_factor=table.number("foot_factor", 0.5, 3.0, 1.15),
            toe_diameter_mm=table.length_mm("toe_diameter", 4.0, 80.0, None),
            top_ratio=table.ratio("top", 0.15, 2.5, 1.0), chimney=_chimney(table),
            tuning=table.text("tuning", _BUILT_IN_TUNING.get(construction, "cone"), TUNINGS),
            pure_mutations=table.flag("pure", True), ears=table.flag("ears", None),
            languid_alloy=_alloy(table, "languid_alloy", recipes, required=False),
        )  # fmt: skip
    except InputError as error:
        raise _at(table, error) from None
    table.finish()
    return rank


def _alloy(table: TomlTable, key: str, recipes: Mapping[str, Recipe] | None, *, required: bool = True) -> str:
    alloy: str = table.text(key, ... if required else None)
    if alloy is not None and recipes is not None and alloy not in recipes:
        raise table.error("is not a recipe of this shop", key, alloy, ", ".join(recipes))
    return alloy


def _chimney(table: TomlTable) -> Chimney | None:
    inner: TomlTable | None = table.table("chimney", None)
    if inner is None:
        return None
    chimney = Chimney(inner.ratio("diameter", 0.05, 0.9, 0.25), inner.number("length_diameters", 0.05, 6.0, 1.571))
    inner.finish()
    return chimney


def _break(table: TomlTable) -> Break:
    key = parse_note(table.text("from"), field="from")
    choirs = tuple(table.footage("choirs", item) for item in table.array("choirs"))
    table.finish()
    return Break(key, choirs)


def _scale(table: TomlTable, first_key: int) -> Scale:
    scale: TomlTable = table.table("scale")
    kinds = [k for k in ("half_tones", "halving_pipe", "points_mm", "table_mm") if k in scale]
    if len(kinds) != 1:
        raise scale.error(
            "must say one way to give diameters", "scale", ", ".join(kinds) or "none",
            "half_tones, halving_pipe with start_diameter_mm, points_mm, or table_mm",
        )  # fmt: skip
    made = {"half_tones": _half_tones, "halving_pipe": _halving, "points_mm": _points, "table_mm": _table}[kinds[0]]
    result: Scale = made(scale, first_key)
    scale.finish()
    return result


def _half_tones(scale: TomlTable, first_key: int) -> Scale:
    value = scale.raw("half_tones")
    if isinstance(value, int | float) and not isinstance(value, bool):
        return HalfToneScale(((0.0, scale.number("half_tones", -30.0, 30.0)),))
    points = _note_pairs(scale, "half_tones", value)
    by_sound = ["'" in str(note) for note, _ in points]
    if all(by_sound):
        sounding = [(sounding_semitones(0, scale.footage("half_tones", note)), v) for note, v in points]
        return HalfToneScale(tuple(sorted(sounding)), by_sound=True)
    if any(by_sound):
        raise scale.error(
            "mixes notes and footages", "half_tones", allowed="all notes (C, c1) or all footages (4', 2')"
        )
    return HalfToneScale(tuple((float(parse_note(note, field="half_tones")), v) for note, v in points))


def _note_pairs(scale: TomlTable, key: str, value: object) -> list[tuple[str, float]]:
    pairs = []
    for item in value if isinstance(value, list) else [value]:
        match item:
            case [str(note), int() | float() as number] if not isinstance(number, bool):
                pairs.append((note, float(number)))
            case _:
                raise scale.error("is not a list of pairs", key, value, '[["C", -2], ["c1", 0]]')
    return pairs


def _halving(scale: TomlTable, first_key: int) -> Scale:
    return HalvingScale(
        scale.length_mm("start_diameter", 2.5, 1200.0),
        parse_note(scale.text("at"), field="at") if "at" in scale else first_key,
        scale.number("halving_pipe", 6.0, 49.0), scale.length_mm("constant", 0.0, 200.0, 0.0),
    )  # fmt: skip


def _points(scale: TomlTable, first_key: int) -> Scale:
    pairs = _note_pairs(scale, "points_mm", scale.raw("points_mm"))
    return DiameterPoints(tuple((parse_note(note, field="points_mm"), diameter) for note, diameter in pairs))


def _table(scale: TomlTable, first_key: int) -> Scale:
    values = scale.array("table_mm")
    if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
        raise scale.error(
            "holds something that is not a number", "table_mm", allowed="one diameter in mm for every note"
        )
    return DiameterTable(first_key, tuple(float(v) for v in values))
