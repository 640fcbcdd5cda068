"""Casting against closed forms, worked tables and the few published reports there are.

No published measurement of this process exists: these checks say that the formulae are computed as they are meant, not that
a shop's sheet comes out so. Tables marked ``worked`` were computed apart, on another grid and with another solver.
"""

import math

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import heat_content_kj_kg, liquid_density_kg_m3, solid_density_g_cm3
from pipemetal.casting.base import base_of
from pipemetal.casting.cooling import CoolingPot, cold_pieces, cooling_k_min, wait_s
from pipemetal.casting.freezing import Until, freeze, heat_curve
from pipemetal.casting.laying import Box, Metal, film_of_push
from pipemetal.casting.model import Fluid, Gate, Sled, ThermalSettings
from pipemetal.casting.mush import base_heat_loss_j_m2
from pipemetal.casting.rivals import At, orifice_film_m
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.table import DayCast, day, table_after_rest_c
from pipemetal.casting.window import pour_window

SN50 = Composition.parse("Sn 50 Pb bal")
# Sn50 at 233.8 C, as in the worked table.
METAL = Fluid(8470.0, 2.644e-3, 0.474)


def tin(wt_pct: float) -> Composition:
    return Composition.from_wt_pct({"Sn": wt_pct, "Pb": 100.0 - wt_pct})


def sheet_of_film(comp: Composition, film_mm: float, celsius: float) -> float:
    """Solid thickness of the same mass as a liquid film."""
    return film_mm * liquid_density_kg_m3(comp, celsius) * 1e-3 / solid_density_g_cm3(comp)


def orifice_flow(gate_mm: float, head_mm: float, fluid: Fluid = METAL, lip_mm: float = 5.0, drag: float = 0.0) -> float:
    """Flow per metre of width under a sharp gate, in m2/s, at a push of 1 m/s."""
    values = (1e-3 * gate_mm, 1e-3 * head_mm, 1.0, 0.5, 0.0, 20.0)
    metal = (fluid.density_kg_m3, fluid.viscosity_pa_s, fluid.surface_tension_n_m, 1e-3 * lip_mm, 0.2)
    at = At(*(np.array([v]) for v in (*values, *metal)))
    return float(orifice_film_m(at, discharge=0.61, drag=drag)[0])


def test_flow_without_losses_is_that_of_torricelli() -> None:
    # 0.61 g sqrt(2 G H), g 3.5 mm, H 60 mm, G 9.81: 0.002316 m2/s. The loss of head is put back.
    still = Fluid(8470.0, 1e-5, 0.0)
    assert orifice_flow(3.5, 60.0 + 0.61 * 3.5, still, 0.0) == pytest.approx(0.002316, abs=1e-6)


@pytest.mark.parametrize(
    ("gate_mm", "head_mm", "flow"),
    [
        (2.0, 20, 6.7853e-04),
        (2.0, 80, 1.4856e-03),
        (2.5, 30, 1.0905e-03),
        (3.0, 60, 1.9205e-03),
        (3.5, 20, 1.2030e-03),
        (3.5, 40, 1.7982e-03),
        (3.5, 60, 2.2406e-03),
        (3.5, 80, 2.6091e-03),
        (4.0, 50, 2.3197e-03),
        (5.0, 20, 1.6973e-03),
        (5.0, 60, 3.1902e-03),
        (5.0, 80, 3.7183e-03),
    ],
)
def test_flow_of_the_orifice_over_gates_and_heads(gate_mm: float, head_mm: float, flow: float) -> None:
    assert orifice_flow(gate_mm, head_mm) == pytest.approx(flow, rel=1e-4)  # worked


@pytest.mark.parametrize(("factor", "share"), [(1, 0.9991), (10, 0.9912), (100, 0.9151), (1000, 0.4494)])
def test_friction_of_the_orifice_counts_only_in_mush(factor: float, share: float) -> None:
    thick = Fluid(METAL.density_kg_m3, METAL.viscosity_pa_s * factor, METAL.surface_tension_n_m)
    ideal = Fluid(METAL.density_kg_m3, 1e-5, METAL.surface_tension_n_m)
    assert orifice_flow(3.5, 60.0, thick) / orifice_flow(3.5, 60.0, ideal) == pytest.approx(share, abs=0.001)  # worked


def orifice_box(gate_mm: float, box_m: float = 0.25) -> Box:
    metal = Metal(SN50, 234.0, 18.0, 0.0, METAL)
    sharp = ShopLaw.known("orifice", level=math.log(0.61 / 0.60))
    return Box.of(Sled(1e3 * box_m, 800), Gate(lip_mm=0.0), gate_mm, metal, sharp)


