"""How a shop wants its quantities printed."""

from __future__ import annotations

from pipemetal.planning.settings import ShopSettings
from pipemetal.units import UnitSystem

__all__ = ["units_of"]


def units_of(settings: ShopSettings) -> UnitSystem:
    """The units of a shop; German with a decimal comma.

    >>> units_of(ShopSettings(language="de")).show_mass(1.5)
    '1,5 kg'
    """
    return UnitSystem(
        settings.length_unit, settings.mass_unit, settings.temperature_unit, comma=settings.language == "de"
    )
