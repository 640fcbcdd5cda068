"""Pipe metal against published values: invariants, solders, densities, heat, flow, surface, vapour.

Each row names its source. A tolerance is the true error of the model against the row, rounded up, and never tuned: where
it is wide, the row or the note beside it says why.
"""

import numpy as np
import pytest

from pipemetal.alloys.assay import tin_from_weighing
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


# alloy, composition, solidus and liquidus of the table, our error on each (K), source of the table. EN tables give the
# lead-tin liquidus 2 to 4 K lower than ASTM: the tables differ among themselves. Rows with antimony come out 3 to 6 K
# low (the Pb-Sb part is a hand fit), Cu above 1 % and silver in lead up to 25 K high: the room marks them out of range.
SOLDERS = [
    ("Pb", "Pb 99.9999 Sn 0.0001", 327.46, 327.46, 0.0, 0.0, "pure (ITS-90 handbook)"),
    ("Sn", "Sn 99.9999 Pb 0.0001", 231.93, 231.93, -0.0, -0.0, "pure (ITS-90 fixed point)"),
    ("Sn90Pb10", "Sn 90 Pb 10", 183, 213, -0.8, 4.7, "maker data compilation (2010)"),
    ("Sn70Pb30", "Sn 70 Pb 30", 183, 193, -0.8, -1.8, "ASTM B32 grade Sn70"),
    ("Sn63Pb37", "Sn 63 Pb 37", 183, 183, -0.8, 0.2, "ASTM B32 Sn63"),
    ("Sn60Pb40", "Sn 60 Pb 40", 183, 190, -0.8, -1.5, "ASTM B32 Sn60; EN 188"),
    ("Sn50Pb50", "Sn 50 Pb 50", 183, 216, -0.8, -2.2, "ASTM B32 Sn50; EN 212"),
    ("Sn45Pb55", "Sn 45 Pb 55", 183, 227, -0.8, -2.3, "ASTM B32 Sn45; EN 224"),
    ("Sn40Pb60", "Sn 40 Pb 60", 183, 238, -0.8, -3.1, "ASTM B32 Sn40A; EN 234"),
    ("Sn35Pb65", "Sn 35 Pb 65", 183, 247, -0.8, -2.2, "ASTM B32 Sn35A"),
    ("Sn30Pb70", "Sn 30 Pb 70", 183, 255, -0.8, -0.4, "ASTM B32 Sn30A; EN 255"),
    ("Sn20Pb80", "Sn 20 Pb 80", 183, 275, -0.8, 0.9, "maker sheet 2007 (EN)"),
    ("Sn15Pb85", "Sn 15 Pb 85", 227, 288, 2.8, -0.1, "maker sheet 2007 (EN)"),
    ("Sn10Pb90", "Sn 10 Pb 90", 268, 302, 8.6, -1.1, "ASTM B32 Sn10A (public list)"),
    ("Sn5Pb95", "Sn 5 Pb 95", 308, 312, -0.7, 2.5, "ASTM B32 Sn5 (from memory)"),
    ("Sn2Pb98", "Sn 2 Pb 98", 316, 322, 4.5, 0.4, "ASTM B32 Sn2 / EN 320-325 (from memory)"),
    ("Sn40Pb58Sb2", "Sn 40 Pb 57.9 Sb 2.1", 185, 231, 0.8, -5.2, "ASTM B32 Sn40B"),
    ("Sn35Pb63Sb2", "Sn 35 Pb 63.2 Sb 1.8", 185, 243, 1.0, -6.4, "ASTM B32 Sn35B"),
    ("Sn30Pb68Sb1.6", "Sn 30 Pb 68.4 Sb 1.6", 185, 250, 1.3, -3.0, "ASTM B32 Sn30B (from memory)"),
    ("Sn25Pb74Sb1.3", "Sn 25 Pb 73.7 Sb 1.3", 185, 263, 1.3, -4.7, "ASTM B32 Sn25B (from memory)"),
    ("Sn20Pb79Sb1", "Sn 20 Pb 79 Sb 1.0", 184, 270, 2.3, 0.5, "ASTM B32 Sn20B (from memory)"),
    ("Sn95Sb5", "Sn 95 Sb 5", 233, 240, 5.0, 0.7, "ASTM B32 Sb5; maker 236-243"),
    ("Pb88.9Sb11.1", "Pb 88.9 Sb 11.1", 251.7, 251.7, 0.2, 2.2, "Ashtakala et al. 1981"),
    ("Pb84Sb12Sn4", "Pb 84 Sb 12 Sn 4", 239, 239, -1.0, 14.0, "type-metal eutectic 84/12/4, 239-240 C (from memory)"),
    ("Sn43Bi57", "Sn 43 Bi 57", 138.5, 138.5, 0.3, 0.4, "handbook 138-139"),
    ("Bi55.5Pb44.5", "Bi 55.5 Pb 44.5", 125.5, 125.5, 0.4, 0.4, "handbook 125.5; NIST calc 125.9"),
    ("Sn99.3Cu0.7", "Sn 99.3 Cu 0.7", 227, 227, -0.2, 0.9, "ASTM/J-STD"),
    ("Sn97Cu3", "Sn 97 Cu 3", 227, 300, -0.2, 24.7, "J-STD (227-300/310)"),
    ("Sn96.5Ag3.5", "Sn 96.5 Ag 3.5", 221, 221, -0.8, -0.1, "J-STD"),
    ("Sn62Pb36Ag2", "Sn 62 Pb 36 Ag 2", 179, 179, -2.0, 14.3, "ASTM B32 Sn62: 179/189 listed"),
    ("Pb97.5Sn1Ag1.5", "Pb 97.5 Sn 1 Ag 1.5", 309, 309, -1.2, 0.4, "ASTM B32 Ag1.5"),
    ("Pb97.5Ag2.5", "Pb 97.5 Ag 2.5", 304, 304, 1.0, 15.2, "ASTM B32 Ag2.5"),
]


