"""The casting room: the day's list, a card for each pour with its beat, the log, and what came of it."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from pipemetal.errors import CastingError, InputError, NotInBookError
from pipemetal.quantities import CAST
from pipemetal.shop.cast_checks import check_cast
from pipemetal.shop.rows import OrderState
from pipemetal.texts import Text as Said
from pipemetal.web import pictures
from pipemetal.web.cast_form import cast_from_form, marks_text, next_id, pairs_of, planned_mm, sled_text, within
from pipemetal.web.casting_day import day_page, pours_of
from pipemetal.web.faults import by_script
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import version_of
from pipemetal.web.views.pour import heat_of, push_of

if TYPE_CHECKING:
    from pipemetal.casting.explain import Explanation
    from pipemetal.casting.log import LoggedCast
    from pipemetal.shop.rows import CastOrderRow
    from pipemetal.web.usable import GoodFor

__all__ = ["FIELDS", "add_routes", "cast_from_form", "enter_cast", "pours_of"]

FIELDS: Final = (
    "id",
    "day",
    "alloy",
    "gate_mm",
    "charge_kg",
    "pour_temperature_c",
    "push_time_s",
    "length_mm",
    "sled",
    "thickness",
    "verdict",
    "note",
    "leftover_kg",
    "melt",
    "used_kg",
    "order",
    "marks",
    "asked_marks",
    "run_up_mm",
    "crew",
    "version",
    "token",
    "pour",
    "correct",
)


def add_routes(app: FastAPI, site: Site) -> None:
    """The casting room's routes."""
    _add_casting(app, site)
    _add_log(app, site)
    _add_trimming(app, site)


def _add_casting(app: FastAPI, site: Site) -> None:
    @app.get("/casting")
    def casting(request: Request, day: Annotated[int, Query(ge=0, le=10_000)] = 0) -> Response:
        return day_page(site, request, day)

    @app.get("/casting/pour")
    def pour(request: Request, n: int = 0) -> Response:
        _, plan = site.plan(request)
        pours = pours_of(plan)
        if not 0 <= n < len(pours):
            raise NotInBookError(field="pour", value=n)
        _, chosen = pours[n]
        card = {
            "marks": [vars(mark) for mark in chosen.card.marks] if chosen.card else [],
            "beat_s": chosen.card.beat_s if chosen.card else 0.5,
            "push_s": chosen.card.push_time_s if chosen.card else 0.0,
        }
        return site.page(
            request,
            "pour.html",
            Said("Pour of {sheet}", sheet=chosen.sheet),
            "/casting",
            n=n,
            p=chosen,
            card=card,
            before=n - 1 if n else None,
            after=n + 1 if n + 1 < len(pours) else None,
            plan=plan,
            heat=heat_of(chosen.pour_window_c) if chosen.pour_window_c else None,
            push=push_of(chosen, 652.0, room=54.0),
            narrow=push_of(chosen, 342.0, room=50.0),
        )

    @app.get("/casting/log")
    def log_form(request: Request, pour: int = -1, cast: Annotated[str, Query(max_length=200)] = "") -> Response:
        if not cast and (done := _cast_already(site, request, pour)) is not None:
            return _form(site, request, dict.fromkeys(FIELDS, ""), "", 200, done)
        values = _as_logged(site, request, cast) if cast else _proposed(site, request, pour)
        return _form(site, request, values, "", 200)


