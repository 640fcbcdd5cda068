"""The racks: the one search with where on the roll, one roll's page, the scan box, and the trace of a thing."""

from __future__ import annotations

import difflib
import time
from collections.abc import Sequence
from typing import Annotated
from urllib.parse import quote

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup

from pipemetal.documents.trace_page import trace_facts
from pipemetal.errors import BookError, InputError
from pipemetal.plans.record import Plan
from pipemetal.shop.book import Event, RollEntry
from pipemetal.shop.roll_rows import roll_of
from pipemetal.shop.rows import RollRow, RollState
from pipemetal.shop.searching import Found
from pipemetal.texts import Text as Said
from pipemetal.web import pictures
from pipemetal.web.paging import paged
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.views.chain import chain_of
from pipemetal.web.views.finding import Known, known_of_plan, matches
from pipemetal.web.views.rack import SCALE, Span, rolls_of_rank, span_of

__all__ = ["add_routes", "find", "where_is"]

MOST_NEAR = 6
MOST_SUGGESTED = 6
MOST_GROUNDS = 3000
Text = Annotated[str, Query(max_length=200)]
Short = Annotated[str, Form(max_length=200)]
Long = Annotated[str, Form(max_length=2000)]
Along = Annotated[float | None, Query(ge=0, le=20_000, allow_inf_nan=False)]


def find(site: Site, show: Show, asked: dict[str, str]) -> tuple[list[Found], bool]:
    """The rolls that answer a search as it was typed, and whether a place on them was asked for."""
    thinnest, thickest = show.read_length(asked["low"], "thickness"), show.read_length(asked["high"], "thickness")
    wanted = None if thinnest is None and thickest is None else (thinnest or 0.001, thickest or 100.0)
    over, across = show.read_length(asked["length"], "length"), show.read_length(asked["width"], "width")
    searched = wanted is not None or over is not None

    def look() -> list[Found]:
        found = site.book.rolls.find(asked["alloy"] or None, wanted, over, across, asked["text"] or None)
        return found if searched else sorted(found, key=lambda f: (f.roll.alloy, f.roll.id))

    return look() if any(asked.values()) else site.kept("the whole rack", look), searched


def where_is(site: Site, code: str) -> str:
    """The page of whatever bears this code: a roll, lot, cast, piece or melt; empty where nothing does."""
    code, book = code.strip(), site.book
    pages = (
        (book.rolls.has, "/racks/{}"),
        (book.lots.has, "/stock?lot={}"),
        (book.casts.has, "/casting/cast/{}"),
        (book.pieces.has, "/pipes?of={}"),
        (book.melts.has, "/trace?of=melt%3A{}"),
    )
    return next((page.format(quote(code, safe="")) for has, page in pages if has(code)), "")


def near_codes(site: Site, code: str) -> list[tuple[str, str]]:
    """What is in the book or in the plan at hand that a code comes near to, with the page of each."""
    book = site.book
    known = [*book.rolls.ids(), *book.lots.ids(), *book.casts.ids(), *book.pieces.ids(), *book.melts.ids()]
    folded: dict[str, str] = {}
    for name in known:
        folded.setdefault(name.casefold(), name)
    found = difflib.get_close_matches(code.strip().casefold(), folded, n=MOST_NEAR, cutoff=0.6)
    return [(folded[name], where_is(site, folded[name])) for name in found]


def planned_page(plan: Plan | None, code: str) -> str:
    """The cutting sheet that a code of the plan stands for: a sheet, or a blank that is not cut yet; empty for neither."""
    for sheet in plan.sheets if plan else ():
        if code == sheet.id:
            return f"/cutting?sheet={quote(sheet.id, safe='')}"
        if any(cut.blank == code or cut.blank.startswith(f"{code} ") for cut in sheet.cuts):
            return f"/cutting?sheet={quote(sheet.id, safe='')}&blank={quote(code, safe='')}"
    return ""


def _grounds(site: Site, entries: Sequence[RollEntry]) -> dict[str, str]:
    """Thickness maps of some rolls; each is drawn once for every version of its roll."""
    held = site.grounds
    wanted = [e.id for e in entries if (e.id, e.version) not in held]
    for key, roll in site.book.rolls.some(wanted).items() if wanted else ():
        held[key, next(e.version for e in entries if e.id == key)] = pictures.small_ground(roll)
    while len(held) > MOST_GROUNDS:
        held.pop(next(iter(held)), None)
    return {e.id: held[e.id, e.version] for e in entries if (e.id, e.version) in held}


