"""The pour window: how hot the metal should be for this alloy, thickness, table and air, as soft bands.

Two clocks: the film must leave the gate liquid, and must stay able to run long enough to level but not so long that it
runs off. Every temperature here is the reading in the tipping pot; what the way to the cloth costs is said beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import RED_LIMIT_C, liquid_density_kg_m3, liquid_heat_capacity_j_kgk
from pipemetal.casting.freezing import HeatCurve, freeze, heat_curve
from pipemetal.casting.model import Gate, ThermalSettings, checked, laid_thickness_mm

__all__ = ["PourWindow", "WindowLimits", "base_heat_loss_j_m2", "mobile_time_s", "pour_window", "way_loss_k"]

# The aramid of a casting cloth loses strength from about here; it decomposes above about 400 C (public materials pages).
CLOTH_WEAKENS_C = 300.0
CLOTH_HOT_C = 350.0
# A limit this far above the liquidus does not bind: oxide, dross and the cloth stop sooner.
NOT_BINDING_K = 60.0
_MOST_SOLID_AT_GATE = 0.05
STEEL_HEAT_CAPACITY_J_KGK = 500.0


@dataclass(frozen=True, slots=True)
class WindowLimits:
    """What the window rests on beside physics; all estimates, to be replaced by logged verdicts.

    Attributes:
        shortest_mobile_s: below it ripples and laps freeze in. longest_mobile_s: above it metal runs off a table that is
            a little out of level; ``calm_mobile_s`` is where that begins.
        pour_loss_k: from pot to sled. wait_s: metal standing in the sled before the push. box_head_mm: its depth then.
        push_speed_m_s, sled_length_mm: set how long the film touches the cloth under the sled.
        charge_kg: metal in the sled, which warms a cold gate on the first cast.
        verdicts_used: number of logged verdicts behind the two times.
    """

    shortest_mobile_s: float = 4.0
    calm_mobile_s: float = 15.0
    longest_mobile_s: float = 20.0
    pour_loss_k: float = 4.0
    wait_s: float = 5.0
    box_head_mm: float = 60.0
    push_speed_m_s: float = 1.2
    sled_length_mm: float = 150.0
    charge_kg: float = 60.0
    verdicts_used: int = 0

    def __post_init__(self) -> None:
        checked("shortest_mobile_s", self.shortest_mobile_s, 0.1, 120.0, "s")
        checked("calm_mobile_s", self.calm_mobile_s, self.shortest_mobile_s, 300.0, "s")
        checked("longest_mobile_s", self.longest_mobile_s, self.calm_mobile_s, 600.0, "s")
        checked("pour_loss_k", self.pour_loss_k, 0.0, 60.0, "K")
        checked("wait_s", self.wait_s, 0.0, 120.0, "s")
        checked("box_head_mm", self.box_head_mm, 5.0, 400.0, "mm")
        checked("push_speed_m_s", self.push_speed_m_s, 0.05, 5.0, "m/s")
        checked("sled_length_mm", self.sled_length_mm, 40.0, 1000.0, "mm")
        checked("charge_kg", self.charge_kg, 1.0, 2000.0, "kg")


@dataclass(frozen=True, slots=True)
class PourWindow:
    """Soft bands of the reading in the tipping pot, in C: too cold below, try here from low to high, too hot above.

    ``liquidus_c`` for comparison; ``way_loss_k`` is what pour, wait and cloth take before the film lies; ``empty`` says
    that no temperature suits both clocks, and ``try_low_c`` and ``try_high_c`` are then the least bad.
    """

    too_cold_below_c: float
    try_low_c: float
    try_high_c: float
    too_hot_above_c: float
    liquidus_c: float
    way_loss_k: float
    empty: bool
    rests_on: str
    warnings: tuple[str, ...]


def base_heat_loss_j_m2(settings: ThermalSettings, difference_k: float, seconds: float) -> float:
    """Heat that metal gives to cool cloth in a short time through the contact, cloth taken as endlessly thick.

    Q = dT e^2/h [exp(s^2) erfc(s) - 1 + 2 s / sqrt(pi)], s = h sqrt(t) / e.

    Sources: Carslaw & Jaeger, Conduction of Heat in Solids (1959) (from memory); 173.03 kJ/m2 checked for h 2000, e 312.2,
        162.2 K, 10 s.

    >>> round(base_heat_loss_j_m2(ThermalSettings(), 162.2, 10.0) / 1e3, 1)
    173.0
    """
    contact = 1.0 / (settings.cloth_factor * settings.metal_contact_m2k_w)
    effusivity = math.sqrt(
        settings.cloth_conductivity_w_mk
        / settings.cloth_factor
        * settings.cloth_density_kg_m3
        * settings.cloth_heat_capacity_j_kgk
    )
    s = contact * math.sqrt(seconds) / effusivity
    # exp(s^2) erfc(s) overflows for great s, where it is 1/(s sqrt(pi)) to better than a part in a thousand.
    decay = math.exp(s * s) * math.erfc(s) if s < 20.0 else 1.0 / (s * math.sqrt(math.pi))
    return difference_k * effusivity**2 / contact * (decay - 1.0 + 2.0 * s / math.sqrt(math.pi))


def mobile_time_s(
    comp: Composition, thickness_mm: float, film_c: float, table_c: float, air_c: float, settings: ThermalSettings
) -> float:
    """How long a laid film can run: until a quarter of its volume is solid and grains touch (15-30 %, from memory)."""
    found = freeze(comp, thickness_mm, film_c, table_c, air_c, settings, until_solid=0.26)
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
    """What the way takes, in K of liquid metal: pouring (and a cold gate), and the cloth while waiting and under the sled."""
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


def pour_window(
    comp: Composition,
    thickness_mm: float,
    table_temperature_c: float,
    air_temperature_c: float,
    *,
    first_cast: bool = False,
    settings: ThermalSettings | None = None,
    limits: WindowLimits | None = None,
    gate: Gate | None = None,
) -> PourWindow:
    """The pour window of one sheet. A guide: the look of the metal decides.

    Arguments:
        thickness_mm: of the solid sheet where it is thickest, 0.4 to 6 mm. table_temperature_c: of the cloth, best measured.
        first_cast: the gate is still cold.
    Raises:
        CastingError: input out of range.
    Sources: docs/casting.md. The lower limit agrees with two reports of roofing lead (+2.5 and +22 K over the liquidus);
        the upper one is an estimate, a factor of two in time either way.

    >>> window = pour_window(Composition.parse("Sn 50 Pb bal"), 2.0, 20, 20)
    >>> window.liquidus_c < window.try_low_c < window.try_high_c < window.too_hot_above_c
    True
    """
    settings, limits = settings or ThermalSettings(), limits or WindowLimits()
    checked("thickness_mm", thickness_mm, 0.4, 6.0, "mm")
    checked("table_temperature_c", table_temperature_c, -20.0, 170.0, "C")
    checked("air_temperature_c", air_temperature_c, -20.0, 60.0, "C")
    melt = liquidus(comp)
    pour_k, cloth_k = way_loss_k(
        comp, thickness_mm, table_temperature_c, air_temperature_c, settings, limits, gate, first_cast=first_cast
    )
    way = _Way(
        comp,
        thickness_mm,
        table_temperature_c,
        air_temperature_c,
        settings,
        heat_curve(comp),
        melt.temperature_c,
        pour_k,
        cloth_k,
    )
    leaves_liquid = way.pot_c_for_heat(way.curve.heat_at_solid(_MOST_SOLID_AT_GATE))
    cold = max(leaves_liquid, way.pot_c_for_mobile(limits.shortest_mobile_s))
    ripples = cold > leaves_liquid + 0.5
    calm = way.pot_c_for_mobile(limits.calm_mobile_s)
    hot = way.pot_c_for_mobile(limits.longest_mobile_s)
    top = melt.temperature_c + pour_k + NOT_BINDING_K
    low = cold + melt.uncertainty_k
    high = min(max(calm, 0.5 * (cold + hot)), top, RED_LIMIT_C)
    empty = low >= high
    if empty:
        low, high = min(low, high), max(low, high)
        low, high = max(low, cold), max(high, cold)
    warnings = _warnings(high, hot, top, empty, ripples, first_cast, melt.within_range)
    return PourWindow(
        cold,
        low,
        high,
        max(min(hot, RED_LIMIT_C), high),
        melt.temperature_c,
        pour_k + cloth_k,
        empty,
        _rests_on(limits, melt.uncertainty_k, settings.cloth_factor),
        warnings,
    )


@dataclass(frozen=True, eq=False)
class _Way:
    """The way of the metal from the pot to the cloth, and back from what the film needs to what the pot must show.

    Pouring is a fall of temperature whatever the state, which keeps the lower limit cautious; the cloth takes heat.
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

    def _heat_per_k(self) -> float:
        return self.curve.heat_at(self.liquidus_c + 20.0) - self.curve.heat_at(self.liquidus_c + 19.0)

    def film_c(self, pot_c: float) -> float:
        """Temperature of the film just laid."""
        heat = self.curve.heat_at(pot_c - self.pour_k) - self._heat_per_k() * self.cloth_k
        return self.curve.temperature_at(heat)

    def pot_c_for_heat(self, film_heat_j_kg: float) -> float:
        """Reading in the pot that gives the film this heat content."""
        return self.curve.temperature_at(film_heat_j_kg + self._heat_per_k() * self.cloth_k) + self.pour_k

    def pot_c_for_mobile(self, seconds: float) -> float:
        """Reading in the pot at which the film can run for so long: secant between liquidus and 150 K above, capped there."""
        low_c, high_c = self.liquidus_c, self.liquidus_c + self.pour_k + 150.0
        low, high = self._mobile(low_c) - seconds, self._mobile(high_c) - seconds
        if low >= 0.0:
            return low_c
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


