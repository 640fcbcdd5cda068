"""Guards for numbers that a person gave: finite, within their range, named when they are not."""

from __future__ import annotations

import math

from pipemetal.errors import InputError, SheetError
from pipemetal.texts import Amount, Text

__all__ = ["checked_number", "checked_text"]


def checked_number(
    value: object,
    *,
    field: str,
    low: float = -math.inf,
    high: float = math.inf,
    above: float | None = None,
    where: str = "",
    error: type[InputError] = SheetError,
) -> float:
    """The value as a float, or one clear error: not a number, not finite, or outside what is allowed.

    Arguments: `low` and `high` are allowed themselves; the value must lie above `above` where that is given.
    Raises: the error type given.

    >>> checked_number("3", field="width_mm")
    Traceback (most recent call last):
        ...
    pipemetal.errors.SheetError: width_mm is not a number (got '3')
    """
    if isinstance(value, bool) or not hasattr(value, "__float__"):
        raise error("is not a number", field=field, value=value, where=where)
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        raise error("is not a number", field=field, value=value, where=where) from None
    if not math.isfinite(number):
        raise error("is not a finite number", field=field, value=value, where=where)
    if above is not None and number <= above:
        raise error(
            "is too small",
            field=field,
            value=value,
            allowed=Text("above {above}", above=Amount.short(above)),
            where=where,
        )
    if not low <= number <= high:
        allowed = (
            Text("{low} to {high}", low=Amount.short(low), high=Amount.short(high))
            if math.isfinite(high)
            else Text("{number} or more", number=Amount.short(low))
        )
        raise error("is outside its range", field=field, value=value, allowed=allowed, where=where)
    return number


def checked_text(value: object, *, field: str, where: str = "", error: type[InputError] = SheetError) -> str:
    """The value as text that is not empty, or one clear error.

    >>> checked_text("R001", field="id")
    'R001'
    """
    if not isinstance(value, str) or not value.strip():
        raise error("must be text that is not empty", field=field, value=value, where=where)
    return value