def test_root_of_head_falls_evenly_in_time_where_the_head_alone_drives() -> None:
    # sqrt(H') falls by Cd g sqrt(2 G)/(2 Lb) per second whatever the speed (closed form), with the head's loss and no drag.
    box = orifice_box(3.5)
    x = np.linspace(0.0, 4.0, 800)
    laid = film_of_push(box, x, np.linspace(1.0, 1.4, 800), 100.0, 0.0)
    assert not isinstance(laid, str)
    lost = 0.60 * 3.5e-3 + 0.474 / (8470.0 * 9.81 * 3.5e-3)
    # what is dragged (0.03 of the gate, 5 % of the film) makes it fall so much faster
    slope = 0.61 * 3.5e-3 * math.sqrt(2 * 9.81) / (2 * 0.25)
    fallen = math.sqrt(laid.head_m[0] - lost) - np.sqrt(laid.head_m - lost)
    share = fallen[1:] / (slope * laid.time_s[1:])
    assert share.min() > 1.0 and share.max() < 1.10


def test_heat_into_cloth_through_a_contact() -> None:
    # Carslaw & Jaeger 1959 (not checked): 173.03 kJ/m2 for h 2000, e 312.2, 162.2 K, 10 s.
    assert base_heat_loss_j_m2(ThermalSettings(), 162.2, 10.0) == pytest.approx(173.03e3, abs=15.0)


def test_energy_is_neither_made_nor_lost() -> None:
    frozen = freeze(SN50, 2.0, 233.8, 20.0, 20.0, ThermalSettings(underside_w_m2k=0.0), until=Until(60.0))
    base = base_of(ThermalSettings(underside_w_m2k=0.0))
    gained = float(base.capacity_j_m2k @ (frozen.table_c - 20.0)) * 1e-3
    assert gained == pytest.approx(frozen.heat_to_table_kj_m2, rel=1e-3)
    assert frozen.heat_lost_kj_m2 == pytest.approx(frozen.heat_to_table_kj_m2 + frozen.heat_to_air_kj_m2, rel=1e-3)


def test_an_independent_integrator_finds_the_same_times() -> None:
    # Explicit finite differences, steps of 2 ms, cloth in 12 and stone in 60 even cells: within 2 %.
    s, curve = ThermalSettings(), heat_curve(SN50)
    size = np.concatenate([np.full(12, 1e-3 / 12), np.full(60, 75e-3 / 60)])
    k = np.where(np.arange(72) < 12, s.cloth_conductivity_w_mk, s.stone_conductivity_w_mk)
    capacity = size * np.where(np.arange(72) < 12, 650.0 * 1500.0, 2650.0 * 800.0)
    between = 0.5 * (size[1:] / k[1:] + size[:-1] / k[:-1])
    between[11] += s.stone_contact_m2k_w
    first = s.metal_contact_m2k_w + 0.5 * size[0] / k[0]
    t, heat, mass, dt = np.full(72, 20.0), curve.heat_at(233.8), solid_density_g_cm3(SN50) * 2.0, 0.002
    reached: dict[float, float] = {}
    for step in range(40_000):
        sheet = float(np.interp(heat, curve.heat_j_kg, curve.temperature_c))
        top = 1.5 * abs(sheet - 20.0) ** (1 / 3)
        top += 0.25 * 5.670374e-8 * ((sheet + 273.15) ** 2 + 293.15**2) * (sheet + 566.3)
        down = (sheet - t[0]) / first
        heat -= dt * (down + top * (sheet - 20.0)) / mass
        flow = (t[:-1] - t[1:]) / between
        t[0] += dt * down / capacity[0]
        t[:-1] -= dt * flow / capacity[:-1]
        t[1:] += dt * flow / capacity[1:]
        t[-1] -= dt * 8.0 * (t[-1] - 20.0) / capacity[-1]
        solid = curve.solid_at(heat)
        for share in (0.3, 0.6, 0.995):
            if solid >= share and share not in reached:
                reached[share] = dt * (step + 1)
        if len(reached) == 3:
            break
    ours = freeze(SN50, 2.0, 233.8, 20.0, 20.0)
    assert ours.time_to_30pct_s == pytest.approx(reached[0.3], rel=0.02)
    assert ours.time_to_60pct_s == pytest.approx(reached[0.6], rel=0.02)
    assert ours.time_to_solid_s == pytest.approx(reached[0.995], rel=0.02)


