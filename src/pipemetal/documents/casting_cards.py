"""The crew's cards for a wall, in letters read at three metres: a pour, its beats, a day, a freezing, what the log teaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.casting.push import PushCard
from pipemetal.casting.table import TableBefore
from pipemetal.casting.window import PourWindow, push_heat_words
from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, text_width_mm, wrapped

__all__ = ["DayRow", "beat_card", "day_card", "fitted_text", "freeze_card", "learned_card", "pour_card"]

# Letters of a two-hundredth of the distance are read with ease (common practice, no source): 15 mm at three metres.
_FAR_MM = 15.0
_A4 = (297.0, 210.0)
ROWS_A_CARD = 5


@dataclass(frozen=True, slots=True)
class DayRow:
    """One pour on the day's card: its number, clock time, sheet, band in C, scoops and what keeps it from being cast."""

    number: int
    clock: str
    sheet: str
    band: str
    scoops: str
    problem: str = ""


def day_card(rows: Sequence[DayRow], title: str, note: str) -> Drawing:
    """The order of a day, five pours at most: time, sheet, band and scoops."""
    drawing = _card(title)
    for i, row in enumerate(rows[:ROWS_A_CARD]):
        y = 158.0 - 28.0 * i
        fitted_text(drawing, 12.0, y, f"{row.number}", _FAR_MM, 20.0, fill=QUIET, bold=True)
        fitted_text(drawing, 34.0, y, row.clock, _FAR_MM, 46.0, bold=True)
        fitted_text(drawing, 84.0, y, row.sheet, _FAR_MM, 76.0)
        if row.problem:
            fitted_text(drawing, 164.0, y, row.problem, 9.0, 121.0)
            continue
        fitted_text(drawing, 164.0, y, row.band, _FAR_MM, 84.0, bold=True)
        fitted_text(drawing, 252.0, y, row.scoops, _FAR_MM, 33.0)
    first, _, rest = note.partition("\n")
    fitted_text(drawing, 12.0, 24.0, first, 7.0, 273.0)
    _small_print(drawing, rest)
    return drawing


def freeze_card(tables: Sequence[TableBefore], title: str, cloth: str) -> Drawing:
    """How long a sheet runs, when it is solid and when it may be lifted: first cast and last of a day."""
    drawing = _card(title)
    first, last = tables[0].freezing, tables[-1].freezing
    both = len(tables) > 1
    fitted_text(drawing, 120.0, 164.0, "cast 1", 11.0, 70.0, fill=QUIET)
    if both:
        fitted_text(drawing, 205.0, 164.0, f"cast {len(tables)}", 11.0, 80.0, fill=QUIET)
    rows = (
        ("RUNS FOR", first.time_to_25pct_s, last.time_to_25pct_s),
        ("30 % SOLID", first.time_to_30pct_s, last.time_to_30pct_s),
        ("ALL SOLID", first.time_to_solid_s, last.time_to_solid_s),
    )
    for i, (word, begin, end) in enumerate(rows):
        y = 140.0 - 27.0 * i
        fitted_text(drawing, 12.0, y, word, _FAR_MM, 104.0, fill=QUIET, bold=True)
        fitted_text(drawing, 120.0, y, _seconds(begin), 18.0, 80.0, bold=True)
        if both:
            fitted_text(drawing, 205.0, y, _seconds(end), 18.0, 80.0, bold=True)
    fitted_text(drawing, 12.0, 59.0, "STONE", _FAR_MM, 104.0, fill=QUIET, bold=True)
    fitted_text(drawing, 120.0, 59.0, f"{tables[0].stone_top_c:.0f} °C", 18.0, 80.0, bold=True)
    if both:
        fitted_text(drawing, 205.0, 59.0, f"{tables[-1].stone_top_c:.0f} °C", 18.0, 80.0, bold=True)
    fitted_text(
        drawing,
        12.0,
        34.0,
        "Lift no sooner than solid, and longer for a thick edge. A measured cloth wins.",
        9.0,
        273.0,
    )
    fitted_text(
        drawing,
        12.0,
        20.0,
        "Metal that looks solid burns. Pieces dry and warm. The look of the metal decides.",
        9.0,
        273.0,
    )
    rests_on = f"one temperature through the sheet; the cloth: {cloth}"
    _small_print(drawing, f"Rests on: {rests_on}.")
    return drawing


def learned_card(rows: Sequence[tuple[str, str]], log_next: str, rests_on: str) -> Drawing:
    """What the log teaches, four lines at most, and what to log next."""
    drawing = _card("What our casts teach")
    for i, (word, value) in enumerate(rows[:4]):
        y = 156.0 - 26.0 * i
        fitted_text(drawing, 12.0, y, word, _FAR_MM, 96.0, fill=QUIET, bold=True)
        fitted_text(drawing, 128.0, y, value, 18.0, 157.0, bold=True)
    drawing.text("card", 12.0, 50.0, "NEXT", 10.0, fill=QUIET, bold=True)
    for i, line in enumerate(wrapped(log_next.split(": what")[0], 9.0, 234.0)[:3]):
        fitted_text(drawing, 50.0, 50.0 - 13.0 * i, line, 9.0, 235.0)
    _small_print(drawing, f"Rests on: {rests_on}.")
    return drawing


def _small_print(drawing: Drawing, text: str) -> None:
    """What a card rests on: one line, or two."""
    lines = [text] if text_width_mm(text, 5.0) <= 273.0 else wrapped(text, 4.6, 285.0)
    for i, line in enumerate([*lines[:1], " ".join(lines[1:])] if len(lines) > 1 else lines):
        fitted_text(drawing, 12.0, 7.0 if len(lines) == 1 else 9.5 - 6.0 * i, line, 5.0, 273.0)


