"""Pages that show: today, account, history, settings; and what a person chooses for themself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import FileResponse, RedirectResponse, Response
from pydantic import BaseModel, Field

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import InputError, NotInBookError
from pipemetal.shop.ledger import UNKNOWN
from pipemetal.shop.roles import ROLES
from pipemetal.shop.rows import OrderState, PlanState, ReservationState
from pipemetal.shop.undoing import COUNTED
from pipemetal.web.paging import PAGE_ROWS, page_asked, window_of
from pipemetal.web.plans import choose
from pipemetal.web.replanning import waits_anew
from pipemetal.web.show import CHOICES, cookie_name
from pipemetal.web.site import Site
from pipemetal.web.views.months import months_of
from pipemetal.web.views.today import Book, today_view

if TYPE_CHECKING:
    from pipemetal.plans.record import Plan
    from pipemetal.plans.unserved import UnservedPipes

__all__ = ["account_rows", "add_routes"]

Short = Annotated[str, Form(max_length=250)]
Typed = Annotated[str, Field(max_length=250)]
A_YEAR_S = 31_536_000
LOW_STOCK_KG = 50.0
MOST_UNASKED = 3
"""Things that one event touched: more are taken back only when that is said once more."""
KINDS = {"lot": "lots", "roll": "rolls", "melt": "melts", "pipe": "pipes", "sheet": "sheets"}


def account_rows(site: Site) -> tuple[dict[str, dict[str, float]], list[str], float]:
    """The book's balances by kind of account and element in kg, the elements, and what everything adds up to."""

    def make() -> tuple[dict[str, dict[str, float]], list[str], float]:
        held = site.book.ledger.balances()
        zero = sum(m for masses in held.values() for m in masses.values()) / 1e9
        stock: dict[str, dict[str, float]] = {}
        for name, masses in sorted(held.items()):
            kind = name.partition(":")[0]
            row = stock.setdefault(KINDS.get(kind, kind), {})
            for element, mass in masses.items():
                row[element] = row.get(element, 0.0) + mass / 1e9
        return stock, [e for e in (*ELEMENTS, UNKNOWN) if any(e in row for row in stock.values())], zero

    return site.kept("account", make)


def add_routes(app: FastAPI, site: Site) -> None:
    """These pages' routes."""
    _add_away(app, site)
    _add_today(app, site)
    _add_settings(app, site)
    _add_save(app, site)
    _add_undo(app, site)


