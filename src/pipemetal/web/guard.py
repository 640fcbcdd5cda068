"""The door: which hosts are answered, which requests may change something, who may come in, what every answer carries."""

from __future__ import annotations

import secrets
import time
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import urlsplit

__all__ = ["HEADERS", "Guard", "Passphrase", "may_change"]

Scope = dict[str, Any]
Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]

CSP: Final = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "content-security-policy": CSP, "x-content-type-options": "nosniff", "x-frame-options": "DENY",
    "referrer-policy": "no-referrer", "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin", "permissions-policy": "camera=(), microphone=(), geolocation=()",
}  # fmt: skip
SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
MOST_BODY_BYTES: Final = 1_000_000


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


class Passphrase:
    """Who may come in from the network: a number that is printed when the server starts, with a pause after wrong ones."""

    def __init__(self, words: str) -> None:
        self.words = words
        self._sessions: set[str] = set()
        self._wrong: list[float] = []

    def enter(self, given: str) -> str | None:
        """A session where the passphrase is right. Raises: PermissionError after five wrong ones in a minute."""
        now = time.monotonic()
        self._wrong = [t for t in self._wrong if now - t < 60.0]
        if len(self._wrong) >= 5:
            raise PermissionError
        if not secrets.compare_digest(given.strip().encode(), self.words.encode()):
            self._wrong.append(now)
            return None
        session = secrets.token_urlsafe(32)
        self._sessions.add(session)
        return session

    def knows(self, session: str) -> bool:
        """Whether this session came in."""
        return session in self._sessions


class Guard:
    """Stands in front of every route."""

    def __init__(self, app: Any, hosts: frozenset[str], passphrase: Passphrase | None) -> None:
        self.app, self.hosts, self.passphrase = app, hosts, passphrase

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or refuse."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                held = {k for k, _ in message["headers"]}
                more = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in held]
                if not scope["path"].startswith("/static/"):
                    more.append((b"cache-control", b"no-store"))
                message = message | {"headers": [*message["headers"], *more]}
            await send(message)

        refused = self._refusal(scope)
        if refused is None:
            await self.app(scope, receive, with_headers)
            return
        status, words, location = refused
        headers = [(b"content-type", b"text/plain; charset=utf-8")]
        if location:
            headers.append((b"location", location.encode()))
        await with_headers({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": words.encode()})

    def _refusal(self, scope: Scope) -> tuple[int, str, str] | None:
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        host = headers.get("host", "")
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        if name.lower() not in self.hosts:
            return 400, "This server does not answer to that name.", ""
        cookies = headers.get("cookie", "")
        if scope["method"] not in SAFE_METHODS:
            if not may_change(
                host, fetch_site=headers.get("sec-fetch-site"), origin=headers.get("origin"), cookies=bool(cookies)
            ):
                return 403, "A change must come from the shop's own pages.", ""
            length = headers.get("content-length", "0")
            if "transfer-encoding" in headers or not length.isdigit() or int(length) > MOST_BODY_BYTES:
                return 413, "That is too much for a form.", ""
        if self.passphrase is None or scope["path"] == "/enter" or scope["path"].startswith("/static/"):
            return None
        try:
            session = SimpleCookie(cookies).get("pipemetal_session")
        except CookieError:
            session = None
        if session is None or not self.passphrase.knows(session.value):
            return (303, "Come in first.", "/enter") if scope["method"] in SAFE_METHODS else (403, "Come in first.", "")
        return None
