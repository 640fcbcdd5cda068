"""How a sheet freezes on the cloth: one temperature through the sheet, the cloth and a finite stone under it.

The sheet's Biot number is about 0.01, so one cell serves; the cloth decides the time. Units inside: SI.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import (
    liquid_heat_capacity_j_kgk,
    solid_density_g_cm3,
    solid_heat_capacity_j_kgk,
)
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.casting.base import CLOTH_CELLS, Base, base_of, film_coefficient_w_m2k
from pipemetal.casting.model import Array, ThermalSettings, checked

__all__ = ["Freezing", "HeatCurve", "Until", "freeze", "heat_curve"]

FIRST_SOLID = 0.02
RUNS_NO_MORE = 0.25
ALL_SOLID = 0.995
# Steps grow with time: the first crystals come within a second or two, the end after a minute.
STEPS_S = ((0.0, 0.025), (0.5, 0.05), (2.0, 0.1), (6.0, 0.25), (30.0, 0.5), (120.0, 1.0))
_STEPS_BACKWARDS = tuple((since - 1e-9, step) for since, step in reversed(STEPS_S))
# A melt that halts at one temperature is given this span, so that heat and temperature stay in one-to-one relation.
_HALT_SPAN_K = 0.3


@dataclass(frozen=True, eq=False)
class HeatCurve:
    """Heat content of quickly cooled metal against temperature, zero at 0 C: rising points, straight between.

    ``fraction_solid`` is by moles of atoms, which is the share of the volume within 2 %: what decides whether grains
    touch.
    """

    temperature_c: Array
    heat_j_kg: Array
    fraction_solid: Array

    def temperature_at(self, heat_j_kg: float) -> float:
        """Temperature at a heat content."""
        return float(np.interp(heat_j_kg, self.heat_j_kg, self.temperature_c))

    def heat_at(self, temperature_c: float) -> float:
        """Heat content at a temperature."""
        return float(np.interp(temperature_c, self.temperature_c, self.heat_j_kg))

    def solid_at(self, heat_j_kg: float) -> float:
        """Share of solid at a heat content."""
        return float(np.interp(heat_j_kg, self.heat_j_kg, self.fraction_solid))

    def lists(self) -> tuple[list[float], list[float]]:
        """Heats and temperatures as plain lists, which a loop reads faster."""
        return _lists(self)

    def heat_at_solid(self, fraction: float) -> float:
        """Heat content at which this share is solid."""
        return float(np.interp(-fraction, -self.fraction_solid, self.heat_j_kg))


@dataclass(frozen=True, eq=False)
class Freezing:
    """How one sheet froze; shares of solid are by volume.

    Times count from the moment the film is laid; nan where it did not come to that in the run.

    ``table_c`` is the table's state at the end (for the next cast); the histories share ``time_s``.
    """

    time_to_first_solid_s: float
    time_to_25pct_s: float
    time_to_30pct_s: float
    time_to_60pct_s: float
    time_to_solid_s: float
    heat_to_table_kj_m2: float
    heat_to_air_kj_m2: float
    heat_lost_kj_m2: float
    time_s: Array
    sheet_c: Array
    fraction_solid: Array
    stone_top_c: Array
    table_c: Array

    def time_to_s(self, share: float) -> float:
        """When this share of the volume is solid; nan where the run did not come to that."""
        return _reached(self.time_s, self.fraction_solid, share)


@lru_cache(maxsize=1024)
def _lists(curve: HeatCurve) -> tuple[list[float], list[float]]:
    return curve.heat_j_kg.tolist(), curve.temperature_c.tolist()


@lru_cache(maxsize=1024)
def heat_curve(comp: Composition) -> HeatCurve:
    """Heat content of an alloy on fast cooling: liquid, freezing by the Scheil curve, solid with nothing dissolving.

    Sources: latent heat and liquid heat capacity from the assessed Gibbs energies; solid heat capacity by mass mean.

    >>> curve = heat_curve(Composition.parse("Pb 100"))
    >>> round((curve.heat_at(340) - curve.heat_at(320)) / 1e3, 1)  # 23.0 of melting, 2.8 of warming
    25.8
    """
    curve = freezing_curve(comp)
    start = liquidus(comp).temperature_c
    solid_cp = solid_heat_capacity_j_kgk(comp)
    liquid_cp = liquid_heat_capacity_j_kgk(comp, start + 20.0)
    t, solid = curve.temperature_c.copy(), curve.fraction_solid
    # Cooling while freezing gives off the mean of both heat capacities beside the latent heat.
    cp = (1.0 - solid) * liquid_cp + solid * solid_cp
    cooling = np.concatenate([[0.0], np.cumsum(0.5 * (cp[1:] + cp[:-1]) * -np.diff(t))])
    heat = -(1e3 * curve.latent_kj_kg + cooling)
    share = curve.fraction_solid_molar
    for i in range(1, len(t)):
        t[i] = min(t[i], t[i - 1] - _HALT_SPAN_K * max(float(solid[i] - solid[i - 1]), 1e-3))
    top, bottom = 900.0, -60.0
    t = np.concatenate([[top], t, [bottom]])
    heat = np.concatenate([[liquid_cp * (top - start)], heat, [heat[-1] - solid_cp * (t[-2] - bottom)]])
    heat -= heat[-1] - solid_cp * bottom
    return HeatCurve(t[::-1], heat[::-1], np.concatenate([[0.0], share, [1.0]])[::-1])


@dataclass(frozen=True)
class Until:
    """How long freezing is followed: seconds, or until this share of the volume is solid."""

    duration_s: float | None = None
    solid: float | None = None


ALL_FROZEN: Final = Until()


def freeze(
    comp: Composition,
    thickness_mm: float,
    pour_temperature_c: float,
    table_temperature_c: float,
    air_temperature_c: float,
    settings: ThermalSettings | None = None,
    *,
    table_state_c: Array | None = None,
    until: Until = ALL_FROZEN,
) -> Freezing:
    """The freezing of one sheet.

    Arguments:
        thickness_mm: of the solid sheet, 0.2 to 10 mm.
        pour_temperature_c: of the film as it lies on the cloth, colder than the metal in the sled by what the way
        costs. table_temperature_c: of the whole table before, unless ``table_state_c`` gives every cell.
        until: how long to follow; all is solid where nothing is said.
    Raises:
        CastingError: input out of range.
    Sources: docs/casting.md; the default cloth is an estimate, a factor of two either way.

    >>> found = freeze(Composition.parse("Sn 50 Pb bal"), 2.0, 233.8, 20, 20)
    >>> 16 < found.time_to_30pct_s < 21 and 50 < found.time_to_solid_s < 60
    True
    """
    settings = settings or ThermalSettings()
    checked("thickness_mm", thickness_mm, 0.2, 10.0, "mm")
    checked("pour_temperature_c", pour_temperature_c, -20.0, 600.0, "C")
    checked("table_temperature_c", table_temperature_c, -20.0, 320.0, "C")
    checked("air_temperature_c", air_temperature_c, -20.0, 60.0, "C")
    base = base_of(settings)
    table = base.uniform(table_temperature_c) if table_state_c is None else np.array(table_state_c, dtype=float)
    mass_kg_m2 = 1e3 * solid_density_g_cm3(comp) * thickness_mm * 1e-3
    stop = ALL_SOLID + 0.004 if until.solid is None else until.solid
    limit = 3600.0 if until.duration_s is None else checked("duration_s", until.duration_s, 0.1, 86400.0, "s")
    return _run(
        heat_curve(comp),
        base,
        table,
        mass_kg_m2,
        float(pour_temperature_c),
        float(air_temperature_c),
        limit,
        stop if until.duration_s is None or until.solid is not None else math.inf,
    )


def _run(
    curve: HeatCurve, base: Base, table: Array, mass: float, start_c: float, air_c: float, limit_s: float, stop: float
) -> Freezing:
    """March in time. Each step is implicit in the sheet, exact in the table."""
    heat = start_heat = curve.heat_at(start_c)
    least_heat = -math.inf if math.isinf(stop) else curve.heat_at_solid(stop)
    walk = _Walk(curve, heat)
    modes, sheet, time = base.modes(table, air_c), float(start_c), 0.0
    emissivity, contact, top_row = base.settings.emissivity_metal, base.to_first_cell_m2k_w, base.top
    to_table = to_air = 0.0
    times, heats, states = [0.0], [heat], [modes]
    while time < limit_s - 1e-9 and heat > least_heat:
        length = min(next(s for since, s in _STEPS_BACKWARDS if time >= since), limit_s - time)
        step = base.step(length)
        faded = step.fading * modes
        free_c = float(top_row @ faded) + air_c
        link = 1.0 / (contact + step.yielding)
        top = film_coefficient_w_m2k(sheet, air_c, emissivity)
        heat, sheet = walk.to(mass / length, link + top, link * free_c + top * air_c)
        flux = link * (sheet - free_c)
        modes = faded + flux * step.feeding
        time += length
        to_table += flux * length
        to_air += top * (sheet - air_c) * length
        times.append(time)
        heats.append(heat)
        states.append(modes)
    t, h = np.array(times), np.array(heats)
    solid = np.interp(h, curve.heat_j_kg, curve.fraction_solid)
    first, runs, third, most, whole = (
        _reached(t, solid, share) for share in (FIRST_SOLID, RUNS_NO_MORE, 0.30, 0.60, ALL_SOLID)
    )
    return Freezing(
        first,
        runs,
        third,
        most,
        whole,
        1e-3 * to_table,
        1e-3 * to_air,
        1e-3 * mass * (start_heat - heat),
        t,
        np.interp(h, curve.heat_j_kg, curve.temperature_c),
        solid,
        np.array(states) @ base.shapes[CLOTH_CELLS] + air_c,
        base.cells(modes, air_c),
    )


class _Walk:
    """Where the sheet's heat balance crosses zero, step by step, walking along the heat curve from where it stood.

    The balance rises along the curve, which is straight between its points, so the crossing is exact.
    """

    def __init__(self, curve: HeatCurve, heat: float) -> None:
        self.heats, self.temperatures = curve.lists()
        self.last = len(self.heats) - 2
        self.heat = heat
        self.at = min(max(bisect.bisect_right(self.heats, heat) - 1, 0), self.last)

    def to(self, storing: float, leaving: float, coming: float) -> tuple[float, float]:
        """Heat content and temperature with storing (h - h0) + leaving T(h) = coming."""
        heats, temperatures, k = self.heats, self.temperatures, self.at
        wanted = coming + storing * self.heat
        low = storing * heats[k] + leaving * temperatures[k]
        while low > wanted and k > 0:
            k -= 1
            low = storing * heats[k] + leaving * temperatures[k]
        high = storing * heats[k + 1] + leaving * temperatures[k + 1]
        while high < wanted and k < self.last:
            k += 1
            low, high = high, storing * heats[k + 1] + leaving * temperatures[k + 1]
        part = min(max((wanted - low) / (high - low), 0.0), 1.0)
        self.at = k
        self.heat = heats[k] + part * (heats[k + 1] - heats[k])
        return self.heat, temperatures[k] + part * (temperatures[k + 1] - temperatures[k])


def _reached(time_s: Array, solid: Array, share: float) -> float:
    """When the share is first reached, straight between steps."""
    past = np.flatnonzero(solid >= share)
    if len(past) == 0:
        return math.nan
    i = int(past[0])
    if i == 0:
        return 0.0
    part = (share - solid[i - 1]) / (solid[i] - solid[i - 1])
    return float(time_s[i - 1] + part * (time_s[i] - time_s[i - 1]))
