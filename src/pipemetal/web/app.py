"""The application: routes put together, errors as pages, the guard in front."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from fastapi.routing import APIRoute
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.routing import Route

from pipemetal.errors import ConflictError, InputError, NotInBookError
from pipemetal.shop.book import AlreadyDoneError, NotAllowedError, StaleSaveError, UndoFirstError
from pipemetal.shop.refusals import RAW_COLUMNS
from pipemetal.shop.roles import Role
from pipemetal.texts import joined
from pipemetal.web import (
    api,
    bench,
    casts_said,
    choices,
    cutting,
    devices,
    door,
    faults,
    hearing,
    measuring,
    melting,
    old_pipes,
    old_rank,
    organs,
    plans,
    pouring,
    racks,
    reading,
    recipes,
    replanning,
    shop_settings,
    stock,
    wasted,
)
from pipemetal.web.access import ROUTES, room_of
from pipemetal.web.answered import Answered, led_to
from pipemetal.web.guard import Door, Guard
from pipemetal.web.invalid import fault_of
from pipemetal.web.site import REASON, Site

__all__ = ["COMPUTES", "LOOPBACK", "create_app"]

COMPUTES = (
    "pipemetal.alloys.properties",
    "pipemetal.documents.choices_page",
    "pipemetal.documents.plan_paper",
    "pipemetal.documents.pictures",
    "pipemetal.files.organ_file",
    "pipemetal.plans.rows",
    "pipemetal.plans.making",
    "pipemetal.plans.by_hand",
    "pipemetal.planning.one_melt",
    "pipemetal.documents.labels",
    "pipemetal.pipes.make",
    "pipemetal.pipes.reuse",
    "pipemetal.restoration.says",
    "pipemetal.restoration.make",
    "pipemetal.casting.explain",
    "pipemetal.planning.learning",
    "pipemetal.files.log_file",
    "pipemetal.planning.cuts",
    "pipemetal.layout.verify",
    "pipemetal.layout.waste",
    "pipemetal.sheets.fitness",
    "pipemetal.sound.measure",
    "pipemetal.sound.learn",
)
"""What pages compute with. They load it when they are first asked, so that a server answers its first page within a second."""

LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]"})
KEPT_FIELDS = 40
HTTP_SAID: Final = {
    404: ("There is no such page", "This address leads to no page."),
    405: ("That page takes no such order", "This page takes no such order."),
}
"""Title and words of what the framework itself refuses."""


def create_app(site: Site, *, hosts: frozenset[str] = LOOPBACK) -> FastAPI:
    """The pages of a shop. `hosts`: names that are answered. Where the book names people, they are asked for."""

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        yield
        site.jobs.close()

    app = FastAPI(
        title="pipemetal",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=life,
        generate_unique_id_function=_named,
    )
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    site.door = Door(site.book)
    door.add_routes(app, site, site.door)
    for room in (
        reading,
        racks,
        stock,
        cutting,
        melting,
        pouring,
        measuring,
        replanning,
        casts_said,
        organs,
        bench,
        old_pipes,
        hearing,
        old_rank,
        plans,
        choices,
        wasted,
        shop_settings,
        recipes,
        devices,
        api,
    ):
        room.add_routes(app, site)
    _add_errors(app, site)
    _add_conflicts(app, site)
    routes = [r for r in app.routes if isinstance(r, Route)]
    unlisted = [r.path for r in routes for m in r.methods or () if m != "HEAD" and (m, r.path) not in ROUTES]
    if unlisted:
        raise RuntimeError(f"routes that no role is named for: {unlisted}")
    app.add_middleware(Answered, held=site.answered)
    app.add_middleware(Guard, hosts=hosts, door=site.door, routes=lambda: routes)
    return app


def _named(route: APIRoute) -> str:
    """What a route is called in the description: by its path, so that names stay when the program is rewritten.

    >>> _named(APIRoute("/api/rolls/{roll_id:path}", lambda: None, methods=["POST"]))
    'post_rolls_roll_id'
    """
    words = re.findall(r"[a-z0-9_]+", route.path_format.removeprefix("/api/").replace("-", "_"))
    return "_".join([*sorted(method.lower() for method in route.methods or ()), *words])


def _wants_json(request: Request) -> bool:
    path = request.url.path
    return path.startswith("/api/") or request.headers.get("content-type", "").startswith("application/json")


def _told(site: Site, request: Request, title: str, words: str, status: int, **values: object) -> Response:
    """A page of its own for what went wrong; a script gets the words alone."""
    request.scope[REASON] = words
    if _wants_json(request):
        return JSONResponse({"error": words}, status)
    path = request.url.path
    back = room_of(path if status != 404 else path.rpartition("/")[0])
    held = {"mine": None, "theirs": {}, "back": back, "first": None, "typed": request.method == "POST"} | values
    return site.page(request, "message.html", title, "", status=status, words=words, **held)


def _add_errors(app: FastAPI, site: Site) -> None:
    def input_error(request: Request, error: Exception) -> Response:
        if isinstance(error, InputError) and faults.by_script(request):
            request.scope[REASON] = error.text()
            return faults.answer([error], site.show(request), 422)
        missing = isinstance(error, NotInBookError)
        denied = isinstance(error, NotAllowedError)
        title = "Not in the book" if missing else "Your role does not allow this" if denied else "That cannot be used"
        words = error.text() if isinstance(error, InputError) else str(error)
        return _told(site, request, title, words, 404 if missing else 403 if denied else 422)

    def http_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        title, words = HTTP_SAID.get(error.status_code, ("That did not work", str(error.detail)))
        return _told(site, request, title, words, error.status_code)

    def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        found = [fault_of(one) for one in error.errors()[:KEPT_FIELDS]]
        words = joined(fault.text() for fault in found)
        if faults.by_script(request):
            request.scope[REASON] = words
            return faults.answer(found, site.show(request), 422)
        return _told(site, request, "That cannot be used", words, 422)

    app.add_exception_handler(InputError, input_error)
    app.add_exception_handler(HTTPException, http_error)
    app.add_exception_handler(RequestValidationError, invalid)


def _add_conflicts(app: FastAPI, site: Site) -> None:
    def stale(request: Request, error: Exception) -> Response:
        assert isinstance(error, StaleSaveError)
        say = site.show(request).say
        if error.own:
            words = say("You changed {what} yourself in the meantime, on another page perhaps.", what=error.about)
        elif error.by:
            words = say("{what} was changed by {who} in the meantime.", what=error.about, who=error.by)
        else:
            words = say("{what} was changed in the meantime.", what=error.about)
        shown = {k: v for k, v in error.mine.items() if isinstance(v, str | int | float) and k not in RAW_COLUMNS}
        return _told(site, request, "Changed by somebody else", words, 409, mine=shown, theirs=error.theirs)

    def undo_first(request: Request, error: Exception) -> Response:
        assert isinstance(error, UndoFirstError)
        role = person.role if (person := site.person(request)) else Role.RUN
        first = error.first if site.undoable(error.first, role) else None
        return _told(site, request, "Something must be taken back first", str(error), 409, first=first, typed=False)

    def already(request: Request, error: Exception) -> Response:
        assert isinstance(error, AlreadyDoneError)
        if _wants_json(request):
            return JSONResponse({"event": error.event, "already": True})
        return RedirectResponse(led_to(site.answered, error.event, request.headers.get("referer", "")), 303)

    def conflict(request: Request, error: Exception) -> Response:
        return _told(site, request, "That was sent before", str(error), 409)

    app.add_exception_handler(StaleSaveError, stale)
    app.add_exception_handler(UndoFirstError, undo_first)
    app.add_exception_handler(AlreadyDoneError, already)
    app.add_exception_handler(ConflictError, conflict)
