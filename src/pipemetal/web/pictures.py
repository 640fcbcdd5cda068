"""Pictures of the pages: thickness maps, layouts and half tones, drawn by the documents' own hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from markupsafe import Markup

from pipemetal.documents.colours import INK, QUIET, thickness_colour
from pipemetal.documents.drawing import Drawing, Polygon, text_width_mm
from pipemetal.documents.pictures import half_tone_picture
from pipemetal.documents.svg import to_svg
from pipemetal.pipes.pipe import Pipe
from pipemetal.sheets.roll import Roll

__all__ = ["cutting_picture", "half_tones", "roll_map", "small_map"]

WIDTH_MM = 360.0
FOUND = "#8a4b1f"


def _inline(drawing: Drawing) -> Markup:
    # to_svg escapes every text and attribute itself
    return Markup(to_svg(drawing))


def _cells(drawing: Drawing, roll: Roll, at: tuple[float, float], factor: float, along: int, across: int) -> None:
    low, high = float(roll.field.thickness_mm.min()), float(roll.field.thickness_mm.max())
    dx, dy = roll.length_mm / along, roll.width_mm / across
    values = roll.field.at(*np.meshgrid((np.arange(along) + 0.5) * dx, (np.arange(across) + 0.5) * dy, indexing="ij"))
    for i in range(along):
        for j in range(across):
            share = (float(values[i, j]) - low) / (high - low) if high > low else 0.5
            drawing.rectangle(
                "thickness", at[0] + i * dx * factor, at[1] + j * dy * factor, dx * factor + 0.05, dy * factor + 0.05,
                fill=thickness_colour(share), stroke="none",
            )  # fmt: skip


def small_map(roll: Roll, place_mm: tuple[float, float] | None, longest_mm: float) -> Markup:
    """A roll to scale with its neighbours in a list; the place found is framed."""
    factor = 100.0 / max(longest_mm, 1.0)
    drawing = Drawing(100.0, max(roll.width_mm * factor, 4.0) + 2.0, f"Thickness map of roll {roll.id}")
    _cells(drawing, roll, (0.0, 1.0), factor, 24, 3)
    w, h = roll.length_mm * factor, roll.width_mm * factor
    drawing.rectangle("edge", 0.15, 1.0, w - 0.3, h, width_mm=0.3)
    if place_mm is not None:
        x0, x1 = place_mm[0] * factor, place_mm[1] * factor
        drawing.rectangle("found", x0, 0.7, max(x1 - x0, 0.5), h + 0.6, stroke=FOUND, width_mm=1.0)
    return _inline(drawing)


def roll_map(
    roll: Roll, readings: Sequence[tuple[float, float, float]], place_mm: tuple[float, float] | None
) -> Markup:
    """A roll's thickness map with lines of the thickness along, readings, trim, blemishes, and the place found."""
    factor = min((WIDTH_MM - 24.0) / roll.length_mm, 130.0 / roll.width_mm)
    w, h = roll.length_mm * factor, roll.width_mm * factor
    drawing = Drawing(WIDTH_MM, h + 46.0, f"Thickness map of roll {roll.id}")
    x, y = 14.0, 32.0
    drawing.rectangle("paper", 0, 0, WIDTH_MM, h + 46.0, fill="#ffffff", stroke="none")
    _cells(drawing, roll, (x, y), factor, 60, 12)
    drawing.rectangle("edge", x, y, w, h, width_mm=0.6)
    _edges(drawing, roll, x, y, factor)
    out = {(round(r.reading.x_mm, 1), round(r.reading.y_mm, 1)) for r in roll.field.left_out}
    for a, b, _ in readings:
        px, py = x + a * factor, y + b * factor
        if (round(a, 1), round(b, 1)) in out:
            for dx in (-1.6, 1.6):
                drawing.line("left out", [(px - dx, py - 1.6), (px + dx, py + 1.6)], stroke="#8c2f39", width_mm=0.7)
        else:
            drawing.add(Polygon("reading", tuple((px + c, py + s) for c, s in _DOT), INK, "none"))
    if place_mm is not None:
        x0, x1 = x + place_mm[0] * factor, x + place_mm[1] * factor
        drawing.rectangle("found", x0, y - 1.0, x1 - x0, h + 2.0, stroke=FOUND, width_mm=1.6)
        words = f"{place_mm[0]:.0f} to {place_mm[1]:.0f} mm"
        half = text_width_mm(words, 6.0) / 2
        middle = min(max((x0 + x1) / 2, half + 1.0), WIDTH_MM - half - 1.0)
        drawing.text("found", middle, y + h + 4.0, words, 6.0, anchor="middle", fill=FOUND, bold=True)
    _legend(drawing, roll)
    return _inline(drawing)


_DOT = tuple((0.8 * float(np.cos(a)), 0.8 * float(np.sin(a))) for a in np.linspace(0.0, 2 * np.pi, 8, endpoint=False))


