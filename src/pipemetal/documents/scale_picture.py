"""The picture of scales: half tones over the notes, for any ranks side by side, measured pipes as dots."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import ALLOY_COLOURS, INK, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, text_width_mm
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.old import OldRank
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.scale import half_tones

__all__ = ["ScaleLine", "measured_lines", "organ_lines", "scale_picture"]

WIDTH_MM = 300.0
CHART_MM = 105.0
LEFT_MM = 18.0
ROW_MM = 6.5
NAME_SIZE_MM = 3.6
DASHES = ((), (2.6, 1.3), (0.7, 1.1), (4.0, 1.2, 0.8, 1.2))
EXPLAINED = (
    "Half tones against the reference scale (155.5 mm inner diameter at 8' C, half on the 17th pipe), "
    "compared at the same sounding pitch."
)
Point = tuple[float, float]


@dataclass(frozen=True)
class ScaleLine:
    """One rank in the picture, all points as (key, half tones).

    `runs` are drawn as lines, `band` as (key, low, high) behind them, `dots` as measured pipes, `wrong` as crosses with
    the name of their note, `missing` as rings where the scale says the pipe should be.
    """

    name: str
    runs: tuple[tuple[Point, ...], ...] = ()
    dots: tuple[Point, ...] = ()
    wrong: tuple[Point, ...] = ()
    missing: tuple[Point, ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()

    def points(self) -> tuple[Point, ...]:
        """All points that must be seen."""
        return (*itertools.chain(*self.runs), *self.dots, *self.wrong, *self.missing)


def organ_lines(pipes: Sequence[Pipe], *, by_pitch: bool = False) -> list[ScaleLine]:
    """One line for each rank; a compound rank has a run for each choir. Runs end where the rank breaks or has no pipe."""
    runs: dict[str, list[list[Point]]] = {}
    last: dict[tuple[str, int, Fraction], tuple[int, list[Point]]] = {}
    for pipe in pipes:
        at = sounding_semitones(pipe.key, pipe.footage) if by_pitch else float(pipe.key)
        choir = (pipe.rank, pipe.choir, pipe.footage)
        key, run = last.get(choir, (-99, []))
        if key != pipe.key - 1:
            run = []
            runs.setdefault(pipe.rank, []).append(run)
        run.append((at, pipe.half_tones))
        last[choir] = (pipe.key, run)
    return [ScaleLine(name, tuple(tuple(run) for run in held)) for name, held in runs.items()]


def measured_lines(ranks: Sequence[OldRank], *, by_pitch: bool = False) -> list[ScaleLine]:
    """Measured pipes as dots, one entry for each rank."""
    lines = []
    for rank in ranks:
        dots = tuple(
            (p.semitones if by_pitch else float(p.key), half_tones(p.diameter_mm, p.semitones))
            for p in rank.measured()
            if p.diameter_mm is not None
        )
        lines.append(ScaleLine(f"{rank.name}, measured", dots=dots))
    return lines


def scale_picture(lines: Sequence[ScaleLine], title: str, *, naming: str = "trade", across: str = "key") -> Drawing:
    """Half tones over notes, one line for each rank, with its names below in as many columns as they need.

    >>> made = scale_picture([ScaleLine("Octave 4", (((0.0, -2.0), (24.0, 0.0)),))], "Scales")
    >>> made.width_mm
    300.0
    """
    lines = [line for line in lines if line.points()]
    columns, rows = _columns([line.name for line in lines])
    marks = _marks_used(lines)
    bottom = 12.0 + ROW_MM * (rows + bool(marks)) + 17.0
    height = bottom + CHART_MM + 22.0
    drawing = Drawing(WIDTH_MM, height, title)
    drawing.rectangle("paper", 0, 0, WIDTH_MM, height, fill="#ffffff", stroke="none")
    size = min(5.0, 5.0 * (WIDTH_MM - 24.0) / max(text_width_mm(title, 5.0), 1.0))
    drawing.text("title", 12.0, height - 9.0, title, size, bold=True)
    frame = _frame(drawing, lines, (LEFT_MM, bottom, WIDTH_MM - LEFT_MM - 12.0, CHART_MM), naming, across)
    for index, line in enumerate(lines):
        _draw(frame, line, index, naming, many=len(lines) > 1)
    _names(drawing, lines, columns, bottom - 19.0)
    if marks:
        _explain_marks(drawing, marks, bottom - 19.0 - ROW_MM * rows)
    drawing.text("source", 12.0, 4.5, EXPLAINED, 3.0, fill=QUIET)
    return drawing


def _hand(index: int) -> tuple[str, tuple[float, ...]]:
    """Colour and dashes of a line: six colours, then the same again in other dashes."""
    return ALLOY_COLOURS[index % len(ALLOY_COLOURS)], DASHES[(index // len(ALLOY_COLOURS)) % len(DASHES)]


def _frame(
    drawing: Drawing, lines: Sequence[ScaleLine], box: tuple[float, float, float, float], naming: str, across: str
) -> Frame:
    points = [p for line in lines for p in line.points()] or [(0.0, 0.0), (12.0, 0.0)]
    first, last = min(p[0] for p in points), max(p[0] for p in points)
    if last - first < 1.0:
        first, last = first - 1.0, last + 1.0
    named = [k for k in range(round(first), round(last) + 1) if k % 12 in (0, 5)]
    apart = 2.0 * (last - first) / box[2] * 5.0
    ends = [k for k in (round(first), round(last)) if all(abs(k - n) > apart for n in named)]
    marks = tuple((float(k), note_name(k, naming)) for k in sorted({*named, *ends}))
    low, high = min(p[1] for p in points), max(p[1] for p in points)
    up = Axis.round(low, high if high - low > 1e-6 else low + 1.0, "half tones")
    frame = Frame(drawing, box, Axis(first, last, across, marks), up)
    if up.low <= 0.0 <= up.high:
        frame.line([(first, 0.0), (last, 0.0)], INK, width_mm=0.35)
    return frame


def _draw(frame: Frame, line: ScaleLine, index: int, naming: str, *, many: bool) -> None:
    colour, dashes = _hand(index)
    if line.band:
        low, high = frame.up.low, frame.up.high
        frame.band([(k, max(a, low), min(b, high)) for k, a, b in line.band], "#e7e3d8" if not many else "#f1eee6")
    for run in line.runs:
        if len(run) > 1:
            frame.line(run, colour, dashes=dashes)
        elif run:
            frame.dot(*run[0], colour)
    for key, value in line.dots:
        frame.dot(key, value, colour)
    for key, value in line.missing:
        _ring(frame, key, value, colour)
    taken: list[Point] = []
    for key, value in sorted(line.wrong):
        _cross(frame, key, value)
        x, y = frame.point(key, value)
        y += 2.4 if y < frame.y + frame.h - 6.0 else -5.2
        if all(abs(x - a) > 9.0 or abs(y - b) > 4.0 for a, b in taken):
            taken.append((x, y))
            frame.drawing.text("wrong", x, y, note_name(round(key), naming), 3.2, anchor="middle", fill=INK, bold=True)


def _cross(frame: Frame, key: float, value: float) -> None:
    x, y = frame.point(key, value)
    for sign in (1.0, -1.0):
        frame.drawing.line("wrong", [(x - 1.3, y - 1.3 * sign), (x + 1.3, y + 1.3 * sign)], stroke=INK, width_mm=0.5)


def _ring(frame: Frame, key: float, value: float, colour: str) -> None:
    x, y = frame.point(key, value)
    frame.drawing.rectangle("missing", x - 0.9, y - 0.9, 1.8, 1.8, fill="#ffffff", stroke=colour, width_mm=0.3)


def _circle(x: float, y: float) -> tuple[Point, ...]:
    return tuple((x + 0.9 * math.cos(k * math.pi / 6), y + 0.9 * math.sin(k * math.pi / 6)) for k in range(12))


def _columns(names: Sequence[str]) -> tuple[int, int]:
    widest = max((text_width_mm(_short(n), NAME_SIZE_MM) for n in names), default=40.0) + 20.0
    columns = max(1, min(5, int((WIDTH_MM - 24.0) // widest)))
    return columns, -(-len(names) // columns)


def _short(name: str) -> str:
    """A name that fits half of the sheet's width; what is longer is cut and says so."""
    most = int((0.5 * WIDTH_MM - 32.0) / (NAME_SIZE_MM * 0.56))
    return name if len(name) <= most else name[: most - 1] + "…"