def add_routes(app: FastAPI, site: Site) -> None:
    """The racks' routes."""
    _add_scan(app, site)
    _add_find(app, site)
    _add_racks(app, site)
    _add_roll(app, site)
    _add_trace(app, site)


def _add_scan(app: FastAPI, site: Site) -> None:

    @app.get("/scan")
    def scan(request: Request, code: Text = "") -> Response:
        found = where_is(site, code) if code.strip() else ""
        if found:
            return RedirectResponse(found, 303)
        _, plan = site.plan(request)
        planned = planned_page(plan, code.strip())
        if planned:
            return RedirectResponse(planned, 303)
        if not code.strip():
            return RedirectResponse("/racks", 303)
        return site.page(
            request, "scanned.html", "Not in the book", "/racks", status=404, code=code, near=near_codes(site, code)
        )


def _add_find(app: FastAPI, site: Site) -> None:

    @app.get("/find")
    def find_all(request: Request, q: Text = "") -> Response:
        code, part = q.strip(), request.headers.get("x-part") == "found"
        if code and not part and (page := where_is(site, code)):
            return RedirectResponse(page, 303)
        plan_id, plan = site.plan(request)
        known = [*_known_of_book(site), *(_known_of_plan(site, plan_id, plan) if plan else ())]
        found, near = matches(code, known)
        if part:  # while it is typed: the first few, into the page that is open
            return site.page(
                request,
                "suggested.html",
                "Find",
                "/find",
                q=code,
                total=len(found),
                rows=(found or near)[:MOST_SUGGESTED],
            )
        status = 404 if code and not found else 200
        listed = paged(found or near, request)
        return site.page(request, "found.html", "Find", "/find", status=status, q=q, found=found, listed=listed)


def _known_of_plan(site: Site, plan_id: str, plan: Plan) -> list[Known]:
    def make() -> list[Known]:
        held = [o for o in site.book.plans.organs() if o == plan.organ or o.startswith(f"{plan.organ} #")]
        return known_of_plan(plan, held[-1] if held else "")

    return site.kept(f"known of plan {plan_id}", make)


def _known_of_book(site: Site) -> list[Known]:
    """Every roll, lot, cast and melt of the book."""

    def make() -> list[Known]:
        book = site.book
        rolls = [f.roll for f in book.rolls.find(None, None, None, None, None)]
        return [
            *(
                Known("roll", r.id, f"/racks/{quote(r.id, safe='')}", r.alloy, r.state, f"{r.place} {r.note}".strip())
                for r in rolls
            ),
            *(
                Known("lot", r.id, f"/stock?lot={quote(r.id, safe='')}", r.alloy, "", f"{r.kind} {r.note}")
                for r in book.lots.rows()
            ),
            *(
                Known("cast", c.id, f"/casting/cast/{quote(c.id, safe='')}", "", c.verdict or "", c.day)
                for c in site.casts()
            ),
            *(
                Known("melt", m.id, f"/trace?of=melt%3A{quote(m.id, safe='')}", m.recipe, "", m.day)
                for m in book.melts.rows()
            ),
        ]

    return site.kept("known of book", make)


def _listed(
    site: Site, shown: Sequence[Found], searched: bool, asked_mm: tuple[float, float] | None
) -> list[tuple[Found, Markup, Span]]:
    """The rolls of a page of the rack, each with its small map and its bar of thickness."""
    grounds = _grounds(site, [f.roll for f in shown])
    longest = max((f.roll.length_mm for f in shown), default=1.0)
    return [
        (
            f,
            pictures.small_map(
                grounds[f.roll.id],
                f.roll.id,
                f.roll.length_mm,
                f.roll.width_mm,
                (f.x_from_mm, f.x_to_mm) if searched else None,
                longest,
            ),
            span_of(f.roll.thinnest_mm, f.roll.thickest_mm, asked_mm),
        )
        for f in shown
        if f.roll.id in grounds
    ]


