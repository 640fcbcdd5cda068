"""What is left of the melts of a book: how much by the ledger, of what metal, how sure, and what it is worth."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.files.lots_file import SORTED_BY_EYE
from pipemetal.melts.lots import Heel
from pipemetal.shop.ledger import composition_of, kilograms
from pipemetal.shop.melt_records import ASSAY_HALF_WT_PCT
from pipemetal.shop.rows import AnalysisRow, LotRow, MeltRow

__all__ = ["StandingMelt", "standing_melts"]

LEAST_LEFT_KG: Final = 0.01


@dataclass(frozen=True)
class StandingMelt:
    """What is left of a melt. `metal` is None where some of it is of unknown elements; `uncertainty_wt_pct` are 95 %
    half-widths: of its assay, else of what the analyses of its lots add up to."""

    id: str
    recipe: str
    day: str
    plan: str
    version: int
    left_kg: float
    metal: Composition | None
    assay: str
    uncertainty_wt_pct: tuple[tuple[str, float], ...]
    price_per_kg: float

    def heel(self, mass_kg: float | None = None) -> Heel:
        """It as what is in the pot; all of it where no mass is named. Its metal must be known."""
        assert self.metal is not None
        return Heel(
            self.left_kg if mass_kg is None else mass_kg, self.metal, self.price_per_kg, self.uncertainty_wt_pct
        )


def standing_melts(
    melts: Sequence[MeltRow],
    lots: Mapping[str, LotRow],
    analyses: Sequence[AnalysisRow],
    held_ug: Mapping[str, Mapping[str, int]],
) -> tuple[StandingMelt, ...]:
    """Melts of which something is left, the latest first. `held_ug`: what every melt's account holds."""
    unsure = {(row.about, row.composition): row.uncertainty_wt_pct for row in analyses}
    found = []
    for row in melts:
        stock = dict(held_ug.get(f"melt:{row.id}", {}))
        left = kilograms(sum(stock.values()))
        if left < LEAST_LEFT_KG:
            continue
        inputs = row.inputs_kg
        half = unsure.get((f"melt:{row.id}", row.assay)) or ASSAY_HALF_WT_PCT
        found.append(
            StandingMelt(
                row.id,
                row.recipe,
                row.day,
                row.plan,
                row.version,
                left,
                composition_of(stock),
                row.assay,
                half if row.assay else _of_lots(inputs, lots),
                _worth(inputs, lots),
            )
        )
    return tuple(sorted(found, key=lambda m: (m.day, m.id), reverse=True))


def _of_lots(inputs: Mapping[str, float], lots: Mapping[str, LotRow]) -> tuple[tuple[str, float], ...]:
    """95 % half-widths of a melt that was not assayed: errors of its lots independent, heels as unsure as an assay."""
    whole = sum(inputs.values())
    if whole <= 0.0:
        return ()
    parts: dict[str, list[float]] = defaultdict(list)
    for name, mass in inputs.items():
        row = lots.get(name)
        if row is None:
            half: tuple[tuple[str, float], ...] = ASSAY_HALF_WT_PCT
        else:
            half = row.uncertainty_wt_pct or (() if row.composition else SORTED_BY_EYE)
        for element, width in half:
            parts[element].append(mass * width)
    return tuple((e, min(math.hypot(*parts[e]) / whole, 50.0)) for e in ELEMENTS if e in parts)


def _worth(inputs: Mapping[str, float], lots: Mapping[str, LotRow]) -> float:
    """What a kilogram cost by the prices of the lots charged; a heel below is taken to be worth as much."""
    charged = {name: mass for name, mass in inputs.items() if name in lots}
    whole = sum(charged.values())
    return sum(mass * lots[name].price_per_kg for name, mass in charged.items()) / whole if whole > 0.0 else 0.0
