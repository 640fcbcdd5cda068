"""The name of a tablet's session, and how often a wrong secret may be tried from one address."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final

__all__ = ["COOKIE", "LIMITS", "TooManyError", "Tries"]

COOKIE: Final = "pipemetal_session"
MOST_ADDRESSES: Final = 2000
LIMITS: Final = ((60.0, 10), (3600.0, 100))
"""Seconds, and wrong secrets from one address within them; the book limits each person's own besides."""


class TooManyError(Exception):
    """Too many wrong secrets from one address."""


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
            if len(self._wrong) > MOST_ADDRESSES:
                self._wrong = {a: t for a, t in self._wrong.items() if t}
            for seconds, most in LIMITS:
                if sum(1 for t in held if now - t < seconds) >= most:
                    raise TooManyError

    def wrong(self, address: str) -> None:
        """Remember a wrong one."""
        with self._lock:
            self._wrong.setdefault(address, []).append(self._clock())
