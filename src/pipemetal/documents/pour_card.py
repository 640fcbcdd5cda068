"""A pour's card: half a page, its figures in letters that are read at three metres, its log beneath, nothing broken over lines.

Letters of a two-hundredth of the distance are read with ease (common practice, no source): 15 mm at three metres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from pipemetal.documents.colours import QUIET
from pipemetal.documents.drawing import LEAST_LETTERS_MM, Drawing, fitted_text, text_width_mm, wrapped
from pipemetal.documents.marks import UNKNOWN_MARK, draw_mark
from pipemetal.plans.record import Beat, Pour, PushCard
from pipemetal.texts import clock_text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["band_text", "clock_of", "pour_card_drawing", "sentence"]

FAR_MM: Final = 15.0
WORD_MM: Final = 4.2
NOTE_MM: Final = 3.0
PAD_MM: Final = 3.0
MOST_MARKS: Final = 12
MOST_NOTES: Final = 3
"""Warnings by their rank: more than so many are not read."""
FIELD_MM: Final = 9.5
MARK_MM: Final = 5.0
SECONDS_MM: Final = 10.0
"""Most for the marks of the table and for their seconds, which the crew learns before the push."""


def band_text(pour: Pour, units: UnitSystem) -> str:
    """The temperatures to pour at, both ends in one unit."""
    if pour.pour_window_c is None:
        return "?"
    low, high = pour.pour_window_c.try_low, pour.pour_window_c.try_high
    return f"{units.show_temperature(low).split()[0]} – {units.show_temperature(high)}"


def clock_of(pour: Pour) -> str:
    """When it is poured, by the clock or after the day's beginning."""
    return clock_text(pour.starts_at_min or pour.starts_after_min)