def _add_log(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/casting/log")
    async def log(request: Request) -> Response:
        form = await request.form(max_fields=60, max_files=0)
        values = {name: str(form.get(name, ""))[:2000] for name in FIELDS}
        show = site.show(request)
        try:
            event, key = await run_in_threadpool(enter_cast, site, show, values)
        except InputError as error:
            if values["version"] or by_script(request):
                raise
            return await run_in_threadpool(_form, site, request, values, error.text(), 422)
        measured = bool(values["thickness"].strip() or values["correct"])
        page = f"/casting/cast/{_quoted(key)}?" if measured else f"/casting/measure?cast={_quoted(key)}&"
        return RedirectResponse(f"{page}event={event}", 303)

    @app.get("/casting/cast/{cast_id:path}")
    def cast(request: Request, cast_id: str) -> Response:
        row = book.casts.row(cast_id)
        casts = site.casts()
        held = next(c for c in casts if c.id == cast_id)
        return site.page(
            request,
            "cast.html",
            Said("Cast {id}", id=cast_id),
            "/casting",
            c=held,
            version=row.version,
            melt=row.melt,
            on_sheet_kg=site.book.ledger.mass_kg(f"sheet:{cast_id}"),
            hung=book.rolls.cast_from(cast_id),
            gone=book.casts.booked(cast_id) if cast_id in site.failed_casts() else (),
            view=_learned(site, site.show(request), held, casts),
            good_for=_good_for(site, request, held),
            events=book.history.events(f"cast:{cast_id}"),
            undone=site.undone(),
        )


def _add_trimming(app: FastAPI, site: Site) -> None:
    @app.post("/casting/trim")
    def trim(
        request: Request,
        cast: Annotated[str, Form(max_length=200)],
        swarf: Annotated[str, Form(max_length=40)] = "",
        token: Annotated[str, Form(max_length=100)] = "",
    ) -> Response:
        lost = site.show(request).read_mass(swarf, "swarf")
        with site.once(token):
            event = site.book.casts.trim(cast, swarf_kg=within(lost or 0.0, CAST["leftover_kg"], "swarf")).event
        if not site.book.rolls.cast_from(cast):  # it came to nothing: the rest is planned without it
            return RedirectResponse(f"/casting/after?cast={_quoted(cast)}&event={event}", 303)
        return RedirectResponse(f"/casting/cast/{_quoted(cast)}?event={event}", 303)


def _quoted(text: str) -> str:
    return quote(text, safe="")


def _cast_already(site: Site, request: Request, pour: int) -> CastOrderRow | None:
    """The line of the cast list that the sheet of a pour fulfilled, where it is cast."""
    plan_id, plan = site.plan(request)
    pours = pours_of(plan)
    if not plan_id or not 0 <= pour < len(pours):
        return None
    orders = site.book.plans.cast_list(plan_id, state=OrderState.CAST)
    return next((o for o in orders if o.sheet == pours[pour][1].sheet), None)


def _form(
    site: Site, request: Request, values: dict[str, str], problem: str, status: int, done: CastOrderRow | None = None
) -> Response:
    recipes = site.kept("recipes", site.book.recipes.all)
    melts = sorted(site.book.melts.rows(), key=lambda m: m.day, reverse=True)[:12]
    return site.page(
        request,
        "log.html",
        "Log a cast",
        "/casting",
        status=status,
        v=values,
        alloys=sorted(recipes),
        problem=problem,
        melts=[m.id for m in melts],
        already=done,
    )


def _proposed(site: Site, request: Request, pour: int) -> dict[str, str]:
    """The form as it stands before anybody types: the card's own values, so that only what was different is changed."""
    show, book = site.show(request), site.book
    casts = site.casts()
    values = dict.fromkeys(FIELDS, "") | {
        "day": datetime.date.today().isoformat(),
        "id": next_id([*(c.id for c in casts), *book.rolls.casts_named()]),
        "pour": str(pour),
    }
    if casts:
        values["sled"] = sled_text(show, casts[0].sled.inner_length_mm, casts[0].sled.inner_width_mm)
    plan_id, plan = site.plan(request)
    pours = pours_of(plan)
    if not 0 <= pour < len(pours):
        return values
    _, p = pours[pour]
    orders = [o for o in book.plans.cast_list(plan_id) if o.sheet == p.sheet] if plan_id else []
    melts = [m.id for m in book.melts.rows() if m.plan == plan_id and m.id.endswith(p.melt)]
    values |= {
        "alloy": p.alloy,
        "length_mm": show.plain(p.length_mm),
        "note": p.sheet,
        "order": orders[0].id if orders else "",
        "run_up_mm": show.plain(site.settings.casting.run_up_mm),
        "crew": site.settings.crew,
        "melt": melts[0] if melts else "",
        "sled": sled_text(show, p.sled_length_mm or site.settings.casting.sled_length_mm, p.width_mm),
    }
    if p.card is not None:
        values |= {
            "gate_mm": show.gate(p.card.gate_mm),
            "charge_kg": show.plain_mass(p.charge_kg, 1),
            "leftover_kg": show.plain_mass(p.left_kg, 1),
            "push_time_s": show.number(p.card.push_time_s, 1),
            "asked_marks": marks_text([(m.distance_m, m.time_s) for m in p.card.marks]),
        }
    if p.pour_window_c is not None:
        middle = 0.5 * (p.pour_window_c.try_low + p.pour_window_c.try_high)
        values["pour_temperature_c"] = show.typed_temperature(middle)
    return values


def _as_logged(site: Site, request: Request, key: str) -> dict[str, str]:
    """The form with what was logged, to be corrected."""
    show, row = site.show(request), site.book.casts.row(key)
    held = next(c for c in site.casts() if c.id == key)
    recipes = site.kept("recipes", site.book.recipes.all)
    metal = held.composition.text()
    heat, left = held.pour_temperature_c, held.leftover_kg
    return dict.fromkeys(FIELDS, "") | {
        "correct": str(row.version),
        "id": held.id,
        "day": held.day,
        "alloy": next((name for name, recipe in recipes.items() if recipe.target.text() == metal), ""),
        "gate_mm": show.gate(held.gate_mm),
        "charge_kg": show.plain_mass(held.charge_kg, 1),
        "length_mm": show.plain(held.length_mm),
        "sled": sled_text(show, held.sled.inner_length_mm, held.sled.inner_width_mm),
        "thickness": " ".join(f"{show.plain(d)}:{show.plain_thickness(t)}" for d, t in held.thickness_mm),
        "marks": marks_text(held.marks),
        "asked_marks": marks_text(held.asked_marks),
        "run_up_mm": "" if held.run_up_mm is None else show.plain(held.run_up_mm),
        "crew": held.crew,
        "push_time_s": "" if held.push_time_s is None else show.number(held.push_time_s, 1),
        "pour_temperature_c": "" if heat is None else show.typed_temperature(heat),
        "leftover_kg": "" if left is None else show.plain_mass(left, 1),
        "verdict": held.verdict or "",
        "melt": row.melt or "",
        "note": held.note,
    }


def enter_cast(site: Site, show: Show, values: dict[str, str]) -> tuple[int, str]:
    """Book a cast as logged, or what was measured of one that is in the log; gives the event and the cast's id."""
    book = site.book
    if values.get("version"):
        return _measured(site, show, values)
    log = cast_from_form(site, show, values)
    used = show.read_mass(values.get("used_kg", ""), "used_kg")
    check_cast(log, used_kg=used, planned_mm=planned_mm(site, values.get("order", "")))
    melt = values.get("melt", "").strip()
    if values.get("correct"):
        with site.once(values.get("token", "")):
            return book.casts.correct(log, version_of(values["correct"]), used_kg=used).event, log.id
    if melt and used is None:
        left = show.read_mass(values.get("leftover_kg", ""), "leftover_kg")
        if left is None:
            raise CastingError("is needed, so that the metal on the table is known", field="leftover_kg")
        used = log.charge_kg - left
    with site.once(values.get("token", "")):
        return book.casts.record(log, melt=melt, used_kg=used, order=values.get("order") or None).event, log.id


def _measured(site: Site, show: Show, values: dict[str, str]) -> tuple[int, str]:
    """The thickness of a sheet that was cast, written beside its cast."""
    key = values["id"]
    version = version_of(values["version"])
    held = next((c for c in site.casts() if c.id == key), None)
    if held is None:
        raise NotInBookError(field="id", value=key[:200])
    pairs = pairs_of(values["thickness"], show, "thickness")
    for at, thickness in pairs:
        within(at, replace(CAST["along_mm"], high=held.length_mm), "thickness")
        within(thickness, CAST["thickness_mm"], "thickness")
    with site.once(values["token"]):
        return site.book.casts.measure(key, version, pairs).event, key


def _good_for(site: Site, request: Request, held: LoggedCast) -> list[GoodFor]:
    """What the plan in hand could cut out of the sheet."""
    from pipemetal.web.usable import good_for

    recipes = site.kept("recipes", site.book.recipes.all)
    metal = held.composition.text()
    alloy = next((name for name, recipe in recipes.items() if recipe.target.text() == metal), "")
    _, plan = site.plan(request)
    return good_for(held, alloy, plan, site.settings.sheets.trim_mm)


@dataclass(frozen=True)
class Taught:
    """What a measured cast teaches: predicted against measured, the causes, and what to change next; or why nothing."""

    told: Explanation | None = None
    picture: str = ""
    why_not: str = ""
    log_next: str = ""
    alone: bool = False


def _learned(site: Site, show: Show, held: LoggedCast, casts: list[LoggedCast]) -> Taught:
    from pipemetal.casting.calibrate import calibrate
    from pipemetal.casting.explain import expected_stations, explain

    if not held.thickness_mm:
        return Taught()
    alone = sum(1 for c in casts if c.thickness_mm) == 1
    in_order = sorted(casts, key=lambda c: (c.day, c.id))
    try:
        found = site.kept("calibration", lambda: calibrate(in_order))
        picture = pictures.cast_picture(held, expected_stations(held.id, in_order, found), show)
        told = None if alone else explain(held.id, in_order, found)
    except InputError as error:
        return Taught(why_not=error.text(), alone=alone)
    return Taught(told, picture, log_next=found.log_next, alone=alone)
