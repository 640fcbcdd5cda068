"""Pages that show: today, racks, lots, organ, cutting, melts, casting, account, history, settings."""

from __future__ import annotations

import time
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from sqlalchemy import select

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import BookError
from pipemetal.sheets.roll import Roll
from pipemetal.shop import schema
from pipemetal.shop.catalogue import STATES, roll_from_row
from pipemetal.shop.ledger import UNKNOWN
from pipemetal.web import pictures
from pipemetal.web.show import show_of
from pipemetal.web.site import Site

__all__ = ["add_routes"]

MOST_LISTED = 40
LOW_STOCK_KG = 50.0
Text = Annotated[str, Query(max_length=200)]


def add_routes(app: FastAPI, site: Site) -> None:
    """All pages that only show."""
    _add_racks(app, site)
    _add_plan_pages(app, site)
    book = site.book

    @app.get("/")
    def today(request: Request) -> Response:
        plan_id, plan = site.plan()
        known, _ = book.lots()
        low = [x for x in known if x.kind in ("pig", "master") and x.mass_kg < LOW_STOCK_KG]
        return site.page(
            request, "today.html", "Today", "/", plan=plan, plan_id=plan_id, low=low, events=book.events(limit=5),
            lacking=len(plan["pipes"]) - plan["pipes_served"] if plan else 0,
            pours=[p for p in plan["pours"] if p["day"] == 1][:6] if plan else [],
        )  # fmt: skip

    @app.get("/lots")
    def lots(request: Request) -> Response:
        known, unknown = book.lots()
        return site.page(request, "lots.html", "Lots", "/lots", known=known, unknown=unknown)

    @app.get("/account")
    def account(request: Request) -> Response:
        _, plan = site.plan()
        held = book.balances()
        nought = sum(m for masses in held.values() for m in masses.values()) / 1e9
        stock: dict[str, dict[str, float]] = {}
        for name, masses in sorted(held.items()):
            kind = name.partition(":")[0]
            row = stock.setdefault(
                {"lot": "lots", "roll": "rolls", "melt": "melts", "pipe": "pipes"}.get(kind, kind), {}
            )
            for element, mass in masses.items():
                row[element] = row.get(element, 0.0) + mass / 1e9
        present = [e for e in (*ELEMENTS, UNKNOWN) if any(e in row for row in stock.values())]
        return site.page(
            request,
            "account.html",
            "Metal account",
            "/account",
            plan=plan,
            stock=stock,
            elements=present,
            nought=nought,
        )

    @app.get("/history")
    def history(request: Request) -> Response:
        return site.page(request, "history.html", "History", "/history", events=book.events(), undone=site.undone())

    @app.get("/settings")
    def settings(request: Request) -> Response:
        return site.page(request, "settings.html", "Settings", "/settings", plans=book.plans()[:20], book=book.doctor())


