"""What people type is read strictly: a units library reads some of it wrongly, we must not."""

from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipemetal.errors import UnitError
from pipemetal.units import (
    UnitSystem,
    parse_footage,
    parse_length_mm,
    parse_mass_kg,
    parse_number,
    parse_ratio,
    parse_temperature_c,
)

registry: pint.UnitRegistry[float] = pint.UnitRegistry()


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("12,5 mm", 12.5),
        ("12.5mm", 12.5),
        ("3 1/2 in", 88.9),
        ('3 1/2"', 88.9),
        ("1' 2\"", 355.6),
        ("1 ft 2 in", 355.6),
        ("2 2/3 ft", 812.8),
        ("1.2 m", 1200.0),
        ("1 m 20 cm", 1200.0),
        ("½ in", 12.7),
        ("0,045 in", 1.143),
        (".5 mm", 0.5),
        ("-2 mm", -2.0),
        ("1000,5 mm", 1000.5),
        ("12 lignes", 27.07),
        ("1234 mm", 1234.0),
    ],
)
def test_lengths_as_a_shop_writes_them(text: str, mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(mm, abs=0.001)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "12",
        "1,234 mm",
        "12,345 mm",
        "12 kg",
        "1.2.3 mm",
        "mm",
        "3 in 2 ft",
        "3 in 2 in",
        "nan mm",
        "1e400 m",
        "5 mm!",
        "1/0 in",
        "2 mm -3 mm",
        "1,234.5 mm",
    ],
)
def test_lengths_that_are_refused(text: str) -> None:
    with pytest.raises(UnitError):
        parse_length_mm(text, field="length")


@given(st.floats(0.001, 1e5), st.sampled_from(["mm", "cm", "m", "in", "ft"]))
def test_plain_lengths_agree_with_a_units_library(value: float, unit: str) -> None:
    text = f"{value:.6f}"
    expected = registry.Quantity(float(text), unit).to("mm").magnitude
    assert parse_length_mm(f"{text} {unit}") == pytest.approx(expected, rel=1e-12)


@given(st.floats(0.001, 1e4), st.sampled_from(["kg", "g", "lb", "oz"]))
def test_plain_masses_agree_with_a_units_library(value: float, unit: str) -> None:
    text = f"{value:.6f}"
    expected = registry.Quantity(float(text), unit).to("kg").magnitude
    assert parse_mass_kg(f"{text} {unit}") == pytest.approx(expected, rel=1e-9)


@given(st.floats(-200, 900))
def test_temperatures_agree_with_a_units_library(value: float) -> None:
    expected = registry.Quantity(round(value, 4), "degF").to("degC").magnitude
    assert parse_temperature_c(f"{value:.4f} F") == pytest.approx(expected, abs=1e-3)


def test_temperatures() -> None:
    assert parse_temperature_c("64,4 °F") == pytest.approx(18.0)
    assert parse_temperature_c("18", default_unit="C") == 18.0
    for text in ("18", "-300 C", "hot", "18 X"):
        with pytest.raises(UnitError):
            parse_temperature_c(text)


def test_footage_is_exact() -> None:
    assert parse_footage("2 2/3'") == Fraction(8, 3)
    assert parse_footage("1 3/5'") == Fraction(8, 5)
    assert parse_footage("16 ft") == 16
    assert parse_footage(2.6666667) == Fraction(8, 3)
    for text in ("eight", "0", "100'", "1/0'", "8''"):
        with pytest.raises(UnitError):
            parse_footage(text)


def test_ratios_and_numbers() -> None:
    assert parse_ratio("2/7") == pytest.approx(2 / 7)
    assert parse_number("-3,5") == -3.5
    for text in ("1,234", "x", "nan", "inf", ""):
        with pytest.raises(UnitError):
            parse_number(text)
    with pytest.raises(UnitError):
        parse_number(float("nan"))


def test_units_shown() -> None:
    imperial = UnitSystem("in", "lb", "F")
    assert imperial.show_length(25.4, 1) == "1.000 in"
    assert imperial.show_mass(45.359237) == "100.0 lb"
    assert imperial.show_temperature(20) == "68 °F"
    with pytest.raises(UnitError):
        UnitSystem("furlong")
