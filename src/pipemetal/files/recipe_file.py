"""Recipes: `recipes.toml`, the metals of a shop with a window on every element."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.toml_table import TomlTable, numbers_of, read_toml

__all__ = ["own_recipes", "read_recipes", "recipe_of_table"]


def read_recipes(path: Path) -> dict[str, Recipe]:
    """All recipes of a file, by name.

    [recipe.spotted]
    target = "Sn 50 Sb 0.3 Pb bal"
    Sn = [49, 51]          # lowest and highest percent by mass
    Sb = [0, 0.6]

    Errors: FileFormatError, AlloyError.
    """
    top = read_toml(path)
    recipes = {name: recipe_of_table(name, table) for name, table in top.named_tables("recipe").items()}
    top.finish()
    if not recipes:
        raise top.error("is missing", "recipe", allowed="at least one table [recipe.name]")
    return recipes


def own_recipes() -> Path:
    """The file of the program's own recipes, for a shop that has none: round figures, common practice, no source.

    >>> sorted(read_recipes(own_recipes()))
    ['lead-15', 'plain-30', 'spotted-50', 'tin-75']
    """
    return Path(str(resources.files("pipemetal.files"))) / "own_recipes.toml"


def recipe_of_table(name: str, table: TomlTable) -> Recipe:
    """One recipe from its table. Errors as `read_recipes`."""
    target = table.text("target")
    note = table.text("note", "")
    windows = []
    for element in ELEMENTS:
        window = table.array(element, None)
        if window is None:
            continue
        edges = numbers_of(window, 2)
        if edges is None:
            raise table.error("is not a pair of limits", element, window, "[lowest, highest] percent by mass")
        windows.append((element, edges[0], edges[1]))
    table.finish()
    try:
        return Recipe(name, Composition.parse(target), tuple(windows), note)
    except InputError as error:
        raise error.at(table.where) from None
