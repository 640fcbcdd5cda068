"""How a person wants things said and shown: units, decimal sign, language and light, kept per person on the tablet."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.texts import clock_text
from pipemetal.units import MASS_KG, UnitSystem, parse_length_mm, parse_mass_kg, parse_temperature_c
from pipemetal.words import LANGUAGES, Words

__all__ = ["CHOICES", "THEMES", "Show", "cookie_name", "show_of"]

THEMES: Final = ("auto", "light", "dark")
WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "length": ("mm", "in"),
    "mass": ("kg", "lb"),
    "temperature": ("C", "F"),
    "decimal": ("point", "comma"),
    "language": LANGUAGES,
    "theme": THEMES,
}
"""What a person may choose, the default first."""


def cookie_name(person: str) -> str:
    """Where a tablet keeps this person's choices; the name itself stands in no cookie.

    >>> cookie_name("")
    'pipemetal_show'
    """
    return f"pipemetal_show_{hashlib.sha256(person.encode()).hexdigest()[:12]}" if person else "pipemetal_show"


@dataclass(frozen=True)
class Show:
    """Units, language and theme of one person."""

    units: UnitSystem = field(default_factory=UnitSystem)
    theme: str = "auto"
    say: Words = field(default_factory=Words)

    @property
    def length_unit(self) -> str:
        """mm or in."""
        return self.units.length

    @property
    def temperature_unit(self) -> str:
        """°C or °F."""
        return f"°{self.units.temperature}"

    def read(self, text: str) -> str:
        """What a room has to say, in the person's language and units."""
        return self.say.read(text, self.units)

    def day(self, date: dt.date | str) -> str:
        """A date in words, from a date or its ISO 8601 text; what is no date is shown as it stands.

        >>> Show().day("2026-11-27"), Show().day("")
        ('Friday, 27 November', '')
        """
        if isinstance(date, str):
            try:
                return self.day(dt.date.fromisoformat(date))
            except ValueError:
                return date
        weekday, month = self.say(WEEKDAYS[date.weekday()]), self.say(MONTHS[date.month - 1])
        return self.say("{weekday}, {day} {month}", weekday=weekday, day=date.day, month=month)

    def clock(self, minutes: float) -> str:
        """Minutes since midnight as a time of day."""
        return clock_text(minutes)

    def number(self, value: float, decimals: int = 2) -> str:
        """A number with this person's decimal sign."""
        return self.units.number(value, decimals)

    @property
    def bench_steps(self) -> tuple[tuple[float, str], ...]:
        """Steps of the cutting bench, from fine to coarse: in mm, and as they are told."""
        if self.units.length == "in":
            return (0.79375, "1/32 in"), (6.35, "1/4 in"), (101.6, "4 in")
        return (1.0, "1 mm"), (10.0, "10 mm"), (100.0, "100 mm")

    @property
    def readings_like(self) -> str:
        """How readings are typed, in the person's own units: `along:thickness`."""
        places = ((100.0, 1.21), (2000.0, 1.05))
        return " ".join(f"{self.plain(along)}:{self.plain_thickness(thick)}" for along, thick in places)

    def signed(self, value: float, decimals: int = 1) -> str:
        """A number with its sign."""
        return ("+" if value >= 0 else "") + self.number(value, decimals)

    def length(self, length_mm: float, decimals: int = 0) -> str:
        """A length."""
        return self.units.show_length(length_mm, decimals)

    def thickness(self, thickness_mm: float) -> str:
        """A thickness, to 0.01 mm or 0.001 in."""
        if self.units.length == "in":
            return f"{self.number(thickness_mm / 25.4, 3)} in"
        return self.units.show_length(thickness_mm, 2)

    def signed_thickness(self, thickness_mm: float) -> str:
        """A difference of thicknesses with its sign, without its unit."""
        text = self.plain_thickness(thickness_mm)
        if not text.strip("-0.,"):  # a zero has no sign of its own
            text = text.lstrip("-")
        return text if text.startswith("-") else f"+{text}"

    def plain(self, length_mm: float, decimals: int = 0) -> str:
        """A length without its unit, for tables whose caption names it."""
        return self.units.bare_length(length_mm, decimals)

    def plain_thickness(self, thickness_mm: float) -> str:
        """A thickness without its unit."""
        return self.thickness(thickness_mm).rsplit(" ", 1)[0]

    def gate(self, gate_mm: float) -> str:
        """How far the gate is open, without its unit: to a tenth of a millimetre, or thousandths of an inch."""
        return self.number(gate_mm, 1) if self.units.length == "mm" else self.plain_thickness(gate_mm)

    def mass(self, mass_kg: float, decimals: int = 1) -> str:
        """A mass."""
        return self.units.show_mass(mass_kg, decimals)

    def mass_value(self, mass_kg: float) -> float:
        """A mass as a number in the person's unit."""
        return mass_kg if self.units.mass == "kg" else mass_kg / MASS_KG["lb"]

    def plain_mass(self, mass_kg: float, decimals: int = 2) -> str:
        """A mass without its unit."""
        return self.units.bare_mass(mass_kg, decimals)

    def metal(self, metal: Composition) -> str:
        """A composition to hundredths of a percent.

        >>> Show(UnitSystem(comma=True)).metal(Composition.parse("Sn 49.8267974 Pb bal"))
        'Sn 49,83 Pb bal'
        """
        rounded = {e: round(v, 2) for e, v in metal.as_wt_pct().items()}
        text = Composition.from_wt_pct(rounded).text() if abs(sum(rounded.values()) - 100.0) < 0.06 else metal.text()
        return text.replace(".", ",") if self.units.comma else text

    def blank(self, name: str, kind: str) -> str:
        """A blank's name, its part in this person's language."""
        from pipemetal.documents.flat_picture import named_blank

        return named_blank(name, kind, self.say)

    def construction(self, name: str) -> str:
        """How a pipe is built, in this person's language."""
        from pipemetal.pipes.rank import said_construction

        return self.say(said_construction(name))

    def temperature(self, temperature_c: float) -> str:
        """A temperature."""
        return self.units.show_temperature(temperature_c)

    def typed_temperature(self, temperature_c: float) -> str:
        """A temperature as it stands in a field, without its unit."""
        return self.temperature(temperature_c).partition(" ")[0]

    def read_length(self, text: str, name: str) -> float | None:
        """A length as typed: with its unit, or in the person's own; None where nothing was typed."""
        return parse_length_mm(text, field=name, default_unit=self.units.length) if text.strip() else None

    def read_mass(self, text: str, name: str) -> float | None:
        """A mass as typed, in kilograms; None where nothing was typed."""
        return parse_mass_kg(text, field=name, default_unit=self.units.mass) if text.strip() else None

    def read_temperature(self, text: str, name: str) -> float | None:
        """A temperature as typed, in degrees C; None where nothing was typed."""
        return parse_temperature_c(text, field=name, default_unit=self.units.temperature) if text.strip() else None


def show_of(cookies: Mapping[str, str], person: str = "") -> Show:
    """What the cookies of this person, else of the tablet, ask for; anything unknown is the default.

    >>> show_of({"pipemetal_show": "in.lb.F.comma.de.dark"}).length(25.4)
    '1,00 in'
    """
    text = cookies.get(cookie_name(person)) or cookies.get(cookie_name("")) or ""
    asked = dict(zip(CHOICES, text.split("."), strict=False))
    held = {name: asked[name] if asked.get(name) in allowed else allowed[0] for name, allowed in CHOICES.items()}
    units = UnitSystem(held["length"], held["mass"], held["temperature"], held["decimal"] == "comma")
    return Show(units, held["theme"], Words(held["language"]))
