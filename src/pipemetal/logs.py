"""The log to operate by, under `pipemetal`: a line for each writing, each job begun and ended, each refusal; tracebacks kept."""

from __future__ import annotations

import logging
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Final

from pipemetal.errors import FileFormatError

__all__ = ["listening", "one_line", "set_up", "tell_refusal"]

FORM: Final = "%(asctime)s %(levelname)s %(name)s: %(message)s"
MOST_BYTES: Final = 5_000_000
_LINE: Final = re.compile(rb"\d{4}-\d\d-\d\d")
_HEARD: Final[ContextVar[list[str] | None]] = ContextVar("what was refused within a request", default=None)
KEPT: Final = 5
"""Older files beside the one that is being written."""


class _OwnersFile(RotatingFileHandler):
    """A file that its owner alone can read, like the book: it names people and metal."""

    def _open(self) -> TextIOWrapper:
        def opened(path: str, flags: int) -> int:
            return os.open(path, flags, 0o600)

        return open(self.baseFilename, "a", encoding="utf-8", opener=opened)


def one_line(text: str) -> str:
    """A name or a message as a line of a log can hold it.

    >>> one_line("Ada\\nevent 7: sold")
    'Ada\\\\nevent 7: sold'
    """
    return text if text.isprintable() else ascii(text)[1:-1]


@contextmanager
def listening() -> Iterator[list[str]]:
    """Collects the refusals that are told inside, so that nobody tells one a second time."""
    heard: list[str] = []
    token = _HEARD.set(heard)
    try:
        yield heard
    finally:
        _HEARD.reset(token)


def tell_refusal(logger: logging.Logger, words: str) -> None:
    """One line of the log for what was refused, and why."""
    logger.info("refused: %s", words)
    heard = _HEARD.get()
    if heard is not None:
        heard.append(words)


def _beginning(file: Path) -> bytes:
    with file.open("rb") as held:
        return held.read(10)


def set_up(file: Path | None = None) -> None:
    """Write the log, and what goes wrong in the pages' server, to standard error, and into a file too where one is named.

    The file is begun anew at 5 MB, and the last five before it are kept.
    Errors: OSError where it cannot be written, FileFormatError for a file that holds anything but a log.
    """
    if file is not None and file.is_file() and file.stat().st_size and not _LINE.match(_beginning(file)):
        raise FileFormatError("holds something else", field="log", value=str(file), allowed="a file of its own")
    handlers: list[logging.Handler] = [logging.StreamHandler()]
    if file is not None:
        handlers.append(_OwnersFile(file, maxBytes=MOST_BYTES, backupCount=KEPT, encoding="utf-8"))
    for handler in handlers:
        handler.setFormatter(logging.Formatter(FORM, datefmt="%Y-%m-%dT%H:%M:%S%z"))
    for name, level in (("pipemetal", logging.INFO), ("uvicorn", logging.WARNING)):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = list(handlers), False
        logger.setLevel(level)
