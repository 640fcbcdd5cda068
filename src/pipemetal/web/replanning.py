"""The rest of an accepted plan planned anew beside the page: after a cast, after a lost day, or when somebody asks; and taken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from pipemetal.errors import BookError, InputError
from pipemetal.planning.habits import parse_dates
from pipemetal.shop.now import not_counted_by
from pipemetal.shop.rows import OrderState, PlanState
from pipemetal.texts import Amount
from pipemetal.texts import Text as Said
from pipemetal.web.measured import Measured, measured_cast
from pipemetal.web.shop_settings import change
from pipemetal.web.site import Site
from pipemetal.web.views.after import AfterView, after_view
from pipemetal.web.work import AnewTask

if TYPE_CHECKING:
    import datetime as dt

    from pipemetal.plans.anew import Anew
    from pipemetal.plans.now import NotCounted
    from pipemetal.plans.record import Plan

__all__ = ["WaitsAnew", "add_routes", "ask_anew", "lost_days", "waits_anew"]

Short = Annotated[str, Form(max_length=250)]
MOST_HELD: Final = 4
LOST: Final = "day.lost_days"


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of planning the rest anew."""
    _add_after(app, site)
    _add_lost_day(app, site)


def ask_anew(site: Site, plan_id: str, cast: str = "") -> None:
    """The rest of an accepted plan planned anew, beside the pages; nothing is changed by it. `cast`: after which one, if any."""
    name = cast or plan_id
    if site.plan_state(plan_id) != PlanState.ACCEPTED or _running(site, name):
        return
    made_of = _as_it_stands(site, plan_id)

    def finish(anew: Anew) -> tuple[str, str]:
        site.anew[name] = (plan_id, made_of, anew)
        while len(site.anew) > MOST_HELD:
            site.anew.pop(next(iter(site.anew)))
        return "planned anew", _page_after(cast)

    site.jobs.add(AnewTask(site.book.target, plan_id, site.settings), name, site.book.who, finish)


def _as_it_stands(site: Site, plan_id: str) -> tuple[str, ...]:
    """What a plan made anew rests on: the versions of the plan and of the settings, and what was cast of it, failed ones too."""
    failed = site.failed_casts()
    cast = (o for o in site.book.plans.cast_list(plan_id, state=OrderState.CAST))
    versions = f"{site.book.plans.row(plan_id).version} {site.in_effect().version}"
    return (versions, *sorted(f"{o.sheet} {o.cast} {o.cast in failed}" for o in cast))


def _page_after(cast: str) -> str:
    return f"/casting/after?cast={quote(cast, safe='')}" if cast else "/casting/after"


def _running(site: Site, name: str) -> bool:
    return any(j.kind == "anew" and j.title == name for j in site.jobs.running())


def _held(site: Site, name: str) -> tuple[str, Anew] | None:
    """A new plan by the name of its job, where the plan that it was made from still stands, and nothing of it was cast since."""
    found = site.anew.get(name)
    if found is None or _as_it_stands(site, found[0]) != found[1]:
        return None
    return found[0], found[2]


@dataclass(frozen=True)
class WaitsAnew:
    """That the plan in hand does not count what was booked since: in words, and the way on.

    `page`: where the new plan waits or is being made, empty where the rest is to be planned anew, `cast` after which cast;
    `way`: what the way on is called; `sheets`: whether sheets are among it, and not lost days alone.
    """

    told: Said
    way: str
    page: str = ""
    cast: str = ""
    sheets: bool = True


def lost_days(site: Site) -> frozenset[dt.date]:
    """The days that are lost by the settings that count now; none where these cannot be read."""
    try:
        return parse_dates(site.settings.day.lost_days, LOST)
    except InputError:  # their own page says what is wrong with them
        return frozenset()


def waits_anew(site: Site, plan_id: str) -> WaitsAnew | None:
    """What an accepted plan does not count, and the one way on; None where it counts all."""
    if not plan_id or site.plan_state(plan_id) != PlanState.ACCEPTED:
        return None
    since, cast = site.kept(f"not counted {plan_id}", lambda: _not_counted(site, plan_id))
    if not since:
        return None
    what, sheets = since.words, bool(since.measured or since.failed)
    for name in reversed(list(site.anew)):
        made = _held(site, name)
        if made is not None and made[0] == plan_id and since.is_counted_by(made[1].now):
            told = Said("{what}: a plan worked out since waits to be taken.", what=what)
            return WaitsAnew(told, "Look at it", _page_after("" if name == plan_id else name), sheets=sheets)
    for job in site.jobs.running():
        if isinstance(job.task, AnewTask) and job.task.plan_id == plan_id:
            page = _page_after("" if job.title == plan_id else job.title)
            told = Said("{what}: the rest is being planned anew.", what=what)
            return WaitsAnew(told, "See how far it is", page, sheets=sheets)
    told = Said("{what}: the rest waits to be planned anew.", what=what)
    return WaitsAnew(told, "Plan the rest anew", cast=cast, sheets=sheets)


