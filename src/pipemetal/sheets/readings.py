"""Gauge readings of a sheet, and why one of them may be left out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import SheetError
from pipemetal.sheets.checks import checked_number
from pipemetal.texts import Amount, Text

__all__ = ["LeftOut", "Reading", "checked_readings", "why_left_out"]

FEWEST_READINGS, MOST_READINGS = 6, 2000
FEWEST_PLACES: Final = 4
"""A level, a slope and a curve along take three places; one more to tell what is misread."""
SAME_PLACE_MM: Final = 10.0
"""Readings no farther apart are one place (estimate)."""
LEAST_ALONG: Final = 0.05
"""Of the length readings must span so much. Over less the slope is so unsure that hardly a place of the sheet serves: with the
usual waves, gauged at both edges over so much a quarter of a sheet is known within 0.037 mm, on one line across a 25th."""


@dataclass(frozen=True)
class Reading:
    """One gauge reading: where (x along, y across, from the corner of the untrimmed sheet) and how thick.

    >>> Reading(100.0, 50.0, 1.12).thickness_mm
    1.12
    """

    x_mm: float
    y_mm: float
    thickness_mm: float


_FACTORS: Final = (
    (10.0, "{read} looks ten-fold of {expected}"),
    (0.1, "{read} looks a tenth of {expected}"),
    (100.0, "{read} looks hundred-fold of {expected}"),
    (0.01, "{read} looks a hundredth of {expected}"),
)


@dataclass(frozen=True)
class LeftOut:
    """A reading that the fit did not trust: its number in the list given (from 0), itself, and why.

    >>> LeftOut(3, Reading(0.0, 0.0, 10.1), Text("ten-fold")).index
    3
    """

    index: int
    reading: Reading
    reason: Text


def checked_readings(readings: Sequence[Reading], length_mm: float, width_mm: float) -> tuple[Reading, ...]:
    """The readings, each within the sheet and above zero, or the error that names the first that is not.

    Raises: SheetError, also where all tell of fewer than four places or of less than a twentieth of the length.

    >>> len(checked_readings([Reading(100.0 * k, 20.0, 1.0) for k in range(6)], 1000.0, 600.0))
    6
    """
    if len(readings) < FEWEST_READINGS:
        raise SheetError(
            "are too few for a field",
            field="readings",
            value=len(readings),
            allowed=Text("{fewest_readings} or more", fewest_readings=FEWEST_READINGS),
        )
    if len(readings) > MOST_READINGS:
        raise SheetError(
            "are too many",
            field="readings",
            value=len(readings),
            allowed=Text("at most {most_readings}", most_readings=MOST_READINGS),
        )
    for number, reading in enumerate(readings, start=1):
        where = Text("reading {number}", number=number)
        checked_number(reading.x_mm, field="x_mm", low=0.0, high=length_mm, where=where)
        checked_number(reading.y_mm, field="y_mm", low=0.0, high=width_mm, where=where)
        checked_number(reading.thickness_mm, field="thickness_mm", above=0.0, where=where)
    _check_spread(readings, length_mm)
    return tuple(readings)


def _check_spread(readings: Sequence[Reading], length_mm: float) -> None:
    """Refuse readings that tell of too few places, or of one line across. Across no spread is needed: a line along is enough."""
    places: list[Reading] = []
    for r in readings:
        if all(math.hypot(r.x_mm - p.x_mm, r.y_mm - p.y_mm) > SAME_PLACE_MM for p in places):
            places.append(r)
        if len(places) >= FEWEST_PLACES:
            break
    if len(places) < FEWEST_PLACES:
        raise SheetError(
            "tell of too few places for a field",
            field="readings",
            value=Text("{readings} at {places}", readings=len(readings), places=len(places)),
            allowed=Text(
                "{fewest} places or more, over {apart} apart", fewest=FEWEST_PLACES, apart=Amount(SAME_PLACE_MM, "mm")
            ),
        )
    along = max(r.x_mm for r in readings) - min(r.x_mm for r in readings)
    if along < LEAST_ALONG * length_mm:
        raise SheetError(
            "lie too close together along the sheet for a field",
            field="readings",
            value=Amount(along, "mm"),
            allowed=Text("over {least} or more of its length", least=Amount(LEAST_ALONG * length_mm, "mm")),
        )


def why_left_out(read: float, expected: float, gauge: float) -> Text:
    """What a reading that was not trusted looks like: ten-fold, swapped digits, or far off.

    >>> print(why_left_out(1.36, 1.63, 0.01))
    1.36 mm looks like 1.63 mm with digits swapped; 1.63 mm expected
    """
    near = max(0.03 * expected, 5.0 * gauge)
    mm, there = Amount.short(read, "mm"), Amount(expected, "mm", 2)
    for factor, words in _FACTORS:
        if abs(read / factor - expected) <= near:
            return Text(words, read=mm, expected=there)
    whole, _, parts = f"{read:.3f}".rstrip("0").rstrip(".").partition(".")
    digits = whole + parts
    for k in range(len(digits) - 1):
        turned = digits[:k] + digits[k + 1] + digits[k] + digits[k + 2 :]
        value = float(f"{turned[: len(whole)]}.{turned[len(whole) :] or 0}")
        if turned != digits and abs(value - expected) <= near:
            words = "{read} looks like {value} with digits swapped; {expected} expected"
            return Text(words, read=mm, value=Amount.short(value, "mm"), expected=there)
    words = "{read} stands {off} off; {expected} expected"
    return Text(words, read=mm, off=Amount(abs(read - expected), "mm", 2), expected=there)
