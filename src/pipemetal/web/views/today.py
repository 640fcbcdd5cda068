"""Today: the next jobs at the table, at the scale and at the bench, the day as a picture, and how far the organ is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pipemetal.plans.left import left_to_do
from pipemetal.plans.record import CastingDay, CutSheet, Melt, Plan, Pour
from pipemetal.plans.why import why_next
from pipemetal.texts import Text

__all__ = ["Bar", "Book", "DayPicture", "Job", "TodayView", "day_picture", "today_view"]

WIDE: Final = 944.0
LEFT: Final = 66.0
ROW: Final = 28.0
FIRST_ROW: Final = 30.0
JOBS_AT_TABLE: Final = 4
SHEET_WIDE: Final = 22.0
HOUR_WIDE: Final = 50.0
"""Room that an hour's figures take beside its line."""


@dataclass(frozen=True)
class Book:
    """What the book knows of a plan's work: sheets still to cast, melts charged, rolls and sheets cut, casts nobody has measured,
    the sheets whose cast came to nothing, with it, sheets that are `poured` and not measured, and what is left of melts, kg."""

    waiting: frozenset[str]
    charged: frozenset[str]
    cut: frozenset[str]
    unmeasured: tuple[tuple[str, str], ...] = ()
    failed: Mapping[str, str] = field(default_factory=dict)
    poured: frozenset[str] = frozenset()
    pots: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Job:
    """One job: what kind, of what, of which alloy, when in minutes since midnight, its state, where its page is, and of the pour
    that comes first `why` it does."""

    kind: str
    thing: str
    alloy: str
    at_min: float | None
    state: str
    page: str
    pour: Pour | None = None
    melt: Melt | None = None
    sheet: CutSheet | None = None
    why: tuple[Text, ...] = ()


@dataclass(frozen=True)
class Bar:
    """A stretch of the day's picture: its row, from where to where, and what it is."""

    row: int
    x: float
    end: float
    kind: str
    thing: str = ""
    alloy: str = ""
    state: str = ""

    @property
    def y(self) -> float:
        """The upper edge of its row."""
        return FIRST_ROW + ROW * self.row


@dataclass(frozen=True)
class DayPicture:
    """A casting day: hours with their places, rows by name, bars, the place of now where it is today."""

    hours: tuple[tuple[float, int], ...]
    rows: tuple[str, ...]
    bars: tuple[Bar, ...]
    sheets: tuple[Bar, ...]
    now: float | None
    high: float


@dataclass(frozen=True)
class TodayView:
    """What the page of today shows; `left`: what is left to do once nothing has to be cast."""

    day: CastingDay | None
    days: int
    picture: DayPicture | None
    at_table: tuple[Job, ...]
    beside: tuple[Job, ...]
    cast: int
    sheets: int
    done: int
    rolls: int
    left: tuple[Text, ...] = ()

    @property
    def main(self) -> Job | None:
        """What the one big button does: the next melt to weigh where the next sheet waits for it, else the next pour or cut."""
        pour = next((job for job in self.at_table if job.state == "ready"), None)
        weigh = next((job for job in self.beside if job.kind == "weigh"), None)
        measure = next((job for job in self.beside if job.kind == "measure"), None)
        return pour or weigh or measure or next(iter(self.beside), None)


def today_view(plan: Plan, book: Book, now: dt.datetime) -> TodayView:
    """Today by the plan and what the book knows of its work."""
    day = _day(plan, book.waiting, now.date())
    table = _at_table(plan, book, day)
    to_come = {s.id for s in plan.new_sheets}
    return TodayView(
        day,
        len(plan.days),
        day_picture(plan, book, day, now) if day else None,
        table,
        tuple(_beside(plan, book)),
        sum(p.sheet not in book.waiting and p.sheet not in book.failed for p in plan.pours),
        sum(p.sheet not in book.failed or p.sheet in to_come for p in plan.pours),
        len(book.cut & {s.id for s in plan.rolls_used}),
        len(plan.rolls_used),
        left_to_do(
            plan,
            book.waiting | book.failed.keys() & to_come,
            poured=book.poured & to_come,
            cut=book.cut,
            pots=book.pots,
        ),
    )


def _day(plan: Plan, waiting: frozenset[str], today: dt.date) -> CastingDay | None:
    """The casting day of today, else the first that has sheets left to cast."""
    held = next((d for d in plan.days if d.date == today.isoformat()), None)
    left = {p.day for p in plan.pours if p.sheet in waiting}
    return held or next((d for d in plan.days if d.day in left), None)


