"""The dates on which a shop casts: its days of the week, without its free days and the public holidays of its region."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from pipemetal.planning.habits import DaySettings, parse_dates, parse_weekdays
from pipemetal.planning.regions import holidays_of

__all__ = ["casting_dates"]

MOST_DAYS_ON = 4000
"""Longer no casting day is looked for: a shop whose every day is free gets an answer too."""


def casting_dates(hours: DaySettings) -> Iterator[dt.date] | None:
    """The dates on which the shop casts, from its first casting day on; None where it did not say when that is.

    >>> hours = DaySettings(starts_on="2026-12-23", free_days="2026-12-24..2026-12-27", lost_days="2026-12-28")
    >>> dates = casting_dates(hours)
    >>> [next(dates).isoformat() for _ in range(2)]
    ['2026-12-23', '2026-12-29']

    Errors: PlanError for a region of holidays that is not known, or where the library of holidays is not installed.
    """
    if not hours.starts_on:
        return None
    weekdays, is_public = parse_weekdays(hours.weekdays), holidays_of(hours.holidays)
    free = parse_dates(hours.free_days) | parse_dates(hours.lost_days, "day.lost_days")
    first = dt.date.fromisoformat(hours.starts_on)
    later = (first + dt.timedelta(days=k) for k in range(min(MOST_DAYS_ON, (dt.date.max - first).days)))
    return (d for d in later if d.weekday() in weekdays and d not in free and not is_public(d))
