"""What the framework found wrong with a form, in the words of the program's own errors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pipemetal.errors import InputError
from pipemetal.texts import Amount, Text

__all__ = ["fault_of"]

PROBLEMS: Final[Mapping[str, str]] = {
    "missing": "is missing",
    "extra_forbidden": "is not known",
    "literal_error": "is not known",
    "enum": "is not known",
    "string_too_long": "is too long",
    "string_too_short": "is too short",
    "too_long": "has too many values",
    "too_short": "has too few values",
    "string_pattern_mismatch": "does not have the form it should have",
    "string_type": "is not a text",
    "bool_type": "is not true or false",
    "bool_parsing": "is not true or false",
    "int_type": "is not a whole number",
    "int_parsing": "is not a whole number",
    "int_from_float": "is not a whole number",
    "float_type": "is not a number",
    "float_parsing": "is not a number",
    "finite_number": "is not a number",
    "json_invalid": "is not JSON",
    "greater_than": "is out of range",
    "greater_than_equal": "is out of range",
    "less_than": "is out of range",
    "less_than_equal": "is out of range",
}
"""What is wrong, by the framework's own name of the fault; all else cannot be used."""
ALLOWED: Final[Mapping[str, str]] = {
    "gt": "more than {number}",
    "ge": "{number} or more",
    "lt": "less than {number}",
    "le": "up to {number}",
    "max_length": "up to {number}",
    "min_length": "{number} or more",
}


def fault_of(found: Mapping[str, object]) -> InputError:
    """One fault of a form as the framework tells it: the field, what is wrong with it, and what is allowed.

    >>> print(fault_of({"type": "less_than_equal", "loc": ("body", "gate_mm"), "ctx": {"le": 20.0}}))
    gate_mm is out of range (allowed: up to 20)
    >>> print(fault_of({"type": "missing", "loc": ("body", "id")}))
    id is missing
    """
    place, context = found.get("loc"), found.get("ctx")
    names = place[1:] if isinstance(place, tuple) else ()
    problem = PROBLEMS.get(str(found.get("type")), "cannot be used")
    return InputError(Text(problem), field=".".join(str(p) for p in names) or "form", allowed=_allowed(context))


def _allowed(context: object) -> str:
    for name, value in context.items() if isinstance(context, Mapping) else ():
        if name in ALLOWED and isinstance(value, int | float):
            return Text(ALLOWED[name], number=Amount.short(float(value)))
        if name in ("expected", "pattern"):
            return str(value)
    return ""
