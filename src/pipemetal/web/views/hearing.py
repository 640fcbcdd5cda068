"""What the page of the ear shows: one pipe heard, a rank as a picture, two pipes, and what finished pipes taught of lengths."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.pipe import Pipe
from pipemetal.sound.advice import Advice
from pipemetal.sound.beats import Beats
from pipemetal.sound.measure import Measured
from pipemetal.sound.rank import HeardPipe, HeardRank

__all__ = ["BeatsHeard", "PipeHeard", "RankHeard", "RankPicture", "cents_line", "rank_heard", "rank_picture"]

WIDE: Final = 600.0
HIGH: Final = 300.0
NARROW: Final = (340.0, 260.0)
LEFT: Final = 58.0
TOP: Final = 16.0
FOOT: Final = 34.0
STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
MOST_LINES: Final = 7
LINE_WIDE: Final = (560.0, 330.0)
"""Of the line of one pipe: where there is room, and on a phone."""


@dataclass(frozen=True)
class CentsLine:
    """Cents off on a line of some width: where 0 and round marks are, and the spindle of the interval."""

    name: str
    wide: float
    marks: tuple[tuple[float, float], ...]
    zero: float
    spindle: str
    at: float


def cents_line(cents: float, half: float, name: str, wide: float) -> CentsLine:
    """The line of one pipe; the spindle is full at the likely value and thins out to where 95 in 100 lie.

    >>> line = cents_line(0.0, 1.0, "wide-drawing", 560.0)
    >>> line.zero == line.at == 280.0
    True
    """
    most = max(5.0, 1.25 * (abs(cents) + half))
    lines = MOST_LINES if wide > LINE_WIDE[1] else 5
    step = next((s for s in STEPS if 2.0 * most / s <= lines), 200.0)

    def x(value: float) -> float:
        return 24.0 + (value + most) / (2.0 * most) * (wide - 48.0)

    count = int(most // step)
    marks = tuple((x(k * step), k * step) for k in range(-count, count + 1))
    low, high, middle = x(cents - half), x(cents + half), x(cents)
    low, high = min(low, middle - 5.0), max(high, middle + 5.0)
    spindle = f"{low:.1f},34 {middle:.1f},24 {high:.1f},34 {middle:.1f},44"
    return CentsLine(name, wide, marks, x(0.0), spindle, middle)


@dataclass(frozen=True)
class PipeHeard:
    """One pipe as it was heard, and what to do."""

    rank: str
    note: str
    heard: Measured
    hertz: float
    advice: Advice
    token: str = ""

    @property
    def lines(self) -> tuple[CentsLine, ...]:
        """Its cents on a line, wide and narrow."""
        off = (self.advice.cents, self.advice.half_width_cents)
        names = ("wide-drawing", "narrow-drawing")
        return tuple(cents_line(*off, name, wide) for name, wide in zip(names, LINE_WIDE, strict=True))


@dataclass(frozen=True)
class Dot:
    """A pipe in the picture: where it is, the ends of its interval, its note where it stands out."""

    x: float
    y: float
    low: float
    high: float
    name: str
    odd: bool


@dataclass(frozen=True)
class RankPicture:
    """Cents over the keys: lines across at round cents, lines up at each C, the rank's smooth curve, one dot for a pipe."""

    wide: float
    high: float
    across: tuple[tuple[float, float], ...]
    up: tuple[tuple[float, str], ...]
    curve: str
    dots: tuple[Dot, ...]


def rank_picture(heard: HeardRank, notes: Mapping[int, str], wide: float = WIDE, high: float = HIGH) -> RankPicture:
    """The picture of a rank, `wide` by `high` px.

    >>> m = Measured(440.0, 0.1, 0.2, 2.0, 0.5, 0.2, (), -40.0)
    >>> held = HeardRank((HeardPipe(0, 0.0, m, 1.0), HeardPipe(12, 3.0, m, 9.0, stands_out=True)), (), ())
    >>> [dot.name for dot in rank_picture(held, {0: "C", 12: "c"}).dots]
    ['', 'c']
    """
    pipes = heard.pipes
    low = min(0.0, *(p.cents - p.heard.half_width_cents for p in pipes))
    top = max(0.0, *(p.cents + p.heard.half_width_cents for p in pipes))
    spare = max(4.0 - (top - low), 0.0) / 2.0
    step = next((s for s in STEPS if (top - low + 2.0 * spare) / s <= MOST_LINES), 200.0)
    low, top = step * math.floor((low - spare) / step), step * math.ceil((top + spare) / step)
    first, last = pipes[0].key, pipes[-1].key
    across = (wide - LEFT - 30.0) / max(last - first, 1)
    down = (high - TOP - FOOT) / (top - low)

    def x(key: int) -> float:
        return LEFT + (key - first) * across

    def y(cents: float) -> float:
        return TOP + (top - cents) * down

    lines = tuple((y(low + k * step), low + k * step) for k in range(round((top - low) / step) + 1))
    up = tuple((x(k), notes[k]) for k in sorted(notes) if first <= k <= last and (k % 12 == 0 or first == last))
    curve = " ".join(f"{x(p.key):.1f},{y(p.curve_cents):.1f}" for p in pipes)
    dots = tuple(
        Dot(
            x(p.key),
            y(p.cents),
            y(p.cents - p.heard.half_width_cents),
            y(p.cents + p.heard.half_width_cents),
            notes.get(p.key, "") if p.stands_out or p.odd_partials else "",
            p.stands_out or bool(p.odd_partials),
        )
        for p in pipes
    )
    return RankPicture(wide, high, lines, up, curve, dots)


@dataclass(frozen=True)
class RankLine:
    """A pipe of the rank: what was heard of it, and what to do."""

    note: str
    pipe: HeardPipe
    advice: Advice


@dataclass(frozen=True)
class RankHeard:
    """A rank as it was heard."""

    rank: str
    lines: tuple[RankLine, ...]
    heard: HeardRank
    missing: tuple[str, ...]
    picture: RankPicture
    narrow: RankPicture
    token: str = ""

    @property
    def stand_out(self) -> tuple[RankLine, ...]:
        """Pipes that are unlike their neighbours."""
        return tuple(line for line in self.lines if line.pipe.stands_out or line.pipe.odd_partials)


def rank_heard(rank: str, heard: HeardRank, pipes: Sequence[Pipe], advice: Mapping[int, Advice]) -> RankHeard:
    """A rank with what to do with each pipe; `advice` by key."""
    notes = {p.key: p.note for p in pipes}
    lines = tuple(RankLine(notes[p.key], p, advice[p.key]) for p in heard.pipes)
    missing = tuple(notes[key] for key in heard.missing)
    return RankHeard(rank, lines, heard, missing, rank_picture(heard, notes), rank_picture(heard, notes, *NARROW))


@dataclass(frozen=True)
class BeatsHeard:
    """Two pipes that sounded together."""

    beats: Beats
