"""The shop's recipes: target and windows, entered and changed by who keeps the stock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import AlloyError, InputError
from pipemetal.units import parse_number
from pipemetal.web.shop_fields import fault_words, typed_number
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import version_of

__all__ = ["add_routes", "recipe_from_form"]

HERE = "/stock/recipes"
DECIMALS = 4
MOST_FIELDS = 60
EMPTY = dict.fromkeys(("name", "version", "target", "note"), "")


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of recipes."""

    @app.get(HERE)
    def recipes(request: Request, recipe: Annotated[str, Query(max_length=200)] = "") -> Response:
        known = site.kept("recipes", site.book.recipes.all)
        values = EMPTY
        if recipe:
            version = site.book.recipes.row(recipe).version
            values = form_of(site.show(request), known[recipe]) | {"version": str(version)}
        return _page(site, request, values)

    @app.post(HERE)
    async def save(request: Request) -> Response:
        form = await request.form(max_fields=MOST_FIELDS, max_files=0)
        values = {name: str(value)[:2000] for name, value in form.items()}
        return await run_in_threadpool(_save, site, request, values)


def _save(site: Site, request: Request, form: dict[str, str]) -> Response:
    show, book, text = site.show(request), site.book, form.get("version", "").strip()
    version = version_of(text) if text else None
    before = site.kept("recipes", book.recipes.all).get(form.get("name", "")) if text else None
    recipe, wrong = recipe_from_form(show, form, before)
    if recipe is not None and version is None and recipe.name in site.kept("recipes", book.recipes.all):
        wrong = {"name": "is in the book already"}
    if recipe is None or wrong:
        return _page(site, request, form, wrong=wrong, status=422)
    if recipe == before:
        return RedirectResponse(f"{HERE}?done=same", 303)
    with site.once(form.get("token", "")):
        event = book.recipes.add(recipe).event if version is None else book.recipes.change(recipe, version).event
    return site.booked(HERE, event)


def form_of(show: Show, recipe: Recipe) -> dict[str, str]:
    """A recipe as it stands in its form."""
    values = {"name": recipe.name, "target": recipe.target.text(), "note": recipe.note}
    for element, low, high in recipe.windows_wt_pct:
        values |= {
            f"low:{element}": typed_number(show, low, DECIMALS),
            f"high:{element}": typed_number(show, high, DECIMALS),
        }
    return values


def recipe_from_form(
    show: Show, form: Mapping[str, str], before: Recipe | None = None
) -> tuple[Recipe | None, dict[str, str]]:
    """The recipe that was typed, and what is wrong by field. What stands as it was shown keeps its exact value."""
    held = form_of(show, before) if before is not None else {}
    wrong: dict[str, str] = {}
    windows = []
    for element in ELEMENTS:
        window = _window(show, form, element, held, before, wrong)
        if window is not None:
            windows.append((element, *window))
    target = None
    try:
        same = before is not None and form.get("target", "").strip() == held["target"]
        target = before.target if same and before is not None else Composition.parse(form.get("target", ""))
    except InputError as error:
        wrong["target"] = error.text() if error.field else fault_words(show, error.problem, error.allowed)
    name, note = form.get("name", "").strip(), form.get("note", "").strip()
    if not name or len(name) > 200 or not name.isprintable():
        wrong["name"] = "is not a name"
    if wrong or target is None:
        return None, wrong
    try:
        return Recipe(name, target, tuple(windows), note), {}
    except AlloyError as error:
        field = f"low:{error.field}" if error.field in ELEMENTS else "target"
        return None, {field: fault_words(show, error.problem, error.allowed)}


def _window(
    show: Show,
    form: Mapping[str, str],
    element: str,
    held: Mapping[str, str],
    before: Recipe | None,
    wrong: dict[str, str],
) -> tuple[float, float] | None:
    names = (f"low:{element}", f"high:{element}")
    texts = [form.get(name, "").strip() for name in names]
    if not any(texts):
        return None
    if before is not None and all(text == held.get(name) for text, name in zip(texts, names, strict=True)):
        return before.window(element)
    edges = []
    for text, name, open_end in zip(texts, names, (0.0, 100.0), strict=True):
        try:
            edges.append(parse_number(text, field=element) if text else open_end)
        except InputError as error:
            wrong[name] = fault_words(show, error.problem, error.allowed)
    if len(edges) < 2:
        return None
    low, high = edges
    if not 0.0 <= low <= high <= 100.0:
        wrong[names[0]] = fault_words(show, "is not a pair of limits", "0 <= low <= high <= 100")
        return None
    return low, high


@dataclass(frozen=True)
class RecipeView:
    """A recipe as its page shows it; windows in percent by mass, density of the solid metal in g/cm3."""

    name: str
    target: str
    note: str
    windows: tuple[tuple[str, float, float], ...]
    density: float


def _page(
    site: Site,
    request: Request,
    values: Mapping[str, str],
    *,
    wrong: Mapping[str, str] | None = None,
    status: int = 200,
) -> Response:
    known = site.kept("recipes", site.book.recipes.all)
    density = site.densities()
    shown = [RecipeView(r.name, r.target.text(), r.note, r.windows_wt_pct, density[r.name]) for r in known.values()]
    return site.page(
        request,
        "recipes.html",
        "Recipes",
        "/stock",
        status=status,
        recipes=shown,
        v=EMPTY | dict(values),
        wrong=wrong or {},
        elements=ELEMENTS,
    )