# Worked: Sn wt%, film mm, superheat K, table C; seconds to 2, 30, 60 % and all solid. That solver gives off the latent
# heat evenly with the share of solid; ours as each solid forms, which for 20 to 50 % tin (lead-rich solid first, little
# heat) shortens the 30 % time by up to 15 % and for 20 and 30 % lengthens the whole by up to 14 %. Hence the tolerances
# by alloy (30 %, 60 %, all).
FREEZE_TIMES = [
    (20, 2.0, 20, 20, 0.87, 5.99, 15.61, 39.64),
    (30, 2.0, 20, 20, 1.08, 9.25, 26.48, 46.61),
    (50, 1.0, 20, 20, 0.54, 7.74, 14.67, 24.16),
    (50, 2.0, 20, 20, 1.72, 19.35, 34.22, 54.75),
    (50, 2.0, 20, 50, 2.25, 23.66, 41.73, 66.66),
    (62, 2.0, 20, 20, 2.2, 15.0, 31.0, 53.0),
    (75, 2.0, 20, 20, 2.0, 17.0, 35.0, 59.0),
    (90, 2.0, 20, 20, 1.6, 14.0, 32.0, 61.0),
    (95, 2.0, 20, 20, 1.5, 13.0, 28.0, 59.0),
    (95, 3.0, 20, 20, 3.1, 22.0, 45.0, 94.0),
]
WITHIN = {20: (0.03, 0.03, 0.14), 30: (0.15, 0.06, 0.08), 50: (0.13, 0.04, 0.01)}


@pytest.mark.parametrize("row", FREEZE_TIMES)
def test_freezing_times(row: tuple[float, ...]) -> None:
    wt, film, superheat, table, first, third, most, whole = row
    comp = tin(wt)
    pour = liquidus(comp).temperature_c + superheat
    ours = freeze(comp, sheet_of_film(comp, film, pour), pour, table, 20.0)
    printed = 0.5 if wt >= 62 else 0.0  # those rows are printed to whole seconds
    within = WITHIN.get(int(wt), (0.035, 0.025, 0.02))
    assert ours.time_to_first_solid_s == pytest.approx(first, abs=0.3)
    for got, said, share in zip(
        (ours.time_to_30pct_s, ours.time_to_60pct_s, ours.time_to_solid_s), (third, most, whole), within, strict=True
    ):
        assert abs(got - said) <= share * said + printed


@pytest.mark.parametrize(
    ("minutes", "tops", "third", "whole"),
    [
        (5, (34, 42, 59, 77.6), (19.3, 29.1), (55, 82)),
        (10, (29, 35, 48, 63.3), (19.3, 26.0), (55, 74)),
        (20, (26, 31, 41, 50.9), (19.3, 23.8), (55, 67)),
        (30, (25, 29.5, 38, 43.9), (19.3, 22.6), (55, 64)),
    ],
)
def test_the_stone_through_a_day(
    minutes: float, tops: tuple[float, ...], third: tuple[float, float], whole: tuple[float, float]
) -> None:
    # Worked: 2 mm film of Sn50, left 2 min, air 20 C; stone top before casts 2, 3, 6, 11. The 30 % times 9 % lower, see above.
    sheet = sheet_of_film(SN50, 2.0, 233.8)
    found = day([DayCast(SN50, sheet, 233.8, 60.0 * minutes * i) for i in range(11)])
    assert [found[i].stone_top_c for i in (1, 2, 5, 10)] == pytest.approx(tops, abs=0.55)
    assert [found[i].freezing.time_to_30pct_s for i in (0, 10)] == pytest.approx(third, rel=0.10)
    assert [found[i].freezing.time_to_solid_s for i in (0, 10)] == pytest.approx(whole, rel=0.015)
    assert found[0].freezing.heat_to_table_kj_m2 == pytest.approx(1011.0, rel=0.01)


def test_the_stone_overnight() -> None:
    # Worked: from the 63 C before an eleventh cast (8 min after the tenth sheet was lifted) 1 h 47, 2 h 39, 4 h 30, 12 h 21 C,
    # printed to whole degrees.
    last = day([DayCast(SN50, sheet_of_film(SN50, 2.0, 233.8), 233.8, 600.0 * i) for i in range(10)])[-1]
    stone = [table_after_rest_c(last, 480.0 + 3600.0 * hours)[1] for hours in (0, 1, 2, 4, 12)]
    assert stone == pytest.approx([63, 47, 39, 30, 21], abs=0.8)


