"""Layout problems and plans as JSON files. Documented in docs/layout-files.md."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

from pipemetal.errors import FileFormatError
from pipemetal.files.outbox import write
from pipemetal.files.toml_table import read_text
from pipemetal.layout.jsonform import plan_from_dict, plan_to_dict, problem_from_dict
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import LayoutProblem

__all__ = ["read_json", "read_plan", "read_problem", "write_json", "write_plan"]

MAX_BYTES = 64_000_000
"""A plan of a thousand pipes has five; the worst that so many bytes can hold takes thirty times as much memory."""
MOST_DIGITS, MOST_WHOLE = 20, 2**63
_HALF_CHARACTER = re.compile(r"\\u[dD][89a-fA-F]")


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


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"the key {key!r} stands twice")
        found[key] = value
    return found


def read_json(path: Path) -> Any:
    """The JSON value of a file; nan, infinity, numbers beyond 64 bits and doubled keys are refused.

    Errors: FileFormatError with the line where the text stops being JSON.
    """
    text = read_text(path, most_bytes=MAX_BYTES)
    if not text.strip():
        raise FileFormatError("is empty", where=path.name)
    try:
        value = json.loads(
            text, parse_constant=_no_constant, parse_float=_number, parse_int=_whole, object_pairs_hook=_no_doubles
        )
        if _HALF_CHARACTER.search(text):
            json.dumps(value, ensure_ascii=False).encode()  # halves of characters cannot be printed or kept
        return value
    except UnicodeEncodeError:
        raise FileFormatError("holds half a character (a lone \\ud800 to \\udfff)", where=path.name) from None
    except json.JSONDecodeError as error:
        raise FileFormatError(f"is not JSON: {error.msg} in line {error.lineno}", where=path.name) from None
    except (ValueError, RecursionError) as error:
        raise FileFormatError(f"is not JSON that can be used: {error}", where=path.name) from None


def write_json(path: Path, value: Any) -> None:
    """Write a JSON file. Errors: FileFormatError for a place that must not be written over."""
    write(path, json.dumps(value, allow_nan=False, ensure_ascii=False, indent=1) + "\n")


def read_problem(path: Path) -> LayoutProblem:
    """A layout problem. Errors: FileFormatError, LayoutError."""
    return problem_from_dict(read_json(path), where=path.name)


def read_plan(path: Path, problem: LayoutProblem) -> LayoutPlan:
    """A layout plan for a problem. Errors: FileFormatError, LayoutError."""
    return plan_from_dict(read_json(path), problem, where=path.name)


def write_plan(path: Path, plan: LayoutPlan) -> None:
    """Write a layout plan."""
    write_json(path, plan_to_dict(plan))
