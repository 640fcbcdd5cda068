"""The way of the metal from the pot to the cloth: what it costs, how long the film can run, how thick metal stands."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import liquid_density_kg_m3, liquid_heat_capacity_j_kgk, surface_tension_n_m
from pipemetal.casting.freezing import HeatCurve, Until, freeze, heat_curve
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.model import GRAVITY_M_S2, Gate, ThermalSettings, laid_thickness_mm
from pipemetal.casting.mush import base_heat_loss_j_m2

__all__ = ["Way", "mobile_time_s", "puddle_mm", "way_loss_k"]

# Half the angle at which clean metal meets what it does not wet (130 degrees: estimate).
_HALF_ANGLE_RAD = math.radians(65.0)
STEEL_HEAT_CAPACITY_J_KGK = 500.0


def puddle_mm(comp: Composition) -> float:
    """How thick clean liquid metal stands by itself on what it does not wet: a thicker film runs until it sets.

    Sources: height of a wide puddle, 2 sqrt(sigma / (rho g)) sin(angle / 2) (textbook).

    >>> round(puddle_mm(Composition.parse("Sn 50 Pb bal")), 1)
    4.3
    """
    above_c = liquidus(comp).temperature_c + 10.0
    weight = liquid_density_kg_m3(comp, above_c) * GRAVITY_M_S2
    return 2e3 * math.sqrt(surface_tension_n_m(comp, above_c) / weight) * math.sin(_HALF_ANGLE_RAD)


def mobile_time_s(
    comp: Composition, thickness_mm: float, film_c: float, table_c: float, air_c: float, settings: ThermalSettings
) -> float:
    """How long a laid film can run: until a quarter of its volume is solid and grains touch (15-30 %, not checked)."""
    found = freeze(comp, thickness_mm, film_c, table_c, air_c, settings, until=Until(solid=0.26))
    return found.time_to_25pct_s


def way_loss_k(
    comp: Composition,
    thickness_mm: float,
    table_c: float,
    air_c: float,
    settings: ThermalSettings,
    limits: WindowLimits,
    gate: Gate | None = None,
    *,
    first_cast: bool = False,
) -> tuple[float, float]:
    """What the way takes, in K of liquid metal: pouring (and a cold gate), and the cloth while waiting and under
    the sled.
    """
    start_c = liquidus(comp).temperature_c
    cp = liquid_heat_capacity_j_kgk(comp, start_c + 10.0)
    density = liquid_density_kg_m3(comp, start_c + 10.0)
    difference = max(start_c - table_c, 0.0)
    wait = base_heat_loss_j_m2(settings, difference, limits.wait_s) / (density * limits.box_head_mm * 1e-3 * cp)
    under = base_heat_loss_j_m2(settings, difference, limits.sled_length_mm * 1e-3 / limits.push_speed_m_s)
    under /= density * laid_thickness_mm(comp, thickness_mm) * 1e-3 * cp
    cold_gate = 0.0
    if first_cast:
        steel = (gate or Gate()).steel_kg * STEEL_HEAT_CAPACITY_J_KGK
        cold_gate = steel * (start_c - air_c) / (limits.charge_kg * cp)
    return limits.pour_loss_k + cold_gate, wait + under


@dataclass(frozen=True, eq=False)
class Way:
    """The way of the metal from the pot to the cloth, and back from what the film needs to what the pot must show.

    Both take heat: as much as so many degrees of liquid metal hold. Pouring is a fall of temperature where the metal
    leaves liquid, which keeps the hot band's lower end cautious.
    """

    comp: Composition
    thickness_mm: float
    table_c: float
    air_c: float
    settings: ThermalSettings
    curve: HeatCurve
    liquidus_c: float
    pour_k: float
    cloth_k: float

    @classmethod
    def of(
        cls,
        comp: Composition,
        thickness_mm: float,
        table_c: float,
        air_c: float,
        settings: ThermalSettings | None,
        limits: WindowLimits,
        *,
        gate: Gate | None = None,
        first_cast: bool = False,
    ) -> Way:
        settings = settings or ThermalSettings()
        lost = way_loss_k(comp, thickness_mm, table_c, air_c, settings, limits, gate, first_cast=first_cast)
        start_c = liquidus(comp).temperature_c
        return cls(comp, thickness_mm, table_c, air_c, settings, heat_curve(comp), start_c, *lost)

    def _heat_per_k(self) -> float:
        return self.curve.heat_at(self.liquidus_c + 20.0) - self.curve.heat_at(self.liquidus_c + 19.0)

    def film_c(self, pot_c: float) -> float:
        """Temperature of the film just laid."""
        return self.curve.temperature_at(self.curve.heat_at(self.sled_c(pot_c)) - self._heat_per_k() * self.cloth_k)

    def sled_c(self, pot_c: float) -> float:
        """Temperature in the sled after pouring: slush gives off heat of freezing, liquid metal degrees."""
        slush_c = self.curve.temperature_at(self.curve.heat_at(pot_c) - self._heat_per_k() * self.pour_k)
        return max(pot_c - self.pour_k, slush_c) if pot_c < self.liquidus_c + self.pour_k else pot_c - self.pour_k

    def slush_k(self, stands: float, sets: float) -> float:
        """How far apart two shares of solid are, in degrees."""
        span = [self.curve.temperature_at(self.curve.heat_at_solid(share)) for share in (stands, sets)]
        return span[0] - span[1]

    def pot_c_for_solid(self, share: float) -> float:
        """Reading in the pot at which the layer that leaves the sled has this share of solid."""
        lost = self._heat_per_k() * (self.cloth_k + self.pour_k)
        return self.curve.temperature_at(self.curve.heat_at_solid(share) + lost)

    def pot_c_for_heat(self, film_heat_j_kg: float) -> float:
        """Reading in the pot that gives the film this heat content."""
        return self.curve.temperature_at(film_heat_j_kg + self._heat_per_k() * self.cloth_k) + self.pour_k

    def pot_c_for_mobile(self, seconds: float) -> float | None:
        """Reading in the pot at which the film can run for so long: secant between liquidus and 150 K above, capped
        there; None where even metal at its liquidus runs longer."""
        low_c, high_c = self.liquidus_c, self.liquidus_c + self.pour_k + 150.0
        low, high = self._mobile(low_c) - seconds, self._mobile(high_c) - seconds
        if low >= 0.0:
            return None
        if high <= 0.0:
            return high_c
        for _ in range(12):
            middle_c = low_c + (high_c - low_c) * min(max(-low / (high - low), 0.05), 0.95)
            middle = self._mobile(middle_c) - seconds
            if abs(middle) < 0.03 or high_c - low_c < 0.2:
                return middle_c
            if middle > 0.0:
                high_c, high = middle_c, middle
            else:
                low_c, low = middle_c, middle
        return 0.5 * (low_c + high_c)

    def _mobile(self, pot_c: float) -> float:
        return mobile_time_s(self.comp, self.thickness_mm, self.film_c(pot_c), self.table_c, self.air_c, self.settings)
