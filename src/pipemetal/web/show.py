"""How this tablet wants quantities shown: units and light, kept in its own cookies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipemetal.units import MASS_KG, UnitSystem, parse_length_mm

__all__ = ["Show", "show_of"]

THEMES = ("auto", "light", "dark")


@dataclass(frozen=True)
class Show:
    """Units and theme of one tablet."""

    units: UnitSystem = field(default_factory=UnitSystem)
    theme: str = "auto"

    @property
    def length_unit(self) -> str:
        """mm or in."""
        return self.units.length

    def length(self, length_mm: float, decimals: int = 0) -> str:
        """A length."""
        return self.units.show_length(length_mm, decimals)

    def thickness(self, thickness_mm: float) -> str:
        """A thickness, to 0.01 mm or 0.001 in."""
        return self.units.show_length(thickness_mm, 2)

    def plain(self, length_mm: float) -> str:
        """A length without its unit, for tables whose caption names it."""
        return self.length(length_mm).partition(" ")[0]

    def plain_thickness(self, thickness_mm: float) -> str:
        """A thickness without its unit."""
        return self.thickness(thickness_mm).partition(" ")[0]

    def mass(self, mass_kg: float, decimals: int = 1) -> str:
        """A mass."""
        return self.units.show_mass(mass_kg, decimals)

    def mass_value(self, mass_kg: float) -> float:
        """A mass as a number in the tablet's unit."""
        return mass_kg if self.units.mass == "kg" else mass_kg / MASS_KG["lb"]

    def temperature(self, temperature_c: float) -> str:
        """A temperature."""
        return self.units.show_temperature(temperature_c)

    def read_length(self, text: str, name: str) -> float | None:
        """A length as typed: with its unit, or in the tablet's own; None where nothing was typed."""
        return parse_length_mm(text, field=name, default_unit=self.units.length) if text.strip() else None


def show_of(cookies: Mapping[str, str]) -> Show:
    """What the cookies ask for; anything else is the default."""

    def one(name: str, allowed: tuple[str, ...]) -> str:
        value = cookies.get(f"pipemetal_{name}", allowed[0])
        return value if value in allowed else allowed[0]

    units = UnitSystem(one("length", ("mm", "in")), one("mass", ("kg", "lb")), one("temperature", ("C", "F")))
    return Show(units, one("theme", THEMES))
