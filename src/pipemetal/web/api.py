"""The shop's own scripts: the same forms as JSON, described by OpenAPI; the same roles, and the same book behind them.

A script names itself by name and password (HTTP Basic) where the book names people. Masses are in kg, lengths in mm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI, Query
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse, Response

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError, NotInBookError
from pipemetal.files.shop_file import KEYS
from pipemetal.plans.codec import with_table
from pipemetal.shop import lots as shop_lots
from pipemetal.shop.settings import Told
from pipemetal.web import api_melts
from pipemetal.web.api_forms import (
    REFUSED,
    Asked,
    Cut,
    Millimetres,
    Named,
    NewCast,
    NewLot,
    NewRecipe,
    Reversal,
    RollChange,
    SettingsChange,
    Thickness,
)
from pipemetal.web.api_rows import (
    AccountRow,
    Booked,
    BookedCut,
    CastRow,
    EventRow,
    FoundRow,
    LotRow,
    LotsRow,
    RecipeRow,
    RollRow,
)
from pipemetal.web.reading import account_rows
from pipemetal.web.setting_groups import setting_of
from pipemetal.web.shop_settings import change
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["add_routes"]


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes under /api."""
    _add_looking(app, site)
    _add_writing(app, site)
    _add_shop(app, site)
    api_melts.add_routes(app, site)

    @app.get("/api/openapi.json", include_in_schema=False)
    def description() -> Response:
        return JSONResponse(described(app))


def described(app: FastAPI) -> dict[str, object]:
    """The interface as OpenAPI describes it: addresses with their version, who may come in, and how it refuses."""
    routes = [r for r in app.routes if getattr(r, "path", "").startswith("/api/")]
    told = get_openapi(title="A shop's metal", version="1", routes=routes)
    told["paths"] = {path.replace("/api/", "/api/1/", 1): ways for path, ways in told["paths"].items()}
    told["components"]["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer", "description": "A token of `pipemetal book people token`."},
        "password": {"type": "http", "scheme": "basic", "description": "Name and password of a person; no PIN."},
    }
    told["security"] = [{"token": []}, {"password": []}, {}]
    refused = {"application/json": {"schema": {"type": "object"}}}
    for ways in told["paths"].values():
        for way in ways.values():
            for status, words in (
                (401, "Come in first."),
                (403, "The role does not go so far."),
                (429, "Too many tries."),
            ):
                way["responses"].setdefault(str(status), {"description": words, "content": refused})
    return dict(told)


def _add_looking(app: FastAPI, site: Site) -> None:
    _add_rolls(app, site)
    _add_roll(app, site)
    _add_plans(app, site)


