"""A shop's day and habits: its hours, its people, what it usually ladles, and what it would never weigh."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PlanError
from pipemetal.planning.regions import check_region
from pipemetal.texts import Text

__all__ = [
    "DaySettings",
    "HabitSettings",
    "Limits",
    "Span",
    "check_limits",
    "parse_dates",
    "parse_spans",
    "parse_weekdays",
]

WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
Span = tuple[int, int]
"""From and to, in minutes since midnight."""
_SPAN: Final = re.compile(r"(\d{1,2}):(\d\d)\s*-\s*(\d{1,2}):(\d\d)")
_DATES: Final = re.compile(r"(\d{4}-\d\d-\d\d)(?:\s*\.\.\s*(\d{4}-\d\d-\d\d))?")
MOST_FREE_DAYS: Final = 2000
OWN_BREAKS: Final = "9:30-9:45, 12:00-12:30"
"""The breaks of a shop that says none: those of them that lie in its shift."""
POURS_WITH: Final = 2
"""So many people a pour takes."""
MOST_BREAKS: Final = 0.5
"""Share of the shift that breaks may take: more is a slip."""


def _words(text: str) -> Iterator[str]:
    return (word for word in (piece.strip() for piece in re.split(r"[,;]", text)) if word)


def parse_spans(text: str, field: str) -> tuple[Span, ...]:
    """Spans of a day in minutes since midnight, in their order.

    >>> parse_spans("12:00-12:30, 9:30-9:45", "day.breaks")
    ((570, 585), (720, 750))

    Errors: PlanError for what is no span, or two that overlap.
    """
    found = []
    for word in _words(text):
        match = _SPAN.fullmatch(word)
        begin, end = (int(match[1]) * 60 + int(match[2]), int(match[3]) * 60 + int(match[4])) if match else (0, 0)
        if match is None or not 0 <= begin < end <= 1440 or int(match[2]) > 59 or int(match[4]) > 59:
            raise PlanError("is not a span of the day", field=field, value=word[:40], allowed="as in 7:00-16:00")
        found.append((begin, end))
    found.sort()
    for (_, before), (after, _) in itertools.pairwise(found):
        if after < before:
            raise PlanError("overlap", field=field, value=text[:80], allowed="one after the other")
    return tuple(found)


def _date(text: str, field: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise PlanError("is not a date", field=field, value=text[:40], allowed="as in 2026-12-24") from None


def parse_dates(text: str, field: str = "day.free_days") -> frozenset[dt.date]:
    """Dates, single or from one to another.

    >>> sorted(parse_dates("2026-12-24..2026-12-26, 2027-05-01"))[-1]
    datetime.date(2027, 5, 1)

    Errors: PlanError for what is no date.
    """
    found: set[dt.date] = set()
    for word in _words(text):
        match = _DATES.fullmatch(word)
        if match is None:
            raise PlanError(
                "is not a date", field=field, value=word[:40], allowed="as in 2026-12-24, or 2026-12-24..2027-01-02"
            )
        first = _date(match[1], field)
        last = _date(match[2], field) if match[2] else first
        if not 0 <= (last - first).days <= MOST_FREE_DAYS:
            raise PlanError(
                "is no span of dates",
                field=field,
                value=word,
                allowed=Text("up to {most_free_days} days", most_free_days=MOST_FREE_DAYS),
            )
        found |= {first + dt.timedelta(days=k) for k in range((last - first).days + 1)}
    return frozenset(found)


def parse_weekdays(text: str) -> frozenset[int]:
    """The days of a week on which a shop casts, Monday is 0.

    >>> sorted(parse_weekdays("Mon-Thu")), sorted(parse_weekdays("Tue, Fri"))
    ([0, 1, 2, 3], [1, 4])

    Errors: PlanError for what is no day of the week, or none at all.
    """
    found: set[int] = set()
    for word in _words(text):
        first, _, last = (part.strip() for part in word.partition("-"))
        if first not in WEEKDAYS or (last or first) not in WEEKDAYS:
            raise PlanError("is no day of the week", field="day.weekdays", value=word[:40], allowed=", ".join(WEEKDAYS))
        begin, end = WEEKDAYS.index(first), WEEKDAYS.index(last or first)
        if end < begin:
            raise PlanError("runs backwards", field="day.weekdays", value=word[:40], allowed="as in Mon-Fri")
        found |= set(range(begin, end + 1))
    if not found:
        raise PlanError("names no day", field="day.weekdays", allowed=", ".join(WEEKDAYS))
    return frozenset(found)


Limits = dict[str, tuple[float, float]]


def check_limits(table: str, settings: object, limits: Limits) -> None:
    """Refuse a setting beyond its limits. Errors: PlanError."""
    for name, (low, high) in limits.items():
        value = getattr(settings, name)
        if not low <= value <= high:
            raise PlanError("is out of range", field=f"{table}.{name}", value=value, limits=(low, high))


@dataclass(frozen=True)
class HabitSettings:
    """What a shop is used to, which wins over the model (all common practice, no source).

    `usual_scoops` is the most that is ladled for a sheet (0: as many as the sled holds). `least_charge_kg`: less is not worth a
    push. `least_bought_kg`: of bought metal no less goes into a melt, where the recipe can be met so. `lots_within`: a list
    of fewer lots may cost this share more than the cheapest. `aim`: by this share of its width the window of tin is
    narrowed towards the target, so that a melt comes nearer to it (0: anywhere in the window, as is cheapest).
    """

    usual_scoops: int = 0
    least_charge_kg: float = 5.0
    least_bought_kg: float = 2.0
    lots_within: float = 0.02
    aim: float = 0.0

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {
            "usual_scoops": (0, 200),
            "least_charge_kg": (0.0, 100.0),
            "least_bought_kg": (0.0, 100.0),
            "lots_within": (0.0, 0.5),
            "aim": (0.0, 0.95),
        }

    def __post_init__(self) -> None:
        check_limits("habits", self, self.limits)


def _within_shift(breaks: str, shift: Span) -> str:
    """Those of these breaks that lie in a shift and leave half of it for work.

    >>> _within_shift("9:30-9:45, 12:00-12:30", (420, 735))
    '9:30-9:45'
    """
    begin, end = shift
    held = [
        word for word in _words(breaks) for low, high in parse_spans(word, "day.breaks") if begin < low < high < end
    ]
    lasting = sum(high - low for low, high in parse_spans(", ".join(held), "day.breaks"))
    return ", ".join(held) if lasting <= MOST_BREAKS * (end - begin) else ""


@dataclass(frozen=True)
class DaySettings:
    """The hours of a casting day and who is there (all common practice, no source).

    `shift` is from when to when there is somebody in the shop, `breaks` when nothing is poured (the burner goes on, watched);
    where a shop says none, those of the program's own that lie in the shift.
    `melts` are the most in a day, where the hours allow so many. `skim_minutes` for skimming and stirring, `sample_minutes`
    for waiting on a sample or an assay (0: none is taken), `ladle_minutes` for a scoop into the sled, `sled_minutes` for
    setting up another sled, `alloy_minutes` for ladling the pot out and cleaning it between two alloys of one day. A pour
    takes two people; where there are only two, `lay_aside_minutes` come to every sheet, for nobody else rolls it up.

    `starts_on` is the date of the first casting day (empty: days are numbered only); `weekdays` are those of casting,
    `free_days` and the public holidays of a region (`holidays`, as DE-BY) are passed over. `lost_days` are days on which
    nothing was cast after all: what was planned for them and all that follows moves on.
    """

    shift: str = "7:00-16:00"
    breaks: str = OWN_BREAKS
    people: int = 3
    melts: int = 2
    skim_minutes: float = 15.0
    sample_minutes: float = 0.0
    ladle_minutes: float = 0.25
    sled_minutes: float = 20.0
    alloy_minutes: float = 30.0
    lay_aside_minutes: float = 5.0
    starts_on: str = ""
    weekdays: str = "Mon-Fri"
    free_days: str = ""
    holidays: str = ""
    lost_days: str = ""

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {
            "people": (POURS_WITH, 30),
            "melts": (1, 8),
            "skim_minutes": (0.0, 120.0),
            "sample_minutes": (0.0, 600.0),
            "ladle_minutes": (0.0, 10.0),
            "sled_minutes": (0.0, 240.0),
            "alloy_minutes": (0.0, 240.0),
            "lay_aside_minutes": (0.0, 60.0),
        }

    def __post_init__(self) -> None:
        if self.people < POURS_WITH:
            raise PlanError("cannot pour", field="day.people", value=self.people, allowed="2 or more: a pour takes two")
        check_limits("day", self, self.limits)
        self._check_hours()
        self._check_dates()

    def _check_hours(self) -> None:
        shift = parse_spans(self.shift, "day.shift")
        if len(shift) != 1:
            raise PlanError("is not one span", field="day.shift", value=self.shift, allowed="as in 7:00-16:00")
        if self.breaks == OWN_BREAKS:
            object.__setattr__(self, "breaks", _within_shift(OWN_BREAKS, shift[0]))
        breaks = parse_spans(self.breaks, "day.breaks")
        for begin, end in breaks:
            if not shift[0][0] < begin < end < shift[0][1]:
                raise PlanError("lie outside the shift", field="day.breaks", value=self.breaks, allowed=self.shift)
        free_min = sum(end - begin for begin, end in breaks)
        if free_min > MOST_BREAKS * (shift[0][1] - shift[0][0]):
            raise PlanError(
                "fill the shift",
                field="day.breaks",
                value=self.breaks,
                allowed=Text("half of {shift} at most", shift=self.shift),
            )

    def _check_dates(self) -> None:
        first = _date(self.starts_on, "day.starts_on") if self.starts_on else None
        parse_weekdays(self.weekdays)
        parse_dates(self.free_days)
        lost = parse_dates(self.lost_days, "day.lost_days")
        if self.holidays and not re.fullmatch(r"[A-Z]{2}(-[A-Z0-9]{1,3})?", self.holidays):
            raise PlanError(
                "is not a region", field="day.holidays", value=self.holidays[:20], allowed="as in DE-BY or GB-ENG"
            )
        for field, text in (("day.holidays", self.holidays), ("day.lost_days", self.lost_days)):
            if text and not self.starts_on:
                raise PlanError(
                    "mean nothing without the date of the first casting day",
                    field=field,
                    value=text[:40],
                    allowed="a day.starts_on as 2026-12-07",
                )
        if first is not None and lost and min(lost) < first:
            raise PlanError(
                "lies before the first casting day",
                field="day.lost_days",
                value=min(lost).isoformat(),
                allowed=Text("{date} or later", date=self.starts_on),
            )
        check_region(self.holidays)

    @property
    def hours(self) -> Span:
        """The shift, in minutes since midnight."""
        return parse_spans(self.shift, "day.shift")[0]

    @property
    def pauses(self) -> tuple[Span, ...]:
        """The breaks, in minutes since midnight."""
        return parse_spans(self.breaks, "day.breaks")