def _add_racks(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/racks")
    def racks(
        request: Request, alloy: Text = "", low: Text = "", high: Text = "", length: Text = "", width: Text = "",
        text: Text = "",
    ) -> Response:  # fmt: skip
        show = show_of(request.cookies)
        thinnest, thickest = show.read_length(low, "thickness"), show.read_length(high, "thickness")
        wanted = None if thinnest is None and thickest is None else (thinnest or 0.001, thickest or 100.0)
        over, across = show.read_length(length, "length"), show.read_length(width, "width")
        begun = time.perf_counter()
        found = book.find_rolls(alloy or None, wanted, over, across, text or None)
        took = (time.perf_counter() - begun) * 1e3
        searched = wanted is not None or over is not None
        if not searched:
            found = sorted(found, key=lambda f: (f.roll.alloy, f.roll.id))
        rolls = _rolls(site, [f.roll.id for f in found[:MOST_LISTED]])
        longest = max((r.length_mm for r in rolls.values()), default=1.0)
        listed = [
            (f, pictures.small_map(rolls[f.roll.id], (f.x_from_mm, f.x_to_mm) if searched else None, longest))
            for f in found[:MOST_LISTED]
        ]
        asked = {"alloy": alloy, "low": low, "high": high, "length": length, "width": width, "text": text}
        return site.page(
            request, "racks.html", "Racks", "/racks", alloys=sorted(book.recipes()), asked=asked, found=found, listed=listed,
            searched=searched, took_ms=f"{took:.0f}",
        )  # fmt: skip

    @app.get("/racks/{roll_id:path}")
    def roll(
        request: Request, roll_id: str,
        start: Annotated[float | None, Query(alias="from", ge=0, le=20_000, allow_inf_nan=False)] = None,
        end: Annotated[float | None, Query(alias="to", ge=0, le=20_000, allow_inf_nan=False)] = None,
    ) -> Response:  # fmt: skip
        row = book.row("rolls", roll_id)
        held = roll_from_row(row)
        readings = [(r.x_mm, r.y_mm, r.thickness_mm) for r in book.readings(roll_id)]
        place = (start, min(end, held.length_mm)) if start is not None and end is not None and start < end else None
        stock = book.balances().get(f"roll:{roll_id}", {})
        r = schema.rolls.c
        with book.reading() as connection:
            query = select(r.id).where(r.parent == roll_id, r.withdrawn.is_(False)).order_by(r.id)
            children = [c for (c,) in connection.execute(query)]
        try:
            trace = book.trace(f"roll:{roll_id}")
        except BookError:
            trace = {}
        return site.page(
            request, "roll.html", f"Roll {roll_id}", "/racks", row=row, picture=pictures.roll_map(held, readings, place),
            readings=len(readings), left_out=held.field.left_out, noise_mm=held.field.noise_sd_mm, states=STATES,
            mass_kg=sum(stock.values()) / 1e9, trace=trace, children=children, events=book.events(f"roll:{roll_id}"),
            undone=site.undone(),
        )  # fmt: skip


def _rolls(site: Site, ids: list[str]) -> dict[str, Roll]:
    table = schema.rolls
    with site.book.reading() as connection:
        rows = connection.execute(select(table).where(table.c.id.in_(ids))).mappings()
        return {row["id"]: roll_from_row(dict(row)) for row in rows}


def _add_plan_pages(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/organ")
    def organ(request: Request, rank: Text = "") -> Response:
        _, plan = site.plan()
        values: dict[str, Any] = {"ranks": [], "rank": "", "pipes": [], "picture": ""}
        if plan and plan["pipes"]:
            ranks = list(dict.fromkeys(p["rank"] for p in plan["pipes"]))
            chosen = rank or ranks[0]
            if chosen not in ranks:
                raise BookError("is not in the book", field="rank", value=rank)
            pipes = [p for p in plan["pipes"] if p["rank"] == chosen]
            values = {"ranks": ranks, "rank": chosen, "pipes": pipes, "picture": pictures.half_tones(pipes, chosen)}
        return site.page(request, "organ.html", "Organ and pipes", "/organ", plan=plan, **values)

    @app.get("/cutting")
    def cutting(request: Request, sheet: Text = "") -> Response:
        _, plan = site.plan()
        sheets = plan["rolls_used"] + plan["new_sheets"] if plan else []
        chosen: dict[str, Any] | None = next((s for s in sheets if s["id"] == sheet), None)
        if sheet and chosen is None:
            raise BookError("is not in the book", field="sheet", value=sheet)
        picture: Any = ""
        if chosen is None and sheets:
            chosen = sheets[0]
        if chosen is not None and plan:
            held = _rolls(site, [chosen["id"]]).get(chosen["id"])
            picture = pictures.cutting_picture(chosen, held)
        ids = [s["id"] for s in sheets]
        at = ids.index(chosen["id"]) if chosen else 0
        return site.page(
            request, "cutting.html", "Cutting", "/cutting", plan=plan, sheets=sheets, sheet=chosen, picture=picture,
            before=ids[at - 1] if at > 0 else None, after=ids[at + 1] if at + 1 < len(ids) else None,
        )  # fmt: skip

    @app.get("/melts")
    def melts(request: Request) -> Response:
        plan_id, plan = site.plan()
        return site.page(request, "melts.html", "Melts", "/melts", plan=plan, plan_id=plan_id)

    @app.get("/casting")
    def casting(request: Request) -> Response:
        _, plan = site.plan()
        casts = sorted(book.casts(), key=lambda c: (c.day, c.id), reverse=True)[:60]
        return site.page(request, "casting.html", "Casting", "/casting", plan=plan, casts=casts)
