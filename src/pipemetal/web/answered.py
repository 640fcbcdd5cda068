"""Where a form led to when it was sent first: sent twice, it leads there again and tells what was booked."""

from __future__ import annotations

from http import HTTPStatus
from typing import Final
from urllib.parse import parse_qs, parse_qsl, urlencode, urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipemetal.web.door import own_path

__all__ = ["Answered", "led_to"]

MOST_HELD: Final = 400


class Answered:
    """Remembers the pages that told of the latest events."""

    def __init__(self, app: ASGIApp, held: dict[int, str]) -> None:
        self.app, self.held = app, held

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, and look where an answer leads."""

        async def looking(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == HTTPStatus.SEE_OTHER:
                self._keep(next((v.decode("latin-1") for k, v in message["headers"] if k == b"location"), ""))
            await send(message)

        await self.app(scope, receive, looking)

    def _keep(self, page: str) -> None:
        event = parse_qs(urlsplit(page).query).get("event", [""])[0]
        if event.isdecimal() and own_path(page) == page:
            self.held[int(event)] = page
            while len(self.held) > MOST_HELD:
                self.held.pop(next(iter(self.held)), None)


def led_to(held: dict[int, str], event: int, referer: str) -> str:
    """The page that told of an event; that of the form where nobody remembers, after a restart for example.

    >>> led_to({7: "/casting/after?cast=K1&event=7"}, 7, ""), led_to({}, 8, "http://a/cutting?sheet=N1&event=7")
    ('/casting/after?cast=K1&event=7', '/cutting?sheet=N1&event=8')
    """
    if event in held:
        return held[event]
    came = urlsplit(referer)
    kept = [(k, v) for k, v in parse_qsl(came.query) if k not in ("event", "done")]
    return f"{own_path(came.path or '/')}?{urlencode([*kept, ('event', event)])}"
