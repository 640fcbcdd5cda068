"""What a table that falls does to the film after it is laid. Unmeasured: no cast on a sloped table is on record here.

"A leaf more or less thick, according as the box was drawn more or less fast, or the table is less or more inclined"
(Encyclopedie, t. 11, 1765, p. 635; our translation).
"""

from __future__ import annotations

from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import liquid_density_kg_m3, viscosity_mpa_s
from pipemetal.casting.model import GRAVITY_M_S2, ThermalSettings, laid_thickness_mm
from pipemetal.casting.mush import edge_stress_pa
from pipemetal.casting.way import mobile_time_s

__all__ = ["film_runs_m"]

FILM: Final = 3.0


def film_runs_m(
    comp: Composition,
    thickness_mm: float,
    slope_mm_m: float,
    film_c: float,
    ground_c: tuple[float, float],
    settings: ThermalSettings,
    *,
    stands: bool,
) -> float:
    """How far a film runs down the table before grains hold it, in metres.

    `thickness_mm` of the solid sheet; `ground_c` table and air; `stands`: slush whose edges stand, which a gentle fall moves no
    more than its edges. Sources: mean speed of a laminar film on an incline, rho g s h^2 / (3 mu) (textbook); for how long: until
    a quarter is solid. A guide to within a factor of two, by the time alone.

    >>> half, thermal = Composition.parse("Sn 15 Pb bal"), ThermalSettings()
    >>> film_runs_m(half, 1.5, 4.0, 300.0, (20.0, 20.0), thermal, stands=True)
    0.0
    >>> round(film_runs_m(half, 1.5, 4.0, 300.0, (20.0, 20.0), thermal, stands=False), 1) > 0.1
    True
    """
    if slope_mm_m <= 0.0:
        return 0.0
    above_c = max(film_c, liquidus(comp).temperature_c + 1.0)
    density, height_m = liquid_density_kg_m3(comp, above_c), 1e-3 * laid_thickness_mm(comp, thickness_mm)
    push_pa = density * GRAVITY_M_S2 * 1e-3 * slope_mm_m * height_m
    if stands and push_pa <= edge_stress_pa(density, 1e3 * height_m):
        return 0.0
    speed_m_s = push_pa * height_m / (FILM * 1e-3 * viscosity_mpa_s(comp, above_c))
    return speed_m_s * mobile_time_s(comp, thickness_mm, film_c, *ground_c, settings)