@pytest.mark.parametrize(("alloy", "written", "solidus", "liquid", "off_solidus", "off_liquid", "source"), SOLDERS)
def test_standard_solders_come_out_with_their_known_errors(
    alloy: str, written: str, solidus: float, liquid: float, off_solidus: float, off_liquid: float, source: str
) -> None:
    comp = Composition.parse(written)
    assert solidus_c(comp) - solidus == pytest.approx(off_solidus, abs=0.06), source
    assert liquidus(comp).temperature_c - liquid == pytest.approx(off_liquid, abs=0.06), source


def test_lead_tin_solders_agree_with_their_tables_within_the_uncertainty_that_is_shown() -> None:
    # Sn90Pb10 misses by 4.7 K: its table (a maker's, 2010) is doubted, the ideal freezing point agrees with 217 C.
    for alloy, written, _, liquid, _, off, _ in SOLDERS:
        comp = Composition.parse(written)
        if set(comp.present()) <= {"Pb", "Sn"} and alloy != "Sn90Pb10":
            assert abs(liquidus(comp).temperature_c - liquid) <= liquidus(comp).uncertainty_k + 0.2, (alloy, off)


# Lead-tin by pycalphad 0.11.2 on the same parameters: Sn wt%, liquidus, solidus, rounded to 0.1 C.
LEAD_TIN = [
    (0, 327.5, 327.5),
    (2, 322.4, 320.5),
    (4, 317.2, 312.1),
    (6, 311.7, 302.1),
    (8, 306.3, 290.4),
    (10, 300.9, 276.6),
    (12, 295.6, 260.4),
    (14, 290.5, 240.9),
    (16, 285.4, 217.9),
    (18, 280.6, 193.1),
    (20, 275.9, 182.2),
    (22, 271.4, 182.2),
    (24, 267.0, 182.2),
    (26, 262.8, 182.2),
    (28, 258.7, 182.2),
    (30, 254.6, 182.2),
    (32, 250.7, 182.2),
    (34, 246.7, 182.2),
    (36, 242.8, 182.2),
    (38, 238.9, 182.2),
    (40, 234.9, 182.2),
    (42, 230.9, 182.2),
    (44, 226.8, 182.2),
    (46, 222.6, 182.2),
    (48, 218.3, 182.2),
    (50, 213.8, 182.2),
    (52, 209.2, 182.2),
    (54, 204.3, 182.2),
    (56, 199.3, 182.2),
    (58, 194.0, 182.2),
    (60, 188.4, 182.2),
    (62, 182.6, 182.2),
    (64, 184.3, 182.2),
    (66, 186.5, 182.2),
    (68, 188.9, 182.2),
    (70, 191.2, 182.2),
    (72, 193.7, 182.2),
    (74, 196.2, 182.2),
    (76, 198.7, 182.2),
    (78, 201.3, 182.2),
    (80, 203.9, 182.2),
    (82, 206.6, 182.2),
    (84, 209.3, 182.2),
    (86, 212.1, 182.2),
    (88, 214.9, 182.2),
    (90, 217.7, 182.2),
    (92, 220.5, 182.2),
    (94, 223.3, 182.2),
    (96, 226.2, 182.2),
    (98, 229.1, 211.2),
    (100, 231.9, 231.9),
]


