"""Variants: `variants.toml`, what would be different in a shop, one [[variant]] each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.recipe_file import recipe_of_table
from pipemetal.files.shop_file import FILLED, filled
from pipemetal.files.toml_table import TomlTable, read_toml, texts_of
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.variants import Change

__all__ = ["read_variants"]

AS_IT_IS = "as it is"


def read_variants(path: Path, recipes: Mapping[str, Recipe], settings: ShopSettings) -> tuple[Change, ...]:
    """The variants of a file, each with the shop's settings and recipes where it says nothing else.

    Keys of a [[variant]]: `name`; tables the tables of shop.toml, as [variant.sheets], [variant.owned];
    [variant.recipe.NAME] as in recipes.toml; [variant.alloys] with rank = recipe; `without_rolls`, `without_lots`.

    Errors: FileFormatError, PlanError, AlloyError with table and key.
    """
    top = read_toml(path)
    changes: list[Change] = []
    for table in top.tables("variant"):
        change = _change(table, recipes, settings)
        if change.name == AS_IT_IS or any(change.name == other.name for other in changes):
            raise table.error("is used for two variants", "name", change.name, "a name of its own")
        changes.append(change)
    top.finish()
    if not changes:
        raise top.error("are missing", "variant", allowed="at least one [[variant]]")
    return tuple(changes)


def _change(table: TomlTable, recipes: Mapping[str, Recipe], settings: ShopSettings) -> Change:
    name = table.text("name")
    try:
        parts = {key: filled(table, key, getattr(settings, key)) for key in FILLED}
        changed = replace(settings, **parts)
    except InputError as error:
        raise error if error.where.startswith(table.where) else error.at(table.where) from None
    metals = {key: recipe_of_table(key, inner) for key, inner in table.named_tables("recipe").items()}
    alloys: dict[str, str] = {}
    inner: TomlTable | None = table.table("alloys", None)
    if inner is not None:
        alloys = {rank: inner.text(rank, choices=[*recipes, *metals]) for rank in inner.data}
        inner.finish()
    without = {key: _names(table, key) for key in ("without_rolls", "without_lots")}
    table.finish()
    return Change(name, changed, metals, alloys, without["without_rolls"], without["without_lots"])


def _names(table: TomlTable, key: str) -> tuple[str, ...]:
    given = table.array(key, [])
    found = texts_of(given)
    if found is None:
        raise table.error("is not a list of ids", key, given)
    return found