def _names(drawing: Drawing, lines: Sequence[ScaleLine], columns: int, top: float) -> None:
    width = (WIDTH_MM - 24.0) / columns
    rows = -(-len(lines) // columns)
    for index, line in enumerate(lines):
        x, y = 12.0 + width * (index // rows), top - ROW_MM * (index % rows)
        colour, dashes = _hand(index)
        if line.runs:
            drawing.line("key", [(x, y + 1.2), (x + 13.0, y + 1.2)], stroke=colour, width_mm=0.9, dashes=dashes)
        else:
            for k in range(3):
                drawing.add(Polygon("key", _circle(x + 2.5 + 4.0 * k, y + 1.2), colour, "none"))
        drawing.text("key", x + 15.5, y, _short(line.name), NAME_SIZE_MM)


def _marks_used(lines: Sequence[ScaleLine]) -> list[str]:
    used = [
        ("dot", any(line.dots for line in lines)),
        ("cross", any(line.wrong for line in lines)),
        ("ring", any(line.missing for line in lines)),
        ("band", any(line.band for line in lines)),
    ]
    return [name for name, there in used if there]


def _explain_marks(drawing: Drawing, marks: Sequence[str], y: float) -> None:
    words = {
        "dot": "measured pipe",
        "cross": "measured, called wrong",
        "ring": "missing, as the scale says",
        "band": "95 % of pipes made to this scale",
    }
    x = 12.0
    for mark in marks:
        if mark == "dot":
            drawing.add(Polygon("key", _circle(x + 1.8, y + 1.2), QUIET, "none"))
        elif mark == "cross":
            for sign in (1.0, -1.0):
                drawing.line(
                    "key", [(x, y + 1.2 - 1.2 * sign), (x + 2.4, y + 1.2 + 1.2 * sign)], stroke=INK, width_mm=0.5
                )
        elif mark == "ring":
            drawing.rectangle("key", x + 1.0, y + 0.4, 1.8, 1.8, fill="#ffffff", stroke=QUIET, width_mm=0.3)
        else:
            drawing.rectangle("key", x, y, 3.4, 2.8, fill="#e7e3d8", stroke="none")
        drawing.text("key", x + 5.0, y, words[mark], 3.2, fill=QUIET)
        x += 10.0 + text_width_mm(words[mark], 3.2)
