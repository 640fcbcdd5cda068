"""What names, notes and days must be everywhere: text without hidden marks, days that the calendar knows, ids told apart."""

from __future__ import annotations

import datetime
import re
import unicodedata
from typing import Final

from pipemetal.errors import FileFormatError

__all__ = ["hidden_mark", "parse_day", "same_name"]

DAYS: Final = "2026-03-04 or 4.3.2026; 2026-03 or 2026 where no more is known; from 1500 to 2100"
EARLIEST, LATEST = 1500, 2100
"""Old pipes may have their day; a later year is a slip of the hand."""
_ISO: Final = re.compile(r"([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?")
_DOTTED: Final = re.compile(r"([0-9]{1,2})\.\s?([0-9]{1,2})\.\s?([0-9]{4})")
# marks that turn the direction of what is shown, so that a text reads as another one; and what steers a terminal
_HIDDEN: Final = re.compile(r"[\u202a-\u202e\u2066-\u2069\u200e\u200f\u061c\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


def parse_day(text: str, *, field: str = "day") -> str:
    """A day as the book keeps it, YYYY-MM-DD, or YYYY-MM or YYYY where no more is known; nothing stays nothing.

    With slashes nobody knows which number is the month, so that is refused.

    >>> parse_day("04.03.2026"), parse_day("2026-03-04"), parse_day("2019"), parse_day("")
    ('2026-03-04', '2026-03-04', '2019', '')

    Errors: FileFormatError for anything else, and for a day that no calendar has.
    """
    held = text.strip()
    if not held:
        return ""
    iso, dotted = _ISO.fullmatch(held), _DOTTED.fullmatch(held)
    try:
        if dotted:
            day = datetime.date(int(dotted[3]), int(dotted[2]), int(dotted[1]))
            if EARLIEST <= day.year <= LATEST:
                return day.isoformat()
        if iso and EARLIEST <= datetime.date(int(iso[1]), int(iso[2] or 1), int(iso[3] or 1)).year <= LATEST:
            return held
    except ValueError:
        pass
    raise FileFormatError("is not a day", field=field, value=held, allowed=DAYS)


def hidden_mark(text: str) -> str:
    """The first mark in a text that nobody sees and that changes how it reads, by its number; empty where there is none.

    >>> hidden_mark("Ada"), hidden_mark("Ada\\u202eneB")
    ('', 'U+202E')
    """
    found = _HIDDEN.search(text)
    return f"U+{ord(found[0]):04X}" if found else ""


def same_name(text: str) -> str:
    """A form that is the same for ids that people take for the same: composed letters, capitals or not.

    >>> same_name("R\\u00d6HR") == same_name("Ro\\u0308hr")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())