@pytest.mark.parametrize(("sn", "liquid", "solid"), LEAD_TIN)
def test_the_lead_tin_diagram_is_that_of_an_independent_program(sn: float, liquid: float, solid: float) -> None:
    assert liquidus(tin(sn)).temperature_c == pytest.approx(liquid, abs=0.1)
    assert solidus_c(tin(sn)) == pytest.approx(solid, abs=0.1)


SHARES = [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95]
# Temperatures at those molar shares of solid by scheil 0.3.0 and pycalphad 0.11.2 in steps of 1 K. The last alloy misses
# the 0.53 K of the others beyond 80 % solid: there the curve drops 20 K in the last tenth and the steps of the other
# program lag; halving our own steps moves our curve by less than 0.04 K.
SCHEIL = [
    ("Sn 50 Pb bal", [208.75, 202.8, 187.03, 182.25, 182.23, 182.2, 182.18, 182.15, 182.13, 182.1, 182.09], 0.53),
    (
        "Sn 30 Sb 0.5 Bi 0.2 Pb bal",
        [249.15, 246.74, 241.03, 233.62, 223.31, 207.3, 183.79, 183.41, 183.02, 182.23, 181.28],
        0.53,
    ),
    (
        "Sn 70 Sb 0.5 Cu 0.1 Pb bal",
        [190.39, 188.66, 184.99, 182.78, 182.62, 182.46, 182.3, 182.15, 182.09, 182.02, 181.99],
        0.53,
    ),
    ("Sn 95 Pb bal", [224.48, 224.12, 223.3, 222.32, 221.05, 219.31, 216.85, 212.93, 205.8, 188.39, 182.2], 0.53),
    (
        "Sn 1 Sb 0.7 Pb bal",
        [320.67, 320.48, 320.11, 319.69, 319.12, 318.39, 317.4, 315.94, 313.31, 306.92, 296.54],
        2.4,
    ),
]


@pytest.mark.parametrize(("written", "published_c", "within_k"), SCHEIL)
def test_fast_freezing_follows_the_curve_of_an_independent_program(
    written: str, published_c: list[float], within_k: float
) -> None:
    curve = freezing_curve(Composition.parse(written))
    ours = np.interp(SHARES, curve.fraction_solid_molar, curve.temperature_c)
    assert np.abs(ours - published_c).max() < within_k


@pytest.mark.parametrize(
    ("sn", "at_250", "at_350"), [(30, 0.05, 0.27), (50, 0.18, 0.85), (60, 0.29, 1.31), (70, 0.44, 1.89)]
)
def test_the_pot_holds_the_copper_that_an_independent_program_finds(sn: float, at_250: float, at_350: float) -> None:
    # pycalphad 0.11.2 on the same parameters (about 0.3 % in Sn60 at 250 C is also the remembered value of solderers).
    # Ours is up to 5 % lower at 350 C: here copper comes in place of the whole metal, there (it seems) of lead alone.
    assert copper_saturation_wt_pct(tin(sn), 350.0) == pytest.approx(at_350, rel=0.05)
    if sn > 30:  # at 30 % tin the metal is not yet liquid at 250 C
        assert copper_saturation_wt_pct(tin(sn), 250.0) == pytest.approx(at_250, abs=0.012)


