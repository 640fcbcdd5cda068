"""The casting day hour by hour: the burner, the melt, skimming, and each sheet from its pour until the table is free again.

Pure arithmetic of what is known of each melt and each sheet; no clock is read. Times are minutes since midnight.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.planning.habits import DaySettings, Span

__all__ = ["KINDS", "Begun", "CastingDay", "MeltWork", "SheetWork", "Step", "casting_days", "one_day"]

KINDS: Final = ("alloy", "melt", "skim", "sample", "sled", "ladle", "pour", "rest")
"""Changing the alloy, burner on until the metal is ready, skimming, waiting for a sample, another sled, filling it, a sheet from
its pour until it is lifted, and what the table then still needs before the next pour. A table rests while hands set up the
next sled and fill it; all else is done one after the other."""
EXACT_MIN: Final = 1e-6


@dataclass(frozen=True)
class SheetWork:
    """A sheet on its day: its sled, minutes from the pour until it is lifted, and until the next one may be poured; and how long
    its sled is ladled full before the pour."""

    sheet: str
    sled: str
    lift_min: float
    cycle_min: float
    ladle_min: float = 0.0


@dataclass(frozen=True)
class MeltWork:
    """A melt on its day: minutes of burner into a cold pot and into one that is hot from the melt before, its sheets, and its
    pot. Another pot is lit while the one before is cast from, so that it is ready when hands are free. `ready`: it is poured from
    already, so it is neither heated nor skimmed again."""

    melt: str
    alloy: str
    cold_min: float
    hot_min: float
    sheets: tuple[SheetWork, ...]
    pot: str = ""
    ready: bool = False


@dataclass(frozen=True)
class PastCast:
    """A sheet that was cast on the day under way: its metal, how thick it is, when it was poured and how long it lay."""

    metal: Composition
    thickness_mm: float
    at_min: float
    lay_min: float


@dataclass(frozen=True)
class Begun:
    """A day that is under way: when hands and table are free, the sled that lies there, the alloy in each pot that is hot, its
    melts and casts so far, its date, and the sheets that have warmed its table and gate, in order."""

    now_min: float
    table_min: float
    sled: str = ""
    pots: Mapping[str, str] = field(default_factory=dict)
    melts: tuple[str, ...] = ()
    casts: int = 0
    date: dt.date | None = None
    past: tuple[PastCast, ...] = ()


@dataclass(frozen=True)
class Step:
    """A stretch of a day: its kind (one of KINDS), the melt, sheet or sled it is of, from when to when."""

    kind: str
    what: str
    from_min: float
    to_min: float


@dataclass(frozen=True)
class CastingDay:
    """A day: its number from 1, its date where the shop said when it begins, its melts and steps in their order.

    `shift` is when there is somebody in the shop, but for the `pauses`; `over_min` is how much longer the last step lasts.
    """

    number: int
    date: dt.date | None
    shift: Span
    melts: tuple[str, ...]
    steps: tuple[Step, ...]
    pauses: tuple[Span, ...] = ()

    @property
    def to_min(self) -> float:
        """When the last step ends."""
        return max((step.to_min for step in self.steps), default=float(self.shift[0]))

    @property
    def over_min(self) -> float:
        """How long after the shift the last step ends."""
        over = self.to_min - self.shift[1]
        return over if over > EXACT_MIN else 0.0

    def pours(self) -> dict[str, float]:
        """When each sheet is poured."""
        return {step.what: step.from_min for step in self.steps if step.kind == "pour"}


class _Clock:
    """The hand of the clock through a day; work is done outside the breaks. `table_from` is when the table is free again."""

    def __init__(self, hours: DaySettings, begun: Begun | None) -> None:
        self.now, self.pauses = begun.now_min if begun else float(hours.hours[0]), hours.pauses
        self.first = self.now
        self.table_from = begun.table_min if begun else self.now
        self.steps: list[Step] = []

    def on(self, kind: str, what: str, minutes: float, *, watched: bool = False) -> float:
        """Put a step after what is there, and move on to its end; one that needs hands begins where no break cuts it.

        A step longer than every stretch between breaks begins at once and is told as it is.
        """
        begin = self.now if watched else self._free_from(self.now, minutes)
        if minutes > 0.0:
            self.steps.append(Step(kind, what, begin, begin + minutes))
        self.now = begin + minutes
        return begin

    def fire(self, melt: str, minutes: float, *, ahead: bool) -> None:
        """The burner under a pot; `ahead` it is lit while another is cast from, as early as it must be."""
        begin = max(self.first, self.now - minutes) if ahead else self.now
        if minutes > 0.0:
            self.steps.append(Step("melt", melt, begin, begin + minutes))
        self.now = max(self.now, begin + minutes)

    def pour(self, sheet: SheetWork) -> None:
        """Ladle a sheet's sled full and pour it as soon as hands and table are free, with no break between."""
        earliest = max(self.now, self.table_from - sheet.ladle_min)
        begin = self._free_from(earliest, sheet.ladle_min + sheet.lift_min)
        poured, lifted = begin + sheet.ladle_min, begin + sheet.ladle_min + sheet.lift_min
        self.table_from = poured + sheet.cycle_min
        spans = (("ladle", begin, poured), ("pour", poured, lifted), ("rest", lifted, self.table_from))
        self.steps += [Step(kind, sheet.sheet, low, high) for kind, low, high in spans if high - low > EXACT_MIN]
        self.now = lifted

    def _free_from(self, begin: float, minutes: float) -> float:
        for low, high in self.pauses:
            if begin < high - EXACT_MIN and begin + minutes > low + EXACT_MIN:
                begin = float(high)
        return begin


