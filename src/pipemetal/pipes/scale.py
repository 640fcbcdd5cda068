"""Scales: the diameter of a pipe at any pitch, said as trade people say it.

The reference scale has an inner diameter of 155.5 mm at 8' C and halves on the 17th pipe (16 steps); deviations from it
are in half tones, +1 meaning the diameter that the reference has one step lower. Half tones compare pipes at the same
SOUNDING pitch, for stopped pipes too.

Sources: reference scale and half tones as in the encyclopaedia article on flue pipe scaling, citing Adelung 1991, pp.
85-86; halving pipe N has N - 1 steps (J. G. Toepfer's progressions, computed).
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from pipemetal.errors import PipeError
from pipemetal.texts import Amount, Text

__all__ = [
    "DiameterPoints",
    "DiameterTable",
    "HalfToneScale",
    "HalvingScale",
    "Scale",
    "SmoothScale",
    "half_tones",
    "reference_diameter_mm",
]

REFERENCE_8_FOOT_C_MM: Final = 155.5
REFERENCE_STEPS: Final = 16.0
SOUNDING_RANGE: Final = (-30.0, 100.0)
DIAMETER_RANGE_MM: Final = (2.5, 1200.0)


def reference_diameter_mm(semitones: float) -> float:
    """Inner diameter of the reference scale, `semitones` above 8' C by sound.

    >>> [round(reference_diameter_mm(s), 1) for s in (-12, 0, 12, 24)]
    [261.5, 155.5, 92.5, 55.0]
    """
    return REFERENCE_8_FOOT_C_MM * math.exp2(-semitones / REFERENCE_STEPS)


def half_tones(diameter_mm: float, semitones: float) -> float:
    """Deviation from the reference scale in half tones, at the sounding pitch.

    >>> round(half_tones(50.4, 24), 2), round(half_tones(74.4, 24), 2)
    (-2.01, 6.98)
    """
    return REFERENCE_STEPS * math.log2(diameter_mm / reference_diameter_mm(semitones))


class Scale(Protocol):
    """Any rule that gives a diameter: `key` counts keys from great C = 0, `semitones` sounds from 8' C = 0."""

    def diameter_mm(self, key: int, semitones: float) -> float:
        """Inner diameter at the mouth."""
        ...


def _interpolated(points: Sequence[tuple[float, float]], at: float) -> float:
    """Straight between points, level outside them."""
    positions = [position for position, _ in points]
    right = bisect.bisect_right(positions, at)
    if right == 0:
        return points[0][1]
    if right == len(points):
        return points[-1][1]
    (x0, y0), (x1, y1) = points[right - 1], points[right]
    return y0 + (y1 - y0) * (at - x0) / (x1 - x0)


def _checked_points(points: tuple[tuple[float, float], ...], field: str) -> None:
    if not points:
        raise PipeError("has no points", field=field, allowed="at least one")
    for (a, _), (b, _) in itertools.pairwise(points):
        if b <= a:
            raise PipeError("has points out of order", field=field, value=b, allowed="each point above the one before")


def _checked_diameter(diameter_mm: float, field: str) -> float:
    low, high = DIAMETER_RANGE_MM
    if not low <= diameter_mm <= high:
        raise PipeError(
            "gives an impossible diameter",
            field=field,
            value=diameter_mm,
            allowed=Text("{low} to {high}", low=Amount.short(low, "mm", bare=True), high=Amount.short(high, "mm")),
        )
    return diameter_mm


@dataclass(frozen=True)
class HalfToneScale:
    """Half tones against the reference scale at points, straight between them and level outside.

    `points` are (position, half tones). The position is a key (0 = great C) or, with `by_sound`, semitones above 8' C
    by sound, which is how a compound rank says "the 1' C pipe is -4 wherever it stands".

    >>> scale = HalfToneScale(((0, -2.0), (24, 0.0)))
    >>> round(scale.diameter_mm(12, 12.0), 2) == round(reference_diameter_mm(12) * 2 ** (-1 / 16), 2)
    True
    """

    points: tuple[tuple[float, float], ...]
    by_sound: bool = False

    def __post_init__(self) -> None:
        _checked_points(self.points, "half_tones")
        for _, deviation in self.points:
            if not -30.0 <= deviation <= 30.0:
                raise PipeError(
                    "is not a deviation", field="half_tones", value=deviation, allowed="-30 to 30 half tones"
                )

    def diameter_mm(self, key: int, semitones: float) -> float:
        """Inner diameter at the mouth."""
        deviation = _interpolated(self.points, semitones if self.by_sound else float(key))
        return _checked_diameter(reference_diameter_mm(semitones) * 2.0 ** (deviation / REFERENCE_STEPS), "half_tones")


@dataclass(frozen=True)
class HalvingScale:
    """A starting diameter that halves on pipe number N (N - 1 steps), plus a constant width.

    The constant is the old rule that widens trebles: similar scaling (N = 13) plus a fixed amount; below zero it makes
    them narrower.

    >>> [round(HalvingScale(155.5, 0, pipe).diameter_mm(12, 12.0), 2) for pipe in (17, 13)]
    [92.46, 77.75]
    """

    start_diameter_mm: float
    start_key: int
    halving_pipe: float
    constant_mm: float = 0.0

    def __post_init__(self) -> None:
        _checked_diameter(self.start_diameter_mm, "start_diameter_mm")
        if not 6.0 <= self.halving_pipe <= 49.0:
            raise PipeError("is not a halving pipe", field="halving_pipe", value=self.halving_pipe, allowed="6 to 49")
        if not -0.5 * self.start_diameter_mm <= self.constant_mm < self.start_diameter_mm:
            raise PipeError(
                "must be less than the starting diameter",
                field="constant_mm",
                value=self.constant_mm,
                allowed=Text(
                    "{value} to {start_diameter_mm}",
                    value=Amount.short(-0.5 * self.start_diameter_mm, "mm", bare=True),
                    start_diameter_mm=Amount.short(self.start_diameter_mm, "mm"),
                ),
            )

    def diameter_mm(self, key: int, semitones: float) -> float:
        """Inner diameter at the mouth."""
        steps = key - self.start_key
        variable = (self.start_diameter_mm - self.constant_mm) * 2.0 ** (-steps / (self.halving_pipe - 1.0))
        return _checked_diameter(variable + self.constant_mm, "halving")


