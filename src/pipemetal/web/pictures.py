"""Pictures of the pages: thickness maps, layouts and half tones, drawn by the documents' own hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import INK, QUIET, wall_colour
from pipemetal.documents.drawing import Drawing, Polygon, fitted_text, text_width_mm
from pipemetal.documents.gauge_marks import GAUGE_HERE, gauge_mark
from pipemetal.documents.svg import to_svg
from pipemetal.web.show import Show
from pipemetal.web.views.walls import runs_of

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.casting.push import Station
    from pipemetal.sheets.roll import Roll

__all__ = ["bench_ground", "cast_picture", "roll_map", "small_ground", "small_map"]

WIDTH_MM = 360.0
FOUND = "#8a4b1f"


def _inline(drawing: Drawing) -> Markup:
    # to_svg escapes every text and attribute itself
    return Markup(to_svg(drawing))


def _cells(drawing: Drawing, roll: Roll, at: tuple[float, float], factor: float, along: int, across: int) -> None:
    dx, dy = roll.length_mm / along, roll.width_mm / across
    values = roll.field.at(*np.meshgrid((np.arange(along) + 0.5) * dx, (np.arange(across) + 0.5) * dy, indexing="ij"))
    for i in range(along):
        for j in range(across):
            drawing.rectangle(
                "thickness",
                at[0] + i * dx * factor,
                at[1] + j * dy * factor,
                dx * factor + 0.05,
                dy * factor + 0.05,
                fill=wall_colour(float(values[i, j])),
                stroke="none",
            )


def small_ground(roll: Roll, along: int = 48, across: int = 3) -> str:
    """A roll's thickness in the colours of its wall, one unit for a millimetre, without its outline: it is kept until the
    roll changes."""
    high = roll.width_mm / across
    x, y = np.meshgrid((np.arange(along) + 0.5) * roll.length_mm / along, (np.arange(across) + 0.5) * high)
    values = roll.field.at(x, y)[::-1]  # the lower edge of the roll is drawn below
    return "".join(
        f'<rect class="{run.wall}" x="{run.at:.0f}" y="{k * high:.0f}" width="{run.long + 1:.0f}" height="{high + 1:.0f}"/>'
        for k in range(across)
        for run in runs_of([float(mm) for mm in values[k]], roll.length_mm)
    )


def small_map(
    ground: str,
    roll_id: str,
    length_mm: float,
    width_mm: float,
    place_mm: tuple[float, float] | None,
    longest_mm: float,
) -> Markup:
    """A roll to scale with its neighbours in a list; a bracket shows the place found."""
    high = max(width_mm, 0.03 * longest_mm)
    head = Markup('<svg class="picture" viewBox="-20 -20 {} {}" role="img" aria-label="{}">').format(
        f"{longest_mm + 40:.0f}", f"{high + 40:.0f}", roll_id
    )
    edge = f'<rect class="edge" x="0" y="0" width="{length_mm:.0f}" height="{width_mm:.0f}"/>'
    bracket = ""
    if place_mm is not None:
        x, end = place_mm[0], max(place_mm[1], place_mm[0] + 0.01 * longest_mm)
        low, top = 0.93 * width_mm, 0.68 * width_mm
        bracket = f'<path class="bracket" d="M{x:.0f} {top:.0f} V{low:.0f} H{end:.0f} V{top:.0f}"/>'
    # the ground holds numbers and our own classes only
    return head + Markup(ground + edge + bracket + "</svg>")


def roll_map(
    roll: Roll,
    readings: Sequence[tuple[float, float, float]],
    place_mm: tuple[float, float] | None,
    show: Show,
    gauge: Sequence[tuple[int, float, float]] = (),
) -> Markup:
    """A roll's thickness map with lines of the thickness along, readings, trim, blemishes, the place found, and the places
    where a plan asks for one more reading."""
    factor = min((WIDTH_MM - 24.0) / roll.length_mm, 130.0 / roll.width_mm)
    w, h = roll.length_mm * factor, roll.width_mm * factor
    drawing = Drawing(WIDTH_MM, h + 46.0, f"Thickness map of roll {roll.id}")
    x, y = 14.0, 32.0
    drawing.rectangle("paper", 0, 0, WIDTH_MM, h + 46.0, fill="#ffffff", stroke="none")
    _cells(drawing, roll, (x, y), factor, 48, 6)
    drawing.rectangle("edge", x, y, w, h, width_mm=0.6)
    _edges(drawing, roll, x, y, factor, show)
    out = {(round(r.reading.x_mm, 1), round(r.reading.y_mm, 1)) for r in roll.field.left_out}
    for a, b, _ in readings:
        px, py = x + a * factor, y + b * factor
        if (round(a, 1), round(b, 1)) in out:
            for dx in (-1.6, 1.6):
                drawing.line("left out", [(px - dx, py - 1.6), (px + dx, py + 1.6)], stroke="#8c2f39", width_mm=0.7)
        else:
            drawing.add(Polygon("reading", tuple((px + c, py + s) for c, s in _DOT), INK, "none"))
    for number, a, b in gauge:
        gauge_mark(drawing, x + a * factor, y + b * factor, number, show.say(GAUGE_HERE, number=number), 3.2)
    if place_mm is not None:
        x0, x1 = x + place_mm[0] * factor, x + place_mm[1] * factor
        drawing.rectangle("found", x0, y - 1.0, x1 - x0, h + 2.0, stroke=FOUND, width_mm=1.6)
        words = show.say("{low} to {high}", low=show.plain(place_mm[0]), high=show.length(place_mm[1]))
        half = text_width_mm(words, 6.0) / 2
        middle = min(max((x0 + x1) / 2, half + 1.0), WIDTH_MM - half - 1.0)
        drawing.text("found", middle, y + h + 4.0, words, 6.0, anchor="middle", fill=FOUND, bold=True)
    _legend(drawing, roll, show)
    return _inline(drawing)


_DOT = tuple((0.8 * float(np.cos(a)), 0.8 * float(np.sin(a))) for a in np.linspace(0.0, 2 * np.pi, 8, endpoint=False))


def _edges(drawing: Drawing, roll: Roll, x: float, y: float, factor: float, show: Show) -> None:
    t = roll.trim_mm * factor
    if t > 0.0:
        w, h = roll.length_mm * factor - 2 * t, roll.width_mm * factor - 2 * t
        drawing.rectangle("trim", x + t, y + t, w, h, width_mm=0.3, dashes=(2.0, 1.5), stroke=QUIET)
    for polygon, stroke in ((roll.outline or (), INK), *((p, "#8c2f39") for p in roll.no_go)):
        if polygon:
            corners = [(x + a * factor, y + b * factor) for a, b in polygon]
            drawing.line("outline", [*corners, corners[0]], stroke=stroke, width_mm=0.9)
    step_mm = 500.0 if show.units.length == "mm" else 25.4 * 20.0
    for number in range(int(roll.length_mm / step_mm + 1e-9) + 1):
        mark = number * step_mm
        drawing.line("marks", [(x + mark * factor, y), (x + mark * factor, y - 2.0)], width_mm=0.3)
        told = f"{mark if show.units.length == 'mm' else mark / 25.4:.0f}"
        drawing.text("marks", x + mark * factor, y - 10.5, told, 8.0, anchor="middle", fill=QUIET)


def _legend(drawing: Drawing, roll: Roll, show: Show) -> None:
    low, high = float(roll.field.thickness_mm.min()), float(roll.field.thickness_mm.max())
    for i in range(30):
        drawing.rectangle(
            "legend", 14.0 + 2.0 * i, 5.0, 2.05, 6.0, fill=wall_colour(low + (high - low) * i / 29), stroke="none"
        )
    words = show.say(
        "{low} pale, {high} dark; dots are readings, crosses were left out; {unit} along",
        low=show.thickness(low),
        high=show.thickness(high),
        unit=show.length_unit,
    )
    drawing.text("legend", 78.0, 5.2, *fitted_text(words, WIDTH_MM - 80.0, 8.0, 5.0), fill=QUIET)


def bench_ground(roll: Roll) -> Markup:
    """The thickness map alone: the ground that the tablet draws blanks on, one unit for a millimetre."""
    return Markup(small_ground(roll, 96, 8))  # numbers and our own classes only


def cast_picture(cast_: LoggedCast, stations: Sequence[Station], show: Show) -> Markup:
    """Thickness along a cast sheet, in the person's units: what its push should have given, with its band, and as measured."""
    by_mm = 1.0 if show.units.length == "mm" else 1.0 / 25.4
    along = [by_mm * 1e3 * s.distance_m for s in stations]
    every = [v for s in stations for v in (s.low_mm, s.high_mm)] + [t for _, t in cast_.thickness_mm]
    drawing = Drawing(WIDTH_MM / 2, 82.0, show.say("Predicted and measured thickness of {cast}", cast=cast_.id))
    drawing.rectangle("paper", 0, 0, WIDTH_MM / 2, 82.0, fill="#ffffff", stroke="none")
    unit = show.units.length
    across = Axis.round(0.0, by_mm * cast_.length_mm, show.say("{unit} along", unit=unit), 8)
    up = Axis.round(by_mm * min(every), by_mm * max(every), show.say("{unit} thick", unit=unit))
    frame = Frame(drawing, (17.0, 16.0, WIDTH_MM / 2 - 23.0, 50.0), _marked(across, show), _marked(up, show))
    frame.band([(x, by_mm * s.low_mm, by_mm * s.high_mm) for x, s in zip(along, stations, strict=True)], "#dfe8ee")
    frame.line([(x, by_mm * s.thickness_mm) for x, s in zip(along, stations, strict=True)], "#24495e", width_mm=0.8)
    for x, thickness in cast_.thickness_mm:
        frame.dot(by_mm * x, by_mm * thickness, FOUND)
    words = show.say("line and band: as its push should give, 95 %; dots: measured")
    drawing.text("legend", 17.0, 76.0, *fitted_text(words, WIDTH_MM / 2 - 23.0, 3.8, 2.8), fill=QUIET)
    return _inline(drawing)


def _marked(axis: Axis, show: Show) -> Axis:
    """The axis with its marks as the person writes numbers."""
    marks = tuple((v, text.replace(".", ",") if show.units.comma else text) for v, text in axis.marks)
    return replace(axis, marks=marks)