def _edges(drawing: Drawing, roll: Roll, x: float, y: float, factor: float) -> None:
    t = roll.trim_mm * factor
    if t > 0.0:
        w, h = roll.length_mm * factor - 2 * t, roll.width_mm * factor - 2 * t
        drawing.rectangle("trim", x + t, y + t, w, h, width_mm=0.3, dashes=(2.0, 1.5), stroke=QUIET)
    for polygon, stroke in ((roll.outline or (), INK), *((p, "#8c2f39") for p in roll.no_go)):
        if polygon:
            corners = [(x + a * factor, y + b * factor) for a, b in polygon]
            drawing.line("outline", [*corners, corners[0]], stroke=stroke, width_mm=0.9)
    for mark in range(0, int(roll.length_mm) + 1, 500):
        drawing.line("marks", [(x + mark * factor, y), (x + mark * factor, y - 2.0)], width_mm=0.3)
        drawing.text("marks", x + mark * factor, y - 8.0, str(mark), 5.0, anchor="middle", fill=QUIET)


def _legend(drawing: Drawing, roll: Roll) -> None:
    low, high = float(roll.field.thickness_mm.min()), float(roll.field.thickness_mm.max())
    for i in range(30):
        drawing.rectangle("legend", 14.0 + 2.0 * i, 5.0, 2.05, 6.0, fill=thickness_colour(i / 29), stroke="none")
    words = f"{low:.2f} mm pale, {high:.2f} mm dark; dots are readings, crosses were left out; mm along"
    drawing.text("legend", 78.0, 6.0, words, 5.0, fill=QUIET)


def cutting_picture(sheet: Mapping[str, Any], roll: Roll | None) -> Markup:
    """The layout of a plan's sheet: blanks with numbers, remnants dashed, on the thickness map where the roll is known."""
    length, width = float(sheet["length_mm"]), float(sheet["width_mm"])
    factor = min((WIDTH_MM - 24.0) / length, 150.0 / width)
    w, h = length * factor, width * factor
    drawing = Drawing(WIDTH_MM, h + 22.0, f"Cutting sheet {sheet['id']}")
    x, y = 14.0, 16.0
    drawing.rectangle("paper", 0, 0, WIDTH_MM, h + 22.0, fill="#ffffff", stroke="none")
    if roll is not None and abs(roll.length_mm - length) < 1.0:
        _cells(drawing, roll, (x, y), factor, 48, 8)
    else:
        start, end = sheet.get("thickness_start_mm", 1.0), sheet.get("thickness_end_mm", 1.0)
        for i in range(48):
            share = 1.0 - i / 47 if start > end else 0.5
            drawing.rectangle(
                "thickness", x + i * w / 48, y, w / 48 + 0.05, h, fill=thickness_colour(share), stroke="none"
            )
    drawing.rectangle("edge", x, y, w, h, width_mm=0.6)
    for mark in range(0, int(length) + 1, 500):
        drawing.text("marks", x + mark * factor, y - 8.0, str(mark), 5.0, anchor="middle", fill=QUIET)
    for remnant in sheet["remnants"]:
        corners = [(x + a * factor, y + b * factor) for a, b in remnant["corners_mm"]]
        drawing.line("remnant", [*corners, corners[0]], stroke="#2f5d3a", width_mm=0.8, dashes=(3.0, 1.5))
        cx, cy = (sum(v) / len(corners) for v in zip(*corners, strict=True))
        drawing.text("remnant", cx, cy - 2.0, str(remnant["id"]), 5.0, anchor="middle", fill="#2f5d3a", bold=True)
    for cut in sheet["cuts"]:
        bx, by = x + cut["x_mm"] * factor, y + cut["y_mm"] * factor
        bw, bh = cut["length_mm"] * factor, cut["width_mm"] * factor
        title = f"{cut['number']}. {cut['blank']}: {cut['actual_mouth_mm']:.2f} to {cut['actual_top_mm']:.2f} mm"
        shape = tuple((x + a * factor, y + b * factor) for a, b in cut.get("corners_mm", ()))
        box = ((bx, by), (bx + bw, by), (bx + bw, by + bh), (bx, by + bh))
        drawing.add(Polygon("blank", shape or box, "none", INK, 0.4, title))
        size = min(7.0, bh * (0.45 if shape else 0.8), bw / max(len(str(cut["number"])) * 0.62, 0.1))
        if size > 1.0:
            number = str(cut["number"])
            drawing.text("number", bx + bw / 2, by + bh / 2 - size * 0.36, number, size, anchor="middle", bold=True)
    return _inline(drawing)


def half_tones(pipes: Sequence[Mapping[str, Any]], title: str) -> Markup:
    """Half tones over the keys, from the pipes of a plan's dictionary."""
    held = [
        SimpleNamespace(
            rank=p["rank"], choir=p["choir"], key=p["key"], half_tones=p["half_tones"], note=p["note"],
            footage=_footage(p["footage"]),
            diameter_mm=p["diameter_mm"], frequency_hz=p["frequency_hz"],
        )
        for p in pipes
    ]  # fmt: skip
    return _inline(half_tone_picture(cast("Sequence[Pipe]", held), title))


def _footage(text: str) -> Fraction:
    total = Fraction(0)
    for part in text.replace("'", " ").split():
        total += Fraction(part)
    return total