def one_day(melts: Sequence[MeltWork], hours: DaySettings, number: int = 1, begun: Begun | None = None) -> CastingDay:
    """A day with these melts one after the other; what is left of it where it is under way.

    >>> sheets = tuple(SheetWork(f"N{k}", "wide", 4.0, 15.0) for k in range(3))
    >>> day = one_day([MeltWork("M01", "tin", 150.0, 120.0, sheets)], DaySettings())
    >>> [(s.kind, s.what, s.from_min, s.to_min) for s in day.steps[:3]]
    [('melt', 'M01', 420.0, 570.0), ('skim', 'M01', 585.0, 600.0), ('pour', 'N0', 600.0, 604.0)]
    """
    clock, sled, held = _Clock(hours, begun), begun.sled if begun else "", dict(begun.pots) if begun else {}
    for work in melts:
        if not work.ready:
            before = held.get(work.pot, "")
            if before and before != work.alloy:
                clock.on("alloy", work.melt, hours.alloy_minutes)
            clock.fire(work.melt, work.hot_min if before else work.cold_min, ahead=bool(held) and not before)
            clock.on("skim", work.melt, hours.skim_minutes)
            clock.on("sample", work.melt, hours.sample_minutes, watched=True)
        for sheet in work.sheets:
            if sled and sheet.sled != sled:
                clock.on("sled", sheet.sled, hours.sled_minutes)
            clock.pour(sheet)
            sled = sheet.sled
        held[work.pot] = work.alloy
    last = max((step.to_min for step in clock.steps if step.kind != "rest"), default=0.0)
    steps = sorted((s for s in clock.steps if s.kind != "rest" or s.from_min < last), key=lambda s: s.from_min)
    date = begun.date if begun else None
    return CastingDay(number, date, hours.hours, tuple(w.melt for w in melts), tuple(steps), hours.pauses)


def _grouped(
    melts: Sequence[MeltWork], hours: DaySettings, most_casts: int, begun: Begun | None
) -> Iterator[list[MeltWork]]:
    """The melts of each day: one, and another where the hours allow it; of a day under way first what is left of it, be it
    nothing."""
    held: list[MeltWork] = []
    for melt in melts:
        tried = [*held, melt]
        names = {m.melt for m in tried} | set(begun.melts if begun else ())
        casts = sum(len(m.sheets) for m in tried) + (begun.casts if begun else 0)
        first = not held and (begun is None or melt.ready)
        full = len(names) > hours.melts or casts > most_casts
        if not first and (full or one_day(tried, hours, begun=begun).over_min > 0.0):
            yield held
            tried, begun = [melt], None
        held = tried
    if held:
        yield held


def casting_days(
    melts: Sequence[MeltWork],
    hours: DaySettings,
    most_casts: int,
    dates: Iterator[dt.date] | None = None,
    begun: Begun | None = None,
) -> tuple[CastingDay, ...]:
    """All days of a season, melts in their order: one melt a day, and a second where hours and casts allow it.

    `dates` gives the next date on which the shop casts; without it days have numbers only. Of a day that has `begun` the rest is
    day 0; where nothing more fits into it, there is no such day.
    """
    days = []
    for number, group in enumerate(_grouped(melts, hours, most_casts, begun), 0 if begun else 1):
        if group:
            day = one_day(group, hours, number, begun if number == 0 else None)
            days.append(replace(day, date=next(dates, None)) if number and dates is not None else day)
    return tuple(days)
