"""Coming in and going out: tiles with names on a shared tablet, a PIN or a password; and the people of the book."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from fastapi import FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response

from pipemetal.errors import BookError
from pipemetal.shop.people import TooManyTriesError
from pipemetal.web.guard import Door
from pipemetal.web.sessions import COOKIE, TooManyError
from pipemetal.web.site import Site

__all__ = ["add_routes", "own_path"]

Short = Annotated[str, Form(max_length=200)]


def own_path(text: str) -> str:
    """A path of these pages, the first page for anything else.

    >>> own_path("/racks?low=1"), own_path("https://evil.example/"), own_path("//evil.example"), own_path("/\\\\evil")
    ('/racks?low=1', '/', '/', '/')
    """
    parts = urlsplit(text)
    fine = text.startswith("/") and not text.startswith("//") and not parts.scheme and not parts.netloc
    return text if fine and "\\" not in text and text.isprintable() else "/"


def add_routes(app: FastAPI, site: Site, door: Door) -> None:
    """The door's routes."""

    def form(request: Request, problem: str, status: int, name: str, back: str) -> Response:
        everybody = [p for p in door.people().values() if p.has_pin or p.has_password]
        chosen = next((p for p in everybody if p.name == name), None)
        return site.page(
            request,
            "enter.html",
            "Who is there?",
            "enter",
            status=status,
            everybody=everybody,
            chosen=chosen,
            back=own_path(back),
            problem=problem,
        )

    @app.get("/enter")
    def enter_form(request: Request, name: str = "", back: str = "/") -> Response:
        return form(request, "", 200, name[:200], back)

    @app.post("/enter")
    def enter(request: Request, name: Short, secret: Short, back: Short = "/") -> Response:
        address = request.client.host if request.client else ""
        try:
            door.tries.check(address)
            person = site.book.people.check_secret(name, secret, address)
        except (TooManyTriesError, TooManyError):
            return form(request, "Too many wrong tries; wait a minute.", 429, name, back)
        if person is None:
            door.tries.wrong(address)
            return form(request, "That is not right.", 403, name, back)
        answer = RedirectResponse(own_path(back), 303)
        _hand_over(request, answer, door.sessions.begin(person.name, person.seal))
        return answer

    @app.post("/leave")
    def leave(request: Request) -> Response:
        door.sessions.end(request.cookies.get(COOKIE, ""))
        answer = RedirectResponse("/enter?done=left", 303)
        answer.delete_cookie(COOKIE)
        return answer

    _add_people(app, site, door)


def _hand_over(request: Request, answer: Response, key: str) -> None:
    """Give a tablet its session; where the way is locked, it is never sent on one that is not."""
    locked = request.url.scheme == "https"
    answer.set_cookie(COOKIE, key, httponly=True, samesite="strict", secure=locked)


def _add_people(app: FastAPI, site: Site, door: Door) -> None:
    book = site.book

    def secrets_of(pin: str, password: str) -> dict[str, str | None]:
        return {"pin": pin.strip() or None, "password": password or None}

    @app.post("/people")
    def add(name: Short, role: Short, pin: Short = "", password: Short = "", note: Short = "") -> Response:
        if not pin.strip() and not password:
            raise BookError("is needed, a PIN or a password", field="pin")
        if not book.people.all():
            # the first person of a book enters themself, and must come in as that person from then on
            with book.acting(name.strip()):
                return site.booked(
                    "/settings", book.people.add(name.strip(), role, note=note, **secrets_of(pin, password)).event
                )
        return site.booked(
            "/settings", book.people.add(name.strip(), role, note=note, **secrets_of(pin, password)).event
        )

    @app.post("/people/role")
    def give_role(name: Short, role: Short, version: Annotated[int, Form(le=10**9)]) -> Response:
        return site.booked("/settings", book.people.give_role(name, role, version).event)

    @app.post("/people/close")
    def close(name: Short) -> Response:
        return site.booked("/settings", book.people.close(name).event)

    @app.post("/people/token")
    def token(request: Request, name: Short, role: Short, note: Short) -> Response:
        written = book.tokens.give(name, role, note)
        return site.page(request, "token.html", "A new token", "", token=written.value, name=name, role=role, note=note)

    @app.post("/people/token/withdraw")
    def withdraw(token: Short) -> Response:
        return site.booked("/settings", book.tokens.withdraw(token).event)

    @app.post("/people/secret")
    def secret(request: Request, name: Short, pin: Short = "", password: Short = "") -> Response:
        event = (
            book.people.set_pin(name, pin.strip()).event
            if pin.strip()
            else book.people.set_password(name, password).event
        )
        answer = site.booked("/settings", event)
        own = site.person(request)
        if own is not None and own.name == name:
            # every other tablet asks for the new one; this one has just been given it
            door.sessions.end(request.cookies.get(COOKIE, ""))
            key = door.sessions.begin(name, book.people.person(name).seal)
            _hand_over(request, answer, key)
        return answer
