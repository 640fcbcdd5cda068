"""What a shop lets a part's thickness be: by its kind and alloy, thinner, thicker, and thicker still where it is then worked."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import PlanError
from pipemetal.layout.problem import Blank

__all__ = ["WORKED", "PartTolerance", "parse_tolerances", "with_tolerance"]

WORKED: Final = ("planed", "hammered", "scraped")
_SIZE: Final = r"(\d+(?:\.\d+)?)\s*(mm|%)"
_ENTRY: Final = re.compile(
    rf"(?P<kind>[a-z][a-z ]*?)(?:\s+of\s+(?P<alloy>[^\s,;]+))?\s+-\s*{_SIZE}(?:\s*\+\s*{_SIZE})?"
    rf"(?:\s*,?\s*(?P<worked>{'|'.join(WORKED)})\s+{_SIZE})?"
)
MOST_MM, MOST_PERCENT = 5.0, 100.0


@dataclass(frozen=True)
class Size:
    """A size in mm, or a share of the thickness wanted (`percent`)."""

    value: float
    percent: bool

    def mm(self, wall_mm: float) -> float:
        """In mm, for a thickness wanted."""
        return self.value * wall_mm / 100.0 if self.percent else self.value


@dataclass(frozen=True)
class PartTolerance:
    """What a kind of part may be, of one alloy or (empty) of any."""

    kind: str
    alloy: str
    thinner: Size
    thicker: Size
    worked: str = ""
    worked_up_to: Size = Size(0.0, False)


def parse_tolerances(text: str) -> tuple[PartTolerance, ...]:
    """The tolerances of a setting.

    >>> found = parse_tolerances("languid -10 % +20 %, planed 0.5 mm; foot of spotted-50 -0.05 mm")
    >>> found[0].worked, found[1].alloy, found[1].thicker.mm(0.8)
    ('planed', 'spotted-50', 0.05)

    Errors: PlanError for what cannot be read, with an example.
    """
    found = []
    for entry in filter(None, (part.strip() for part in text.split(";"))):
        match = _ENTRY.fullmatch(entry)
        if match is None:
            raise PlanError(
                "cannot be read",
                field="sure.tolerances",
                value=entry[:60],
                allowed="as in languid -10 % +20 %, planed 0.5 mm; foot of spotted-50 -0.05 mm",
            )
        low, low_unit, high, high_unit = match.group(3, 4, 5, 6)
        thinner = _size(low, low_unit)
        thicker = _size(high, high_unit) if high else thinner
        worked = match["worked"] or ""
        up_to = _size(match.group(8), match.group(9)) if worked else Size(0.0, False)
        found.append(PartTolerance(match["kind"], match["alloy"] or "", thinner, thicker, worked, up_to))
    return tuple(found)


def _size(value: str, unit: str) -> Size:
    size = Size(float(value), unit == "%")
    if size.value > (MOST_PERCENT if size.percent else MOST_MM):
        raise PlanError(
            "is too large",
            field="sure.tolerances",
            value=f"{value} {unit}",
            allowed="5 mm, 100 %",
        )
    return size


def with_tolerance(blank: Blank, tolerances: tuple[PartTolerance, ...]) -> Blank:
    """The blank with what the shop lets its thickness be, as it is where nothing is said of it.

    What is said of its alloy goes before what is said of any.

    >>> blank = Blank("L", "languid", "A", 50.0, 50.0, 2.0, 2.0, 0.3)
    >>> made = with_tolerance(blank, parse_tolerances("languid -10 % +20 %, planed 0.5 mm"))
    >>> made.tolerance_mm, made.over_mm, made.most_over_mm
    (0.2, 0.4, 0.9)
    """
    mine = [t for t in tolerances if t.kind == blank.kind and t.alloy in ("", blank.alloy)]
    if not mine:
        return blank
    said = max(mine, key=lambda t: t.alloy != "")
    wall = min(blank.mouth_thickness_mm, blank.top_thickness_mm)
    return replace(
        blank,
        tolerance_mm=said.thinner.mm(wall),
        thicker_mm=said.thicker.mm(wall),
        worked_mm=said.worked_up_to.mm(wall),
        worked=said.worked,
    )
