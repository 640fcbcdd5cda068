"""Freezing held against a general solver for stiff equations: another grid, another way in time, another program.

Integrator: scipy.integrate.solve_ivp, method BDF (P. Virtanen et al., Nature Methods 17 (2020) 261; Shampine & Reichelt, SIAM J.
Sci. Comput. 18 (1997) 1). Cloth in 12 and stone in 60 even cells; heat of the sheet as an unknown of its own. Within 2 %.
"""

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.casting.base import STEFAN_BOLTZMANN
from pipemetal.casting.freezing import freeze, heat_curve
from pipemetal.casting.model import ThermalSettings

integrate = pytest.importorskip("scipy.integrate")

SIZE = np.concatenate([np.full(12, 1e-3 / 12), np.full(60, 75e-3 / 60)])


def seconds_to_solid(
    comp: Composition, thickness_mm: float, film_c: float, table_c: float, shares: list[float]
) -> list[float]:
    s, curve = ThermalSettings(), heat_curve(comp)
    cloth = np.arange(72) < 12
    k = np.where(cloth, s.cloth_conductivity_w_mk, s.stone_conductivity_w_mk)
    capacity = SIZE * np.where(
        cloth, s.cloth_density_kg_m3 * s.cloth_heat_capacity_j_kgk, s.stone_density_kg_m3 * s.stone_heat_capacity_j_kgk
    )
    between = 0.5 * (SIZE[1:] / k[1:] + SIZE[:-1] / k[:-1])
    between[11] += s.stone_contact_m2k_w
    first = s.metal_contact_m2k_w + 0.5 * SIZE[0] / k[0]
    mass = solid_density_g_cm3(comp) * thickness_mm
    scale = 1e3

    def rates(_: float, state: np.ndarray) -> np.ndarray:
        sheet = float(np.interp(state[0] * scale, curve.heat_j_kg, curve.temperature_c))
        hot, cold = sheet + 273.15, 293.15
        top = 1.5 * abs(sheet - 20.0) ** (1.0 / 3.0) + 0.25 * STEFAN_BOLTZMANN * (hot**2 + cold**2) * (hot + cold)
        down = (sheet - state[1]) / first
        flow = np.concatenate([[down], (state[1:-1] - state[2:]) / between, [8.0 * (state[-1] - 20.0)]])
        return np.concatenate([[-(down + top * (sheet - 20.0)) / mass / scale], (flow[:-1] - flow[1:]) / capacity])

    begin = np.concatenate([[curve.heat_at(film_c) / scale], np.full(72, table_c)])
    found = integrate.solve_ivp(rates, (0.0, 150.0), begin, method="BDF", rtol=1e-6, atol=1e-5, max_step=0.5)
    solid = np.interp(found.y[0] * scale, curve.heat_j_kg, curve.fraction_solid)
    return [float(np.interp(share, solid, found.t)) for share in shares]


@pytest.mark.parametrize(
    ("text", "thickness_mm", "superheat_k", "table_c"),
    [
        ("Sn 50 Pb bal", 2.0, 20.0, 20.0),
        ("Sn 20 Pb bal", 1.2, 25.0, 20.0),
        ("Sn 75 Pb bal", 2.0, 10.0, 50.0),
        ("Sn 95 Pb bal", 1.5, 30.0, 35.0),
        ("Sn 50 Sb 0.5 Pb bal", 2.4, 20.0, 60.0),
    ],
)
def test_a_stiff_solver_freezes_sheets_in_the_same_time(
    text: str, thickness_mm: float, superheat_k: float, table_c: float
) -> None:
    comp = Composition.parse(text)
    film_c = liquidus(comp).temperature_c + superheat_k
    ours = freeze(comp, thickness_mm, film_c, table_c, 20.0)
    third, most, whole = seconds_to_solid(comp, thickness_mm, film_c, table_c, [0.30, 0.60, 0.995])
    assert ours.time_to_30pct_s == pytest.approx(third, rel=0.02)
    assert ours.time_to_60pct_s == pytest.approx(most, rel=0.02)
    assert ours.time_to_solid_s == pytest.approx(whole, rel=0.02)
