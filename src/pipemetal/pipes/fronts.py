"""What the pipes of a front want beyond others: lips that are raised or laid on, feet lined inside, metal left for burnishing.

Sources: linings of copper in large front feet: a builder's page, seen. Sizes of lips and linings: common practice, no source. How
far a raised lip thins the metal that it is driven out of is not worked out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError

__all__ = ["LIPS_MADE", "Lining", "Lips"]

LIPS_MADE: Final = ("pressed", "raised", "applied")


def _in_range(name: str, value: float, low: float, high: float, unit: str = "") -> None:
    if not low <= value <= high:
        raise PipeError("is out of range", field=name, value=value, limits=(low, high, unit.strip()))


@dataclass(frozen=True)
class Lips:
    """How the lips are made: `pressed` in, `raised` out of the body's own metal, or `applied` as pieces of sheet.

    `upper` and `lower` are the heights of their triangles by the mouth's width; `sheet_mm` is the wall of applied ones, that of
    the body where it is None.
    """

    made: str = "pressed"
    upper: float = 1.25
    lower: float = 1.0
    sheet_mm: float | None = None

    def __post_init__(self) -> None:
        if self.made not in LIPS_MADE:
            raise PipeError("is not known", field="lips.made", value=self.made, allowed=", ".join(LIPS_MADE))
        _in_range("lips.upper", self.upper, 0.2, 4.0)
        _in_range("lips.lower", self.lower, 0.2, 4.0)
        if self.sheet_mm is not None:
            _in_range("lips.sheet_mm", self.sheet_mm, 0.2, 5.0, " mm")
            if self.made != "applied":
                raise PipeError("goes with applied lips", field="lips.sheet_mm", value=self.sheet_mm)


@dataclass(frozen=True)
class Lining:
    """A cone inside the foot, from the toe up over a share of its length; of the rank's metal where `alloy` is None."""

    share: float = 0.5
    sheet_mm: float = 0.8
    alloy: str | None = None

    def __post_init__(self) -> None:
        _in_range("foot_lining.share", self.share, 0.1, 1.0)
        _in_range("foot_lining.sheet_mm", self.sheet_mm, 0.2, 3.0, " mm")
