"""A casting day's hours as a picture: the pot above, the table below, breaks and the end of the shift as the clock has them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, fitted_text, text_width_mm
from pipemetal.plans.record import CastingDay, DayStep
from pipemetal.words import Words

__all__ = ["day_picture"]

LEFT_MM, ROW_MM, LANE_MM, TOP_MM, FOOT_MM = 34.0, 19.0, 7.0, 7.0, 12.0
COLOURS: Final = {
    "alloy": "#d9d4c8",
    "melt": "#d98a5b",
    "skim": "#e8c79a",
    "sample": "#cfdcc4",
    "sled": "#b9b3a6",
    "pour": "#5b8db8",
    "rest": "#dbe6ee",
}
ON_THE_TABLE: Final = ("sled", "pour", "rest")
NAMES: Final = {
    "alloy": "alloy changed",
    "melt": "burner on",
    "skim": "skimmed",
    "sample": "sample awaited",
    "sled": "another sled",
    "pour": "sheet on the table",
    "rest": "table rests",
}


def day_picture(days: Sequence[CastingDay], say: Words, width_mm: float = 180.0) -> Drawing:
    """A row for each day, its hours across; every stretch tells its name where there is room, and to a pointer."""
    first = math.floor(min((_low(day) for day in days), default=420.0) / 60.0)
    last = math.ceil(max((_high(day) for day in days), default=960.0) / 60.0)
    height = TOP_MM + ROW_MM * len(days) + FOOT_MM
    drawing = Drawing(width_mm, height, say("The casting days hour by hour"))
    room = width_mm - LEFT_MM - 4.0

    def across(minutes: float) -> float:
        return LEFT_MM + room * (minutes / 60.0 - first) / max(last - first, 1)

    for hour in range(first, last + 1):
        x = across(60.0 * hour)
        drawing.line("grid", [(x, FOOT_MM - 1.0), (x, height - TOP_MM + 1.0)], stroke="#dcd8cd", width_mm=0.2)
        drawing.text("axis", x, height - TOP_MM + 2.0, f"{hour}:00", 2.8, anchor="middle", fill=QUIET)
    for row, day in enumerate(days):
        base = height - TOP_MM - ROW_MM * (row + 1) + 2.0
        _day(drawing, day, base, across, say)
    _legend(drawing, {step.kind for day in days for step in day.steps}, say)
    return drawing


def _low(day: CastingDay) -> float:
    return min([day.shift_from_min, *(step.from_min for step in day.steps)])


def _high(day: CastingDay) -> float:
    return max([day.shift_to_min, *(step.to_min for step in day.steps)])


def _day(drawing: Drawing, day: CastingDay, base: float, at: Callable[[float], float], say: Words) -> None:
    drawing.text("axis", 2.0, base + LANE_MM + 1.5, say("Day {day}", day=day.day), 3.6, bold=True)
    drawing.text("axis", 2.0, base + 2.0, day.date, 3.0, fill=QUIET)
    for lane, name in ((1, say("pot")), (0, say("table"))):
        drawing.text("axis", LEFT_MM - 1.5, base + lane * LANE_MM + 2.2, name, 2.6, anchor="end", fill=QUIET)
    for step in day.steps:
        lane = 0 if step.kind in ON_THE_TABLE else 1
        x, wide = at(step.from_min), at(step.to_min) - at(step.from_min)
        title = f"{say(NAMES[step.kind])}: {step.what}, {_clock(step.from_min)} – {_clock(step.to_min)}"
        y = base + lane * LANE_MM
        corners = {"fill": COLOURS[step.kind], "stroke": "#ffffff", "width_mm": 0.15, "title": title}
        drawing.rectangle("steps", x, y, wide, LANE_MM - 0.6, **corners)
        _named(drawing, step, x, y, wide)
    end = at(day.shift_to_min)
    drawing.line("shift", [(end, base - 0.5), (end, base + 2.0 * LANE_MM)], stroke=INK, width_mm=0.5, dashes=(1.2, 0.8))


def _named(drawing: Drawing, step: DayStep, x: float, y: float, wide: float) -> None:
    """What a stretch is of: along it where there is room, upright where it is narrow."""
    if text_width_mm(step.what, 2.2) < wide - 0.6:
        text, size = fitted_text(step.what, wide - 0.6, 2.6, 2.0)
        drawing.text("steps", x + wide / 2.0, y + 2.2, text, size, anchor="middle")
    elif step.kind == "pour" and wide > 1.6:
        text, size = fitted_text(step.what, LANE_MM - 1.2, 2.2, 1.4)
        drawing.text("steps", x + wide / 2.0 + 0.7, y + 0.4, text, size, turn_deg=90.0)


def _clock(minutes: float) -> str:
    return f"{round(minutes) // 60}:{round(minutes) % 60:02d}"


def _legend(drawing: Drawing, kinds: set[str], say: Words) -> None:
    x = 2.0
    for kind, name in NAMES.items():
        if kind not in kinds:
            continue
        text = say(name)
        drawing.rectangle("legend", x, 3.0, 3.2, 3.2, fill=COLOURS[kind], stroke="none")
        drawing.text("legend", x + 4.2, 3.4, text, 2.7, fill=QUIET)
        x += 8.0 + text_width_mm(text, 2.7)
