"""A casting day's hours as a picture: the pot above, the table below, breaks and the end of the shift as the clock has them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import LEAST_LETTERS_MM, Drawing, text_width_mm
from pipemetal.plans.record import CastingDay, DayStep
from pipemetal.texts import clock_text
from pipemetal.words import Words

__all__ = ["day_picture"]

LEFT_MM, TOP_MM, FOOT_MM, BETWEEN_MM = 38.0, 7.0, 12.0, 4.0
LANES: Final = (
    ("table", 10.0, ("pour", "rest")),
    ("sled", 8.0, ("sled", "ladle")),
    ("pot", 6.0, ("alloy", "melt", "skim", "sample")),
)
"""Lanes from the lowest: what is named beside each, its height in mm, and the kinds of steps that lie in it."""
ROW_MM: Final = sum(height for _, height, _ in LANES) + BETWEEN_MM
COLOURS: Final = {
    "alloy": "#d9d4c8",
    "melt": "#d98a5b",
    "skim": "#e8c79a",
    "sample": "#cfdcc4",
    "sled": "#b9b3a6",
    "ladle": "#8a8578",
    "pour": "#5b8db8",
    "rest": "#dbe6ee",
}
NAMES: Final = {
    "alloy": "alloy changed",
    "melt": "burner on",
    "skim": "skimmed",
    "sample": "sample awaited",
    "sled": "another sled",
    "ladle": "sled filled",
    "pour": "sheet on the table",
    "rest": "table rests",
}
BREAK: Final = "break"
BREAK_COLOUR: Final = "#efece4"
Box = tuple[float, float, float, float]
LEAST_TEXT_MM: Final = LEAST_LETTERS_MM
"""Smaller lettering nobody reads: a stretch without room for more tells its name to a pointer only."""


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
    kinds = {step.kind for day in days for step in day.steps}
    told = [(COLOURS[kind], say(name)) for kind, name in NAMES.items() if kind in kinds]
    _legend(drawing, told + ([(BREAK_COLOUR, say(BREAK))] if any(day.breaks_min for day in days) else []), width_mm)
    return drawing


def _low(day: CastingDay) -> float:
    return min([day.shift_from_min, *(step.from_min for step in day.steps)])


def _high(day: CastingDay) -> float:
    return max([day.shift_to_min, *(step.to_min for step in day.steps)])


def _day(drawing: Drawing, day: CastingDay, base: float, at: Callable[[float], float], say: Words) -> None:
    height = ROW_MM - BETWEEN_MM
    drawing.text("axis", 2.0, base + height - 5.0, say("Day {day}", day=day.day), 3.6, bold=True)
    drawing.text("axis", 2.0, base + height - 9.5, say.date(day.date), 2.7, fill=QUIET)
    for low, high in day.breaks_min:
        title = f"{say(BREAK)}, {clock_text(low)} – {clock_text(high)}"
        x, wide = at(low), at(high) - at(low)
        drawing.rectangle("breaks", x, base, wide, height - 0.6, fill=BREAK_COLOUR, stroke="none", title=title)
    y, boxes = base, []
    for name, tall, kinds in LANES:
        drawing.text("axis", LEFT_MM - 1.5, y + tall / 2.0 - 1.0, say(name), 2.6, anchor="end", fill=QUIET)
        boxes += [
            (step, (at(step.from_min), y, at(step.to_min) - at(step.from_min), tall - 0.6))
            for step in day.steps
            if step.kind in kinds
        ]
        y += tall
    for step, box in boxes:
        _step(drawing, step, box, say)
    for step, box in boxes:  # above all stretches, so that none covers a name
        _named(drawing, step, box)
    end = at(day.shift_to_min)
    drawing.line("shift", [(end, base - 0.5), (end, base + height)], stroke=INK, width_mm=0.5, dashes=(1.2, 0.8))


def _step(drawing: Drawing, step: DayStep, box: Box, say: Words) -> None:
    """A stretch in its colour."""
    title = f"{say(NAMES[step.kind])}: {step.what}, {clock_text(step.from_min)} – {clock_text(step.to_min)}"
    x, y, wide, tall = box
    drawing.rectangle("steps", x, y, wide, tall, fill=COLOURS[step.kind], stroke="#ffffff", width_mm=0.15, title=title)


def _named(drawing: Drawing, step: DayStep, box: Box) -> None:
    """What a stretch is of: along it where there is room, upright where it is narrow; never cut."""
    x, y, wide, tall = box
    if step.kind in ("rest", "ladle"):
        return  # its sheet's name stands on the pour
    if step.kind == "pour":
        wide = max(wide, 3.0)  # the name may lie over the table's rest, which follows
    size = min(2.6, 2.6 * (wide - 0.6) / max(text_width_mm(step.what, 2.6), 0.1))
    if size >= LEAST_TEXT_MM:
        drawing.text("names", x + wide / 2.0, y + tall / 2.0 - 0.35 * size, step.what, size, anchor="middle")
        return
    size = min(2.4, 2.4 * (tall - 0.8) / max(text_width_mm(step.what, 2.4), 0.1), wide - 0.4)
    if size >= LEAST_TEXT_MM:
        drawing.text("names", x + wide / 2.0 + 0.35 * size, y + 0.5, step.what, size, turn_deg=90.0)


def _legend(drawing: Drawing, told: Sequence[tuple[str, str]], width_mm: float) -> None:
    """What the colours are, in two rows where one is too short."""
    x, y = 2.0, 5.8
    for colour, text in told:
        wide = 8.0 + text_width_mm(text, 2.7)
        if x + wide > width_mm:
            x, y = 2.0, 1.4
        drawing.rectangle("legend", x, y, 3.2, 3.2, fill=colour, stroke="none")
        drawing.text("legend", x + 4.2, y + 0.4, text, 2.7, fill=QUIET)
        x += wide
