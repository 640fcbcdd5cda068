"""JSON read strictly: what could mean two things, or what no computer can hold, is refused."""

from __future__ import annotations

import json
import math
import re
from typing import Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Text

__all__ = ["parse_json"]

MOST_DIGITS, MOST_WHOLE = 20, 2**63
_HALF_CHARACTER: Final = re.compile(r"\\u[dD][89a-fA-F]")


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number that may stand in a file")


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:20]} is beyond what a number can be")
    return value


def _whole(text: str) -> int:
    value = int(text) if len(text) <= MOST_DIGITS else MOST_WHOLE
    if abs(value) >= MOST_WHOLE:
        raise ValueError("a whole number is beyond 64 bits")
    return value


def _no_doubles(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found: dict[str, object] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"the key {key!r} stands twice")
        found[key] = value
    return found


def parse_json(text: str, name: str) -> object:
    """The value of a JSON text; `name` is what the text is called in errors.

    Errors: FileFormatError with the line where the text stops being JSON; for nan, infinity, numbers beyond 64 bits, a key that
    stands twice, and half a character.

    >>> parse_json('{"kerf_mm": 1.5}', "job.json")
    {'kerf_mm': 1.5}
    """
    if not text.strip():
        raise FileFormatError("is empty", where=name)
    try:
        value: object = json.loads(
            text, parse_constant=_no_constant, parse_float=_number, parse_int=_whole, object_pairs_hook=_no_doubles
        )
        if _HALF_CHARACTER.search(text):
            json.dumps(value, ensure_ascii=False).encode()  # halves of characters cannot be printed or kept
    except UnicodeEncodeError:
        raise FileFormatError("holds half a character (a lone \\ud800 to \\udfff)", where=name) from None
    except json.JSONDecodeError as error:
        raise FileFormatError(
            Text("is not JSON: {what} in line {line}", what=error.msg, line=error.lineno), where=name
        ) from None
    except (ValueError, RecursionError) as error:
        raise FileFormatError(Text("is not JSON that can be used: {what}", what=str(error)), where=name) from None
    return value