def test_one_sheet_warms_the_whole_slab_by_six_degrees() -> None:
    # By hand: 1011 kJ/m2 over 0.075 m * 2650 * 800 = 159 kJ/m2K.
    first = day([DayCast(SN50, sheet_of_film(SN50, 2.0, 233.8), 233.8, 0.0)])[0]
    assert first.freezing.heat_to_table_kj_m2 / (0.075 * 2650 * 0.8) == pytest.approx(6.4, abs=0.1)


@pytest.mark.parametrize(
    ("wt", "film", "table", "low", "high"),
    [
        (20, 3.0, 20, 3.7, 93),
        (30, 2.0, 60, 3.3, 102),
        (30, 3.0, 20, 3.1, 64),
        (50, 1.5, 20, 2.2, 105),
        (50, 2.0, 20, 1.7, 52),
        (50, 2.0, 60, 1.3, 24),
        (62, 2.0, 20, 3.9, 66),
        (62, 3.0, 20, 3.9, 24),
        (75, 2.0, 20, 3.2, 61),
        (90, 2.0, 20, 3.7, 82),
        (95, 2.0, 20, 3.9, 91),
        (95, 3.0, 60, 3.8, 19),
    ],
)
def test_hot_bands(wt: float, film: float, table: float, low: float, high: float) -> None:
    # Worked, K above the liquidus in the pot: film not over 5 % solid at the gate; mobile for 20 s. The upper limit is an
    # estimate whatever the arithmetic; ours is within 10 % and 5 K. The lower within 2.5 K.
    comp = tin(wt)
    window = pour_window(comp, sheet_of_film(comp, film, liquidus(comp).temperature_c + 20), table, 20.0)
    hot = window.bands[-1]
    assert hot.too_cold_below_c - window.liquidus_c == pytest.approx(low, abs=2.5)
    assert hot.too_hot_above_c - window.liquidus_c == pytest.approx(high, abs=0.10 * high + 5.0)


def test_reports_of_roofing_lead_lie_at_or_above_the_lower_limit() -> None:
    # Trade article (metal let fall to about 350 C) and an eyewitness of 2015 (330 C, bed 6 x 1.4 m): +22 and +2.5 K on sand,
    # which takes far less heat than cloth on stone. For our cloth the too-cold limit of lead lies above both: said, not hidden.
    window = pour_window(Composition.parse("Pb 100"), 3.0, 20.0, 20.0)
    assert 330.0 - 3.0 <= window.too_cold_below_c < 360.0


@pytest.mark.parametrize(
    ("wt", "start", "end", "alone", "with_steel"),
    [
        (20, 340, 290, 6.39, 9.60),
        (30, 340, 290, 6.10, 9.01),
        (50, 340, 290, 5.84, 8.34),
        (50, 290, 233.8, 7.37, 10.53),
        (62, 340, 290, 5.77, 8.12),
        (62, 290, 202.6, 12.13, 17.06),
        (75, 290, 217.4, 9.70, 13.42),
        (95, 290, 244.8, 5.73, 7.75),
    ],
)
def test_cold_pieces(wt: float, start: float, end: float, alone: float, with_steel: float) -> None:
    # Worked from an interpolated table of heat contents: 60 kg, pieces at 20 C, no pot or 10 kg of steel.
    assert cold_pieces(tin(wt), 60, start, end).total_kg == pytest.approx(alone, rel=0.025)
    assert cold_pieces(tin(wt), 60, start, end, pot_steel_kg=10).total_kg == pytest.approx(with_steel, rel=0.02)


def test_heat_of_a_cold_piece() -> None:
    assert heat_content_kj_kg(SN50, 290) + 5e-3 * 182.5 == pytest.approx(99.7, abs=1.0)  # worked: 20 to 290 C


def test_a_pot_cools() -> None:
    # Worked: 60 kg of Sn50, bare steel pot of 0.26 m and 10 kg: 7.2, 5.7, 4.4 K/min; lagged to a quarter 2.6, 2.1, 1.6; 8.1 min
    # from 340 to 290 C. The wall's height is not printed; with the usual 200 mm ours are 7 to 11 % lower.
    bare = [cooling_k_min(SN50, 60, t) for t in (340, 300, 260)]
    lagged = [cooling_k_min(SN50, 60, t, pot=CoolingPot(side_loss_share=0.25)) for t in (340, 300, 260)]
    assert bare == pytest.approx([7.2, 5.7, 4.4], rel=0.12)
    assert lagged == pytest.approx([2.6, 2.1, 1.6], rel=0.10)
    assert wait_s(SN50, 60, 340, 290) / 60 == pytest.approx(8.1, rel=0.12)