def sentence(text: str) -> str:
    """A text that begins with a capital and ends with a stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def pour_card_drawing(
    pour: Pour, size_mm: tuple[float, float], units: UnitSystem, say: Words, marks: Mapping[str, str]
) -> Drawing:
    """One pour as a drawing of this width and height; `marks`: the mark of each alloy."""
    drawing = Drawing(*size_mm, say("Pour card {sheet}", sheet=pour.sheet))
    wide, high = size_mm
    drawing.rectangle("frame", 0.2, 0.2, wide - 0.4, high - 0.4, width_mm=0.4)
    top = _head(drawing, pour, high, units, say, marks)
    bottom = _fields(drawing, pour, units, say)
    card = pour.card
    if card is None or pour.freezing is None or pour.pour_window_c is None:
        _not_to_be_poured(drawing, pour, top, bottom, units, say)
        return drawing
    top = _figures(drawing, pour, card, top, units, say)
    top = _marks(drawing, card, top, units, say)
    _notes(drawing, _told(pour, card, units, say), top, bottom)
    return drawing


def _head(drawing: Drawing, pour: Pour, top: float, units: UnitSystem, say: Words, marks: Mapping[str, str]) -> float:
    """Number, sheet and clock in large letters; what it is of and where, small beneath. Returns where the next line begins."""
    wide = drawing.width_mm
    y = top - PAD_MM - 0.76 * FAR_MM
    number = f"{pour.number}."
    drawing.text("card", PAD_MM, y, number, FAR_MM, fill=QUIET, bold=True)
    x = PAD_MM + text_width_mm(number, FAR_MM, bold=True) + 4.0
    clock = clock_of(pour)
    at = wide - PAD_MM - text_width_mm(clock, FAR_MM, bold=True)
    drawing.text("card", x, y, *fitted_text(pour.sheet, at - x - 4.0, FAR_MM, 8.0, bold=True), bold=True)
    drawing.text("card", wide - PAD_MM, y, clock, FAR_MM, anchor="end", bold=True)
    y -= 6.4
    draw_mark(drawing, marks.get(pour.alloy, UNKNOWN_MARK), PAD_MM, y - 0.4, 3.6)
    thick = f"{units.bare_wall(pour.cast_start_mm)} – {units.bare_wall(pour.cast_end_mm)} {units.wall_unit}"
    words = say(
        "{alloy}, {size}, cast {thick}, from {melt}",
        alloy=pour.alloy,
        size=f"{units.bare_length(pour.length_mm)} x {units.show_length(pour.width_mm)}",
        thick=thick,
        melt=pour.melt,
    )
    if pour.sled:
        words += ". " + say("Sled {sled}, table {table}.", sled=pour.sled, table=pour.table or "–")
    drawing.text("card", PAD_MM + 5.5, y, *fitted_text(words, wide - 2 * PAD_MM - 5.5, 3.8, LEAST_LETTERS_MM))
    drawing.line("rule", [(PAD_MM, y - 2.4), (wide - PAD_MM, y - 2.4)], width_mm=0.3)
    return y - 2.4


def _figures(drawing: Drawing, pour: Pour, card: PushCard, top: float, units: UnitSystem, say: Words) -> float:
    """What is set, in two rows of two."""
    scoops = say("{scoops} scoops", scoops=card.scoops)
    cells = (
        ((say("pour at"), band_text(pour, units)), (say("gate"), units.show_length(card.gate_mm, 1))),
        (
            (say("fill"), f"{scoops}, {units.show_mass(pour.charge_kg)}"),
            (say("push"), f"{units.number(card.push_time_s, 1)} s"),
        ),
    )
    half = (drawing.width_mm - 2 * PAD_MM) * 0.6
    y = top
    for row in cells:
        for index, (word, value) in enumerate(row):
            x = PAD_MM + half * index
            room = (half if index == 0 else drawing.width_mm - 2 * PAD_MM - half) - 5.0
            drawing.text("card", x, y - 4.4, word, WORD_MM, fill=QUIET)
            drawing.text(
                "card", x, y - 5.6 - 0.76 * FAR_MM, *fitted_text(value, room, FAR_MM, 8.0, bold=True), bold=True
            )
        y -= 7.8 + 0.76 * FAR_MM
    divide = PAD_MM + half - 3.0
    drawing.line("rule", [(divide, top - 2.0), (divide, y + 1.0)], width_mm=0.3)
    return y


def _marks(drawing: Drawing, card: PushCard, top: float, units: UnitSystem, say: Words) -> float:
    """Where the sled is when: marks of the table over seconds."""
    marks = _thinned(card.marks)
    words = (say("mark"), say("seconds"))
    lead = max(text_width_mm(word, WORD_MM) for word in words) + 3.0
    stride = (drawing.width_mm - 2 * PAD_MM - lead) / max(len(marks), 1)
    shown = [(units.show_along(m.distance_m), units.number(m.time_s, 1)) for m in marks]
    sizes = [
        min([most, *(0.9 * stride / max(text_width_mm(cell[row], 1.0, bold=True), 0.1) for cell in shown)])
        for row, most in ((0, MARK_MM), (1, SECONDS_MM))
    ]
    lines = (top - 1.0 - 0.8 * sizes[0], top - 2.2 - 0.8 * sizes[0] - 0.9 * sizes[1])
    for y, word in zip(lines, words, strict=True):
        drawing.text("card", PAD_MM, y, word, WORD_MM, fill=QUIET)
    for index, cell in enumerate(shown):
        x = PAD_MM + lead + stride * (index + 1)
        drawing.text("card", x, lines[0], cell[0], sizes[0], anchor="end", fill=QUIET)
        drawing.text("card", x, lines[1], cell[1], sizes[1], anchor="end", bold=True)
    y = lines[1] - 1.8
    drawing.line("rule", [(PAD_MM, y), (drawing.width_mm - PAD_MM, y)], width_mm=0.3)
    return y


def _told(pour: Pour, card: PushCard, units: UnitSystem, say: Words) -> list[tuple[str, bool]]:
    """What is watched, each with whether it must not be missed: the warnings, then limits, how to push, and what it rests on."""
    window, freezing = pour.pour_window_c, pour.freezing
    assert window is not None and freezing is not None
    limits = say(
        "Too cold below {cold}, too hot above {hot}; stone {stone} as planned; solid after about {solid} s, lift after "
        "{lift} min.",
        cold=units.show_temperature(window.too_cold_below),
        hot=units.show_temperature(window.too_hot_above),
        stone=units.show_temperature(pour.stone_temperature_c),
        solid=units.number(freezing.time_to_solid_s, 0),
        lift=units.number(freezing.lift_after_s / 60.0, 1),
    )
    warned = " ".join(sentence(say.read(text, units)) for text in pour.warnings[:MOST_NOTES])
    rests = say("Rests on: {what}.", what=say.read(card.rests_on, units))
    told = " ".join((limits, sentence(say.read(card.speed_change, units)), rests))
    return [*([(warned, True)] if warned else []), (told, False)]


def _notes(drawing: Drawing, told: Sequence[tuple[str, bool]], top: float, bottom: float) -> None:
    """Sentences one below the other, all smaller where they would not fit."""
    room = drawing.width_mm - 2 * PAD_MM
    size = NOTE_MM
    while True:
        lines = [(line, bold) for text, bold in told for line in wrapped(text, size, room, bold=bold)]
        if len(lines) * 1.28 * size <= top - bottom - 1.0 or size <= LEAST_LETTERS_MM:
            break
        size = max(0.95 * size, LEAST_LETTERS_MM)
    fitting = int((top - bottom - 1.0) / (1.28 * size))
    for row, (line, bold) in enumerate(lines[:fitting], start=1):
        drawing.text("card", PAD_MM, top - 1.28 * size * row, line, size, bold=bold)


def _not_to_be_poured(drawing: Drawing, pour: Pour, top: float, bottom: float, units: UnitSystem, say: Words) -> None:
    """Why this sheet is not cast so, instead of figures to follow."""
    if pour.card is None or pour.freezing is None:
        told = [(say("No push gives this sheet: {why}", why=say.read(pour.problem, units)), True)]
    else:
        told = [(say("Do not pour it so: no pouring temperature suits this sheet."), True)]
        told += [(sentence(say.read(text, units)), True) for text in pour.warnings]
    room, size = drawing.width_mm - 2 * PAD_MM, 6.0
    y = top
    for text, bold in told:
        for line in wrapped(text, size, room, bold=bold):
            y -= 1.3 * size
            if y > bottom:
                drawing.text("card", PAD_MM, y, line, size, bold=bold)


def _fields(drawing: Drawing, pour: Pour, units: UnitSystem, say: Words) -> float:
    """Lines to write on, two rows of four at the foot of the card; returns their upper edge."""
    labels = (
        say("poured at"),
        say("stone before"),
        say("push lasted, s"),
        say("matt after, s"),
        say("left in the sled, {unit}", unit=units.mass),
        say("too cold / good / too hot"),
        say("thickness at the marks, {unit}", unit=units.length),
        say("crew, gate, cloth, remarks"),
    )
    wide = (drawing.width_mm - 2 * PAD_MM + 4.0) / 4.0
    for index, label in enumerate(labels):
        row, column = divmod(index, 4)
        x, y = PAD_MM + column * wide, PAD_MM + FIELD_MM * (1 - row)
        drawing.line("write", [(x, y), (x + wide - 4.0, y)], width_mm=0.3)
        text, size = fitted_text(label, wide - 4.0, 2.6, LEAST_LETTERS_MM)
        drawing.text("write", x, y + FIELD_MM - 3.2, text, size, fill=QUIET)
    return PAD_MM + 2 * FIELD_MM


def _thinned(marks: Sequence[Beat]) -> list[Beat]:
    """At most a dozen marks, the first and the last among them."""
    if len(marks) <= MOST_MARKS:
        return list(marks)
    step = -(-(len(marks) - 1) // (MOST_MARKS - 1))
    kept = list(marks[:-1:step])
    return [*kept, marks[-1]]
