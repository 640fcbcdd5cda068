"""What a melt loses as dross: by kind of lot, by element, and how a shop's own figures change it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import MeltError
from pipemetal.melts.lots import LOT_KINDS, Lot
from pipemetal.texts import Text

__all__ = ["LossModel"]

TIN_IN_SNO2: Final = 0.788
LEAD_IN_PBO: Final = 0.928


@dataclass(frozen=True)
class LossModel:
    """What is skimmed off as dross, by kind of lot, and how much of the dross is oxide.

    Skimmed dross is mostly metal; its oxide is tin's as long as there is tin (SnO2, 78.8 % Sn by mass), lead's otherwise
    (PbO, 92.8 % Pb). Shares are of the mass charged. `element_factor` says how much more of an element than of lead goes
    with the metallic part: 1 where nothing is known.

    Sources: 90 % metal in skimmed dross, review of drossing in agitated pots; 0.5 to 2 % for clean ingots and 3 to 5 % for
    thin scrap: common practice, no source. A shop must fit its own (`fit_dross`).
    """

    dross_share: tuple[tuple[str, float], ...] = (
        ("pig", 0.008),
        ("ingot", 0.008),
        ("master", 0.010),
        ("buy", 0.008),
        ("scrap", 0.015),
        ("shavings", 0.040),
    )
    oxide_share: float = 0.10
    element_factor: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        for kind, share in self.dross_share:
            if kind not in LOT_KINDS or not 0.0 <= share <= 0.3:
                raise MeltError("is not a share of dross", field=f"dross.{kind}", value=share, allowed="0 to 0.3")
        if not 0.0 <= self.oxide_share <= 1.0:
            raise MeltError("is not a share", field="oxide_share", value=self.oxide_share, allowed="0 to 1")
        for element, factor in self.element_factor:
            if element not in ELEMENTS or not 0.0 <= factor <= 3.0:
                raise MeltError(
                    "is not a factor of dross",
                    field=f"factor_{element}",
                    value=factor,
                    allowed=Text("0 to 3, for {names}", names=", ".join(ELEMENTS)),
                )

    def share_of(self, kind: str) -> float:
        """Dross of a kilogram of a kind of lot, in kilograms of metal and oxide's metal."""
        return dict(self.dross_share).get(kind, 0.01)

    def kept_kg_per_kg(self, lot: Lot, *, tin_present: bool) -> tuple[float, ...]:
        """Mass of each element that stays in the melt for a kilogram charged, in the order of ELEMENTS.

        A kilogram of lead charged into a melt with tin keeps less than nothing of tin: the melt's tin pays for its dross.

        >>> from pipemetal.alloys.composition import Composition
        >>> kept = LossModel().kept_kg_per_kg(Lot("p", "pig", Composition.parse("Pb 100"), 50.0), tin_present=True)
        >>> round(kept[0], 4), round(kept[1], 6)
        (0.9928, -0.00063)
        """
        dross, factors = self.share_of(lot.kind), dict(self.element_factor)
        metal = dross * (1.0 - self.oxide_share)
        kept = [
            fraction * (1.0 - metal * factors.get(element, 1.0))
            for element, fraction in zip(ELEMENTS, lot.composition.fractions, strict=True)
        ]
        oxide = dross * self.oxide_share
        victim, share = ("Sn", TIN_IN_SNO2) if tin_present else ("Pb", LEAD_IN_PBO)
        kept[ELEMENTS.index(victim)] -= share * oxide
        return tuple(kept)
