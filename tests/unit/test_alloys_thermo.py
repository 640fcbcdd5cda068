"""The database, the solver and the properties: their edges, and what they refuse."""

import math

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.database import packaged_database, parse_tdb
from pipemetal.alloys.equilibrium import equilibrium
from pipemetal.alloys.gibbs import system_of
from pipemetal.alloys.liquidus import copper_saturation_wt_pct, liquidus, outside_assessed_range
from pipemetal.alloys.properties import (
    RED_LIMIT_C,
    brinell_hb,
    cooling_contraction_pct,
    heat_content_kj_kg,
    lead_limits,
    lead_vapour_mg_m3,
    liquid_density_kg_m3,
    pot_check,
    solid_density_g_cm3,
    solid_hot_density_kg_m3,
)
from pipemetal.alloys.property_table import PROPERTY_SOURCES, value_of
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c
from pipemetal.errors import AlloyError, FileFormatError

SPOTTED = Composition.parse("Sn 52 Sb 0.4 Bi 0.2 Pb bal")


def test_the_database_holds_the_phases_of_pipe_metal() -> None:
    phases = packaged_database().phases
    assert phases["FCC_A1"].constituents == (("AG", "BI", "CU", "PB", "SB", "SN"),)
    assert phases["SBSN"].site_ratios == (4.0, 3.0)


def test_an_expression_is_a_sum_of_its_terms_in_the_right_piece() -> None:
    text = """
     $ a note
     FUNCTION HALF 298.15 +100-2*T*LN(T); 500 Y +7*T**(-1); 3000 N !
     PHASE SOLID % 1 1.0 !
     CONSTITUENT SOLID :PB,SN: !
     PARAMETER G(SOLID,PB;0) 298.15 +0.5*HALF#-1.5E+01*T**2+3*EXP(-.001*T); 3000 N !
    """
    (parameter,) = parse_tdb(text).phases["SOLID"].parameters
    low, high = parameter.expression.at(400.0), parameter.expression.at(600.0)
    assert low == {("T", 2.0): -15.0, ("EXP", -0.001): 3.0, ("T", 0.0): 50.0, ("LN", 1.0): -1.0}
    assert high == {("T", 2.0): -15.0, ("EXP", -0.001): 3.0, ("T", -1.0): 3.5}


@pytest.mark.parametrize(
    "text",
    [
        "PHASE S % 1 1.0 ! CONSTITUENT S :PB: ! PARAMETER G(S,PB;0) 298.15 +SIN(T); 3000 N !",
        "PHASE S % 1 1.0 ! CONSTITUENT S :PB: ! PARAMETER G(S,PB;0) 298.15 +NOWHERE#; 3000 N !",
        "PHASE S % 1 1.0 ! CONSTITUENT S :PB: ! PARAMETER H(S,PB;0) 298.15 +1; 3000 N !",
        "PHASE S % 1 1.0 ! CONSTITUENT S :PB,SN: ! PARAMETER G(S,SN,PB;0) 298.15 +1; 3000 N !",
        "PHASE S % 1 1.0 ! CONSTITUENT S :PB: ! PARAMETER G(OTHER,PB;0) 298.15 +1; 3000 N !",
    ],
)
def test_a_database_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(FileFormatError):
        parse_tdb(text)


def test_potentials_are_the_slopes_of_the_energy() -> None:
    # d(nG)/dn_i by differences, in a liquid with ternary terms.
    system = system_of(("PB", "SN", "CU", "AG"))
    liquid, rt = system.at(600.0).liquid, system.at(600.0).rt
    moles = np.array([0.5, 0.3, 0.1, 0.1])

    def energy(n: np.ndarray) -> float:
        x = n / n.sum()
        return float(n.sum() * (x @ liquid.potentials(x, rt)))

    for i in range(4):
        step = np.eye(4)[i] * 1e-6
        slope = (energy(moles + step) - energy(moles - step)) / 2e-6
        assert slope == pytest.approx(liquid.potentials(moles / moles.sum(), rt)[i], abs=1e-3)


def test_copper_above_saturation_freezes_first_as_a_compound() -> None:
    assert liquidus(Composition.parse("Sn 52 Sb 0.5 Bi 0.1 Cu 0.1 Pb bal")).first_solid == "Cu6Sn5"
    assert liquidus(SPOTTED).first_solid == "lead-rich"
    assert liquidus(Composition.parse("Sn 75 Pb bal")).first_solid == "tin-rich"


def test_outside_the_assessed_range_is_said() -> None:
    rich = Composition.parse("Sn 30 Sb 4 Pb bal")
    assert not liquidus(rich).within_range
    assert not freezing_curve(rich).within_range
    assert not value_of("solid_density_g_cm3", rich).within_range
    assert liquidus(rich).uncertainty_k == 10.0
    assert outside_assessed_range(SPOTTED) == []


def test_arsenic_counts_for_mass_and_density_only() -> None:
    with_arsenic = Composition.parse("Sn 50 As 0.02 Pb bal")
    assert liquidus(with_arsenic).temperature_c == pytest.approx(213.8, abs=0.1)
    with pytest.raises(AlloyError, match="nothing but arsenic"):
        liquidus(Composition.parse("As 100"))