def _add_racks(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/racks")
    def racks(
        request: Request,
        alloy: Text = "",
        low: Text = "",
        high: Text = "",
        length: Text = "",
        width: Text = "",
        text: Text = "",
        rank: Text = "",
    ) -> Response:
        planned = rolls_of_rank(site.plan(request)[1], rank)
        alloy = alloy or planned.alloy
        asked = {"alloy": alloy, "low": low, "high": high, "length": length, "width": width, "text": text}
        begun = time.perf_counter()
        found: list[Found] = []
        searched, wrong, problem = False, "", ""
        show = site.show(request)
        try:
            found, searched = find(site, show, asked)
        except InputError as error:
            wrong, problem = error.field, error.text()
        took = (time.perf_counter() - begun) * 1e3
        found = sorted(found, key=lambda f: f.roll.id not in planned.blanks) if planned.blanks else found
        page = paged(found, request)
        shown = page.rows
        listed = _listed(site, shown, searched, None if problem else _asked_mm(show, low, high))
        return site.page(
            request,
            "racks.html",
            "Racks",
            "/racks",
            alloys=sorted(site.kept("recipes", book.recipes.all)),
            asked=asked,
            rank=rank if planned.alloy else "",
            planned=planned,
            found=found,
            listed=listed,
            page=page,
            searched=searched,
            took_ms=f"{took:.0f}",
            scale=SCALE,
            wrong=wrong,
            problem=problem,
            status=422 if problem else 200,
        )


def _asked_mm(show: Show, low: str, high: str) -> tuple[float, float] | None:
    """The thickness asked for, None where none was."""
    thinnest, thickest = show.read_length(low, "thickness"), show.read_length(high, "thickness")
    return None if thinnest is None and thickest is None else (thinnest or SCALE.low_mm, thickest or SCALE.high_mm)


def _gauge_here(plan: Plan | None, roll: str) -> tuple[tuple[int, float, float], ...]:
    """Where on a roll the plan asks for one more reading: its number among all of the plan, and the place."""
    asked = plan.chances.gauge_next if plan is not None and plan.chances is not None else ()
    return tuple((k, r.x_mm, r.y_mm) for k, r in enumerate(asked, start=1) if r.roll == roll)


def _add_roll(app: FastAPI, site: Site) -> None:
    book = site.book

    def map_of(request: Request, row: RollRow, place: tuple[float, float] | None) -> Markup:
        held, show = roll_of(row), site.show(request)
        gauge = _gauge_here(site.plan(request)[1], row.id)
        key = ("roll map", row.id, row.version, place, gauge, show.units, show.say.language)
        readings = [(r.x_mm, r.y_mm, r.thickness_mm) for r in row.readings_taken]
        return site.remembered(key, lambda: pictures.roll_map(held, readings, place, show, gauge))

    def events_of(roll_id: str) -> list[Event]:
        key = ("events of a roll", roll_id, book.history.last())
        return site.remembered(key, lambda: book.history.events(f"roll:{roll_id}", limit=20))

    @app.get("/racks/{roll_id:path}")
    def roll(
        request: Request,
        roll_id: str,
        start: Annotated[Along, Query(alias="from")] = None,
        end: Annotated[Along, Query(alias="to")] = None,
    ) -> Response:
        row = book.rolls.row(roll_id)
        held = roll_of(row)
        place = (start, min(end, held.length_mm)) if start is not None and end is not None and start < end else None
        return site.page(
            request,
            "roll.html",
            Said("Roll {id}", id=roll_id),
            "/racks",
            row=row,
            picture=map_of(request, row, place),
            readings=len(row.readings_taken),
            left_out=held.field.left_out,
            noise_mm=held.field.noise_sd_mm,
            states=tuple(RollState),
            mass_kg=book.ledger.mass_kg(f"roll:{roll_id}"),
            planed_mm=book.casts.planed_off_mm(row),
            children=book.rolls.children(roll_id),
            parent_known=bool(row.parent) and bool(book.rolls.states([row.parent])),
            events=events_of(row.id),
            undone=site.undone(),
            photos=book.attachments.about(f"roll:{roll_id}"),
            thinnest=float(held.field.thickness_mm.min()),
            thickest=float(held.field.thickness_mm.max()),
        )

    @app.post("/racks/{roll_id:path}")
    def change_roll(
        roll_id: str,
        version: Annotated[int, Form(ge=0, le=10**9)],
        place: Short,
        state: Short,
        note: Long = "",
        token: Short = "",
    ) -> Response:
        with site.once(token):
            event = book.rolls.change(roll_id, version, place=place, state=state, note=note).event
        return site.booked(f"/racks/{quote(roll_id, safe='')}", event)


def _add_trace(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/trace")
    def trace(request: Request, of: Text = "") -> Response:
        report, problem = None, ""
        try:
            report = book.trace.report(of.strip()) if of.strip() else None
        except BookError as error:
            problem = error.text()
        return site.page(
            request,
            "trace.html",
            "Where metal came from and went",
            "/trace",
            of=of,
            report=report,
            chain=chain_of(report.account, report.backwards, report.forwards) if report else None,
            facts_of=trace_facts,
            problem=problem,
            status=404 if problem else 200,
        )
