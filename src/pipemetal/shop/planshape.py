"""What the book needs of a plan that somebody hands in: the lists it books from, and what stands in each entry."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from pipemetal.errors import BookError

__all__ = ["check_plan"]

MOST: Final = 1e9


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and abs(value) < MOST


def _is_mass(value: object) -> bool:
    return _is_number(value) and float(value) >= 0.0  # type: ignore[arg-type]


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < MOST


_WORDS: Final[dict[Callable[[object], bool], str]] = {
    _is_text: "a text",
    _is_number: "a number",
    _is_mass: "kilograms",
    _is_whole: "a whole number",
}
_CUT: Final = {
    "blank": _is_text,
    "kind": _is_text,
    "rank": _is_text,
    "x_mm": _is_number,
    "y_mm": _is_number,
    "length_mm": _is_number,
    "width_mm": _is_number,
    "mass_kg": _is_mass,
}
_SHAPE: Final[dict[str, Any]] = {
    "rolls_used": {"id": _is_text, "mass_kg": _is_mass, "cuts": _CUT},
    "new_sheets": {"id": _is_text, "cuts": _CUT},
    "melts": {"name": _is_text, "lots?": {"id": _is_text, "kind": _is_text, "mass_kg": _is_mass}},
    "pours": {"sheet": _is_text, "alloy": _is_text, "melt": _is_text, "day": _is_whole, "number": _is_whole},
}
_CHARGED: Final = {"recipe": _is_text, "heel_kg": _is_mass}


def check_plan(plan: Mapping[str, Any]) -> None:
    """Refuse a plan whose lists are not what the book books from; what else it holds is kept as it is.

    >>> check_plan({"organ": "Chapel", "pours": [{"sheet": "N1"}]})
    Traceback (most recent call last):
        ...
    pipemetal.errors.BookError: plan, pours 1: alloy is missing (allowed: a text)

    Errors: BookError with list, entry and field.
    """
    for key, shape in _SHAPE.items():
        _check_list(plan.get(key, ()), shape, f"plan, {key}")
    for number, melt in enumerate(plan.get("melts", ()), 1):
        if "lots" in melt:
            _check_entry(melt, _CHARGED, f"plan, melts {number}")


def _check_list(entries: object, shape: Mapping[str, Any], where: str) -> None:
    if not isinstance(entries, list | tuple):
        raise BookError("is not a list", where=where, value=entries)
    for number, entry in enumerate(entries, 1):
        _check_entry(entry, shape, f"{where} {number}")


def _check_entry(entry: object, shape: Mapping[str, Any], where: str) -> None:
    if not isinstance(entry, Mapping):
        raise BookError("is not an object with named values", where=where, value=entry)
    for named, wanted in shape.items():
        name = named.rstrip("?")
        if name not in entry:
            if named == name:
                allowed = "a list" if isinstance(wanted, Mapping) else _WORDS[wanted]
                raise BookError("is missing", field=name, where=where, allowed=allowed)
        elif isinstance(wanted, Mapping):
            _check_list(entry[name], wanted, f"{where}, {name}")
        elif not wanted(entry[name]):
            raise BookError(f"is not {_WORDS[wanted]}", field=name, where=where, value=entry[name])