def _at_table(plan: Plan, book: Book, day: CastingDay | None) -> tuple[Job, ...]:
    left = [(n, p) for n, p in enumerate(plan.pours) if p.sheet in book.waiting and (day is None or p.day >= day.day)]
    jobs = []
    first = True
    for n, p in left[:JOBS_AT_TABLE]:
        state = "blocked" if p.card is None or p.pour_window_c is None else "planned"
        why = why_next(plan, p.sheet, book.waiting, book.charged) if state == "planned" and first else ()
        if state == "planned" and first:
            first = False
            state = "ready" if p.melt in book.charged else "planned"
        page = f"/casting/pour?n={n}"
        jobs.append(Job("pour", p.sheet, p.alloy, p.starts_at_min or None, state, page, pour=p, why=why))
    return tuple(jobs)


def _beside(plan: Plan, book: Book) -> Iterable[Job]:
    """One melt to weigh, one sheet to measure, one roll to cut."""
    asked = {p.melt for p in plan.pours if p.sheet in book.waiting}
    melt = next((m for m in plan.melts if m.name in asked and m.name not in book.charged), None)
    if melt is not None:
        state = "planned" if melt.charge else "blocked"
        yield Job("weigh", melt.name, melt.recipe, None, state, f"/melts?melt={melt.name}", melt=melt)
    for thing, alloy in book.unmeasured[:1]:
        yield Job("measure", thing, alloy, None, "ready", f"/casting/measure?cast={thing}")
    sheet = next((s for s in plan.rolls_used if s.id not in book.cut), None)
    if sheet is not None:
        yield Job("cut", sheet.id, sheet.alloy, None, "ready", f"/cutting?sheet={sheet.id}", sheet=sheet)


def day_picture(plan: Plan, book: Book, day: CastingDay, now: dt.datetime) -> DayPicture:
    """A casting day hour by hour: melts over the pot, sheets on the table."""
    start, end = min(day.lit_min, day.shift_from_min), max(day.end_min, day.shift_to_min)
    scale = (WIDE - LEFT) / max(end - start, 60.0)

    def place(minute: float) -> float:
        return LEFT + (minute - start) * scale

    alloys = {p.sheet: p.alloy for p in plan.pours} | {m.name: m.recipe for m in plan.melts}
    tables = sorted({p.table for p in plan.pours if p.day == day.day}) or [""]
    table_of = {p.sheet: p.table for p in plan.pours}
    pot = {m: k for k, m in enumerate(day.melts)}
    bars = [
        Bar(
            min(pot.get(step.what, 0), 2),
            place(step.from_min),
            place(step.to_min),
            step.kind,
            step.what,
            alloys.get(step.what, ""),
        )
        for step in day.steps
        if step.what in pot
    ]
    pots = max((bar.row for bar in bars), default=0) + 1
    sheets = _sheets(plan, book, day, place, {name: pots + k for k, name in enumerate(tables)}, table_of)
    step = 60 if (end - start) < 600 else 120
    first = int(-(-start // step) * step)
    last = place(end) - HOUR_WIDE
    hours = tuple((place(m), m // 60) for m in range(first, int(end) + 1, step) if place(m) <= last)
    minute = now.hour * 60 + now.minute
    here = place(minute) if day.date == now.date().isoformat() and start <= minute <= end else None
    rows = (*(f"melt {m}" for m in day.melts[:pots]), *(f"table {t}" for t in tables))
    return DayPicture(hours, rows, tuple(_joined(bars)), sheets, here, FIRST_ROW + ROW * len(rows))


def _joined(bars: Sequence[Bar]) -> list[Bar]:
    """Melting, skimming and sampling of one melt as one bar."""
    whole: dict[tuple[int, str], Bar] = {}
    for bar in bars:
        held = whole.get((bar.row, bar.thing))
        whole[bar.row, bar.thing] = (
            Bar(bar.row, min(held.x, bar.x), max(held.end, bar.end), "melt", bar.thing, bar.alloy) if held else bar
        )
    return list(whole.values())


def _sheets(
    plan: Plan,
    book: Book,
    day: CastingDay,
    place: Callable[[float], float],
    rows: Mapping[str, int],
    table_of: Mapping[str, str],
) -> tuple[Bar, ...]:
    at = {step.what: step.from_min for step in day.steps if step.kind == "pour"}
    made = []
    next_one = next((p.sheet for p in plan.pours if p.sheet in book.waiting and p.card and p.pour_window_c), "")
    for p in plan.pours:
        if p.sheet not in at:
            continue
        state = "done" if p.sheet not in book.waiting else "chosen" if p.sheet == next_one else "planned"
        state = "failed" if p.sheet in book.failed else state
        if state == "planned" and (p.card is None or p.pour_window_c is None):
            state = "blocked"
        x = place(at[p.sheet])
        made.append(Bar(rows.get(table_of[p.sheet], 1), x, x + SHEET_WIDE, "sheet", p.sheet, p.alloy, state))
    return tuple(made)