def _add_away(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/sw.js")
    def worker() -> Response:
        # a worker serves the pages of its own folder and below, so it stands at the root
        return FileResponse(Path(__file__).parent / "static" / "sw.js", media_type="text/javascript")

    @app.get("/health")
    def health() -> Response:
        """Whether this server can read its book, for whoever watches over servers."""
        book.history.last()
        return Response("ok", media_type="text/plain", headers={"cache-control": "no-store"})

    @app.get("/parts")
    def parts(request: Request) -> Response:
        alloys = sorted(site.kept("recipes", site.book.recipes.all))
        return site.page(request, "gallery.html", "Parts of the pages", "", alloys=alloys)

    @app.get("/away")
    def away(request: Request) -> Response:
        return site.page(request, "away.html", "The server is away", "")


def _add_today(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/")
    def today(request: Request) -> Response:
        plan_id, plan = site.plan(request)
        known, _ = site.kept("lots", book.lots.in_stock)
        low = [x for x in known if x.kind in ("pig", "master") and x.mass_kg < LOW_STOCK_KG]
        now = dt.datetime.now()
        return site.page(
            request,
            "today.html",
            "Today",
            "/",
            plan=plan,
            plan_id=plan_id,
            rests_on=site.rests_on(plan_id),
            waits=waits_anew(site, plan_id),
            low=low,
            low_kg=LOW_STOCK_KG,
            backups_late=book.keeping.backups().late,
            state=site.plan_state(plan_id),
            events=site.kept("latest", lambda: book.history.events(limit=5)),
            today=now.date(),
            v=today_view(plan, _work_done(site, plan_id, plan), now) if plan else None,
            unserved=_unserved(site, plan_id, plan) if plan else (),
        )

    @app.get("/account")
    def account(request: Request) -> Response:
        _, plan = site.plan(request)
        stock, elements, zero = account_rows(site)
        return site.page(
            request,
            "account.html",
            "Metal account",
            "/account",
            plan=plan,
            stock=stock,
            elements=elements,
            zero=zero,
            unexplained=site.kept("unexplained", book.ledger.unexplained),
            flows=(flows := site.kept("months", book.ledger.by_month)),
            months=months_of(flows),
        )

    @app.get("/history")
    def history(request: Request) -> Response:
        total, number = book.history.count(), page_asked(request)
        number = min(number, max(-(-total // PAGE_ROWS), 1))
        events = book.history.events(limit=PAGE_ROWS, skip=(number - 1) * PAGE_ROWS)
        shown = window_of(events, number, total, request)
        return site.page(
            request, "history.html", "History", "/history", events=events, listed=shown, undone=site.undone()
        )


def _add_settings(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/settings")
    def settings(request: Request, check: Annotated[str, Query(max_length=3)] = "") -> Response:
        people = book.people.all()
        return site.page(
            request,
            "settings.html",
            "Settings",
            "/settings",
            choices=CHOICES,
            people=people,
            roles=ROLES,
            tokens=book.tokens.all(),
            book=book.keeping.doctor() if check else None,
            shop=site.settings,
        )


class Wishes(BaseModel):
    """How a person wants things shown, or the plan that is chosen on this tablet."""

    length: Typed = "mm"
    mass: Typed = "kg"
    temperature: Typed = "C"
    decimal: Typed = "point"
    language: Typed = "en"
    theme: Typed = "auto"
    plan: Typed = ""
    back: Typed = "/settings"


def _add_save(app: FastAPI, site: Site) -> None:

    @app.post("/settings")
    def save(request: Request, form: Annotated[Wishes, Form()]) -> Response:
        from pipemetal.web.door import own_path

        path = own_path(form.back)
        answer = RedirectResponse(f"{path}{'&' if '?' in path else '?'}done=saved", 303)
        if form.plan:
            if form.plan not in [p.id for p in site.plan_states()]:
                raise NotInBookError(field="plan", value=form.plan)
            choose(answer, form.plan)
            return answer
        asked = {name: str(getattr(form, name)) for name in CHOICES}
        for name, value in asked.items():
            if value not in CHOICES[name]:
                raise InputError("is not known", field=name, value=value, allowed=", ".join(CHOICES[name]))
        person = site.person(request)
        answer.set_cookie(
            cookie_name(person.name if person else ""),
            ".".join(asked.values()),
            max_age=A_YEAR_S,
            httponly=True,
            samesite="strict",
        )
        return answer


def _add_undo(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/undo/{event_id}")
    def undo(request: Request, event_id: int, back: Short = "/history", sure: Short = "") -> Response:
        if not 0 < event_id < 10**12:
            raise NotInBookError(field="event", value=event_id)
        from pipemetal.web.door import own_path

        path = own_path(back).partition("?")[0]
        asked = book.history.event(event_id)
        if not sure and sum(asked.touched.values()) > MOST_UNASKED:
            things = [(n, COUNTED[table][n != 1]) for table, n in asked.touched.items()]
            return site.page(
                request, "sure.html", "Take all of it back?", "/history", asked=asked, things=things, back=path
            )
        return site.booked(path, book.history.undo(event_id).event)


def _work_done(site: Site, plan_id: str, plan: Plan) -> Book:
    """What the book knows of a plan's work; a plan that is not accepted has everything before it."""

    def make() -> Book:
        book = site.book
        if site.plan_state(plan_id) != PlanState.ACCEPTED:
            return Book(frozenset(p.sheet for p in plan.pours), frozenset(), frozenset())
        done = book.plans.reservations(plan_id, state=ReservationState.DONE)
        alloys = {p.sheet: p.alloy for p in plan.pours}
        bare = tuple(
            (c.id, alloys.get(c.note.partition(",")[0].strip(), ""))
            for c in site.casts()
            if not c.thickness_mm and c.id not in site.failed_casts()
        )
        cast, names = book.plans.cast_list(plan_id, state=OrderState.CAST), {name for name, _ in bare}
        return Book(
            frozenset(o.sheet for o in book.plans.cast_list(plan_id)),
            site.charged(plan_id),
            frozenset(r.thing for r in done) & {s.id for s in plan.sheets},
            bare,
            {o.sheet: o.cast for o in cast if o.cast in site.failed_casts()},
            frozenset(o.sheet for o in cast if o.cast in names),
            {m.id: m.left_kg for m in book.melts.standing() if m.plan == plan_id},
        )

    return site.kept(f"work done {plan_id}", make)


def _unserved(site: Site, plan_id: str, plan: Plan) -> Sequence[UnservedPipes]:
    def make() -> Sequence[UnservedPipes]:
        from pipemetal.plans.unserved import unserved_pipes

        return unserved_pipes(plan)

    return site.kept(f"unserved {plan_id}", make)
