"""How a shop wants its quantities printed."""

from __future__ import annotations

from typing import Final

from pipemetal.planning.settings import ShopSettings
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["NOTES_NAMED", "units_of", "with_notes_named"]

NOTES_NAMED: Final = "Notes are named as the organ's file says; where it says nothing, B is the key under c."
"""Said in languages whose B is another key."""


def units_of(settings: ShopSettings) -> UnitSystem:
    """The units of a shop; German with a decimal comma.

    >>> units_of(ShopSettings(language="de")).show_mass(1.5)
    '1,5 kg'
    """
    return UnitSystem(
        settings.length_unit, settings.mass_unit, settings.temperature_unit, comma=settings.language == "de"
    )


def with_notes_named(foot: str, say: Words) -> str:
    """The foot of a paper that names notes: in German it says which keys B and H are.

    >>> with_notes_named("Merrowby Chapel", Words()), "Tonnamen" in with_notes_named("Merrowby Chapel", Words("de"))
    ('Merrowby Chapel', True)
    """
    return f"{foot}. {say(NOTES_NAMED)}" if say.language == "de" else foot
