"""The application: routes put together, errors as pages, the guard in front."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from pipemetal.errors import InputError
from pipemetal.shop.book import StaleSaveError
from pipemetal.web import changes, reading
from pipemetal.web.guard import Guard, Passphrase
from pipemetal.web.site import Site

__all__ = ["LOOPBACK", "create_app"]

LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]"})


def create_app(site: Site, *, hosts: frozenset[str] = LOOPBACK, passphrase: Passphrase | None = None) -> FastAPI:
    """The pages of a shop. `hosts`: names that are answered; `passphrase`: asked of everybody where given."""
    app = FastAPI(title="pipemetal", docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    reading.add_routes(app, site)
    changes.add_routes(app, site)
    _add_errors(app, site)
    if passphrase is not None:
        _add_door(app, site, passphrase)
    app.add_middleware(Guard, hosts=hosts, passphrase=passphrase)
    return app


def _add_errors(app: FastAPI, site: Site) -> None:
    def input_error(request: Request, error: Exception) -> Response:
        missing = isinstance(error, InputError) and error.problem == "is not in the book"
        title = "Not in the book" if missing else "That cannot be used"
        return _told(request, title, str(error), 404 if missing else 422)

    def stale(request: Request, error: Exception) -> Response:
        assert isinstance(error, StaleSaveError)
        words = f"{error.about} was changed by somebody else meanwhile."
        shown = {k: v for k, v in error.mine.items() if isinstance(v, str | int | float) and k != "version"}
        return site.page(
            request, "message.html", "Changed meanwhile", "", status=409, words=words, mine=shown, theirs=error.theirs,
            back=request.url.path if request.url.path.startswith("/racks/") else "/history",
        )  # fmt: skip

    def http_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        titles = {404: "There is no such page", 405: "That page takes no such order"}
        return _told(request, titles.get(error.status_code, "That did not work"), str(error.detail), error.status_code)

    def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        told = "; ".join(f"{'.'.join(str(p) for p in e['loc'][1:])}: {e['msg']}" for e in error.errors())
        return _told(request, "That cannot be used", told, 422)

    def _told(request: Request, title: str, words: str, status: int) -> HTMLResponse:
        return site.page(
            request, "message.html", title, "", status=status, words=words, mine=None, theirs={}, back=None
        )

    app.add_exception_handler(InputError, input_error)
    app.add_exception_handler(StaleSaveError, stale)
    app.add_exception_handler(HTTPException, http_error)
    app.add_exception_handler(RequestValidationError, invalid)


def _add_door(app: FastAPI, site: Site, passphrase: Passphrase) -> None:
    def form(problem: str, status: int) -> HTMLResponse:
        return HTMLResponse(site.templates.get_template("enter.html").render(problem=problem), status)

    @app.get("/enter")
    def enter_form() -> Response:
        return form("", 200)

    @app.post("/enter")
    async def enter(request: Request) -> Response:
        given = (await request.form()).get("words", "")
        try:
            session = passphrase.enter(str(given))
        except PermissionError:
            return form("Too many wrong ones; wait a minute.", 429)
        if session is None:
            return form("That is not the number.", 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie("pipemetal_session", session, httponly=True, samesite="strict")
        return answer