def test_pure_metal_freezes_at_one_temperature() -> None:
    lead = Composition.parse("Pb 100")
    assert solidus_c(lead) == pytest.approx(liquidus(lead).temperature_c)
    curve = freezing_curve(lead)
    assert curve.temperature_at(0.0) == curve.temperature_at(1.0)
    assert curve.fraction_at(curve.last_liquid_c) == 1.0
    assert curve.fraction_at(curve.last_liquid_c + 0.1) == 0.0


def test_the_halt_of_a_eutectic_counts_as_solid() -> None:
    curve = freezing_curve(Composition.parse("Sn 50 Pb bal"))
    assert curve.eutectic_share == pytest.approx(0.73, abs=0.01)
    assert curve.fraction_at(182.3) == pytest.approx(0.27, abs=0.01)
    assert curve.fraction_at(182.0) == 1.0
    with pytest.raises(AlloyError):
        curve.temperature_at(1.2)


@pytest.mark.parametrize("celsius", [math.nan, math.inf, -300.0, 5000.0])
def test_temperatures_that_are_none_are_refused(celsius: float) -> None:
    for ask in (liquid_density_kg_m3, heat_content_kj_kg, equilibrium):
        with pytest.raises(AlloyError, match="temperature_c"):
            ask(SPOTTED, celsius)


def test_properties_are_asked_by_name() -> None:
    with pytest.raises(AlloyError, match="is not a property"):
        value_of("colour", SPOTTED)
    with pytest.raises(AlloyError, match="is needed"):
        value_of("viscosity_mpa_s", SPOTTED)
    assert not value_of("viscosity_mpa_s", SPOTTED, 120.0).within_range


def test_copper_saturation_wants_liquid_metal_with_tin() -> None:
    with pytest.raises(AlloyError, match="liquid metal"):
        copper_saturation_wt_pct(SPOTTED, 190.0)
    with pytest.raises(AlloyError, match="no tin"):
        copper_saturation_wt_pct(Composition.parse("Pb 100"), 350.0)


def test_limits_of_lead_in_air_name_their_law_and_year() -> None:
    assert all(limit.law and limit.year > 1970 and limit.limit_mg_m3 > 0 for limit in lead_limits())
    lead = Composition.parse("Pb 100")
    assert lead_vapour_mg_m3(lead, RED_LIMIT_C) < min(limit.limit_mg_m3 for limit in lead_limits())


def test_copper_used_up_early_does_not_end_the_freezing() -> None:
    comp = Composition.parse("Sn 9.9925 Cu 0.075 Pb bal")
    curve = freezing_curve(comp)
    assert curve.last_liquid_c < solidus_c(comp)
    assert dict(curve.solids)["Cu6Sn5"] < 0.003


def test_a_solid_that_would_melt_again_does_not_end_the_freezing() -> None:
    comp = Composition.parse("Sn 9.6054711 Cu 0.025908 Pb bal")
    curve = freezing_curve(comp)
    assert curve.last_liquid_c < solidus_c(comp)
    assert dict(curve.solids)["Cu6Sn5"] < 0.001


def test_a_pot_turns_red_above_450_and_names_law_and_year() -> None:
    lead = Composition.parse("Pb 100")
    calm, hot = pot_check(lead, 380.0), pot_check(lead, 520.0)
    assert (calm.red, hot.red) == (False, True)
    assert pot_check(SPOTTED, RED_LIMIT_C + 1.0).red
    assert any("2024/869" in caution and "local codes" in caution for caution in hot.cautions)
    assert all("dust" in " ".join(check.cautions) for check in (calm, hot))
    assert "not all of the metal is liquid" in pot_check(lead, 320.0).cautions


def test_no_pot_is_called_harmless() -> None:
    for celsius in (200.0, 350.0, 600.0):
        words = " ".join(pot_check(SPOTTED, celsius).cautions).lower()
        assert "safe" not in words
        assert "harmless" not in words


def test_solid_metal_grows_lighter_with_heat_and_shrinks_on_cooling() -> None:
    assert solid_hot_density_kg_m3(SPOTTED, 20.0) == pytest.approx(1000 * solid_density_g_cm3(SPOTTED))
    assert solid_hot_density_kg_m3(SPOTTED, 170.0) < 1000 * solid_density_g_cm3(SPOTTED)
    assert 0.3 < cooling_contraction_pct(SPOTTED) < 0.6
    with pytest.raises(AlloyError, match="temperature_c"):
        solid_hot_density_kg_m3(SPOTTED, 250.0)


def test_hardness_is_a_band_of_at_least_two_points() -> None:
    soft = value_of("brinell_hb", Composition.parse("Pb 100"))
    assert soft.high - soft.low == pytest.approx(4.0)
    assert soft.value == brinell_hb(Composition.parse("Pb 100")) == 3.9


def test_every_property_says_what_it_is_by_which_source_and_how_sure() -> None:
    for name, held in PROPERTY_SOURCES.items():
        found = value_of(name, SPOTTED, 150.0 if name == "solid_hot_density_kg_m3" else 350.0)
        assert held.words
        assert found.source
        assert found.unit
        assert found.low < found.value < found.high, name