def _not_counted(site: Site, plan_id: str) -> tuple[NotCounted, str]:
    """What a plan does not count; and the cast of it where it is one sheet alone."""
    since = not_counted_by(site.book, plan_id, site.plan_by_id(plan_id), lost_days(site))
    names = (*since.measured, *since.failed)
    if len(names) != 1 or since.lost:
        return since, ""
    orders = site.book.plans.cast_list(plan_id, state=OrderState.CAST)
    return since, next((o.cast for o in orders if o.sheet == names[0]), "")


def _plan_of(site: Site, request: Request, held: Measured | None) -> str:
    """The plan that a cast was made for; without a cast the one at hand. Empty where there is none."""
    if held is not None:
        return held.order.plan if held.order is not None else ""
    return site.plan(request)[0]


def _add_after(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/casting/after")
    def after(
        request: Request,
        cast: Annotated[str, Query(max_length=200)] = "",
        changed: Annotated[str, Query(max_length=1)] = "",
    ) -> Response:
        held = measured_cast(site, cast) if cast else None
        plan_id = _plan_of(site, request, held)
        made = _held(site, cast or plan_id)
        job = next((j for j in site.jobs.all() if j.kind == "anew" and j.title == (cast or plan_id)), None)
        sheet = held.order.sheet if held is not None and held.order is not None else ""
        view: AfterView | None = None
        if made is not None and (sheet or not cast):
            view = after_view(made[1], sheet, book.rolls.some(book.rolls.cast_from(cast)) if cast else {})
        rests_on = site.rests_on(plan_id)
        taken = view is None and bool(sheet) and not rests_on and _is_taken(site, plan_id, sheet, cast)
        return site.page(
            request,
            "after.html",
            Said("After {id}", id=sheet or cast) if cast else "The rest planned anew",
            "/casting",
            held=held,
            job=job if view is None else None,
            seen=view,
            came=_came_out(held) if held is not None else None,
            planed_mm=held.planed_off_mm(held.cast.thickness_mm, site.settings.sheets) if held is not None else 0.0,
            changed=bool(changed) and view is None and not taken,
            taken=taken,
            failed=cast in site.failed_casts(),
            accepted=bool(plan_id) and site.plan_state(plan_id) == PlanState.ACCEPTED,
            rests_on=rests_on,
        )

    @app.post("/jobs/anew")
    def anew(request: Request, cast: Short = "") -> Response:
        held = measured_cast(site, cast) if cast else None
        if held is not None and held.order is None:
            raise BookError("was cast for no plan", field="cast", value=cast)
        ask_anew(site, _plan_of(site, request, held), cast)
        return RedirectResponse(_page_after(cast), 303)

    @app.post("/casting/after")
    def take(request: Request, cast: Short = "", token: Short = "") -> Response:
        made = _held(site, cast or _plan_of(site, request, None))
        with site.once(token):
            if made is None:
                return RedirectResponse(f"{_page_after(cast)}{'&' if cast else '?'}changed=1", 303)
            event = book.plans.take(made[0], made[1].plan).event
        return site.booked("/casting", event)


def _add_lost_day(app: FastAPI, site: Site) -> None:
    @app.post("/casting/lost")
    def lost(request: Request, day: Short, token: Short = "") -> Response:
        """A day on which nothing is cast after all: kept in the settings, and the rest planned anew by them."""
        now = site.in_effect()
        dates = [str(date) for date in parse_dates(day, LOST)]
        if len(dates) != 1:
            raise BookError("is not one day", field="day", value=day, allowed="as in 2026-12-08")
        before = now.settings.day
        changes: dict[str, float | int | str | None] = {}
        if not before.starts_on:
            changes["day.starts_on"] = _first_date(site.plan(request)[1]) or dates[0]
        changes[LOST] = ", ".join([*([before.lost_days] if before.lost_days else []), *dates])
        with site.once(token):
            event = change(site, changes, now.version)
        # what was worked out by the settings of before no longer stands
        for job in site.jobs.running():
            if job.kind == AnewTask.KIND:
                site.jobs.stop(job.id, keep=False)
        site.anew.clear()
        ask_anew(site, _plan_of(site, request, None))
        return site.booked("/casting/after", event)


def _first_date(plan: Plan | None) -> str:
    """The date of a plan's first casting day, empty where it has none."""
    return min((d.date for d in plan.days if d.date), default="") if plan is not None else ""


def _is_taken(site: Site, plan_id: str, sheet: str, cast: str) -> bool:
    plan = site.plan_by_id(plan_id)
    here = {s.id for s in plan.new_sheets}
    return bool({s.id for s in plan.rolls_used} & set(site.book.rolls.cast_from(cast))) or sheet not in here


def _came_out(held: Measured) -> tuple[Amount, Amount] | None:
    """How much thicker than its card said a sheet came out at its start and at its end; None where nobody measured it."""
    if not held.cast.thickness_mm:
        return None
    import numpy as np

    x, t = np.array(held.cast.thickness_mm).T
    expected = held.ends_mm[0] + (held.ends_mm[1] - held.ends_mm[0]) * x / held.cast.length_mm
    slope, level = np.polyfit(x, t - expected, 1) if len(set(x)) > 1 else (0.0, float(np.mean(t - expected)))
    return Amount(float(level), "mm", 2), Amount(float(level + slope * held.cast.length_mm), "mm", 2)
