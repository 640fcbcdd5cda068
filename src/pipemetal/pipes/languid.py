"""The languid's outline: it fills the body where the lower lip is pressed flat; its straight edge is as wide as the mouth.

The metal around keeps its length when a lip is pressed flat: the mouth becomes a straight line of its own width, and the rest of
the circumference springs out to a wider arc (computed; that the rest stays an arc is common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.texts import Amount, Text

__all__ = ["WIDEST_MOUTH", "LanguidShape", "languid_shape"]

WIDEST_MOUTH: Final = 0.45
"""Share of the circumference beyond which no lip is pressed flat."""
HALVINGS: Final = 60


@dataclass(frozen=True)
class LanguidShape:
    """A circle less the segment behind its straight edge; `half_angle_rad` is half the angle of that segment."""

    radius_mm: float
    half_angle_rad: float

    @property
    def depth_mm(self) -> float:
        """From the straight edge to the back."""
        return self.radius_mm * (1.0 + math.cos(self.half_angle_rad))

    @property
    def edge_mm(self) -> float:
        """Width of the straight edge."""
        return 2.0 * self.radius_mm * math.sin(self.half_angle_rad)

    @property
    def width_mm(self) -> float:
        """Widest across, along the straight edge."""
        return self.edge_mm if self.half_angle_rad > math.pi / 2.0 else 2.0 * self.radius_mm

    @property
    def area_mm2(self) -> float:
        """Its area."""
        a = self.half_angle_rad
        return self.radius_mm**2 * (math.pi - a + math.sin(a) * math.cos(a))


def languid_shape(diameter_mm: float, mouth_width_mm: float) -> LanguidShape:
    """The languid of a pipe of this inner diameter with a mouth of this width around.

    Errors: PipeError for a mouth that leaves no body behind it.

    >>> [round(languid_shape(1.0, share * math.pi).depth_mm, 3) for share in (0.1, 1 / 6, 0.25, 2 / 7, 0.45)]
    [0.976, 0.935, 0.853, 0.806, 0.421]
    """
    share = mouth_width_mm / (math.pi * diameter_mm)
    if not 0.0 < share <= WIDEST_MOUTH + 1e-9:
        raise PipeError(
            "is too wide for a lip that is pressed flat",
            field="mouth_width_mm",
            value=round(mouth_width_mm, 1),
            allowed=Text(
                "up to {value}, {widest_mouth} of the circumference",
                value=Amount(WIDEST_MOUTH * math.pi * diameter_mm, "mm", 1),
                widest_mouth=Amount.short(WIDEST_MOUTH),
            ),
        )
    low, high = 0.0, math.pi * (1.0 - 1e-6)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        # edge by arc is sin a / (pi - a): it must be that of the mouth by the rest of the circumference
        short = math.sin(middle) * (1.0 - share) < share * (math.pi - middle)
        low, high = (middle, high) if short else (low, middle)
    return LanguidShape(mouth_width_mm / (2.0 * math.sin(low)), low)
