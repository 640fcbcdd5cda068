"""The table under the sheet: cells of cloth and of stone, warmed from above, in steps that never overshoot. Units: SI.

The cells' own temperatures fade as a sum of modes, each by its exponential, found once for a table; what the sheet
sends down feeds every mode. A step of any length costs a few products of short rows and keeps the heat exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipemetal.casting.model import Array, ThermalSettings

__all__ = ["Base", "Step", "base_of", "film_coefficient_w_m2k"]

STEFAN_BOLTZMANN = 5.670374e-8
CLOTH_CELLS = 6
STONE_CELLS = 28
_STONE_GROWTH = 1.12


def film_coefficient_w_m2k(surface_c: float, air_c: float, emissivity: float) -> float:
    """Heat transfer from a hot face upwards to still air: natural convection and radiation.

    Sources: turbulent plate formula, 1.5 dT^(1/3) W/m2K (textbook); grey radiation.
    """
    difference = surface_c - air_c
    hot, cold = surface_c + 273.15, air_c + 273.15
    radiation = emissivity * STEFAN_BOLTZMANN * (hot**2 + cold**2) * (hot + cold)
    return float(1.5 * abs(difference) ** (1.0 / 3.0) + radiation)


@dataclass(frozen=True, eq=False)
class Base:
    """The grid of one table: heat capacities and conductances between neighbouring cells, per square metre, and its
    modes.

    ``rates_1_s`` (n) is how fast each mode fades, ``shapes`` (n cells, n modes) its temperatures; ``top`` (n) is the
    uppermost cell's share of each, which is also what a flux from above feeds it. Modes are relative to the air.
    """

    settings: ThermalSettings
    capacity_j_m2k: Array
    depth_m: Array
    links_w_m2k: Array
    to_first_cell_m2k_w: float
    rates_1_s: Array
    shapes: Array
    top: Array

    def uniform(self, temperature_c: float) -> Array:
        """The table all at one temperature."""
        return np.full(len(self.capacity_j_m2k), float(temperature_c))

    def modes(self, temperatures_c: Array, air_c: float | Array) -> Array:
        """Amplitudes of the modes of a state; the last axis runs over the cells, then over the modes."""
        warmer: Array = (np.asarray(temperatures_c) - air_c) * self.capacity_j_m2k
        amplitudes: Array = warmer @ self.shapes
        return amplitudes

    def cells(self, amplitudes: Array, air_c: float) -> Array:
        """Temperatures of the cells from the amplitudes."""
        temperatures: Array = amplitudes @ self.shapes.T + air_c
        return temperatures

    def step(self, step_s: float) -> Step:
        """What a step of this length does to the modes."""
        return _step(self, step_s)

    def rested(self, temperatures: Array, seconds: float, air_c: float, fan_w_m2k: float = 0.0) -> Array:
        """The bare table after standing in the air for some time."""
        remaining, usual = float(seconds), 10.0 if seconds <= 1200.0 else 60.0
        half_cell = 0.5 * self.settings.cloth_thickness_mm * 1e-3 / CLOTH_CELLS
        inside = half_cell / self.settings.cloth_conductivity_w_mk
        modes = self.modes(temperatures, air_c)
        surface_c = float(temperatures[0])
        while remaining > 1e-9:
            step = self.step(min(remaining, usual))
            outside = film_coefficient_w_m2k(surface_c, air_c, self.settings.emissivity_cloth) + fan_w_m2k
            top = 1.0 / (1.0 / max(outside, 0.1) + inside)
            faded = step.fading * modes
            above_air = float(self.top @ faded) / (1.0 + top * step.yielding)
            modes = faded - top * above_air * step.feeding
            surface_c = above_air + air_c
            remaining -= usual
        return self.cells(modes, air_c)

    def stone_top_c(self, temperatures: Array) -> float:
        """Temperature of the uppermost stone cell."""
        return float(temperatures[CLOTH_CELLS])

    def stone_mean_c(self, temperatures: Array) -> float:
        """Mean temperature of the stone, by heat."""
        weights = self.capacity_j_m2k[CLOTH_CELLS:]
        return float(weights @ temperatures[CLOTH_CELLS:] / weights.sum())

    def cloth_c(self, temperatures: Array) -> float:
        """Temperature of the uppermost cloth cell: what a thermometer on the cloth shows."""
        return float(temperatures[0])


@lru_cache(maxsize=32)
def base_of(settings: ThermalSettings) -> Base:
    """The grid of a table: 6 cloth cells of one size, 28 stone cells that grow with depth."""
    cloth = np.full(CLOTH_CELLS, settings.cloth_thickness_mm * 1e-3 / CLOTH_CELLS)
    stone = _STONE_GROWTH ** np.arange(STONE_CELLS)
    stone *= settings.stone_thickness_mm * 1e-3 / stone.sum()
    size = np.concatenate([cloth, stone])
    factor = settings.cloth_factor
    resistance = np.concatenate(
        [factor * cloth / settings.cloth_conductivity_w_mk, stone / settings.stone_conductivity_w_mk]
    )
    capacity = np.concatenate(
        [
            cloth * settings.cloth_density_kg_m3 * settings.cloth_heat_capacity_j_kgk,
            stone * settings.stone_density_kg_m3 * settings.stone_heat_capacity_j_kgk,
        ]
    )
    between = 0.5 * (resistance[1:] + resistance[:-1])
    between[CLOTH_CELLS - 1] += settings.stone_contact_m2k_w
    first = factor * settings.metal_contact_m2k_w + 0.5 * float(resistance[0])
    rates, shapes = _modes(capacity, 1.0 / between, settings.underside_w_m2k)
    return Base(settings, capacity, np.cumsum(size) - 0.5 * size, 1.0 / between, first, rates, shapes, shapes[0].copy())


def _modes(capacity: Array, links: Array, underside: float) -> tuple[Array, Array]:
    """Rates and shapes of C dT/dt = -K T, scaled so that shapes' C shapes is one."""
    matrix = np.diag(np.append(links, underside) + np.append(0.0, links))
    matrix -= np.diag(links, 1) + np.diag(links, -1)
    root = np.sqrt(capacity)
    rates, vectors = np.linalg.eigh(matrix / np.outer(root, root))
    return np.maximum(rates, 1e-12), vectors / root[:, None]


@dataclass(frozen=True, eq=False)
class Step:
    """A step in time: how the modes fade, what one W/m2 from above feeds each, and how far that lifts the
    uppermost cell.
    """

    fading: Array
    feeding: Array
    yielding: float


@lru_cache(maxsize=512)
def _step(base: Base, step_s: float) -> Step:
    feeding = base.top * -np.expm1(-base.rates_1_s * step_s) / base.rates_1_s
    return Step(np.exp(-base.rates_1_s * step_s), feeding, float(base.top @ feeding))
