"""Metals that pipes are made of and that no pot of the shop melts: bought as flat sheet of even thickness."""

from __future__ import annotations

from typing import Final

from pipemetal.errors import PipeError

__all__ = ["BOUGHT_METALS", "bought_density_g_cm3"]

BOUGHT_METALS: Final[dict[str, float]] = {"zinc": 7.14, "copper": 8.96}
"""Density in g/cm3 of the pure metals at 20 C (metals handbooks, not checked)."""


def bought_density_g_cm3(metal: str) -> float:
    """Density of a bought metal.

    >>> bought_density_g_cm3("zinc")
    7.14

    Errors: PipeError for a metal that is not known.
    """
    if metal not in BOUGHT_METALS:
        raise PipeError("is not a bought metal", field="metal", value=metal, allowed=", ".join(BOUGHT_METALS))
    return BOUGHT_METALS[metal]
