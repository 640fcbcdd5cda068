"""What must hold for every alloy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.alloys.assay import Beside, Weighing, tin_from_weighing, water_density_g_cm3
from pipemetal.alloys.composition import ELEMENTS, Composition, mix
from pipemetal.alloys.equilibrium import equilibrium
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import (
    heat_content_kj_kg,
    liquid_density_kg_m3,
    solid_density_g_cm3,
    viscosity_mpa_s,
)
from pipemetal.alloys.property_table import PROPERTY_SOURCES, value_of
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c

few = settings(max_examples=12, deadline=None)
many = settings(max_examples=150, deadline=None)


@st.composite
def any_composition(draw: st.DrawFn) -> Composition:
    parts = draw(st.lists(st.floats(0, 1), min_size=7, max_size=7).filter(lambda p: sum(p) > 0.01))
    return Composition(tuple(part / sum(parts) for part in parts))


@st.composite
def pipe_metal(draw: st.DrawFn) -> Composition:
    small = {e: draw(st.sampled_from([0.0, 0.0, top / 4, top])) for e, top in (("Sb", 2), ("Bi", 1), ("Cu", 0.3))}
    tin = draw(st.floats(1, 97))
    rest = 100.0 - sum(small.values())
    return Composition.from_wt_pct({"Sn": tin * rest / 100, "Pb": (100 - tin) * rest / 100, **small})


@many
@given(any_composition())
def test_text_reads_back_to_the_same_composition(comp: Composition) -> None:
    assert Composition.parse(comp.text()) == comp
    assert Composition.from_wt_pct(comp.as_wt_pct()) == comp


@many
@given(any_composition())
def test_shares_add_up(comp: Composition) -> None:
    assert math.fsum(comp.fractions) == pytest.approx(1.0, abs=1e-9)
    assert math.fsum(comp.mole_fractions()) == pytest.approx(1.0, abs=1e-12)


@many
@given(any_composition(), any_composition(), st.floats(0.01, 500), st.floats(0.01, 500))
def test_mixing_loses_no_element_and_order_does_not_matter(a: Composition, b: Composition, m: float, n: float) -> None:
    both = mix([(m, a), (n, b)])
    assert both == mix([(n, b), (m, a)])
    for i in range(len(ELEMENTS)):
        assert both.fractions[i] * (m + n) == pytest.approx(a.fractions[i] * m + b.fractions[i] * n, abs=1e-8 * (m + n))


@many
@given(any_composition())
def test_density_lies_between_those_of_the_elements(comp: Composition) -> None:
    assert 5.73 - 1e-9 <= solid_density_g_cm3(comp) <= 11.34 + 1e-9
    assert liquid_density_kg_m3(comp, 300.0) > liquid_density_kg_m3(comp, 310.0) or comp.wt_pct("As") > 99.99


@few
@given(pipe_metal())
def test_metal_freezes_below_its_liquidus_and_ends_below_its_solidus(comp: Composition) -> None:
    curve = freezing_curve(comp)
    assert curve.temperature_c[0] == pytest.approx(liquidus(comp).temperature_c, abs=0.01)
    assert solidus_c(comp) <= liquidus(comp).temperature_c + 0.01
    assert curve.last_liquid_c <= solidus_c(comp) + 0.1
    assert (np.diff(curve.temperature_c) <= 0.0).all()
    assert (np.diff(curve.fraction_solid) >= -1e-12).all()
    assert curve.fraction_solid[0] == pytest.approx(0.0, abs=1e-12)
    assert curve.fraction_solid[-1] == 1.0
    assert sum(share for _, share in curve.solids) == pytest.approx(1.0, abs=1e-6)


@few
@given(pipe_metal(), st.floats(30, 400))
def test_the_phases_of_an_equilibrium_give_back_the_alloy(comp: Composition, celsius: float) -> None:
    found = equilibrium(comp, celsius)
    again = mix([(p.mass_fraction, p.composition) for p in found.phases])
    for element in ELEMENTS:
        assert again.wt_pct(element) == pytest.approx(comp.wt_pct(element), abs=1e-4)
    if celsius > liquidus(comp).temperature_c + 0.1:
        assert found.fraction_solid == pytest.approx(0.0, abs=1e-9)
    if celsius < solidus_c(comp) - 0.1:
        assert found.fraction_solid == pytest.approx(1.0, abs=1e-9)


@few
@given(pipe_metal(), st.floats(30, 390), st.floats(1, 60))
def test_heat_content_rises_with_temperature(comp: Composition, celsius: float, more_k: float) -> None:
    assert heat_content_kj_kg(comp, celsius + more_k) > heat_content_kj_kg(comp, celsius)


@few
@given(pipe_metal())
def test_hotter_metal_flows_more_easily(comp: Composition) -> None:
    assert viscosity_mpa_s(comp, 360.0) < viscosity_mpa_s(comp, 260.0)


@few
@given(pipe_metal())
def test_every_property_says_its_interval_and_source(comp: Composition) -> None:
    for name in PROPERTY_SOURCES:
        found = value_of(name, comp, 25.0 if name == "solid_hot_density_kg_m3" else 350.0)
        assert found.low <= found.value <= found.high
        assert found.source and found.unit


@many
@given(st.floats(2, 98), st.floats(30, 800), st.floats(5, 35), st.floats(0, 2))
def test_a_weighing_finds_the_tin_that_is_there(tin: float, air_g: float, water_c: float, antimony: float) -> None:
    comp = Composition.from_wt_pct({"Sn": tin, "Sb": antimony, "Pb": 100 - tin - antimony} if tin < 97 else {"Sn": 100})
    density = solid_density_g_cm3(comp)
    lift = water_density_g_cm3(water_c) - 0.0012
    water_g = air_g - air_g / (density - 0.0012) * lift
    found = tin_from_weighing(Weighing(air_g, water_g, water_c), Beside(sb_wt_pct=comp.wt_pct("Sb")))
    assert found.sn_wt_pct == pytest.approx(comp.wt_pct("Sn"), abs=1e-3)
    assert found.sn_wt_pct_low <= found.sn_wt_pct <= found.sn_wt_pct_high
