"""The dates on which a shop casts: its days of the week, without its free days and the public holidays of its region."""

from __future__ import annotations

import datetime as dt
import importlib
from collections.abc import Callable, Iterator

from pipemetal.errors import PlanError
from pipemetal.planning.habits import DaySettings, parse_dates, parse_weekdays

__all__ = ["casting_dates"]

MOST_DAYS_ON = 4000
"""Longer no casting day is looked for: a shop whose every day is free gets an answer too."""


def _public(region: str) -> Callable[[dt.date], bool]:
    """Whether a date is a public holiday of a region, by the open library of holidays where it is installed."""
    if not region:
        return lambda _: False
    try:
        library = importlib.import_module("holidays")
    except ImportError:
        raise PlanError(
            "needs a library that is not installed",
            field="day.holidays",
            value=region,
            allowed="pip install 'pipemetal[holidays]', or the days themselves in day.free_days",
        ) from None
    country, _, part = region.partition("-")
    try:
        held = library.country_holidays(country, subdiv=part or None)
    except (KeyError, NotImplementedError):
        raise PlanError(
            "is not a region that is known", field="day.holidays", value=region, allowed="as in DE-BY"
        ) from None
    return lambda date: date in held


def casting_dates(hours: DaySettings, lost: frozenset[dt.date] = frozenset()) -> Iterator[dt.date] | None:
    """The dates on which the shop casts, from its first casting day on; None where it did not say when that is.

    `lost` are days on which nothing was cast after all: what was planned for them and all that follows moves on.

    >>> hours = DaySettings(starts_on="2026-12-23", free_days="2026-12-24..2026-12-27")
    >>> dates = casting_dates(hours, frozenset({dt.date(2026, 12, 28)}))
    >>> [next(dates).isoformat() for _ in range(2)]
    ['2026-12-23', '2026-12-29']

    Errors: PlanError for a region of holidays that is not known, or where the library of holidays is not installed.
    """
    if not hours.starts_on:
        return None
    weekdays, free, is_public = parse_weekdays(hours.weekdays), parse_dates(hours.free_days), _public(hours.holidays)
    first = dt.date.fromisoformat(hours.starts_on)
    later = (first + dt.timedelta(days=k) for k in range(min(MOST_DAYS_ON, (dt.date.max - first).days)))
    return (d for d in later if d.weekday() in weekdays and d not in free and d not in lost and not is_public(d))
