"""The melts: what to weigh, ticked off beside the scale; heat and readiness; booked; what is left of each."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from pipemetal.errors import BookError, InputError, MeltError, NotInBookError
from pipemetal.plans.as_weighed import as_weighed
from pipemetal.plans.record import planned_name
from pipemetal.shop.as_planned import DIFFERS, NotAsPlannedError
from pipemetal.shop.doing import WeighedMelt
from pipemetal.web import correcting, weighing
from pipemetal.web.faults import by_script
from pipemetal.web.paging import paged
from pipemetal.web.site import Site
from pipemetal.web.views.melt import chosen_melt, elements_of, melt_below
from pipemetal.web.weighing import OVERFULL, form_values, standing

if TYPE_CHECKING:
    from pipemetal.alloys.composition import Composition
    from pipemetal.plans.record import Charged
    from pipemetal.web.show import Show

__all__ = ["add_routes", "weighed_from_form"]

SAME_DROSS_KG: Final = 0.051
"""The form holds the planned dross to a tenth of a kilogram."""


def add_routes(app: FastAPI, site: Site) -> None:
    """The melt room's routes."""
    book = site.book

    @app.get("/melts")
    def melts(request: Request, melt: Annotated[str, Query(max_length=200)] = "") -> Response:
        plan_id, plan = site.plan(request)
        rows = book.melts.rows()
        charged = {m.id: m for m in rows if m.plan == plan_id}
        booked = {name: m.id for m in charged.values() for name in [planned_name(m.id, plan) if plan else ""] if name}
        rows.sort(key=lambda m: (m.day, m.id), reverse=True)
        if melt and (plan is None or melt not in {m.name for m in plan.melts}):
            raise NotInBookError(field="melt", value=melt)
        chosen = chosen_melt(plan, melt, frozenset(booked)) if plan else None
        below, left = melt_below(plan, chosen, booked) if plan and chosen else "", _left(site)
        return site.page(
            request,
            "melts.html",
            "Melts",
            "/melts",
            plan=plan,
            m=chosen,
            elements=elements_of(chosen.charge) if chosen and chosen.charge else (),
            plan_id=plan_id,
            state=site.plan_state(plan_id),
            booked=booked,
            plan_efficiency=site.settings.pot.efficiency,
            burner_kw=site.settings.pot.burner_kw,
            most_kg=site.settings.pot.capacity_kg * OVERFULL,
            today=datetime.date.today().isoformat(),
            listed=paged(rows, request),
            left=left,
            heels=list(dict.fromkeys([*([below] if below in left else []), *left]))[:6],
            below=below,
        )

    @app.post("/melts/as-weighed")
    async def so_far(request: Request) -> Response:
        """The part of the page that says what the melt will be, by what is typed so far."""
        return await run_in_threadpool(_so_far, site, request, await form_values(request))

    @app.post("/melts/book")
    async def charge(request: Request) -> Response:
        values = await form_values(request)
        try:
            event = await run_in_threadpool(_book, site, request, values)
        except NotAsPlannedError as error:
            return await run_in_threadpool(_not_as_planned, site, request, values, error)
        return site.booked("/melts", event)

    weighing.add_routes(app, site)
    correcting.add_routes(app, site)


@dataclass(frozen=True)
class Left:
    """What is left of a melt, and the elements of it that lie outside its recipe's windows."""

    left_kg: float
    metal: Composition | None
    outside: tuple[str, ...]


def _left(site: Site) -> dict[str, Left]:
    recipes = site.kept("recipes", site.book.recipes.all)
    return {
        m.id: Left(
            m.left_kg,
            m.metal,
            tuple(e for e, *_ in recipes[m.recipe].misses(m.metal)) if m.metal and m.recipe in recipes else (),
        )
        for m in standing(site)
    }


def _so_far(site: Site, request: Request, values: dict[str, str]) -> Response:
    show = site.show(request)
    plan = site.plan_by_id(values.get("plan", ""))
    melt = next((m for m in plan.melts if m.name == values.get("melt", "")), None)
    if melt is None or melt.charge is None:
        raise NotInBookError(field="melt", value=values.get("melt", ""))
    weighed, dross, unread = _typed_so_far(show, values, melt.charge)
    charge = as_weighed(melt.charge, weighed, site.settings.losses, dross)
    other_dross = dross is not None and abs(dross - melt.charge.dross_kg) > SAME_DROSS_KG
    return site.page(
        request,
        "melt_elements.html",
        "Melts",
        "/melts",
        elements=elements_of(charge),
        by_scale=charge if weighed or other_dross else None,
        unread=unread,
    )


def _typed_so_far(
    show: Show, values: dict[str, str], charge: Charged
) -> tuple[dict[str, float], float | None, list[tuple[str, str]]]:
    """What is typed so far: masses by lot, a lot of nothing too; the dross; and what of it is no mass, by the name of its field.

    What is no mass, or no mass that can be, counts as planned.
    """
    weighed: dict[str, float] = {}
    unread: list[tuple[str, str]] = []
    for line in charge.lots:
        name = f"w:{line.id}"
        try:
            nothing = show.read_mass(values.get(name, ""), name) == 0.0
            weighed |= {line.id: 0.0} if nothing else weighed_from_form(show, {name: values.get(name, "")})
        except InputError:
            unread.append((show.read(line.shown), values[name]))
    try:
        dross = show.read_mass(values.get("dross", ""), "dross")
        if dross is not None and not 0.0 <= dross < charge.charged_kg:
            raise MeltError("is out of range", field="dross", value=dross, limits=(0.0, charge.charged_kg, "kg"))
    except InputError:
        dross = None
        unread.append((show.say("Dross skimmed"), values["dross"]))
    return weighed, dross, unread


def weighed_from_form(show: Show, values: dict[str, str]) -> dict[str, float]:
    """The scale's readings by lot; fields are `w:LOT`. Errors: UnitError, MeltError."""
    weighed: dict[str, float] = {}
    for name, text in values.items():
        if name.startswith("w:") and text.strip():
            mass = show.read_mass(text, name)
            if mass is None or not 0.0 <= mass <= 5000.0:
                raise MeltError("is out of range", field=name, value=mass, limits=(0.0, 5000.0, "kg"))
            if mass > 0.0:
                weighed[name[2:]] = mass
    return weighed


def _not_as_planned(site: Site, request: Request, values: dict[str, str], error: NotAsPlannedError) -> Response:
    """Tell what differs from the list, and ask whether it is meant; what was typed is kept."""
    show = site.show(request)
    told = [
        show.say(DIFFERS[d.kind], name=d.name, weighed=show.mass(d.weighed_kg), planned=show.mass(d.planned_kg))
        for d in error.differences
    ]
    if by_script(request):  # at the scale: each beside its own reading, and one button more
        faults = [
            {"field": f"w:{d.name}" if f"w:{d.name}" in values else "", "words": words}
            for d, words in zip(error.differences, told, strict=True)
        ]
        return JSONResponse({"faults": faults, "ask": True}, 409)
    kept = {name: text for name, text in values.items() if name != "sure"}
    return site.page(
        request, "not_as_planned.html", "Not as planned", "/melts", status=409, melt=error.melt, told=told, kept=kept
    )


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
        return book.plans.charge(
            values.get("plan", ""),
            values.get("melt", ""),
            WeighedMelt(
                melt_id,
                weighed_kg=weighed,
                heel_of=values.get("heel_of", ""),
                dross_kg=dross,
                day=values.get("day", ""),
                note=values.get("note", ""),
                sure=bool(values.get("sure", "")),
            ),
        ).event