@dataclass(frozen=True)
class DiameterPoints:
    """Diameters given at some keys; between them straight in half tones (log diameter over notes).

    Errors: PipeError when a key outside the given points is asked for: a scale is never carried past its ends.
    """

    points: tuple[tuple[int, float], ...]

    def __post_init__(self) -> None:
        _checked_points(tuple((float(k), d) for k, d in self.points), "points")
        for _, diameter in self.points:
            _checked_diameter(diameter, "points")

    def diameter_mm(self, key: int, semitones: float) -> float:
        """Inner diameter at the mouth."""
        _checked_within(key, self.points[0][0], self.points[-1][0])
        return math.exp(_interpolated(tuple((float(k), math.log(d)) for k, d in self.points), float(key)))


def _monotone_slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    """Slopes at the points of a cubic that never turns between them: weighted harmonic means of the chords' slopes.

    Source: Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300.
    """
    widths = [b - a for a, b in itertools.pairwise(x)]
    chords = [(b - a) / w for (a, b), w in zip(itertools.pairwise(y), widths, strict=True)]
    if len(chords) == 1:
        return chords[0], chords[0]
    slopes = [_end_slope(widths[0], widths[1], chords[0], chords[1])]
    for (h0, h1), (c0, c1) in zip(itertools.pairwise(widths), itertools.pairwise(chords), strict=True):
        if c0 * c1 <= 0.0:
            slopes.append(0.0)
            continue
        w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
        slopes.append((w0 + w1) / (w0 / c0 + w1 / c1))
    slopes.append(_end_slope(widths[-1], widths[-2], chords[-1], chords[-2]))
    return tuple(slopes)


def _end_slope(h0: float, h1: float, c0: float, c1: float) -> float:
    """Three-point slope at an end, held back so that the curve does not turn."""
    slope = ((2.0 * h0 + h1) * c0 - h0 * c1) / (h0 + h1)
    if slope * c0 <= 0.0:
        return 0.0
    return 3.0 * c0 if c0 * c1 <= 0.0 and abs(slope) > abs(3.0 * c0) else slope


@dataclass(frozen=True)
class SmoothScale:
    """Diameters given at some keys; between them a smooth curve (log diameter over notes) that never turns back.

    Where the given diameters fall from note to note, so do all between them.

    >>> smooth = SmoothScale(((0, 155.5), (12, 92.46), (24, 60.0)))
    >>> [round(smooth.diameter_mm(key, 0.0), 1) for key in (0, 6, 12, 18, 24)]
    [155.5, 118.5, 92.5, 73.7, 60.0]

    Errors: PipeError when a key outside the given points is asked for.
    """

    points: tuple[tuple[int, float], ...]
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        _checked_points(tuple((float(k), d) for k, d in self.points), "points")
        if len(self.points) < 2:
            raise PipeError("has one point", field="points", allowed="at least two for a curve")
        for _, diameter in self.points:
            _checked_diameter(diameter, "points")
        logs = [math.log(d) for _, d in self.points]
        object.__setattr__(self, "_slopes", _monotone_slopes([float(k) for k, _ in self.points], logs))

    def diameter_mm(self, key: int, semitones: float) -> float:
        """Inner diameter at the mouth."""
        keys = [k for k, _ in self.points]
        _checked_within(key, keys[0], keys[-1])
        right = min(bisect.bisect_right(keys, key), len(keys) - 1)
        (k0, d0), (k1, d1) = self.points[right - 1], self.points[right]
        m0, m1, width = self._slopes[right - 1], self._slopes[right], float(k1 - k0)
        t = (key - k0) / width
        y0, y1 = math.log(d0), math.log(d1)
        rise = y1 - y0
        curve = y0 + t * t * (3.0 - 2.0 * t) * rise + t * (1.0 - t) * width * (m0 * (1.0 - t) - m1 * t)
        return math.exp(curve)


def _checked_within(key: int, first: int, last: int) -> None:
    if not first <= key <= last:
        raise PipeError(
            "lies past the ends of the scale",
            field="compass",
            value=key,
            allowed=Text("keys {first} to {last} counted from great C = 0", first=first, last=last),
        )


@dataclass(frozen=True)
class DiameterTable:
    """One diameter for every key from `first_key` on.

    Errors: PipeError when a key outside the table is asked for.
    """

    first_key: int
    diameters_mm: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.diameters_mm:
            raise PipeError("is empty", field="table_mm", allowed="one diameter for every note of the compass")
        for diameter in self.diameters_mm:
            _checked_diameter(diameter, "table_mm")

    def diameter_mm(self, key: int, semitones: float) -> float:
        """Inner diameter at the mouth."""
        index = key - self.first_key
        if not 0 <= index < len(self.diameters_mm):
            raise PipeError(
                "reaches past the table of diameters",
                field="compass",
                value=f"note {index + 1}",
                allowed=Text("{diameters_mm} notes, as many as the table has", diameters_mm=len(self.diameters_mm)),
            )
        return self.diameters_mm[index]
