"""Bodies of several pieces: cylinders and cones one above the other, and the length at which they sound a pitch.

Each piece is a stretch of x by the plane wave in a horn whose area goes as the square of the distance from its apex:
p = (A cos kx + B sin kx) / x. Pressure and flow go over from piece to piece; the mouth is the mass of `length.py`, an open
top a length added to the last piece. Derived, lossless, no published check found; a solve of the horn equation by another
method stands in the tests.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from pipemetal.errors import ConvergenceError, PipeError
from pipemetal.pipes.length import mouth_correction_mm, top_correction_mm

__all__ = ["Step", "profile_length_mm"]

NEARLY_STRAIGHT = 1e-7


@dataclass(frozen=True)
class Step:
    """One piece of a body: its share of the length, and its inner diameters below and above by that at the mouth."""

    share: float
    below: float
    above: float

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("share", self.share, 0.02, 1.0),
            ("below", self.below, 0.1, 3.0),
            ("above", self.above, 0.1, 3.0),
        ):
            if not low <= value <= high:
                raise PipeError("is out of range", field=f"step.{name}", value=value, limits=(low, high))


def _through(pressure: float, slope: float, k: float, length: float, below: float, above: float) -> tuple[float, float]:
    """Pressure and its slope at the upper end of a piece."""
    taper = (above - below) / below
    if abs(taper) < NEARLY_STRAIGHT:
        c, s = math.cos(k * length), math.sin(k * length)
        return pressure * c + slope * s / k, -pressure * k * s + slope * c
    # x counts from the apex, negative where the piece narrows upward; y = x p is a plain wave
    x0 = length / taper
    x1 = x0 + length
    y, dy = x0 * pressure, pressure + x0 * slope
    c, s = math.cos(k * length), math.sin(k * length)
    y1, dy1 = y * c + dy * s / k, -y * k * s + dy * c
    return y1 / x1, (dy1 - y1 / x1) / x1


def _unbalance(length: float, k: float, mouth: float, diameter: float, steps: tuple[Step, ...], closed: bool) -> float:
    pressure, slope = mouth, 1.0
    top = 0.0 if closed else top_correction_mm(diameter * steps[-1].above)
    for index, step in enumerate(steps):
        piece, above = step.share * length, step.above
        if index == len(steps) - 1:
            above += (step.above - step.below) * top / piece
            piece += top
        pressure, slope = _through(pressure, slope, k, piece, step.below, above)
        if index < len(steps) - 1:
            slope *= (above / steps[index + 1].below) ** 2
    return slope / k if closed else pressure / mouth


def _least_length(diameter: float, last: Step) -> float:
    """Below this, a narrowing piece with its end correction would reach past its apex."""
    if last.above >= last.below:
        return 0.0
    return (last.below - last.above) * top_correction_mm(diameter * last.above) / (0.9 * last.above * last.share)


def profile_length_mm(
    frequency_hz: float,
    speed_m_s: float,
    diameter_mm: float,
    mouth_width_mm: float,
    cut_up_mm: float,
    steps: tuple[Step, ...],
    *,
    closed: bool = False,
) -> float:
    """Body length, mouth to top, of a body of several pieces that sounds a pitch.

    Errors: PipeError where shares do not make 1, or no length sounds this pitch.

    >>> width = math.pi * 155.5 / 4
    >>> halves = (Step(0.5, 1.0, 1.0), Step(0.5, 1.0, 1.0))
    >>> round(profile_length_mm(65.4064, 343.2, 155.5, width, width / 4, halves), 1)
    2355.1
    """
    if not steps or abs(sum(s.share for s in steps) - 1.0) > 1e-6:
        raise PipeError(
            "must make up the whole body", field="step.share", value=sum(s.share for s in steps), allowed="1"
        )
    k = 2.0 * math.pi * frequency_hz / (speed_m_s * 1000.0)
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    longest = 1.5 * math.pi / k
    shortest = 0.0 if closed else _least_length(diameter_mm, steps[-1])
    grid = [length for n in range(1, 301) if (length := longest * n / 300.0) > shortest]
    values = [_unbalance(length, k, mouth, diameter_mm, steps, closed) for length in grid]
    for (low, at_low), (high, at_high) in itertools.pairwise(zip(grid, values, strict=True)):
        if at_low > 0.0 >= at_high:
            return _bisect(low, high, k, mouth, diameter_mm, steps, closed)
    raise PipeError(
        "has no length that would sound this pitch", field="body_length_mm", allowed="a narrower pipe, or gentler steps"
    )


def _bisect(
    low: float, high: float, k: float, mouth: float, diameter: float, steps: tuple[Step, ...], closed: bool
) -> float:
    for _ in range(100):
        middle = 0.5 * (low + high)
        if _unbalance(middle, k, mouth, diameter, steps, closed) > 0.0:
            low = middle
        else:
            high = middle
        if high - low < 1e-9:
            return 0.5 * (low + high)
    raise ConvergenceError("the length of a body of several pieces did not settle")
