"""The page of a pour: its temperatures on a bar, its push on the table with a beat at every mark."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.plans.record import Pour, PourRange, Station
from pipemetal.web.views.walls import Run, runs_of

__all__ = ["Heat", "Mark", "Push", "heat_of", "push_of"]

HEAT_HIGH: Final = 400.0
ROOM_K: Final = 12.0
"""Degrees drawn past the hot and the cold end."""
LABEL_HIGH: Final = 40.0
PARTS: Final = 60


@dataclass(frozen=True)
class Heat:
    """Places on the bar of temperatures, from its top at 0 to `HEAT_HIGH`, and of the words beside it."""

    hot: float
    high: float
    low: float
    cold: float
    high_word: float
    low_word: float
    bottom: float = HEAT_HIGH


def heat_of(band: PourRange) -> Heat:
    """Where the limits of a pouring range lie on the bar; the two figures of the good range never touch.

    >>> h = heat_of(PourRange(300.0, 310.0, 312.0, 400.0))
    >>> h.low_word - h.high_word >= LABEL_HIGH, h.hot < h.high < h.low < h.cold
    (True, True)
    """
    top, end = band.too_hot_above + ROOM_K, band.too_cold_below - ROOM_K
    at = {
        c: HEAT_HIGH * (top - c) / (top - end)
        for c in (band.too_hot_above, band.try_high, band.try_low, band.too_cold_below)
    }
    high, low = at[band.try_high], at[band.try_low]
    spread = max(0.0, LABEL_HIGH - (low - high)) / 2.0
    return Heat(at[band.too_hot_above], high, low, at[band.too_cold_below], high - spread, low + spread)


@dataclass(frozen=True)
class Mark:
    """A mark of the table: where it is drawn, its distance, its time, and whether there is room for its words."""

    at: float
    distance_m: float
    time_s: float
    size: float
    told: bool
    whole: bool


@dataclass(frozen=True)
class Push:
    """The push as a picture of this width: the sheet in colours of its wall, marks with seconds, and what should come of it."""

    wide: float
    left: float
    long: float
    high: float
    marks: tuple[Mark, ...]
    runs: tuple[Run, ...]
    wedge: str
    likely: str
    thin: str
    thick: str
    start_mm: float
    end_mm: float


def push_of(pour: Pour, wide: float, *, room: float) -> Push | None:
    """The picture of a push; None where the pour has no card. `room` is what the words of one mark need."""
    if pour.card is None or not pour.card.marks:
        return None
    length_m = pour.length_mm / 1000.0
    left = 0.09 * wide
    long = wide - left - 0.05 * wide
    high = min(max(long * pour.width_mm / pour.length_mm, 34.0), 84.0)
    scale = long / max(length_m, pour.card.marks[-1].distance_m)
    marks = _marks([(m.distance_m, m.time_s, m.speed_m_s) for m in pour.card.marks], left, scale, room)
    stations = pour.card.thickness_mm
    walls = [_between(stations, (k + 0.5) / PARTS * length_m) for k in range(PARTS)] if stations else []
    deep = _Deep(stations, left, scale)
    return Push(
        wide,
        left,
        long,
        high,
        marks,
        tuple(runs_of(walls, long)),
        deep.wedge(),
        deep.line([s.thickness for s in stations]),
        deep.line([s.low for s in stations]),
        deep.line([s.high for s in stations]),
        stations[0].thickness if stations else pour.cast_start_mm,
        stations[-1].thickness if stations else pour.cast_end_mm,
    )


def _marks(card: Sequence[tuple[float, float, float]], left: float, scale: float, room: float) -> tuple[Mark, ...]:
    fastest = max(v for _, _, v in card) or 1.0
    made: list[Mark] = []
    taken = -room
    end = left + card[-1][0] * scale
    for k, (distance_m, time_s, speed) in enumerate(card):
        at = left + distance_m * scale
        told = k == len(card) - 1 or (at - taken >= room and end - at >= room)
        taken = at if told else taken
        made.append(
            Mark(at, distance_m, time_s, 6.5 + 4.5 * (1.0 - speed / fastest), told, abs(distance_m % 1.0) < 1e-6)
        )
    return tuple(made)


def _between(stations: Sequence[Station], at_m: float) -> float:
    for a, b in itertools.pairwise(stations):
        if at_m <= b.distance_m:
            share = (at_m - a.distance_m) / max(b.distance_m - a.distance_m, 1e-9)
            return a.thickness + share * (b.thickness - a.thickness)
    return stations[-1].thickness


DEEP: Final = 24.0
"""How many units the thickest metal of the band takes."""


class _Deep:
    """The thickness as a wedge, drawn much enlarged: from 0 at the thinnest of the band to `DEEP` at its thickest."""

    def __init__(self, stations: Sequence[Station], left: float, scale: float) -> None:
        self.x = [left + s.distance_m * scale for s in stations]
        self.least = min((s.low for s in stations), default=0.0)
        self.most = max((s.high for s in stations), default=1.0)
        self.likely = [s.thickness for s in stations]

    def line(self, values: Sequence[float]) -> str:
        span = max(self.most - self.least, 1e-9)
        return " ".join(f"{x:.1f},{DEEP * (self.most - v) / span:.1f}" for x, v in zip(self.x, values, strict=True))

    def wedge(self) -> str:
        if not self.x:
            return ""
        low = DEEP + 34.0
        return f"{self.x[0]:.1f},{low} {self.line(self.likely)} {self.x[-1]:.1f},{low}"