def _seconds(value: float) -> str:
    # Not a number: the sheet was lifted before it came so far.
    return "not yet" if value != value else f"{value:.0f} s" if value >= 10.0 else f"{value:.1f} s"


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.1f} min"


def _ends(window: PourWindow, sled_c: float) -> str:
    """The ends of the pouring range in words, why there is none, or that the push is reckoned outside it."""
    if window.empty:
        return f"{window.warnings[0][:1].upper()}{window.warnings[0][1:].rpartition(';')[0]}."
    if push_heat_words(window, sled_c):
        return f"The push is reckoned with {sled_c:.0f} °C in the sled, outside the range."
    return f"Too cold below {window.too_cold_below_c:.0f}, too hot above {window.too_hot_above_c:.0f} °C."


def pour_card(
    card: PushCard,
    window: PourWindow,
    name: str,
    *,
    table_c: float | None = None,
    lift_after_s: float | None = None,
    measured: bool = False,
) -> Drawing:
    """What to pour, ladle and set, in letters read at three metres: one sheet of A4.

    table_c: of the cloth before the pour, planned unless ``measured``; lift_after_s: when the sheet may be lifted.
    """
    drawing = _card(name)
    rows = [
        ("POUR", "none suits" if window.empty else f"{window.try_low_c:.0f} to {window.try_high_c:.0f} °C"),
        ("LADLE", f"{card.scoops} scoops, {card.charge_kg:.0f} kg"),
        ("GATE", f"{card.gate_mm:.1f} mm"),
        ("PUSH", f"{card.push_time_s:.1f} s, {_pace(card)}"),
    ]
    if table_c is not None:
        lift = "" if lift_after_s is None else f", lift {_minutes(lift_after_s)}"
        rows.append(("TABLE", f"{table_c:.0f} °C{'' if measured else ' plan'}{lift}"))
    step = 128.0 / len(rows)
    for i, (word, value) in enumerate(rows):
        y = 184.0 - step * (i + 1) + 4.0
        drawing.text("card", 12.0, y, word, _FAR_MM, fill=QUIET, bold=True)
        fitted_text(drawing, 90.0, y, value, 21.0 if len(rows) == 4 else 18.0, 195.0, bold=True)
    fitted_text(
        drawing,
        12.0,
        34.0,
        f"{_ends(window, card.pour_temperature_c)}  {card.left_kg:.0f} kg stay in the sled.",
        9.0,
        273.0,
    )
    measure = "Measure the cloth: it wins. " if table_c is not None and not measured else ""
    cautions = f"{measure}Pieces dry and warm. Nobody before the sled. The look of the metal decides."
    fitted_text(drawing, 12.0, 20.0, cautions, 9.0, 273.0)
    _small_print(drawing, f"Rests on: {card.rests_on}. {window.rests_on}.")
    return drawing


def beat_card(card: PushCard, name: str) -> Drawing:
    """Where the gate is at each beat, in letters read at three metres: learn it before the push, never read it during one."""
    drawing = _card(f"{name}: beats of {card.beat_s:g} s")
    beats = card.beats[:14]
    per_row = 5 if len(beats) <= 10 else 7
    size = _FAR_MM if per_row == 5 else 13.0
    wide = 273.0 / per_row
    for i, beat in enumerate(beats):
        x, y = 12.0 + wide * (i % per_row + 0.5), 148.0 - 62.0 * (i // per_row)
        drawing.rectangle("beat", x - 0.5 * wide + 1.5, y - 24.0, wide - 3.0, 50.0, fill="#f4f1e8", stroke="none")
        drawing.text("beat", x, y + 8.0, str(i), size, anchor="middle", fill=QUIET, bold=True)
        drawing.text("beat", x, y - 16.0, f"{beat.distance_m:.2f}", size, anchor="middle", bold=True)
    fitted_text(
        drawing,
        12.0,
        34.0,
        f"m from the beginning at each beat ({60.0 / card.beat_s:.0f} a minute), {_pace(card)}",
        9.0,
        273.0,
    )
    fitted_text(
        drawing,
        12.0,
        19.0,
        f"Run-up {card.run_up_mm:.0f} mm in {card.run_up_time_s:.1f} s. Learn it before the push.",
        9.0,
        273.0,
    )
    _small_print(drawing, f"Rests on: {card.rests_on}.")
    return drawing


def _pace(card: PushCard) -> str:
    first, last = card.marks[0].speed_m_s, card.marks[-1].speed_m_s
    word = "steady" if abs(last / first - 1.0) < 0.05 else "slowing" if last < first else "quickening"
    return f"{word} {first:.1f} to {last:.1f} m/s" if word != "steady" else f"steady {first:.1f} m/s"


def _card(title: str) -> Drawing:
    drawing = Drawing(*_A4, title)
    drawing.rectangle("paper", 0, 0, *_A4, fill="#ffffff", stroke="none")
    fitted_text(drawing, 12.0, 188.0, title, 13.0, 273.0, bold=True)
    drawing.line("rule", [(12.0, 182.0), (285.0, 182.0)], stroke=INK, width_mm=0.6)
    return drawing


def fitted_text(drawing: Drawing, x: float, y: float, text: str, size: float, width: float, **style: object) -> None:
    """Text at a size, drawn smaller where it would be wider than width."""
    # Bold letters run wider, bold capitals wider still.
    needed = text_width_mm(text, size) * (
        (1.35 if text.isupper() and text[0].isalpha() else 1.12) if style.get("bold") else 1.0
    )
    drawing.text("card", x, y, text, size * min(1.0, width / max(needed, 1.0)), **style)