# Composition, published density at room temperature, our error in percent rounded up, source. The two rows of 2 % and
# more are judged wrong in the table: they are not monotone with their neighbours.
DENSITIES = [
    ("Sn 90 Pb bal", 7.55, 0.15, "maker compilation 2010"),
    ("Sn 70 Pb bal", 8.17, 0.16, "Korean text"),
    ("Sn 63 Pb bal", 8.4, 0.09, "maker compilation 2010"),
    ("Sn 60 Pb bal", 8.5, 0.09, "maker compilation 2010"),
    ("Sn 60 Pb bal", 8.52, 0.26, "Korean text"),
    ("Sn 55 Pb bal", 8.68, 0.10, "maker compilation 2010"),
    ("Sn 50 Pb bal", 8.87, 0.09, "maker compilation 2010"),
    ("Sn 50 Pb bal", 8.9, 0.37, "Multicore sheet 2007"),
    ("Sn 45 Pb bal", 9.07, 0.06, "maker compilation 2010"),
    ("Sn 40 Pb bal", 9.28, 0.10, "maker compilation 2010"),
    ("Sn 37 Pb bal", 9.4, 0.11, "maker table (CLAS)"),
    ("Sn 30 Pb bal", 9.7, 0.25, "Multicore sheet 2007"),
    ("Sn 20 Pb bal", 10.0, 2.11, "Multicore sheet 2007"),
    ("Sn 15 Pb bal", 10.2, 2.68, "Multicore sheet 2007"),
    ("Sn 5 Ag 1.5 Pb bal", 11.1, 0.72, "Multicore HMP 2007"),
    ("Sn 82 Pb bal", 7.764, 0.37, "French legal s.g. (Henley 1907)"),
    ("Sn 80 Pb bal", 7.8, 0.68, "Building Construction text"),
    ("Pb 100", 11.34, 0.06, "CRC (11.3)"),
    ("Sn 100 Pb bal", 7.287, 0.06, "CRC"),
]


@pytest.mark.parametrize(("written", "published", "within_pct", "source"), DENSITIES)
def test_densities_by_adding_volumes(written: str, published: float, within_pct: float, source: str) -> None:
    ours = solid_density_g_cm3(Composition.parse(written))
    assert abs(ours / published - 1.0) * 100.0 <= within_pct, source


# Sn wt%; heat 25 C to solidus, solidus to liquidus, 25 to 350 C, kJ/kg; liquid heat capacity at 640 K, J/kgK:
# pycalphad 0.11.2 on the same parameters (handbook heats of fusion 23.0 and 60.2 kJ/kg agree to 2 %).
HEAT = [
    (0, 40.9, 23.2, 67.4, 147),
    (1, 40.8, 23.1, 67.5, 148),
    (2, 41.0, 23.0, 68.0, 149),
    (5, 42.9, 23.2, 71.4, 152),
    (10, 44.1, 25.1, 76.8, 157),
    (20, 37.7, 36.7, 86.5, 166),
    (30, 37.9, 40.7, 95.2, 175),
    (40, 38.2, 43.7, 103.0, 185),
    (50, 38.5, 45.2, 110.1, 194),
    (62, 38.8, 44.5, 117.9, 205),
    (70, 39.1, 49.5, 122.6, 213),
    (80, 39.4, 56.0, 128.2, 222),
    (90, 39.6, 62.7, 133.3, 232),
    (95, 39.8, 66.1, 135.8, 236),
    (100, 50.1, 59.5, 138.4, 241),
]


@pytest.mark.parametrize(("sn", "to_solidus", "melting", "to_350", "capacity"), HEAT)
def test_heat_contents(sn: float, to_solidus: float, melting: float, to_350: float, capacity: float) -> None:
    assert heat_content_kj_kg(tin(sn), 350.0) == pytest.approx(to_350, abs=0.12)
    assert heat_to_liquid_kj_kg(tin(sn)) == pytest.approx(to_solidus + melting, abs=0.2)
    assert liquid_heat_capacity_j_kgk(tin(sn), 640.0 - 273.15) == pytest.approx(capacity, abs=1.0)


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
        tin_from_weighing(air, air - air / density * (0.998207 - 0.0012) * (1 + 0.0012 / density)).sn_wt_pct
        for density in (solid_density_g_cm3(tin(sn)) * factor for factor in (1.0, 0.999))
    ]
    assert read[0] == pytest.approx(sn, abs=0.02)
    assert read[1] - read[0] == pytest.approx(per_tenth_percent, abs=0.01)


def test_a_percent_of_antimony_in_place_of_lead_reads_as_one_and_a_quarter_of_tin() -> None:
    with_antimony = tin_from_weighing(200.0, 177.5, sb_wt_pct=1.0).sn_wt_pct
    assert tin_from_weighing(200.0, 177.5).sn_wt_pct - with_antimony == pytest.approx(1.25, abs=0.01)
