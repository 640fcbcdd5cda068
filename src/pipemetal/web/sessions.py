"""Who is signed in on which tablet, and how often a wrong secret may be tried from one address."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

__all__ = ["COOKIE", "LIMITS", "Sessions", "TooManyError", "Tries"]

COOKIE: Final = "pipemetal_session"
SHARED_S: Final = 12 * 3600.0
"""A tablet is signed in for a shop's day; it is asked again after as long without a touch."""
MOST_SESSIONS: Final = 2000
LIMITS: Final = ((60.0, 10), (3600.0, 100))
"""Seconds, and wrong secrets from one address within them; the book limits each person's own besides."""


class TooManyError(Exception):
    """Too many wrong secrets from one address."""


@dataclass
class _Session:
    person: str
    seal: str
    touched_s: float


class Sessions:
    """Sessions in memory: they end with the server, what was typed stays on the tablet.

    >>> held = Sessions()
    >>> key = held.begin("Ada", "seal of her PIN")
    >>> held.person(key), held.person("guessed"), held.end(key), held.person(key)
    (('Ada', 'seal of her PIN'), None, None, None)
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._held: dict[str, _Session] = {}
        self._lock = threading.Lock()

    def begin(self, person: str, seal: str) -> str:
        """A session's key, for the cookie; `seal` is that of the secret that the person came in with."""
        key = secrets.token_urlsafe(32)
        with self._lock:
            if len(self._held) >= MOST_SESSIONS:
                oldest = min(self._held, key=lambda k: self._held[k].touched_s)
                del self._held[oldest]
            self._held[key] = _Session(person, seal, self._clock())
        return key

    def person(self, key: str) -> tuple[str, str] | None:
        """Who this session is, with the seal of their secret; None where it is none or has lain too long."""
        with self._lock:
            found = self._held.get(key)
            if found is None:
                return None
            now = self._clock()
            if now - found.touched_s > SHARED_S:
                del self._held[key]
                return None
            found.touched_s = now
            return found.person, found.seal

    def end(self, key: str) -> None:
        """Sign out."""
        with self._lock:
            self._held.pop(key, None)


class Tries:
    """Wrong secrets by address."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: dict[str, list[float]] = {}
        self._lock = threading.Lock()

    def check(self, address: str) -> None:
        """Raises: TooManyError where this address must wait."""
        now = self._clock()
        with self._lock:
            longest = max(s for s, _ in LIMITS)
            held = [t for t in self._wrong.get(address, ()) if now - t < longest]
            self._wrong[address] = held
            if len(self._wrong) > MOST_SESSIONS:
                self._wrong = {a: t for a, t in self._wrong.items() if t}
            for seconds, most in LIMITS:
                if sum(1 for t in held if now - t < seconds) >= most:
                    raise TooManyError

    def wrong(self, address: str) -> None:
        """Remember a wrong one."""
        with self._lock:
            self._wrong.setdefault(address, []).append(self._clock())