def _add_rolls(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/api/rolls", responses=REFUSED)
    def rolls(
        alloy: Asked = "",
        thinnest_mm: Thickness = None,
        thickest_mm: Thickness = None,
        length_mm: Millimetres = None,
        width_mm: Millimetres = None,
        text: Asked = "",
        limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    ) -> list[FoundRow]:
        """The one search: rolls, and where on each the metal is right."""
        wanted = None if thinnest_mm is None and thickest_mm is None else (thinnest_mm or 0.001, thickest_mm or 100.0)
        found = book.rolls.find(alloy or None, wanted, length_mm, width_mm, text or None)
        return [
            FoundRow(
                f.roll.id,
                f.roll.alloy,
                f.roll.length_mm,
                f.roll.width_mm,
                f.roll.thinnest_mm,
                f.roll.thickest_mm,
                f.roll.place,
                f.roll.state,
                f.roll.version,
                f.x_from_mm,
                f.x_to_mm,
            )
            for f in found[:limit]
        ]


def _add_roll(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/api/rolls/{roll_id:path}", responses=REFUSED)
    def roll(roll_id: str) -> RollRow:
        """One roll with its readings."""
        row = book.rolls.row(roll_id)
        return RollRow(
            row.id,
            row.alloy,
            row.length_mm,
            row.width_mm,
            row.trim_mm,
            row.place,
            row.parent,
            row.state,
            row.cast,
            row.note,
            row.day,
            row.mean_mm,
            row.version,
            tuple((r.x_mm, r.y_mm, r.thickness_mm) for r in row.readings_taken),
            book.ledger.mass_kg(f"roll:{roll_id}"),
        )

    @app.get("/api/lots", responses=REFUSED)
    def lots() -> LotsRow:
        """All lots with what the ledger says is left."""
        known, unknown = site.kept("lots", book.lots.in_stock)
        return LotsRow(
            tuple(LotRow(x.id, x.kind, x.mass_kg, x.composition.text()) for x in known),
            tuple(unknown),
        )

    @app.get("/api/casts", responses=REFUSED)
    def casts() -> list[CastRow]:
        """The casting log."""
        return [
            CastRow(c.id, c.day, c.composition.text(), c.gate_mm, c.charge_kg, c.length_mm, c.thickness_mm, c.verdict)
            for c in site.casts()
        ]


def _add_plans(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/api/plans", responses=REFUSED)
    def plans() -> list[dict[str, str]]:
        """All plans, latest first."""
        return [{k: str(v) for k, v in vars(p).items()} for p in site.plan_states()]

    @app.get("/api/plan", responses=REFUSED)
    def plan(key: Annotated[str, Query(alias="id", max_length=200)]) -> dict[str, object]:
        """One plan, as docs/plan-file.md describes it."""
        if key not in [p.id for p in site.plan_states()]:
            raise NotInBookError(field="plan", value=key)
        return with_table(site.plan_by_id(key))

    @app.get("/api/account", responses=REFUSED)
    def account() -> AccountRow:
        """The book's balances by kind of account and element, in kg."""
        stock, _, zero = account_rows(site)
        return AccountRow(stock, zero)

    @app.get("/api/history", responses=REFUSED)
    def history(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> list[EventRow]:
        """The latest events first."""
        return [EventRow(e.id, e.at, e.who, e.what, e.about, e.undoes) for e in book.history.events(limit=limit)]

    @app.get("/api/trace", responses=REFUSED)
    def trace(of: Annotated[str, Query(min_length=1, max_length=200)]) -> dict[str, object]:
        """Where the metal of a thing came from and where it went."""
        return book.trace.report(of).as_dict()


def _add_writing(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/api/rolls/{roll_id:path}", responses=REFUSED)
    def change_roll(roll_id: str, form: RollChange) -> Booked:
        """Change a roll's place, state or note."""
        done = book.rolls.change(roll_id, form.version, place=form.place, state=form.state, note=form.note)
        return Booked(done.event)

    @app.post("/api/lots", responses=REFUSED)
    def add_lot(form: NewLot) -> Booked:
        """Enter a lot."""
        metal = Composition.parse(form.composition) if form.composition.strip() else None
        lot = shop_lots.NewLot(form.id, form.kind, form.mass_kg, metal, piece_kg=form.piece_kg, note=form.note)
        with site.once(form.token):
            return Booked(book.lots.add(lot).event)

    @app.post("/api/casts", responses=REFUSED)
    def add_cast(form: NewCast) -> Booked:
        """Log a cast."""
        recipes = site.kept("recipes", book.recipes.all)
        if form.alloy not in recipes:
            raise BookError("is not a recipe of this shop", field="alloy", value=form.alloy)
        log = _logged(form, recipes[form.alloy].target)
        with site.once(form.token):
            return Booked(book.casts.record(log).event)

    @app.post("/api/cuts", responses=REFUSED)
    def cut(form: Cut) -> BookedCut:
        """Book a roll of an accepted plan as cut."""
        with site.once(form.token):
            event, remnants = book.plans.cut(form.plan, form.roll, kerf_mm=site.settings.sheets.kerf_mm)
        return BookedCut(event, tuple(remnants))

    @app.post("/api/plans/accept", responses=REFUSED)
    def accept(form: Named) -> Booked:
        """Accept a plan that is kept."""
        return Booked(book.plans.accept(form.plan).event)

    @app.post("/api/plans/give-up", responses=REFUSED)
    def give_up(form: Named) -> Booked:
        """Give an accepted plan up."""
        return Booked(book.plans.give_up(form.plan).event)

    @app.post("/api/undo", responses=REFUSED)
    def undo(form: Reversal) -> Booked:
        """Take an event back."""
        return Booked(book.history.undo(form.event).event)


def _add_shop(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/api/settings", responses=REFUSED)
    def settings() -> Told:
        """The shop's settings in effect, with the origin of each, the program's own, and the version to save on."""
        return site.in_effect().told()

    @app.post("/api/settings", responses=REFUSED)
    def change_settings(form: SettingsChange) -> Booked:
        """Change settings in the book."""
        values = {key: _whole(key, value) for key, value in form.values.items()}
        with site.once(form.token):
            return Booked(change(site, values, form.version))

    @app.get("/api/recipes", responses=REFUSED)
    def recipes() -> list[RecipeRow]:
        """All recipes with their windows."""
        versions = {row.id: row.version for row in book.recipes.rows()}
        return [
            RecipeRow(
                r.name,
                versions.get(r.name),
                r.target.text(),
                r.note,
                {e: (low, high) for e, low, high in r.windows_wt_pct},
            )
            for r in site.kept("recipes", book.recipes.all).values()
        ]

    @app.post("/api/recipes", responses=REFUSED)
    def keep_recipe(form: NewRecipe) -> Booked:
        """Enter a recipe, or change one."""
        windows = tuple((element, low, high) for element, (low, high) in form.windows.items())
        recipe = Recipe(form.name, Composition.parse(form.target), windows, form.note)
        with site.once(form.token):
            done = book.recipes.add(recipe) if form.version is None else book.recipes.change(recipe, form.version)
        return Booked(done.event)


def _whole(key: str, value: float | str | None) -> float | int | str | None:
    """JSON knows one kind of number; a setting that counts things wants a whole one."""
    counts = isinstance(value, float) and value.is_integer() and key in KEYS and setting_of(key).kind == "whole"
    return int(value) if counts and isinstance(value, float) else value


def _logged(form: NewCast, metal: Composition) -> LoggedCast:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.casting.model import Sled

    return LoggedCast(
        form.id,
        metal,
        form.gate_mm,
        form.charge_kg,
        Sled(form.sled_length_mm, form.sled_width_mm),
        form.length_mm,
        tuple(form.thickness_mm),
        push_time_s=form.push_time_s,
        pour_temperature_c=form.pour_temperature_c,
        verdict=form.verdict,
        day=form.day,
        note=form.note,
    )
