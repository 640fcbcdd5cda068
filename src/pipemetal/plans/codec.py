"""Plans as JSON and back: written whole, read strictly, older formats brought up to date."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Final

from pydantic import TypeAdapter, ValidationError

from pipemetal.errors import FileFormatError
from pipemetal.plans.record import PLAN_FORMAT, Melt, Plan, Pour
from pipemetal.plans.said import table_of, with_texts
from pipemetal.plans.upgrade import OLDER_FORMATS, upgraded
from pipemetal.strict_json import parse_json
from pipemetal.texts import Text

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

__all__ = ["NEEDED", "as_dict", "from_value", "pour_from_value", "read", "with_table", "write"]

_WORDS: Final = {
    "missing": "is missing",
    "string_type": "is not a text",
    "string_too_short": "is empty",
    "string_pattern_mismatch": "is empty",
    "float_type": "is not a number",
    "float_parsing": "is not a number",
    "int_type": "is not a whole number",
    "int_parsing": "is not a whole number",
    "int_from_float": "is not a whole number",
    "bool_type": "is not true or false",
    "tuple_type": "is not a list",
    "dict_type": "is not an object with named values",
    "dataclass_type": "is not an object with named values",
    "literal_error": "is not one of those that can be",
    "finite_number": "is not a number that can be",
}


def as_dict(row: object) -> dict[str, object]:
    """A record as plain values, as they stand in the file.

    >>> from pipemetal.plans.record import Ring
    >>> as_dict(Ring(300.0, 50.0, 97.5))
    {'outer_radius_mm': 300.0, 'inner_radius_mm': 50.0, 'angle_deg': 97.5}
    """
    assert dataclasses.is_dataclass(row)
    leaves_out = getattr(row, "leaves_out_none", False)
    flat = getattr(row, "flat", {})
    found: dict[str, object] = {}
    for f in dataclasses.fields(row):
        value = getattr(row, f.name)
        if f.name in flat:
            found |= as_dict(value) if value is not None else {}
        elif value is not None or not leaves_out:
            found[f.name] = _plain(value)
    return found


def _plain(value: object) -> object:
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    return as_dict(value) if dataclasses.is_dataclass(value) else value


def write(plan: Plan) -> str:
    """A plan as the text of its file, every number at full precision.

    >>> from pipemetal.plans.record import Plan
    >>> read(write(Plan("Merrowby Chapel"))) == Plan("Merrowby Chapel")
    True
    """
    # so a plan that could not be read is not written, and a whole number stays the number it is
    sure = from_value(with_table(plan))
    return json.dumps(with_table(sure), allow_nan=False, ensure_ascii=False, indent=1) + "\n"


def with_table(row: Plan | Pour) -> dict[str, object]:
    """A plan or a pour as plain values, with the table of its texts where it has any."""
    table = table_of(row)
    return as_dict(row) | ({"texts": table} if table else {})


def read(text: str, name: str = "plan.json", *, whole: bool = False) -> Plan:
    """The plan in a text; `name` is what it is called in errors. Older formats are brought up to date.

    `whole` refuses a plan that lacks a list which every plan has: it was cut short, or written by another hand.

    Errors: FileFormatError that names the list, the entry and the field.
    """
    value = parse_json(text, name)
    plan = from_value(value, name)
    lacking = [kind for kind in NEEDED if whole and isinstance(value, Mapping) and kind not in value]
    if lacking:
        raise FileFormatError("is missing", field=lacking[0], where=name, allowed=", ".join(NEEDED))
    return plan


def from_value(value: object, name: str = "plan") -> Plan:
    """The plan in values as JSON gives them. Errors: as `read`."""
    if not isinstance(value, Mapping) or value.get("format") not in (PLAN_FORMAT, *OLDER_FORMATS):
        raise FileFormatError(
            "is not a plan",
            where=name,
            allowed=Text(
                "a plan.json of format {plan_format} or {names}",
                plan_format=repr(PLAN_FORMAT),
                names=", ".join(map(repr, OLDER_FORMATS)),
            ),
        )
    try:
        held = upgraded(value) if value["format"] != PLAN_FORMAT else value
        held = _told(held)
        return _plans().validate_python(
            dict(held) | {n: _nested(held[n], kind) for n, kind in _FLAT.items() if n in held}
        )
    except ValidationError as error:
        raise _refusal(error.errors()[0], name) from None


def pour_from_value(value: object, name: str = "pour") -> Pour:
    """A pour in values as JSON gives them, as the cast list of the book keeps it. Errors: as `read`."""
    try:
        return _pours().validate_python(_nested_row(_told(value) if isinstance(value, Mapping) else value, Pour))
    except ValidationError as error:
        raise _refusal(error.errors()[0], name) from None


def _told(value: Mapping[str, object]) -> dict[str, object]:
    table = value.get("texts")
    return {k: with_texts(v, table) for k, v in value.items() if k != "texts"}


NEEDED: Final = ("pipes", "blanks", "rolls_used", "new_sheets", "melts", "pours", "days", "faults", "unserved")
"""The lists of a plan that stand in its file even where they are empty."""
_FLAT: Final[dict[str, type[Melt | Pour]]] = {"melts": Melt, "pours": Pour}


def _nested(rows: object, kind: type[Melt | Pour]) -> object:
    """Rows as their records are nested; what is nested passes over the names that are not its own."""
    if not isinstance(rows, list | tuple):
        return rows
    return [_nested_row(row, kind) for row in rows]


def _nested_row(row: object, kind: type[Melt | Pour]) -> object:
    if not isinstance(row, dict):
        return row
    return row | {name: row for name, told_by in kind.flat.items() if told_by in row}


@cache
def _plans() -> TypeAdapter[Plan]:
    return TypeAdapter(Plan)


@cache
def _pours() -> TypeAdapter[Pour]:
    return TypeAdapter(Pour)


def _refusal(found: ErrorDetails, name: str) -> FileFormatError:
    steps = [str(step + 1) if isinstance(step, int) else str(step) for step in found["loc"]]
    hidden = {*Melt.flat, *Pour.flat}
    *way, field = [step for step in steps if step not in hidden] or [""]
    problem = _WORDS.get(found["type"], f"cannot be used: {found['msg'][:1].lower()}{found['msg'][1:]}")
    value = None if found["type"] == "missing" or isinstance(found["input"], dict) else found["input"]
    return FileFormatError(problem, field=field, value=value, where=", ".join([name, " ".join(way)]).rstrip(", "))
