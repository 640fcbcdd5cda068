"""Quantities as people write them, read strictly at the edge, and shown in the units that a shop prefers.

Core code never imports this module: it works in mm, kg, degrees C and s. What is ambiguous is refused, never guessed:
`1,234 mm` may be one and a quarter millimetres or more than a metre, so the reader asks for `1.234` or `1234`.

Sources: inch 25.4 mm, pound 0.45359237 kg (international yard and pound agreement, 1959); Paris line 2.2558291 mm
(French law of 19 frimaire an VIII, 443.296 lignes to the metre).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipemetal.errors import UnitError
from pipemetal.texts import Amount, Text

__all__ = [
    "UnitSystem",
    "parse_footage",
    "parse_length_mm",
    "parse_mass_kg",
    "parse_number",
    "parse_ratio",
    "parse_temperature_c",
]

LENGTH_MM: Final[dict[str, float]] = {
    "mm": 1.0,
    "thou": 0.0254,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    "inch": 25.4,
    "inches": 25.4,
    '"': 25.4,
    "″": 25.4,
    "ft": 304.8,
    "foot": 304.8,
    "feet": 304.8,
    "'": 304.8,
    "′": 304.8,
    "ligne": 1000.0 / 443.296,
    "lignes": 1000.0 / 443.296,
}
MASS_KG: Final[dict[str, float]] = {
    "kg": 1.0,
    "g": 0.001,
    "t": 1000.0,
    "lb": 0.45359237,
    "lbs": 0.45359237,
    "pound": 0.45359237,
    "pounds": 0.45359237,
    "oz": 0.45359237 / 16,
}

_DECIMAL = r"\d+(?:[.,]\d+)?|[.,]\d+"
_NUMBER = (
    r"(?P<sign>[-+]?)\s*(?:(?P<whole>\d+)\s+(?P<num>\d+)\s*/\s*(?P<den>\d+)"
    rf"|(?P<fnum>\d+)\s*/\s*(?P<fden>\d+)|(?P<dec>{_DECIMAL}))"
)
_NUMBER_ONLY = re.compile(rf"\s*{_NUMBER}\s*\Z")
_TERM = re.compile(rf"\s*{_NUMBER}\s*(?P<unit>[^\d\s.,+\-/]+)?")
LONGEST_TEXT: Final = 100
_VULGAR = {
    "½": "1/2",
    "⅓": "1/3",
    "⅔": "2/3",
    "¼": "1/4",
    "¾": "3/4",
    "⅕": "1/5",
    "⅖": "2/5",
    "⅗": "3/5",
    "⅘": "4/5",
    "⅙": "1/6",
    "⅛": "1/8",
    "⅜": "3/8",
    "⅝": "5/8",
    "⅞": "7/8",
}


def _plain(text: str, field: str) -> str:
    if len(text) > LONGEST_TEXT:
        raise UnitError(
            "is too long to be a quantity",
            field=field,
            value=text,
            allowed=Text("{longest_text} characters", longest_text=LONGEST_TEXT),
        )
    if text.isascii():
        return text.strip()
    for sign, fraction in _VULGAR.items():
        text = text.replace(sign, f" {fraction}")
    return text.replace("\u00a0", " ").replace("\u2212", "-").strip()


def _value(match: re.Match[str], text: str, field: str) -> float:
    sign = -1.0 if match["sign"] == "-" else 1.0
    if match["den"] is not None or match["fden"] is not None:
        denominator = int(match["den"] or match["fden"])
        if denominator == 0:
            raise UnitError("has a fraction with nothing below the line", field=field, value=text, example="3 1/2")
        numerator = int(match["num"] or match["fnum"])
        return sign * float(int(match["whole"] or 0) + Fraction(numerator, denominator))
    decimal = match["dec"]
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", decimal):
        raise UnitError(
            "can be read in two ways",
            field=field,
            value=text,
            allowed=Text(
                "write {pointed} or {whole}", pointed=decimal.replace(",", "."), whole=decimal.replace(",", "")
            ),
        )
    number = sign * float(decimal.replace(",", "."))
    if not math.isfinite(number):
        raise UnitError("is not a finite number", field=field, value=text, example="12.5")
    return number


def parse_number(text: str | float, *, field: str = "") -> float:
    """A plain number as people write it: decimal point or comma, or a fraction. No unit, no nan, no inf.

    >>> parse_number("12,5"), parse_number("2 2/3") == 8 / 3
    (12.5, True)
    """
    if isinstance(text, bool):
        raise UnitError("is not a number", field=field, value=text, example="12.5")
    if isinstance(text, int | float):
        try:
            number = float(text)
        except OverflowError:  # a whole number of hundreds of digits
            number = math.inf
        if not math.isfinite(number):
            raise UnitError("is not a finite number", field=field, value=text, example="12.5")
        return number
    match = _NUMBER_ONLY.match(_plain(text, field))
    if match is None:
        raise UnitError("is not a number", field=field, value=text, example="12.5, 12,5 or 2 2/3")
    return _value(match, text, field)


def _sum_of_terms(text: str, units: dict[str, float], field: str, default_unit: str | None, example: str) -> float:
    plain = _plain(text, field)
    position, total, last_factor = 0, 0.0, math.inf
    while position < len(plain):
        match = _TERM.match(plain, position)
        if match is None or match.end() == position:
            raise UnitError("cannot be read", field=field, value=text, example=example)
        unit = match["unit"] or (default_unit if position == 0 and match.end() == len(plain) else None)
        if unit is None:
            raise UnitError("has no unit", field=field, value=text, example=example)
        factor = units.get(unit) or units.get(unit.lower())
        if factor is None:
            known = ", ".join(dict.fromkeys(units))
            raise UnitError(
                Text("has a unit {unit} that is not one of its kind", unit=repr(unit)),
                field=field,
                value=text,
                allowed=known,
            )
        value = _value(match, text, field)
        if factor >= last_factor or (position > 0 and match["sign"]):
            raise UnitError("cannot be read", field=field, value=text, example=example)
        total += math.copysign(abs(value) * factor, -1.0 if plain.startswith("-") else value)
        last_factor, position = factor, match.end()
        while position < len(plain) and plain[position].isspace():
            position += 1
    if position == 0:
        raise UnitError("is empty", field=field, value=text, example=example)
    return total


def parse_length_mm(text: str | float, *, field: str = "", default_unit: str | None = None) -> float:
    """A length with its unit, in mm.

    >>> parse_length_mm("12,5 mm"), parse_length_mm("1 m 20 cm"), round(parse_length_mm("1' 2\\""), 1)
    (12.5, 1200.0, 355.6)

    Raises: UnitError where there is no unit (and no `default_unit`), an unknown one, or two ways to read it.
    """
    if isinstance(text, int | float):
        text = repr(parse_number(text, field=field)) if default_unit else str(text)
    return _sum_of_terms(text, LENGTH_MM, field, default_unit, "12.5 mm, 1.2 m, 3 1/2 in, 1' 2\"")


def parse_mass_kg(text: str | float, *, field: str = "", default_unit: str | None = None) -> float:
    """A mass with its unit, in kg.

    >>> parse_mass_kg("25 kg"), round(parse_mass_kg("25 lb"), 3), round(parse_mass_kg("1 lb 8 oz"), 4)
    (25.0, 11.34, 0.6804)
    """
    if isinstance(text, int | float):
        text = repr(parse_number(text, field=field)) if default_unit else str(text)
    return _sum_of_terms(text, MASS_KG, field, default_unit, "25 kg, 55 lb, 5 lb 3 oz")


def parse_temperature_c(text: str | float, *, field: str = "", default_unit: str | None = None) -> float:
    """A temperature with its unit, in degrees C; below absolute zero is refused.

    >>> parse_temperature_c("18 C"), parse_temperature_c("68 °F"), round(parse_temperature_c("293.15 K"), 2)
    (18.0, 20.0, 20.0)
    """
    if isinstance(text, int | float):
        text = repr(parse_number(text, field=field)) if default_unit else str(text)
    match = re.match(rf"{_NUMBER}\s*(?:°\s*|deg\s*)?(?P<unit>[CcFfKk]?)\s*\Z", _plain(text, field))
    if match is None:
        raise UnitError("cannot be read", field=field, value=text, example="18 C, 64 F, 291 K")
    unit = match["unit"].upper() or default_unit
    if unit is None:
        raise UnitError("has no unit", field=field, value=text, example="18 C, 64 F, 291 K")
    value = _value(match, text, field)
    celsius = {"C": value, "F": (value - 32.0) / 1.8, "K": value - 273.15}[unit]
    if celsius < -273.15:
        raise UnitError("lies below absolute zero", field=field, value=text, allowed="above -273.15 C")
    return celsius


def parse_ratio(text: str | float, *, field: str = "") -> float:
    """A fraction of something: `1/4`, `2/7`, `0.25`, `25 %`.

    >>> parse_ratio("1/4"), parse_ratio("25 %"), parse_ratio(0.25)
    (0.25, 0.25, 0.25)
    """
    if isinstance(text, str) and text.strip().endswith("%"):
        return parse_number(text.strip()[:-1], field=field) / 100.0
    return parse_number(text, field=field)


def parse_footage(text: str | float, *, field: str = "footage") -> Fraction:
    """The footage of a rank, exact: `8'`, `2 2/3'`, `1 3/5`, `16 ft`.

    >>> parse_footage("2 2/3'"), parse_footage("8")
    (Fraction(8, 3), Fraction(8, 1))
    """
    if isinstance(text, int | float):
        number = Fraction(parse_number(text, field=field)).limit_denominator(64)
    else:
        plain = re.sub(r"\s*('|′|ft|feet|foot)\s*\Z", "", _plain(text, field))
        match = re.fullmatch(r"(?:(\d+)\s+)?(\d+)\s*/\s*(\d+)|(\d+(?:[.,]\d+)?)", plain)
        if match is None or (match[3] is not None and int(match[3]) == 0):
            raise UnitError("is not a footage", field=field, value=text, example="8', 2 2/3', 1 3/5'")
        if match[4] is not None:
            number = Fraction(match[4].replace(",", ".")).limit_denominator(64)
        else:
            number = int(match[1] or 0) + Fraction(int(match[2]), int(match[3]))
    if not Fraction(1, 16) <= number <= 64:
        raise UnitError("is not a footage", field=field, value=str(text), allowed="from 1/16' to 64'")
    return number


SMALL_MM: Final = 20.0


@dataclass(frozen=True)
class UnitSystem:
    """How a person wants quantities shown.

    >>> UnitSystem(length="in").show_length(25.4, 1), UnitSystem().show_mass(12.345), UnitSystem(comma=True).number(1.5, 2)
    ('1.000 in', '12.3 kg', '1,50')
    """

    length: str = "mm"
    mass: str = "kg"
    temperature: str = "C"
    comma: bool = False

    def __post_init__(self) -> None:
        for name, allowed in (("length", ("mm", "in")), ("mass", ("kg", "lb")), ("temperature", ("C", "F"))):
            if getattr(self, name) not in allowed:
                raise UnitError("is not known", field=name, value=getattr(self, name), allowed=" or ".join(allowed))

    def number(self, value: float, decimals: int) -> str:
        """A number with its decimals, point or comma."""
        text = f"{value:.{decimals}f}"
        return text.replace(".", ",") if self.comma else text

    def show_length(self, length_mm: float, decimals: int = 0) -> str:
        """A length as text: `decimals` counts for mm; inches show three places, which a thickness needs."""
        if self.length == "mm":
            return f"{self.number(length_mm, decimals)} mm"
        return f"{self.number(length_mm / 25.4, 2 + min(decimals, 1))} in"

    def show_along(self, distance_m: float) -> str:
        """A distance along a table, to be read at arm's length: metres, or feet and whole inches.

        >>> print(UnitSystem().show_along(1.5), "or", UnitSystem(length="in").show_along(1.524))
        1.5 m or 5' 0"
        """
        if self.length == "mm":
            return f"{self.number(distance_m, 1)} m"
        feet, inches = divmod(round(distance_m * 1000.0 / 25.4), 12)
        return f"{feet}' {inches}\""

    def bare_length(self, length_mm: float, decimals: int = 0) -> str:
        """A length without its unit, for columns that name it."""
        return self.show_length(length_mm, decimals).rsplit(" ", 1)[0]

    def show_mass(self, mass_kg: float, decimals: int = 1) -> str:
        """A mass as text."""
        shown = mass_kg if self.mass == "kg" else mass_kg / MASS_KG["lb"]
        return f"{self.number(shown, decimals)} {self.mass}"

    def show_weighed(self, mass_kg: float) -> str:
        """A mass to be weighed out, to a part in two hundred or better: what little of a metal is needed counts most.

        >>> UnitSystem().show_weighed(0.25), UnitSystem().show_weighed(5.5), UnitSystem().show_weighed(90.0)
        ('0.250 kg', '5.50 kg', '90.0 kg')
        """
        shown = mass_kg if self.mass == "kg" else mass_kg / MASS_KG["lb"]
        return self.show_mass(mass_kg, 1 if shown >= 10.0 else 2 if shown >= 1.0 else 3)

    def bare_mass(self, mass_kg: float, decimals: int = 1) -> str:
        """A mass without its unit, for columns that name it."""
        return self.show_mass(mass_kg, decimals).rsplit(" ", 1)[0]

    def show_temperature(self, temperature_c: float) -> str:
        """A temperature as text, in whole degrees."""
        return f"{temperature_c:.0f} °C" if self.temperature == "C" else f"{temperature_c * 1.8 + 32:.0f} °F"

    def show_amount(self, amount: Amount) -> str:
        """An amount of a text, in this person's unit unless it is bare.

        >>> UnitSystem("in", "lb", "F").show_amount(Amount(370.0, "C")), UnitSystem("in").show_amount(Amount(2.26, "mm", 1))
        ('698 °F', '0.089 in')
        >>> UnitSystem().show_amount(Amount(370.0, "C")), UnitSystem("in").show_amount(Amount(2.0, "m²", 1))
        ('370 °C', '21.5 ft²')
        """
        factor, offset, decimals, name = self._scale(amount.unit)
        # a thickness or a gate wants thousandths of an inch, a length of a sheet does not
        thin = name == "in" and abs(amount.value) < SMALL_MM
        places = min(amount.decimals + 2, 3) if thin else amount.decimals + decimals
        number = self.number(amount.value * factor + offset, places)
        unit = name or amount.unit
        number = f"+{number}" if amount.signed and not number.startswith("-") else number
        return number if amount.bare or not unit else f"{number} {unit}"

    def _scale(self, unit: str) -> tuple[float, float, int, str]:
        """Factor, offset, decimals more, and name of a metric unit as this person has it; no name where it stays."""
        if unit in ("C", "°C") and self.temperature == "F":
            return 1.8, 32.0, 0, "°F"
        if unit == "C":
            return 1.0, 0.0, 0, "°C"
        if unit == "K" and self.temperature == "F":
            return 1.8, 0.0, 0, "°F"
        if unit == "kg" and self.mass == "lb":
            return 1.0 / MASS_KG["lb"], 0.0, 0, "lb"
        if unit == "mm" and self.length == "in":
            return 1.0 / 25.4, 0.0, 1, "in"
        if unit == "m/s" and self.length == "in":
            return 1.0 / 0.3048, 0.0, 0, "ft/s"
        if unit == "m" and self.length == "in":
            return 1.0 / 0.3048, 0.0, 0, "ft"
        if unit == "m²" and self.length == "in":
            return 1.0 / 0.3048**2, 0.0, 0, "ft²"
        return 1.0, 0.0, 0, ""

    def bare_area(self, area_m2: float, decimals: int = 2) -> str:
        """An area without its unit, for columns that name it.

        >>> UnitSystem().bare_area(1.5), UnitSystem("in").bare_area(1.5)
        ('1.50', '16.15')
        """
        return self.number(area_m2 * self._scale("m²")[0], decimals)

    @property
    def area_unit(self) -> str:
        """The unit of `bare_area`."""
        return self._scale("m²")[3] or "m²"

    def bare_wall(self, thickness_mm: float) -> str:
        """A thickness without its unit: hundredths of a millimetre, or thousandths of an inch."""
        return self.number(thickness_mm, 2) if self.length == "mm" else f"{thickness_mm / 0.0254:.0f}"

    @property
    def wall_unit(self) -> str:
        """The unit of `bare_wall`."""
        return "mm" if self.length == "mm" else "mil"