def _warnings(
    high: float, hot: float, top: float, empty: bool, ripples: bool, first_cast: bool, within: bool
) -> tuple[str, ...]:
    found = []
    if empty:
        found.append("no temperature suits both limits: level the table better, or pour as slurry and expect trouble")
    if hot > top + 0.5:
        found.append("running off does not limit this sheet: oxide, dross and the cloth do, keep to the lower half")
    if ripples:
        found.append("thin sheet of this alloy: ripples and laps freeze in sooner than the metal thickens at the gate")
    if high > CLOTH_HOT_C:
        found.append(f"above {CLOTH_HOT_C:.0f} C the cloth suffers: aramid decomposes above about 400 C")
    elif high > CLOTH_WEAKENS_C:
        found.append(f"aramid cloth loses strength from about {CLOTH_WEAKENS_C:.0f} C: look at it before every pour")
    if high >= RED_LIMIT_C - 1.0:
        found.append(f"red above {RED_LIMIT_C:.0f} C: lead fume; dust and dross are a danger at any temperature")
    if first_cast:
        found.append("first cast: a cold gate is counted in; better warm sled and gate")
    if not within:
        found.append("alloy outside the assessed range: the liquidus may be 10 K and more off")
    return tuple(found)


def _rests_on(limits: WindowLimits, uncertainty_k: float, cloth_factor: float) -> str:
    verdicts = (
        "no logged verdict: limits of flow are estimates, a factor of two either way"
        if limits.verdicts_used == 0
        else f"{limits.verdicts_used} logged verdicts of this shop"
    )
    cloth = (
        "within a factor of two until logged"
        if cloth_factor == 1.0
        else f"{cloth_factor:.2f} of the estimate, by the log"
    )
    return f"{verdicts}; liquidus within {uncertainty_k:.0f} K; cloth resistance {cloth}"
