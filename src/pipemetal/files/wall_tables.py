"""Wall and languid rules as they stand in the organ file. Documented in docs/organ-file.md."""

from __future__ import annotations

from collections.abc import Mapping

from pipemetal.errors import InputError
from pipemetal.files.toml_table import TomlTable, numbers_of
from pipemetal.pipes.walls import DEFAULT_WALL, WALL_KINDS, GivenWall, LanguidRule, WallRule

__all__ = ["read_languids", "read_rank_wall", "read_wall"]


def _at(table: TomlTable, error: InputError) -> InputError:
    return error if error.where.startswith(table.where) else error.at(table.where)


def read_languids(table: TomlTable) -> LanguidRule:
    """The languid rule."""
    default = LanguidRule()
    least = table.length_mm("least", 0.3, 8.0, default.least_mm)
    made = LanguidRule(
        share=table.ratio("share", 0.0, 0.1, default.share),
        fixed_mm=table.length_mm("fixed", 0.0, 10.0, default.fixed_mm),
        step_mm=table.length_mm("step", 0.05, 2.0, default.step_mm),
        least_mm=least,
        most_mm=table.length_mm("most", least, 12.0, max(default.most_mm, least)),
        layer_mm=table.length_mm("layer", 0.3, 12.0, default.layer_mm),
    )
    table.finish()
    return made


def _pairs(table: TomlTable, key: str) -> tuple[tuple[float, float], ...]:
    pairs = []
    for item in table.array(key):
        pair = numbers_of(item, 2)
        if pair is None:
            raise table.error(
                "holds something that is not a pair of numbers", key, item, "[[diameter, wall], ...] in mm"
            )
        pairs.append((pair[0], pair[1]))
    return tuple(pairs)


def read_wall(name: str, table: TomlTable) -> WallRule:
    """A wall rule by its name."""
    given = "table_mm" in table
    try:
        rule = WallRule(
            name,
            _pairs(table, "table_mm") if given else DEFAULT_WALL.table,
            factor=table.number("factor", 0.3, 4.0, 1.0),
            natural_taper_mm_per_m=table.number("taper_mm_per_m", 0.0, 1.0, DEFAULT_WALL.natural_taper_mm_per_m),
            least_top_ratio=table.ratio("least_top", 0.3, 1.0, DEFAULT_WALL.least_top_ratio),
            source=table.text("source", "given by the organ file" if given else DEFAULT_WALL.source),
            kind=table.text("kind", "table", WALL_KINDS),
            top_share=table.ratio("top", 0.3, 1.0, None),
            alloy_factors=_alloy_factors(table),
        )
    except InputError as error:
        raise _at(table, error) from None
    if rule.top_share is not None and ("taper_mm_per_m" in table or "least_top" in table):
        raise table.error("is given twice, as a share and as a taper", "top", rule.top_share, "one of the two")
    table.finish()
    return rule


def _alloy_factors(table: TomlTable) -> tuple[tuple[str, float], ...]:
    inner: TomlTable | None = table.table("alloys", None)
    if inner is None:
        return ()
    return tuple((name, inner.number(name, 0.3, 4.0)) for name in inner.data)


def read_rank_wall(
    table: TomlTable, walls: Mapping[str, WallRule], default: WallRule | None = DEFAULT_WALL
) -> WallRule | GivenWall | None:
    """The wall of a rank or of a range of its notes: a rule's name, a wall given, or a rule of its own."""
    value = table.raw("wall")
    if value is None:
        return default
    if isinstance(value, str):
        if value not in walls:
            raise table.error("is not a wall rule of this file", "wall", value, ", ".join(walls))
        return walls[value]
    inner: TomlTable = table.table("wall")
    if any(key in inner for key in ("table_mm", "factor", "kind")):
        return read_wall("own", inner)
    mouth = inner.length_mm("mouth", 0.2, 8.0)
    try:
        wall = GivenWall(mouth, inner.length_mm("top", 0.2, 8.0, mouth), reverse=inner.flag("reverse", False))
    except InputError as error:
        raise _at(inner, error) from None
    inner.finish()
    return wall
