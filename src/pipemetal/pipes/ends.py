"""What an end of a tube adds to its length: open tops, chimneys, and holes in caps.

The air that moves in and out of an end is heavier than the tube says. How much depends on what stands around the opening:
nothing (0.6133 r), a wall without end (0.8217 r), a rim or a cap of some width between the two, or a wider tube.

Sources: thin open tube 0.6133 r, Levine & Schwinger, Phys. Rev. 73 (1948) 383; round flange of any width, Dalmont, Nederveen &
Joly, J. Sound Vib. 244 (2001) 505; a tube in a wider one, Kergomard & Garcia, J. Sound Vib. 114 (1987) 465; a thin iris in a
tube, Fok 1941 (as quoted in acoustics texts); the last three not checked. `tests/published/test_pipes_ends_fem.py` holds all of
them against finite elements of its own.
"""

from __future__ import annotations

import math
from typing import Final

__all__ = ["FLANGED", "UNFLANGED", "flanged_mm", "hole_mm", "inside_mm"]

UNFLANGED: Final = 0.6133
FLANGED: Final = 0.8217
THIN_SHARE: Final = math.pi / 4.0
"""A hole in a sheet without thickness adds pi/4 r on each side (exact, Rayleigh), a tube 0.82 r."""
THICK_WHEN: Final = 0.13
"""Thickness of the cap by the hole's radius at which a hole is two thirds of the way from sheet to tube (own finite elements)."""


def flanged_mm(radius_mm: float, rim_radius_mm: float) -> float:
    """Added length of an end with a round flange; `rim_radius_mm` is that of the flange's outer edge.

    >>> round(flanged_mm(1.0, 1e9), 4), round(flanged_mm(1.0, 1.0), 4), round(flanged_mm(10.0, 12.0), 2)
    (0.8217, 0.6133, 6.76)
    """
    share = radius_mm / rim_radius_mm
    return radius_mm * (FLANGED + share * (UNFLANGED - FLANGED) + 0.057 * share * (1.0 - share**5))


def inside_mm(radius_mm: float, tube_radius_mm: float) -> float:
    """Added length where a tube opens into a wider one.

    >>> round(inside_mm(1.0, 1e9), 4), round(inside_mm(10.0, 30.0), 2)
    (0.8217, 4.61)
    """
    share = radius_mm / tube_radius_mm
    return FLANGED * radius_mm * (1.0 - 1.35 * share + 0.31 * share**3)


def hole_mm(radius_mm: float, tube_radius_mm: float, cap_radius_mm: float, cap_mm: float) -> float:
    """Length that a hole in a cap acts as: the cap's thickness and what both sides add.

    `tube_radius_mm` is that of the body under the cap, `cap_radius_mm` that of the cap's outer edge, `cap_mm` its thickness. A
    thin cap's hole acts as a hole in a sheet, a thick one's as a tube; between, the way from one to the other was found with
    finite elements. Holds within 0.01 r for holes up to 0.7 of the tube.

    >>> round(hole_mm(7.5, 30.0, 31.2, 0.6), 2)
    10.32
    """
    share = radius_mm / tube_radius_mm
    fok = 1.0 - 1.4092 * share + 0.33818 * share**3 + 0.06793 * share**5 - 0.02287 * share**6
    tube = inside_mm(radius_mm, tube_radius_mm) + flanged_mm(radius_mm, cap_radius_mm)
    sheet = THIN_SHARE * (radius_mm * fok + flanged_mm(radius_mm, cap_radius_mm) / FLANGED)
    way = 1.0 - math.exp(-cap_mm / radius_mm / THICK_WHEN)
    return cap_mm + sheet + (tube - sheet) * way
