"""The shop's recipes in the book."""

from __future__ import annotations

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError, InputError
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import RecipeRow
from pipemetal.shop.writer import Kept
from pipemetal.shop.writing import Writing, Written, dump

__all__ = ["Recipes", "density_of", "enter_recipe", "target_of"]


class Recipes(Kept[RecipeRow]):
    """Recipes: targets and windows of the shop's alloys."""

    KIND = RecipeRow

    def add(self, recipe: Recipe) -> Written[None]:
        """Enter a recipe. Errors: BookError."""
        with self._writer.writing(Action.RECIPE_ENTERED, f"recipe:{recipe.name}") as w:
            enter_recipe(w, recipe)
            return w.written()

    def change(self, recipe: Recipe, version: int | None = None) -> Written[None]:
        """Give a recipe another target, other windows or another note. What is booked stays as it was booked.

        Errors: StaleSaveError where it was changed meanwhile, BookError where there is none.
        """
        with self._writer.writing(Action.RECIPE_CHANGED, f"recipe:{recipe.name}") as w:
            w.change("recipes", recipe.name, version, **_values(recipe))
            return w.written()

    def all(self) -> dict[str, Recipe]:
        """All recipes by name."""
        return {row.id: row.recipe for row in self.rows()}


def enter_recipe(w: Writing, recipe: Recipe) -> None:
    """A new recipe within an event."""
    w.add("recipes", recipe.name, **_values(recipe))


def _values(recipe: Recipe) -> dict[str, str]:
    return {"target": recipe.target.text(), "windows": dump(recipe.windows_wt_pct), "note": recipe.note}


def density_of(metal: Composition) -> float:
    """Density of solid metal in g/cm3. What it is computed with is loaded when it is first asked for."""
    from pipemetal.alloys.properties import solid_density_g_cm3

    return solid_density_g_cm3(metal)


def target_of(w: Writing, alloy: str) -> Composition:
    """The metal that a recipe aims at. Errors: BookError."""
    recipe = w.get(RecipeRow, alloy)
    if recipe is None:
        raise BookError("is not a recipe of this shop", field="alloy", value=alloy)
    try:
        return Composition.parse(recipe.target)
    except InputError as error:
        raise BookError(str(error), field="recipe", value=alloy) from None
