"""The texts of a plan in its file: plain English where they are said, template and values once, in a table beside them."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Final, get_args

from pipemetal.planning.cautions import FORMER_WORDS
from pipemetal.texts import Amount, Text, Unit, Value

__all__ = ["said", "table_of", "with_texts"]

UNITS: Final[tuple[Unit, ...]] = get_args(Unit)
DEEPEST: Final = 6
"""Texts stand in texts, but never so deep."""


def said(value: object) -> str:
    """What a field of a plan says, as it is: a text keeps its template. For the record's own checking.

    Errors: ValueError where it is not a text.
    """
    if not isinstance(value, str):
        raise ValueError("is not a text")
    return value


def table_of(row: object) -> list[dict[str, object]]:
    """The texts with values in a record, each once, as plain values.

    >>> from pipemetal.plans.record import LeftOut
    >>> words = Text("ten-fold: {value} fits", value=Amount(1.01, "mm", 2))
    >>> table_of(LeftOut("R7", 0.0, 0.0, 10.1, words))[0]["template"]
    'ten-fold: {value} fits'
    """
    found = {text: text for text in _texts(row)}
    return [{"text": str.__str__(text), **_plain(text)} for text in found]


def with_texts(value: object, table: object) -> object:
    """Plain values of a record, with each text of the table in the place of its English, and former words as they are said
    now. A row that is no text is passed over."""
    rows = table if isinstance(table, list) else []
    texts = {str(t): t for row in rows if (t := _text(row)) is not None and t == row.get("text")}
    return _replaced(value, FORMER_WORDS | texts)


def _texts(value: object) -> Iterator[Text]:
    if isinstance(value, Text):
        if value.values:
            yield value
    elif isinstance(value, tuple | list):
        for item in value:
            yield from _texts(item)
    elif isinstance(value, dict):
        for item in value.values():
            yield from _texts(item)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from _texts(getattr(value, field.name))


def _plain(text: Text) -> dict[str, object]:
    return {"template": text.template, "values": {name: _plain_value(v) for name, v in text.values.items()}}


def _plain_value(value: Value) -> object:
    if isinstance(value, Amount):
        return dataclasses.asdict(value)
    return _plain(value) if isinstance(value, Text) else value


def _text(row: object, depth: int = 0) -> Text | None:
    if not isinstance(row, Mapping) or depth > DEEPEST:
        return None
    template, values = row.get("template"), row.get("values")
    if not isinstance(template, str) or not isinstance(values, Mapping):
        return None
    read = {str(name): _value(v, depth) for name, v in values.items()}
    try:
        return Text(template, **{name: v for name, v in read.items() if v is not None})
    except (KeyError, IndexError, ValueError, AttributeError, TypeError):
        return None


def _value(value: object, depth: int) -> Value | None:
    if isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool)):
        return value
    if isinstance(value, Mapping) and "template" in value:
        return _text(value, depth + 1)
    return _amount(value) if isinstance(value, Mapping) else None


def _amount(value: Mapping[str, object]) -> Amount | None:
    number, decimals = value.get("value"), value.get("decimals")
    unit = next((u for u in UNITS if u == value.get("unit")), None)
    if isinstance(number, bool) or not isinstance(number, int | float) or not isinstance(decimals, int):
        return None
    if unit is None or not 0 <= decimals <= 9 or not abs(number) < 1e9:
        return None
    return Amount(float(number), unit, decimals, value.get("bare") is True, value.get("signed") is True)


def _replaced(value: object, texts: Mapping[str, str]) -> object:
    if isinstance(value, str):
        return texts.get(value, value)
    if isinstance(value, list):
        return [_replaced(item, texts) for item in value]
    if isinstance(value, dict):
        return {key: _replaced(item, texts) for key, item in value.items()}
    return value
