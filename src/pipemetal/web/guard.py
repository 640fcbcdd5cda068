"""The door: which hosts are answered, which requests may change something, who may come in, what every answer carries."""

from __future__ import annotations

import base64
import binascii
import json
import logging
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.routing import Match, Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipemetal.logs import listening, one_line, tell_refusal
from pipemetal.shop.book import Book, Person
from pipemetal.shop.people import TooManyTriesError
from pipemetal.shop.roles import lesser
from pipemetal.web.access import ANYONE, ROUTES, allowed, most_bytes, room_of
from pipemetal.web.sessions import COOKIE, TooManyError, Tries
from pipemetal.web.site import REASON

__all__ = ["HEADERS", "Door", "Guard", "may_change"]


CSP: Final = (
    "default-src 'none'; font-src 'self'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
LISTENS: Final = {"permissions-policy": "camera=(), microphone=(self), geolocation=()"}
"""In place of the same header, for the one page that listens."""
EAR: Final = "/ear"
VERSIONED: Final = "/api/1/"
SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
SEE_OTHER: Final = 303
_LOG: Final = logging.getLogger("pipemetal.pages")


def may_change(host: str, *, fetch_site: str | None, origin: str | None, cookies: bool) -> bool:
    """Whether a request that would change something comes from our own pages, or from a script without cookies.

    >>> may_change("127.0.0.1:8137", fetch_site="same-origin", origin=None, cookies=True)
    True
    >>> may_change("127.0.0.1:8137", fetch_site="cross-site", origin=None, cookies=False)
    False
    """
    if fetch_site is not None:
        return fetch_site == "same-origin"
    if origin is not None:
        return urlsplit(origin).netloc == host and urlsplit(origin).scheme in ("http", "https")
    return not cookies


class Door:
    """Who stands in front of the pages: a session of a tablet, a program with a token, a script with name and password."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.sessions, self.tries, self.token_tries = book.sessions, Tries(), Tries()
        self._people: tuple[int, dict[str, Person]] = (-1, {})

    def people(self) -> dict[str, Person]:
        """Everybody in the book by name; read again when something was written."""
        now = self.book.history.last()
        if self._people[0] != now:
            self._people = (now, {p.name: p for p in self.book.people.all()})
        return self._people[1]

    def who(self, headers: dict[str, str], address: str) -> Person | None:
        """The person of a request. Raises: TooManyTriesError, TooManyError for a script that tried too often."""
        try:
            held = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            held = None
        if held is not None:
            came = self.sessions.person(held.value)
            found = self.people().get(came[0]) if came else None
            if came and (found is None or found.seal != came[1]):
                self.sessions.end(held.value)  # a new PIN or password, or another person of that name
                return None
            return found
        kind, _, value = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer":
            return self._of_token(value.strip(), address)
        if kind.lower() != "basic":
            return None
        try:
            name, _, password = base64.b64decode(value, validate=True).decode("utf-8").partition(":")
        except (binascii.Error, UnicodeDecodeError, ValueError):
            return None
        self.tries.check(address)
        found = self.book.people.check_password(name, password, address)
        if found is None:
            self.tries.wrong(address)
        return found

    def _of_token(self, text: str, address: str) -> Person | None:
        """The person whom a token acts for, with the lesser of both roles."""
        token = self.book.tokens.check(text)
        found = self.people().get(token.person) if token is not None else None
        if token is None or found is None:
            # a right one is never held up by wrong ones: nobody guesses 256 bits, and a shop's machine has many programs
            self.token_tries.check(address)
            self.token_tries.wrong(address)
            return None
        return replace(found, role=lesser(found.role, token.role), seal="")


@dataclass(frozen=True)
class _Refusal:
    """Why a request is not let through, and how that is said."""

    status: int
    words: str
    location: str = ""
    challenge: bool = False


class Guard:
    """Stands in front of every route: host, origin, size, person, role; then the route acts in that person's name."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], door: Door, routes: Callable[[], Sequence[Route]]) -> None:
        self.app, self.hosts, self.door, self.routes = app, hosts, door, routes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or refuse."""
        if scope["type"] == "http" and scope["path"].startswith(VERSIONED):
            # the version that a program was written for; it is the only one yet
            scope["path"] = "/api/" + scope["path"].removeprefix(VERSIONED)
            scope["raw_path"] = scope["path"].encode()
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                if message["status"] >= HTTPStatus.BAD_REQUEST and scope["method"] not in SAFE_METHODS and not heard:
                    _tell(_Refusal(message["status"], str(scope.get(REASON, ""))), scope)
                held = {k for k, _ in message["headers"]}
                own = HEADERS | (LISTENS if scope["path"] == EAR else {})
                more = [(k.encode(), v.encode()) for k, v in own.items() if k.encode() not in held]
                if not scope["path"].startswith("/static/"):
                    more.append((b"cache-control", b"no-store"))
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        glance = self.door.book.glance() if scope["method"] in SAFE_METHODS else nullcontext()
        with listening() as heard, glance:
            await self._let_in(scope, receive, with_headers, headers)

    async def _let_in(self, scope: Scope, receive: Receive, send: Send, headers: dict[str, str]) -> None:
        refused = self._refusal(scope, headers)
        if refused is None and not scope["path"].startswith("/static/"):
            refused = await self._turned_away(scope, headers)
        if refused is not None:
            if refused.status != SEE_OTHER:
                _tell(refused, scope)
            await _say(refused, scope, send)
            return
        person: Person | None = scope.get("pipemetal_person")
        if person is None:
            await self.app(scope, receive, send)
            return
        with self.door.book.acting(person.name, most=person.role):
            await self.app(scope, receive, send)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> _Refusal | None:
        """What can be told from the headers alone."""
        host = headers.get("host", "")
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        if name.lower() not in self.hosts:
            return _Refusal(400, "This server does not answer to that name.")
        if scope["method"] in SAFE_METHODS:
            return None
        if not may_change(
            host, fetch_site=headers.get("sec-fetch-site"), origin=headers.get("origin"), cookies="cookie" in headers
        ):
            return _Refusal(403, "A change must come from the shop's own pages.")
        length = headers.get("content-length", "0")
        if "transfer-encoding" in headers or not length.isdecimal() or int(length) > most_bytes(scope["path"]):
            return _Refusal(413, "That is too much for this form.")
        return None

    async def _turned_away(self, scope: Scope, headers: dict[str, str]) -> _Refusal | None:
        """Whether the person may not use the route; what is no route is left to answer that there is none."""
        route = self._route(scope)
        address = (scope.get("client") or ("", 0))[0]
        try:
            people, person = await run_in_threadpool(self._look, headers, address)
        except (TooManyError, TooManyTriesError):
            return _Refusal(429, "Too many wrong tries; wait a minute.")
        scope["pipemetal_person"] = person
        if headers.get("authorization", "")[:7].lower() == "bearer " and not scope["path"].startswith("/api/"):
            return _Refusal(403, "A token is good for the addresses under /api/ alone.")
        if route is None and (person is not None or not people):
            return None
        if allowed(scope["method"], route, person.role if person else None, has_people=people):
            return None
        if person is None and ROUTES.get((scope["method"], route or "")) != ANYONE:
            script = scope["path"].startswith("/api/") or headers.get("content-type", "").startswith("application/json")
            if script:
                return _Refusal(401, "Come in first.", challenge=scope["path"].startswith("/api/"))
            # what was typed waits on the tablet; a form leads back to its own page
            query = scope["query_string"].decode("latin-1")
            asked = scope["path"] + (f"?{query}" if query else "")
            back = asked if scope["method"] in SAFE_METHODS else room_of(scope["path"])
            return _Refusal(303, "Come in first.", f"/enter?back={quote(back, safe='')}")
        return _Refusal(403, f"Your role does not allow this: {person.role if person else 'nobody'}.")

    def _look(self, headers: dict[str, str], address: str) -> tuple[bool, Person | None]:
        people = bool(self.door.people())
        return people, self.door.who(headers, address) if people else None

    def _route(self, scope: Scope) -> str | None:
        for route in self.routes():
            match, _ = route.matches(scope)
            if match is Match.FULL:
                return str(route.path)
        return None


def _tell(refused: _Refusal, scope: Scope) -> None:
    """A line of the log; who only has to come in first is no refusal."""
    person: Person | None = scope.get("pipemetal_person")
    who = person.name if person is not None else "nobody"
    address = (scope.get("client") or ("", 0))[0]
    asked = f"{scope['method']} {scope['path']}"
    told = f"{one_line(asked)}, {refused.status}, by {one_line(who)} from {address}"
    tell_refusal(_LOG, f"{told}: {one_line(refused.words)}" if refused.words else told)


async def _say(refused: _Refusal, scope: Scope, send: Send) -> None:
    body, kind = refused.words, b"text/plain; charset=utf-8"
    if scope["path"].startswith("/api/"):
        body, kind = json.dumps({"error": refused.words}), b"application/json"
    headers = [(b"content-type", kind)]
    if refused.location:
        headers.append((b"location", refused.location.encode()))
    if refused.challenge:
        headers.append((b"www-authenticate", b'Basic realm="shop book", charset="UTF-8"'))
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body.encode()})
