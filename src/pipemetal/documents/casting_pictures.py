"""Pictures of casting: thickness along a sheet, temperatures of sheet and stone, and the window over a day."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipemetal.casting.freezing import Freezing
from pipemetal.casting.push import Station
from pipemetal.casting.window import PourWindow
from pipemetal.documents.casting_cards import fitted_text
from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, text_width_mm

__all__ = ["freezing_picture", "thickness_picture", "window_picture"]

_WIDTH, _HEIGHT = 190.0, 110.0
_BOX = (22.0, 30.0, 156.0, 60.0)
_METAL, _STONE, _BAND, _COLD, _HOT = "#a4552c", "#2f6690", "#e4ddca", "#9db8cc", "#dda48a"


def thickness_picture(
    stations: Sequence[Station], readings: Sequence[tuple[float, float]], title: str, rests_on: str
) -> Drawing:
    """Thickness along a sheet with the band of 95 of 100 places, and what a gauge read: (distance in m, mm)."""
    drawing = _sheet(title)
    values = [v for s in stations for v in (s.low_mm, s.high_mm)] + [t for _, t in readings]
    longest = stations[-1].distance_m
    frame = Frame(
        drawing,
        _BOX,
        Axis.round(0.0, longest, "m from the beginning", 8),
        Axis.round(min(values), max(values), "mm of solid sheet", 6),
    )
    frame.band([(s.distance_m, s.low_mm, s.high_mm) for s in stations], _BAND)
    frame.line([(s.distance_m, s.thickness_mm) for s in stations], _STONE, width_mm=0.7)
    for distance, thickness in readings:
        frame.dot(distance, thickness, _METAL)
    rows = [("expected from the push", _STONE), ("95 of 100 places", _BAND)]
    _key(drawing, [*rows, *([("measured", _METAL)] if readings else [])])
    _note(drawing, f"Rests on: {rests_on}.")
    return drawing


def freezing_picture(
    frozen: Freezing, title: str, cloth: str = "its resistance is known to a factor of two until the log says more"
) -> Drawing:
    """Temperatures of the sheet and of the stone's top from laying on, with the moments that count."""
    drawing = _sheet(title)
    until = float(frozen.time_s[-1])
    hottest, coldest = float(frozen.sheet_c.max()), float(min(frozen.stone_top_c.min(), frozen.sheet_c.min()))
    frame = Frame(drawing, _BOX, Axis.round(0.0, until, "s after laying", 10), Axis.round(coldest, hottest, "°C", 7))
    frame.line(list(zip(frozen.time_s.tolist(), frozen.sheet_c.tolist(), strict=True)), _METAL, width_mm=0.8)
    frame.line(list(zip(frozen.time_s.tolist(), frozen.stone_top_c.tolist(), strict=True)), _STONE, width_mm=0.8)
    moments = (
        ("first solid", frozen.time_to_first_solid_s),
        ("30 %", frozen.time_to_30pct_s),
        ("solid", frozen.time_to_solid_s),
    )
    for row, (words, seconds) in enumerate(moments):
        if math.isnan(seconds):
            continue
        top = frame.up.high - (frame.up.high - frame.up.low) * (0.6 + 4.4 * row) / _BOX[3]
        frame.line([(seconds, frame.up.low), (seconds, top)], QUIET, dashes=(1.2, 1.2), width_mm=0.35)
        text = f"{words} {seconds:.0f} s" if seconds >= 10.0 else f"{words} {seconds:.1f} s"
        x = frame.point(seconds, frame.up.low)[0]
        late = x + text_width_mm(text, 3.2) > _BOX[0] + _BOX[2]
        drawing.text(
            "moment",
            x - 1.0 if late else x + 1.0,
            _BOX[1] + _BOX[3] - 3.6 - 4.4 * row,
            text,
            3.2,
            anchor="end" if late else "start",
            fill=INK,
        )
    _key(drawing, [("sheet", _METAL), ("top of the stone", _STONE)])
    _note(drawing, f"One temperature through the sheet; the cloth: {cloth}.")
    return drawing


def window_picture(windows: Sequence[PourWindow], stones_c: Sequence[float], title: str) -> Drawing:
    """The pour window cast by cast through a day: too cold, try here, too hot; the stone's temperature below each cast."""
    drawing = _sheet(title)
    low = min(min(w.liquidus_c, w.too_cold_below_c) for w in windows) - 5.0
    high = max(w.too_hot_above_c for w in windows) + 8.0
    count = len(windows)
    marks = tuple((i + 1.0, str(i + 1)) for i in range(count) if count <= 14 or i % 2 == 0)
    frame = Frame(
        drawing, _BOX, Axis(0.5, count + 0.5, "cast of the day", marks), Axis.round(low, high, "°C in the pot", 7)
    )
    for i, window in enumerate(windows, start=1):
        left, right = i - 0.42, i + 0.42
        for bottom, top, colour in (
            (frame.up.low, window.too_cold_below_c, _COLD),
            (window.try_low_c, window.try_high_c, "#8fae7e"),
            (window.too_hot_above_c, frame.up.high, _HOT),
        ):
            if top > bottom:
                x, y = frame.point(left, bottom)
                x2, y2 = frame.point(right, top)
                drawing.rectangle("band", x, y, x2 - x, y2 - y, fill=colour, stroke="none")
        if count <= 14 or i % 2:
            x, _ = frame.point(i, frame.up.low)
            drawing.text("stone", x, _BOX[1] - 14.5, f"{stones_c[i - 1]:.0f}", 3.4, anchor="middle", fill=_STONE)
    drawing.text("stone", 10.0, _BOX[1] - 14.5, "stone °C", 3.0, fill=_STONE)
    _key(drawing, [("too cold", _COLD), ("try here", "#8fae7e"), ("too hot", _HOT)])
    _note(drawing, f"Rests on: {windows[0].rests_on}.")
    return drawing


def _sheet(title: str) -> Drawing:
    drawing = Drawing(_WIDTH, _HEIGHT, title)
    drawing.rectangle("paper", 0, 0, _WIDTH, _HEIGHT, fill="#ffffff", stroke="none")
    fitted_text(drawing, 10.0, _HEIGHT - 8.0, title, 4.6, _WIDTH - 20.0, bold=True)
    return drawing


def _key(drawing: Drawing, rows: Sequence[tuple[str, str]]) -> None:
    x = _BOX[0]
    for words, colour in rows:
        drawing.rectangle("key", x, 8.5, 6.0, 3.2, fill=colour, stroke="none")
        drawing.text("key", x + 8.0, 8.9, words, 3.4)
        x += 14.0 + text_width_mm(words, 3.4)


def _note(drawing: Drawing, words: str) -> None:
    lines = [words] if text_width_mm(words, 3.0) < 1.1 * (_WIDTH - 18.0) else words.split("; ", 1)
    for i, line in enumerate(lines):
        fitted_text(drawing, 10.0, 4.8 - 3.6 * i if len(lines) > 1 else 3.0, line, 3.0, _WIDTH - 18.0, fill=QUIET)
