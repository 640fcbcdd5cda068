"""The melts: what to weigh, ticked off beside the scale; correction after an assay; heat and readiness; booked."""

from __future__ import annotations

import datetime
from typing import Annotated, Any

from fastapi import FastAPI, Form, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import BookError, InputError, MeltError
from pipemetal.melts.charge import Charge
from pipemetal.melts.correction import correct
from pipemetal.melts.lots import Heel
from pipemetal.shop.stock import book_stock
from pipemetal.web.site import Site

__all__ = ["add_routes", "weighed_from_form"]

Short = Annotated[str, Form(max_length=250)]
MOST_LINES = 200


def add_routes(app: FastAPI, site: Site) -> None:
    """The melt room's routes."""
    book = site.book

    @app.get("/melts")
    def melts(request: Request) -> Response:
        plan_id, plan = site.plan(request)
        rows = book.rows("melts")
        charged = {m["id"]: m for m in rows if m["plan"] == plan_id}
        booked = {name: m["id"] for m in charged.values() for name in [_planned_name(m["id"], plan)] if name}
        rows.sort(key=lambda m: (m["day"], m["id"]), reverse=True)
        return site.page(
            request, "melts.html", "Melts", "/melts", plan=plan, plan_id=plan_id, state=site.plan_state(plan_id),
            booked=booked,
            plan_efficiency=site.settings.pot.efficiency, burner_kw=site.settings.pot.burner_kw,
            today=datetime.date.today().isoformat(), latest=rows[:20],
            heels=[m["id"] for m in rows[:6] if site.stock_kg(f"melt:{m['id']}") > 0.01],
        )  # fmt: skip

    @app.post("/melts/book")
    async def charge(request: Request) -> Response:
        form = await request.form(max_fields=MOST_LINES + 20, max_files=0)
        values = {k: str(v)[:300] for k, v in form.items()}
        event = await run_in_threadpool(_book, site, request, values)
        return site.booked("/melts", event)

    @app.get("/melts/correct")
    def correction_form(request: Request, melt: str = "") -> Response:
        recipes = site.kept("recipes", book.recipes)
        values = {"recipe": "", "mass": "", "assay": ""}
        row = next((m for m in book.rows("melts") if m["id"] == melt), None)
        if row is not None:
            held = site.stock_kg(f"melt:{row['id']}")
            values = {"recipe": row["recipe"], "mass": site.show(request).plain_mass(held, 1), "assay": row["assay"]}
        return site.page(request, "correct.html", "Correct a melt", "/melts", v=values, recipes=sorted(recipes), answer=None,
                         problem="")  # fmt: skip

    @app.post("/melts/correct")
    def correction(request: Request, recipe: Short, mass: Short, assay: Short) -> Response:
        recipes = site.kept("recipes", book.recipes)
        values = {"recipe": recipe, "mass": mass, "assay": assay}
        answer, problem = None, ""
        try:
            answer = _corrected(site, request, values)
        except InputError as error:
            problem = str(error)
        return site.page(
            request, "correct.html", "Correct a melt", "/melts", status=422 if problem else 200, v=values,
            recipes=sorted(recipes), answer=answer, problem=problem,
        )  # fmt: skip


def _planned_name(melt_id: str, plan: dict[str, Any] | None) -> str:
    """The planned melt that a booked one was made of: its id ends in that name."""
    names = [m["name"] for m in plan["melts"]] if plan else []
    return next((n for n in sorted(names, key=len, reverse=True) if melt_id == n or melt_id.endswith(f"-{n}")), "")


def weighed_from_form(show: Any, values: dict[str, str]) -> dict[str, float]:
    """The scale's readings by lot; fields are `w:LOT`. Errors: UnitError, MeltError."""
    weighed: dict[str, float] = {}
    for name, text in values.items():
        if name.startswith("w:") and text.strip():
            mass = show.read_mass(text, name[2:])
            if not 0.0 <= mass <= 5000.0:
                raise MeltError("is out of range", field=name[2:], value=mass, allowed="0 to 5000 kg")
            if mass > 0.0:
                weighed[name[2:]] = mass
    return weighed


def _book(site: Site, request: Request, values: dict[str, str]) -> int:
    show, book = site.show(request), site.book
    weighed = weighed_from_form(show, values)
    if not weighed:
        raise MeltError("is empty: type what the scale says for every lot", field="weighed")
    dross = show.read_mass(values.get("dross", ""), "dross")
    melt_id = values.get("id", "").strip()
    if not melt_id:
        raise BookError("is empty", field="id")
    with site.once(values.get("token", "")):
        return book.charge_planned(
            values.get("plan", ""), values.get("melt", ""), melt_id, weighed_kg=weighed, heel_of=values.get("heel_of", ""),
            dross_kg=dross, day=values.get("day", ""), note=values.get("note", ""),
        )  # fmt: skip


def _corrected(site: Site, request: Request, values: dict[str, str]) -> dict[str, Any]:
    """What to add to a melt that was assayed, as the page shows it."""
    show = site.show(request)
    recipes = site.kept("recipes", site.book.recipes)
    if values["recipe"] not in recipes:
        raise MeltError("is not a recipe", field="recipe", value=values["recipe"][:100])
    mass = show.read_mass(values["mass"], "mass")
    if mass is None or not 1.0 <= mass <= 5000.0:
        raise MeltError("is out of range", field="mass", value=values["mass"][:40], allowed="1 to 5000 kg")
    metal = Composition.parse(values["assay"])
    recipe, pot = recipes[values["recipe"]], site.settings.pot
    stock = site.kept("stock", lambda: book_stock(site.book, reserved=True))
    found = correct(
        Heel(mass, metal), recipe, stock["lots"], pot.capacity_kg, weigh_step_kg=pot.weigh_step_kg,
        losses=site.settings.losses,
    )  # fmt: skip
    if not isinstance(found.answer, Charge):
        return {"words": found.answer.words, "lines": None, "ladle_kg": found.ladle_out_kg, "room_kg": found.room_left_kg,
                "reached": []}  # fmt: skip
    now, after = metal.as_wt_pct(), found.answer.composition.as_wt_pct()
    windows = {e: (low, high) for e, low, high in recipe.windows_wt_pct}
    return {
        "words": "", "ladle_kg": found.ladle_out_kg, "room_kg": found.room_left_kg,
        "lines": [(line.lot.id, line.lot.kind, line.mass_kg) for line in found.answer.lines],
        "reached": [(e, now[e], after[e], windows.get(e)) for e in ELEMENTS if now[e] > 0.005 or after[e] > 0.005],
    }  # fmt: skip
