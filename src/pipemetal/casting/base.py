"""The table under the sheet: cells of cloth and of stone, warmed from above, in steps that never overshoot. Units: SI.

Backward Euler on a fixed grid; the matrix of each step length is inverted once. What the sheet sends down enters as one
flux, so a step needs one product and one correction (rank one).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipemetal.casting.model import Array, ThermalSettings

__all__ = ["Base", "base_of", "film_coefficient_w_m2k"]

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
    """The grid of one table: heat capacities and conductances between neighbouring cells, per square metre."""

    settings: ThermalSettings
    capacity_j_m2k: Array
    depth_m: Array
    links_w_m2k: Array
    to_first_cell_m2k_w: float

    def uniform(self, temperature_c: float) -> Array:
        """The table all at one temperature."""
        return np.full(len(self.capacity_j_m2k), float(temperature_c))

    def inverse(self, step_s: float, top_w_m2k: float = 0.0) -> Array:
        """Inverse of (capacity/step + conductances): from what a step holds to temperatures at its end."""
        return _inverse(self, step_s, round(top_w_m2k, 1))

    def held(self, temperatures: Array, step_s: float, air_c: float) -> Array:
        """Right side of a step: heat held, and what the room gives through the underside."""
        right = self.capacity_j_m2k / step_s * temperatures
        right[-1] += self.settings.underside_w_m2k * air_c
        return right

    def rested(self, temperatures: Array, seconds: float, air_c: float, fan_w_m2k: float = 0.0) -> Array:
        """The bare table after standing in the air for some time."""
        remaining = float(seconds)
        while remaining > 1e-9:
            step = min(remaining, 10.0 if seconds <= 1200.0 else 60.0)
            top = film_coefficient_w_m2k(float(temperatures[0]), air_c, self.settings.emissivity_cloth) + fan_w_m2k
            half_cell = 0.5 * self.settings.cloth_thickness_mm * 1e-3 / CLOTH_CELLS
            top = 1.0 / (1.0 / max(top, 0.1) + half_cell / self.settings.cloth_conductivity_w_mk)
            top = round(top, 1)
            right = self.held(temperatures, step, air_c)
            right[0] += top * air_c
            temperatures = self.inverse(step, top) @ right
            remaining -= step
        return temperatures

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
    resistance = np.concatenate([
        factor * cloth / settings.cloth_conductivity_w_mk, stone / settings.stone_conductivity_w_mk
    ])  # fmt: skip
    capacity = np.concatenate([
        cloth * settings.cloth_density_kg_m3 * settings.cloth_heat_capacity_j_kgk,
        stone * settings.stone_density_kg_m3 * settings.stone_heat_capacity_j_kgk,
    ])  # fmt: skip
    between = 0.5 * (resistance[1:] + resistance[:-1])
    between[CLOTH_CELLS - 1] += settings.stone_contact_m2k_w
    first = factor * settings.metal_contact_m2k_w + 0.5 * float(resistance[0])
    return Base(settings, capacity, np.cumsum(size) - 0.5 * size, 1.0 / between, first)


@lru_cache(maxsize=256)
def _inverse(base: Base, step_s: float, top_w_m2k: float) -> Array:
    n = len(base.capacity_j_m2k)
    matrix = np.diag(base.capacity_j_m2k / step_s)
    for i, link in enumerate(base.links_w_m2k):
        matrix[i, i] += link
        matrix[i + 1, i + 1] += link
        matrix[i, i + 1] -= link
        matrix[i + 1, i] -= link
    matrix[0, 0] += top_w_m2k
    matrix[n - 1, n - 1] += base.settings.underside_w_m2k
    inverse: Array = np.linalg.inv(matrix).astype(np.float64)
    return inverse
