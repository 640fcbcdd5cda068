"""Public holidays of a region, by the open library `holidays` where it is installed."""

from __future__ import annotations

import datetime as dt
import importlib
from collections.abc import Callable
from types import ModuleType

from pipemetal.errors import PlanError

__all__ = ["check_region", "holidays_of"]

FIELD = "day.holidays"


def _library() -> ModuleType | None:
    try:
        return importlib.import_module("holidays")
    except ImportError:
        return None


def check_region(region: str) -> None:
    """Refuse a region that the library does not know, where there is a library. Errors: PlanError."""
    if region and _library() is not None:
        holidays_of(region)


def holidays_of(region: str) -> Callable[[dt.date], bool]:
    """Whether a date is a public holiday of a region, as DE-BY; of none where no region is named.

    Errors: PlanError for a region that is not known, or where the library is not installed.
    """
    if not region:
        return lambda _: False
    library = _library()
    if library is None:
        raise PlanError(
            "needs a library that is not installed",
            field=FIELD,
            value=region,
            allowed="pip install 'pipemetal[holidays]', or the days themselves in day.free_days",
        )
    country, _, part = region.partition("-")
    try:
        known = library.list_supported_countries(include_aliases=True)
        parts = known[country]
        held = library.country_holidays(country, subdiv=part or None)
    except (KeyError, NotImplementedError):
        near = f"{country} with one of {', '.join(parts)[:120]}" if country in known and parts else "as in DE-BY"
        raise PlanError("is not a region that is known", field=FIELD, value=region, allowed=near) from None
    return lambda date: date in held
