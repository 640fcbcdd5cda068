"""Pipe metal against published values: invariants, solders, densities, heat, flow, surface, vapour.

Each row names its source. A tolerance is the true error of the model against the row, rounded up, and never tuned: where
it is wide, the row or the note beside it says why.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from pipemetal.alloys.assay import Beside, Weighing, tin_from_weighing
from pipemetal.alloys.composition import Composition
from pipemetal.alloys.equilibrium import equilibrium
from pipemetal.alloys.liquidus import copper_saturation_wt_pct, liquidus
from pipemetal.alloys.properties import (
    heat_content_kj_kg,
    heat_to_liquid_kj_kg,
    lead_vapour_mg_m3,
    lead_vapour_pressure_pa,
    liquid_heat_capacity_j_kgk,
    solid_conductivity_w_mk,
    solid_density_g_cm3,
    surface_tension_n_m,
    viscosity_mpa_s,
)
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c

DATA = Path(__file__).parents[1] / "data" / "alloys"
ROUNDING = 0.06  # the tolerances are written to 0.1 K


def rows_of(name: str) -> list[dict[str, str]]:
    lines = [line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def tin(wt_pct: float) -> Composition:
    return Composition.from_wt_pct({"Sn": wt_pct, "Pb": 100.0 - wt_pct})


@pytest.mark.parametrize(
    ("written", "published_c", "within_k"),
    [
        ("Pb 100", 327.46, 0.01),  # ITS-90; CRC Handbook
        ("Sn 100", 231.93, 0.01),  # ITS-90 fixed point
        ("Sn 63 Pb bal", 183.0, 0.8),  # lead-tin eutectic, handbook; the NIST solder calculation has 182.2
        ("Sb 11.1 Pb bal", 251.7, 0.3),  # Ashtakala, Pelton & Bale 1981; the Pb-Sb part was fitted to this
        ("Sn 43 Bi bal", 138.5, 0.5),  # handbook 138-139
        ("Bi 55.5 Pb bal", 125.5, 0.5),  # handbook; NIST calculation 125.9
        ("Bi 51.59 Pb 32.59 Sn 15.82", 98.0, 0.1),  # NIST solder calculation, ternary eutectic
        ("Sn 99.3 Cu 0.7", 227.0, 0.3),  # ASTM / J-STD
        ("Sn 96.5 Ag 3.5", 221.0, 0.8),  # J-STD
    ],
)
def test_melting_begins_at_the_published_temperature(written: str, published_c: float, within_k: float) -> None:
    assert solidus_c(Composition.parse(written)) == pytest.approx(published_c, abs=within_k)


@pytest.mark.parametrize(
    ("written", "published_c", "within_k"),
    [
        # NIST solder calculation: liquid on the line L + (Pb) -> of Bi-Pb-Sn, and the Bi-Pb peritectic liquid.
        ("Bi 30.54 Pb 47.56 Sn 21.90", 135.7, 0.1),
        ("Bi 36.07 Pb bal", 184.9, 0.2),
    ],
)
def test_liquid_on_an_invariant_begins_to_freeze_there(written: str, published_c: float, within_k: float) -> None:
    assert liquidus(Composition.parse(written)).temperature_c == pytest.approx(published_c, abs=within_k)


def test_the_lead_tin_eutectic_has_the_compositions_of_the_national_institute() -> None:
    # NIST solder calculation: 62.13 % Sn in the liquid, 18.91 % Sn in (Pb), 3.41 % Pb in (Sn).
    above = {p.name: p.composition.wt_pct("Sn") for p in equilibrium(tin(50), 182.25).phases}
    below = {p.name: p.composition.wt_pct("Sn") for p in equilibrium(tin(50), 182.23).phases}
    assert above["liquid"] == pytest.approx(62.13, abs=0.1)
    assert below["lead-rich"] == pytest.approx(18.91, abs=0.05)
    assert 100.0 - below["tin-rich"] == pytest.approx(3.41, abs=0.05)


# EN tables give the lead-tin liquidus 2 to 4 K lower than ASTM: the tables differ among themselves. The tolerance of a row is
# the error that it had when the data were first checked; a row that misses it says by how much and why.
@pytest.mark.parametrize("row", rows_of("solders.csv"), ids=lambda row: row["alloy"])
def test_standard_solders_come_out_within_their_known_errors(row: dict[str, str]) -> None:
    comp = Composition.parse(row["composition"])
    assert abs(solidus_c(comp) - float(row["solidus_c"])) <= float(row["solidus_within_k"]) + ROUNDING
    off, within = abs(liquidus(comp).temperature_c - float(row["liquidus_c"])), float(row["liquidus_within_k"])
    if row["liquidus_missed_k"]:
        assert row["note"]
        assert within < off <= float(row["liquidus_missed_k"]) + ROUNDING
    else:
        assert off <= within + ROUNDING


def test_solders_outside_the_checked_range_say_so() -> None:
    for row in rows_of("solders.csv"):
        within = liquidus(Composition.parse(row["composition"])).within_range
        assert within == (row["within_range"] == "yes"), row["alloy"]


def test_solders_agree_with_their_tables_within_the_uncertainty_that_is_shown() -> None:
    # Sn90Pb10 misses by 4.7 K: its table (a maker's, 2010) is doubted, the ideal freezing point agrees with 217 C.
    for row in rows_of("solders.csv"):
        comp = Composition.parse(row["composition"])
        if liquidus(comp).within_range and row["alloy"] != "Sn90Pb10":
            off = abs(liquidus(comp).temperature_c - float(row["liquidus_c"]))
            assert off <= liquidus(comp).uncertainty_k + 0.2, row["alloy"]


@pytest.mark.parametrize("row", rows_of("lead_tin.csv"), ids=lambda row: row["sn_wt_pct"])
def test_the_lead_tin_diagram_is_that_of_an_independent_program(row: dict[str, str]) -> None:
    comp = tin(float(row["sn_wt_pct"]))
    assert liquidus(comp).temperature_c == pytest.approx(float(row["liquidus_c"]), abs=0.1)
    assert solidus_c(comp) == pytest.approx(float(row["solidus_c"]), abs=0.1)


SHARES = [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95]
# Temperatures at those molar shares of solid by scheil 0.3.0 and pycalphad 0.11.2 in steps of 1 K. Sixty more alloys, with
# antimony, bismuth, copper and silver, stand in `test_alloys_oracle.py`.
SCHEIL = [
    ("Sn 50 Pb bal", [208.75, 202.8, 187.03, 182.25, 182.23, 182.2, 182.18, 182.15, 182.13, 182.1, 182.09]),
    ("Sn 95 Pb bal", [224.48, 224.12, 223.3, 222.32, 221.05, 219.31, 216.85, 212.93, 205.8, 188.39, 182.2]),
]


@pytest.mark.parametrize(("written", "published_c"), SCHEIL)
def test_fast_freezing_follows_the_curve_of_an_independent_program(written: str, published_c: list[float]) -> None:
    curve = freezing_curve(Composition.parse(written))
    ours = np.interp(SHARES, curve.fraction_solid_molar, curve.temperature_c)
    assert np.abs(ours - published_c).max() < 0.53


@pytest.mark.parametrize(
    ("sn", "at_250", "at_350"), [(30, 0.05, 0.27), (50, 0.18, 0.85), (60, 0.29, 1.31), (70, 0.44, 1.89)]
)
def test_the_pot_holds_the_copper_that_an_independent_program_finds(sn: float, at_250: float, at_350: float) -> None:
    # pycalphad 0.11.2 on the same parameters (about 0.3 % in Sn60 at 250 C is also the remembered value of solderers).
    # Ours is up to 5 % lower at 350 C: here copper comes in place of the whole metal, there (it seems) of lead alone.
    assert copper_saturation_wt_pct(tin(sn), 350.0) == pytest.approx(at_350, rel=0.05)
    if sn > 30:  # at 30 % tin the metal is not yet liquid at 250 C
        assert copper_saturation_wt_pct(tin(sn), 250.0) == pytest.approx(at_250, abs=0.012)


@pytest.mark.parametrize(
    "row", rows_of("densities.csv"), ids=lambda row: row["composition"] + " " + row["density_g_cm3"]
)
def test_densities_by_adding_volumes(row: dict[str, str]) -> None:
    ours = solid_density_g_cm3(Composition.parse(row["composition"]))
    off, within = abs(ours / float(row["density_g_cm3"]) - 1.0) * 100.0, float(row["within_pct"])
    if row["missed_pct"]:
        assert row["note"]
        assert within < off <= float(row["missed_pct"]) + 0.006
    else:
        assert off <= within + 0.006


# Handbook heats of fusion (23.0 kJ/kg lead, 60.2 tin: CRC Handbook; Dinsdale 1991) agree to 2 %.
@pytest.mark.parametrize("row", rows_of("heat.csv"), ids=lambda row: row["sn_wt_pct"])
def test_heat_contents(row: dict[str, str]) -> None:
    comp = tin(float(row["sn_wt_pct"]))
    melted = float(row["to_solidus"]) + float(row["solidus_to_liquidus"])
    assert heat_content_kj_kg(comp, 350.0) == pytest.approx(float(row["room_to_350_c"]), abs=0.12)
    assert heat_to_liquid_kj_kg(comp) == pytest.approx(melted, abs=0.2)
    capacity = liquid_heat_capacity_j_kgk(comp, 640.0 - 273.15)
    assert capacity == pytest.approx(float(row["liquid_heat_capacity"]), abs=1.0)


@pytest.mark.parametrize(("written", "published_kj_kg"), [("Pb 100", 23.04), ("Sn 100", 60.2)])
def test_heats_of_fusion(written: str, published_kj_kg: float) -> None:
    # CRC Handbook: 4774 and 7150 J/mol; the unary data of Dinsdale 1991 have tin 1.7 % lower (7029).
    comp = Composition.parse(written)
    melting = liquidus(comp).temperature_c
    fused = heat_content_kj_kg(comp, melting + 0.01) - heat_content_kj_kg(comp, melting - 0.01)
    assert fused == pytest.approx(published_kj_kg, rel=0.02)


@pytest.mark.parametrize(
    ("sn", "celsius", "published"),
    [(0, 327.5, 2.59), (0, 350, 2.44), (0, 400, 2.16), (100, 232, 1.78), (100, 300, 1.53), (100, 350, 1.40)],
)
def test_viscosity_of_lead_and_tin(sn: float, celsius: float, published: float) -> None:
    # Thresh & Crawley, Metall. Trans. 1 (1970) 1531 (stated accuracy 0.5 %).
    assert viscosity_mpa_s(tin(sn), celsius) == pytest.approx(published, abs=0.006)


def test_viscosity_of_lead_differs_from_the_other_handbook_by_a_twentieth() -> None:
    # OECD/NEA 2015: 4.55e-4 exp(1069/T) Pa s; two good sources, 4 % apart.
    assert viscosity_mpa_s(tin(0), 327.5) == pytest.approx(0.455 * np.exp(1069 / 600.65), rel=0.05)


@pytest.mark.parametrize(("sn", "milli"), [(0, 472.7 - 0.085 * 350), (100, 569.0 - 0.080 * 350)])
def test_surface_tension_of_lead_and_tin(sn: float, milli: float) -> None:
    # White, Metall. Trans. 2 (1971) 3067, +/-5 mN/m.
    assert surface_tension_n_m(tin(sn), 350.0) == pytest.approx(milli * 1e-3, abs=1e-6)


def test_surface_tension_of_alloys_lies_below_the_straight_line() -> None:
    # Negative deviation: Gasior et al., J. Phase Equilib. 22 (2001) 20.
    for sn in (10, 30, 50, 70, 90):
        straight = surface_tension_n_m(tin(0), 350) + sn / 100 * (
            surface_tension_n_m(tin(100), 350) - surface_tension_n_m(tin(0), 350)
        )
        assert surface_tension_n_m(tin(sn), 350) < straight


@pytest.mark.parametrize(("sn", "published"), [(63, 50.5), (60, 49), (50, 48), (40, 44)])
def test_conductivity_of_solid_solder(sn: float, published: float) -> None:
    # Maker's compilation 2010; a scanned Korean-language table has 51.0 for 63 %.
    assert solid_conductivity_w_mk(tin(sn)) == pytest.approx(published, rel=0.06)


@pytest.mark.parametrize(
    ("celsius", "pascal", "mg_m3"),
    [(350, 2.2e-6, 0.00009), (400, 3.0e-5, 0.0011), (450, 3.0e-4, 0.010), (500, 2.1e-3, 0.069), (600, 5.7e-2, 1.6)],
)
def test_lead_vapour_over_pure_lead(celsius: float, pascal: float, mg_m3: float) -> None:
    # Sobolev 2011 in OECD/NEA 2015; saturated air by the gas law, printed to two figures.
    assert lead_vapour_pressure_pa(tin(0), celsius) == pytest.approx(pascal, rel=0.03)
    assert lead_vapour_mg_m3(tin(0), celsius) == pytest.approx(mg_m3, rel=0.04)
    other = np.exp(31.1717 - 23239.99 / (celsius + 273.15) - 1.075 * np.log(celsius + 273.15))
    assert lead_vapour_pressure_pa(tin(0), celsius) == pytest.approx(other, rel=0.18)  # Alcock, Itkin & Horrigan 1984


@pytest.mark.parametrize(("sn", "per_tenth_percent"), [(5, 0.19), (30, 0.21), (50, 0.23), (75, 0.26), (95, 0.28)])
def test_a_thousandth_of_the_density_reads_as_a_fifth_to_a_quarter_percent_of_tin(
    sn: float, per_tenth_percent: float
) -> None:
    # Derived: d(1/rho)/dw = 0.04905 cm3/g.
    air = 200.0
    read = [
        tin_from_weighing(Weighing(air, air - air / density * (0.998207 - 0.0012) * (1 + 0.0012 / density))).sn_wt_pct
        for density in (solid_density_g_cm3(tin(sn)) * factor for factor in (1.0, 0.999))
    ]
    assert read[0] == pytest.approx(sn, abs=0.02)
    assert read[1] - read[0] == pytest.approx(per_tenth_percent, abs=0.01)


def test_a_percent_of_antimony_in_place_of_lead_reads_as_one_and_a_quarter_of_tin() -> None:
    with_antimony = tin_from_weighing(Weighing(200.0, 177.5), Beside(sb_wt_pct=1.0)).sn_wt_pct
    assert tin_from_weighing(Weighing(200.0, 177.5)).sn_wt_pct - with_antimony == pytest.approx(1.25, abs=0.01)


def test_lead_with_a_trace_of_copper_ends_at_its_eutectic() -> None:
    """Copper lead of roofing sheet: eutectic of lead and copper at 326 C and 0.06 % Cu (Massalski 1990, not checked)."""
    from pipemetal.alloys.scheil import freezing_curve

    curve = freezing_curve(Composition.parse("Cu 0.05 Pb bal"))
    assert curve.last_liquid_c == pytest.approx(326.0, abs=0.5)
    assert [name for name, _ in curve.solids] == ["lead-rich", "copper- or silver-rich"]
    assert freezing_curve(Composition.parse("Cu 0.5 Pb bal")).last_liquid_c == pytest.approx(326.0, abs=0.5)
