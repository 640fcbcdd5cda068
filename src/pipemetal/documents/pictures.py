"""Pictures of a plan: scales in half tones, where the metal goes, and the thickness a push should give."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Protocol

from pipemetal.casting.push import PushCard
from pipemetal.documents.charts import Axis, Frame, bars
from pipemetal.documents.colours import ALLOY_COLOURS, INK, QUIET
from pipemetal.documents.drawing import LEAST_LETTERS_MM, Drawing, fitted_text
from pipemetal.pipes.pitch import note_name
from pipemetal.planning.account import SINKS, Account
from pipemetal.words import Words

__all__ = ["half_tone_picture", "metal_picture", "push_picture"]


class Scaled(Protocol):
    """What the scale picture asks of a pipe."""

    @property
    def rank(self) -> str: ...
    @property
    def choir(self) -> int: ...
    @property
    def footage(self) -> object: ...
    @property
    def key(self) -> int: ...
    @property
    def half_tones(self) -> float: ...


def half_tone_picture(
    pipes: Sequence[Scaled], title: str, width_mm: float = 300.0, say: Words | None = None, *, comma: bool = False
) -> Drawing:
    """Half tones against the reference scale over the keys, one line for each rank, compared at sounding pitch.

    Compound ranks show each choir as a line of its own, broken where the rank breaks.
    """
    lines: dict[tuple[str, int], list[list[tuple[float, float]]]] = defaultdict(list)
    last: dict[tuple[str, int], object] = {}
    for pipe in pipes:
        key = (pipe.rank, pipe.choir)
        if last.get(key) != pipe.footage:
            lines[key].append([])
            last[key] = pipe.footage
        lines[key][-1].append((float(pipe.key), pipe.half_tones))
    keys = [p.key for p in pipes]
    values = [p.half_tones for p in pipes]
    ranks = list(dict.fromkeys(p.rank for p in pipes))
    say = say or Words()
    height = max(0.4 * width_mm, 40.0 + 6.5 * len(ranks))
    drawing = Drawing(width_mm, height, title)
    drawing.rectangle("paper", 0, 0, width_mm, height, fill="#ffffff", stroke="none")
    heading, size_mm = fitted_text(title, (width_mm - 24.0) / 1.1, 5.0, 3.2)
    drawing.text("title", 12.0, height - 9.0, heading, size_mm, bold=True)
    first, final = min(keys), max(keys)
    marks = tuple((float(k), note_name(k)) for k in range(first, final + 1) if k % 12 == 0 or k == final)
    across = Axis(float(first), float(final), say("key"), tuple(m for m in marks if m[0] == final or final - m[0] > 2))
    frame = Frame(
        drawing,
        (16.0, 16.0, width_mm - 100.0, height - 36.0),
        across,
        Axis.round(min(values), max(values), say("half tones"), comma=comma),
    )
    zero = frame.up.low <= 0.0 <= frame.up.high
    if zero:
        frame.line([(across.low, 0.0), (across.high, 0.0)], INK, width_mm=0.35)
    for (rank, _), runs in lines.items():
        colour, dashes = _hand(ranks.index(rank))
        for run in runs:
            if len(run) > 1:
                frame.line(run, colour, dashes=dashes)
    for index, rank in enumerate(ranks):
        colour, dashes = _hand(index)
        y = height - 22.0 - 6.5 * index
        drawing.line(
            "key",
            [(width_mm - 74.0, y + 1.2), (width_mm - 62.0, y + 1.2)],
            stroke=colour,
            width_mm=0.9,
            dashes=dashes,
        )
        drawing.text("key", width_mm - 59.0, y, *fitted_text(rank, 55.0, 3.8, LEAST_LETTERS_MM))
    return drawing


DASHES = ((), (2.4, 1.4), (0.7, 1.1))


def _hand(index: int) -> tuple[str, tuple[float, ...]]:
    """Colour and dashes of a line: six colours, then the same again dashed and dotted."""
    return ALLOY_COLOURS[index % len(ALLOY_COLOURS)], DASHES[(index // len(ALLOY_COLOURS)) % len(DASHES)]


def metal_picture(account: Account) -> Drawing:
    """Where the metal of each alloy comes from and where it goes, in kg."""
    rows = []
    for alloy in account.alloys():
        came = [
            (name, account.total_kg(name, alloy))
            for name in ("new metal", "remelt", "own ingots", "rack", "heel before", "unexplained gain")
        ]
        went = [(name, account.total_kg(name, alloy)) for name in SINKS]
        rows.append((f"{alloy}", [(n, v) for n, v in came if v > 0.05]))
        rows.append(("   goes to", [(n, v) for n, v in went if v > 0.05]))
    height = 12.0 * len(rows) + 30.0
    drawing = Drawing(300.0, height, "Metal by alloy")
    drawing.rectangle("paper", 0, 0, 300.0, height, fill="#ffffff", stroke="none")
    bars(drawing, 8.0, height - 8.0, 284.0, rows, "kg")
    return drawing


def push_picture(card: PushCard, title: str) -> Drawing:
    """Thickness along a sheet as the push should give it, with its band, and the speed of the push."""
    drawing = Drawing(150.0, 70.0, title)
    drawing.rectangle("paper", 0, 0, 150.0, 70.0, fill="#ffffff", stroke="none")
    stations = card.thickness
    lows, highs = [s.low_mm for s in stations], [s.high_mm for s in stations]
    up = Axis.round(min(lows), max(highs), "mm as cast", 5)
    frame = Frame(
        drawing, (16.0, 15.0, 126.0, 43.0), Axis.round(0.0, stations[-1].distance_m, "m along the table", 6), up
    )
    frame.band([(s.distance_m, s.low_mm, s.high_mm) for s in stations], "#e4dcc6")
    frame.line([(s.distance_m, s.thickness_mm) for s in stations], INK)
    drawing.text("title", 16.0, 65.5, title, 3.6, fill=QUIET)
    return drawing
