"""What a standing pipe bears: the stress at its mouth and at its toe, and a flag where pipes are known to give way.

Weight over cross-section, in pure compression: no buckling, no creep. Pipe metal creeps under far less than it bears for
a moment, so these are numbers to compare pipes by, not limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.pipe import Pipe

__all__ = ["StandingStress", "standing_stress", "toe_stress_mpa"]

GRAVITY_M_S2: Final = 9.80665
FOUR_FOOT_MM: Final = 1219.2
ABOVE_THE_MOUTH: Final = ("body", "cap", "chimney", "slide", "ears", "joint")


@dataclass(frozen=True)
class StandingStress:
    """Compressive stress in MPa just above the mouth's lower lip and at the toe, and whether the toe is flagged."""

    mouth_mpa: float
    toe_mpa: float
    toe_flag: bool


def standing_stress(pipe: Pipe) -> StandingStress:
    """Stress of a pipe that stands on its toe.

    At the mouth the body's weight rests on the wall less the mouth's width; at the toe all of it on a ring of the toe's
    bore and the foot's wall. A hung or racked pipe bears less. The flag follows published repair reports (read): toes of
    pipes over 4' (1219 mm of body) deform first.
    """
    if not pipe.parts or pipe.mouth_width_mm <= 0.0:
        return StandingStress(0.0, 0.0, False)
    above = sum(p.finished_mass_kg for p in pipe.parts if p.kind.split()[0] in ABOVE_THE_MOUTH)
    wall = pipe.thickness_mouth_mm
    ring = (math.pi * (pipe.diameter_mm + wall) - pipe.mouth_width_mm) * wall
    toe = toe_stress_mpa(pipe, pipe.thickness_foot_mm)
    return StandingStress(above * GRAVITY_M_S2 / ring, toe, pipe.cut_length_mm > FOUR_FOOT_MM)


def toe_stress_mpa(pipe: Pipe, foot_wall_mm: float) -> float:
    """Stress at the toe with this wall of the foot in place of the pipe's own; a lining bears as the foot does."""
    lining = sum(p.thickness_mouth_mm for p in pipe.parts if p.kind == "lining")
    bore, wall = pipe.toe_bore_mm, foot_wall_mm
    tip = math.pi * ((bore + lining) * lining + (bore + 2.0 * lining + wall) * wall)
    foot = sum(p.finished_mass_kg for p in pipe.parts if p.kind == "foot")
    mass = pipe.mass_kg + foot * (wall / pipe.thickness_foot_mm - 1.0) if pipe.thickness_foot_mm > 0.0 else pipe.mass_kg
    return mass * GRAVITY_M_S2 / tip if tip > 0.0 else 0.0
