"""Pages that change something: a roll's place, the log of a cast, undo, this tablet's settings."""

from __future__ import annotations

import datetime
import re
from typing import Annotated
from urllib.parse import quote

from fastapi import FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response

from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.errors import CastingError, InputError
from pipemetal.shop.book import Book
from pipemetal.units import parse_number
from pipemetal.web.show import THEMES
from pipemetal.web.site import Site

__all__ = ["add_routes"]

Short = Annotated[str, Form(max_length=200)]
Long = Annotated[str, Form(max_length=2000)]
FIELDS = ("id", "day", "alloy", "gate_mm", "charge_kg", "pour_temperature_c", "push_time_s", "length_mm", "sled", "thickness",
          "verdict", "note")  # fmt: skip
A_YEAR_S = 31_536_000


def add_routes(app: FastAPI, site: Site) -> None:
    """All pages that change something."""
    book = site.book

    @app.post("/racks/{roll_id:path}")
    def change_roll(
        roll_id: str, version: Annotated[int, Form()], place: Short, state: Short, note: Long = ""
    ) -> Response:  # fmt: skip
        book.change_roll(roll_id, version, place=place, state=state, note=note)
        return RedirectResponse(f"/racks/{quote(roll_id, safe='')}?done=Saved.", 303)

    @app.post("/undo/{event_id}")
    def undo(event_id: int) -> Response:
        book.undo(event_id)
        return RedirectResponse(f"/history?done=Event+{event_id}+is+taken+back.", 303)

    @app.post("/settings")
    def settings(length: Short = "mm", mass: Short = "kg", temperature: Short = "C", theme: Short = "auto") -> Response:
        answer = RedirectResponse("/settings?done=Saved.", 303)
        for name, value, allowed in (
            ("length", length, ("mm", "in")), ("mass", mass, ("kg", "lb")), ("temperature", temperature, ("C", "F")),
            ("theme", theme, THEMES),
        ):  # fmt: skip
            if value not in allowed:
                raise InputError("is not known", field=name, value=value, allowed=", ".join(allowed))
            answer.set_cookie(f"pipemetal_{name}", value, max_age=A_YEAR_S, httponly=True, samesite="strict")
        return answer

    @app.get("/casting/log")
    def log_form(request: Request) -> Response:
        casts = sorted(book.casts(), key=lambda c: (c.day, c.id))
        values = dict.fromkeys(FIELDS, "") | {
            "day": datetime.date.today().isoformat(),
            "id": _next_id([c.id for c in casts]),
        }
        if casts:
            sled = casts[-1].sled
            values["sled"] = f"{sled.inner_length_mm:g} x {sled.inner_width_mm:g}"
        return site.page(
            request, "log.html", "Log a cast", "/casting", v=values, alloys=sorted(book.recipes()), problem=""
        )

    @app.post("/casting/log")
    async def log(request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool

        form = await request.form(max_fields=40, max_files=0)
        values = {name: str(form.get(name, ""))[:2000] for name in FIELDS}
        try:
            cast_id = await run_in_threadpool(_enter, book, values)
        except InputError as error:
            alloys = await run_in_threadpool(lambda: sorted(book.recipes()))
            return site.page(
                request, "log.html", "Log a cast", "/casting", status=422, v=values, alloys=alloys, problem=str(error)
            )
        return RedirectResponse(f"/casting?done=Cast+{quote(cast_id, safe='')}+is+entered.", 303)


def _next_id(ids: list[str]) -> str:
    numbers = [(m[1], int(m[2]), len(m[2])) for i in ids if (m := re.fullmatch(r"(.*?)(\d{1,9})", i))]
    if not numbers:
        return "C1"
    head, number, digits = max(numbers, key=lambda n: n[1])
    return f"{head}{number + 1:0{digits}d}"


def _enter(book: Book, values: dict[str, str]) -> str:
    recipes = book.recipes()
    if values["alloy"] not in recipes:
        raise CastingError("is not a recipe", field="alloy", value=values["alloy"], allowed=", ".join(recipes))

    def number(name: str, low: float, high: float) -> float:
        value = parse_number(values[name], field=name)
        if not low <= value <= high:
            raise CastingError("is out of range", field=name, value=value, allowed=f"{low:g} to {high:g}")
        return value

    def maybe(name: str, low: float, high: float) -> float | None:
        return number(name, low, high) if values[name].strip() else None

    sled = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*[x×]\s*(\d+(?:[.,]\d+)?)\s*", values["sled"])
    if sled is None:
        raise CastingError("cannot be read", field="sled", value=values["sled"], allowed="250 x 760")
    pairs = []
    for item in values["thickness"].split():
        place, colon, thickness = item.partition(":")
        if not colon:
            raise CastingError("cannot be read", field="thickness", value=item, allowed="100:1.21 2000:1.05")
        pairs.append((parse_number(place, field="thickness"), parse_number(thickness, field="thickness")))
    if not pairs:
        raise CastingError("is empty", field="thickness", allowed="100:1.21 2000:1.05")
    log = LoggedCast(
        values["id"].strip(), recipes[values["alloy"]].target, number("gate_mm", 0.3, 20.0), number("charge_kg", 0.5, 2000.0),
        Sled(parse_number(sled[1]), parse_number(sled[2])), number("length_mm", 200.0, 20_000.0), tuple(pairs),
        push_time_s=maybe("push_time_s", 0.1, 120.0), pour_temperature_c=maybe("pour_temperature_c", 100.0, 600.0),
        verdict=values["verdict"] or None, day=values["day"].strip(), note=values["note"].strip(),
    )  # fmt: skip
    book.record_cast(log)
    return log.id
