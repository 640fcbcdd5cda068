"""Reeds as far as sheet metal goes: resonators of all lengths, boots, and the sleeve of a block.

Block, shallot, tongue, wedge and tuning wire are not sheet metal and are not worked out. A reed's resonator does not decide its
pitch, so its length is a share of the half wave that the maker gives, by a number or by name. Sources: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError

__all__ = ["LENGTHS", "SHAPES", "Boot", "Resonator", "length_share"]

SHAPES: Final = ("conical", "cylindrical")
LENGTHS: Final = {"double": 2.0, "full": 1.0, "half": 0.5, "quarter": 0.25}
"""Share of the half wave of a cone by the name of its length."""
CYLINDER: Final = 0.5
"""A cylinder on a reed speaks like a tube closed below: an octave lower than a cone of its length."""


def _in_range(name: str, value: float, low: float, high: float, unit: str = "") -> None:
    if not low <= value <= high:
        raise PipeError("is out of range", field=name, value=value, limits=(low, high, unit.strip()))


def length_share(name: str, shape: str) -> float:
    """The share of the half wave that a length by its name means.

    >>> length_share("half", "conical"), length_share("full", "cylindrical")
    (0.5, 0.5)
    """
    return LENGTHS[name] * (CYLINDER if shape == "cylindrical" else 1.0)


def between(first: float, last: float, share: float) -> float:
    """A size between its first and its last value, straight in the logarithm."""
    return float(first * (last / first) ** share)


@dataclass(frozen=True)
class Boot:
    """The boot of a reed: a cylinder over a cone that ends in the toe. Inner diameters at the first and the last note in mm.

    `length_mm` is the whole boot, `cone_share` the share of it that is the cone.
    """

    length_mm: float
    diameter_mm: float
    diameter_last_mm: float
    toe_mm: float = 12.0
    cone_share: float = 0.4
    wall_mm: float = 1.0

    def __post_init__(self) -> None:
        _in_range("boot.length_mm", self.length_mm, 40.0, 1500.0, " mm")
        _in_range("boot.diameter_mm", self.diameter_mm, 10.0, 200.0, " mm")
        _in_range("boot.diameter_last_mm", self.diameter_last_mm, 10.0, 200.0, " mm")
        _in_range("boot.toe_mm", self.toe_mm, 4.0, 0.9 * min(self.diameter_mm, self.diameter_last_mm), " mm")
        _in_range("boot.cone_share", self.cone_share, 0.1, 0.9)
        _in_range("boot.wall_mm", self.wall_mm, 0.3, 5.0, " mm")


@dataclass(frozen=True)
class Resonator:
    """A reed's resonator, whose wide end the rank's scale gives.

    `length_share` is of the half wave c / 2f: reed, shallot and wire decide it, no formula does, so it must be given.
    `tip_mm` is the inner diameter of the narrow end at the lowest key, `tip_last_mm` at the highest, straight in the
    logarithm between. A cone is made of `sections` pieces one above the other; a `cylindrical` resonator stands on a short cone
    of `neck` diameters. `hood` is the share of the length at which it is cut slantwise and its upper piece turned by half a
    turn, so that it bends by a right angle: that takes no metal. `sleeve_mm`: length of the sleeve of the block, 0 for none.
    """

    length_share: float
    tip_mm: float
    tip_last_mm: float
    sections: int = 1
    shape: str = "conical"
    neck: float = 1.0
    hood: float | None = None
    boot: Boot | None = None
    sleeve_mm: float = 0.0

    def __post_init__(self) -> None:
        _in_range("resonator.length_share", self.length_share, 0.05, 2.0)
        _in_range("resonator.tip_mm", self.tip_mm, 2.0, 80.0, " mm")
        _in_range("resonator.tip_last_mm", self.tip_last_mm, 2.0, 80.0, " mm")
        _in_range("resonator.sections", self.sections, 1, 6)
        _in_range("resonator.neck", self.neck, 0.2, 5.0)
        _in_range("resonator.sleeve_mm", self.sleeve_mm, 0.0, 200.0, " mm")
        if self.shape not in SHAPES:
            raise PipeError("is not known", field="resonator.shape", value=self.shape, allowed=", ".join(SHAPES))
        if self.shape == "cylindrical" and self.sections > 1:
            raise PipeError("goes with a cone, a cylinder has its neck and its tube", field="resonator.sections")
        if self.hood is not None:
            _in_range("resonator.hood", self.hood, 0.3, 0.95)
