"""What a planned melt will be by what was weighed of it so far, the rest as planned."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.plans.metal_rows import Charged

__all__ = ["as_weighed"]


def as_weighed(
    charge: Charged, weighed_kg: Mapping[str, float], losses: LossModel, dross_kg: float | None = None
) -> Charged:
    """A weighing list with what the scale said of some of its lots: its mass, its metal, and how sure that is.

    `weighed_kg`: by the lot's id; what is not named is taken as planned, and the heel as it is in the plan. Each kilogram more
    or less changes the melt by what of it stays after the dross. `dross_kg`: what was skimmed; as the plan and the lots ask for
    where it is None. Other dross than that takes its share of every element.

    >>> from pipemetal.plans.metal_rows import LotLine
    >>> lots = (LotLine("T", "pig", 50.0, composition="Sn 100"), LotLine("L", "pig", 50.0, composition="Pb 100"))
    >>> half = Charged(lots, mass_kg=100.0, composition_wt_pct={"Sn": 50.0, "Pb": 50.0})
    >>> more = as_weighed(half, {"T": 60.0}, LossModel((("pig", 0.0),)))
    >>> round(more.mass_kg, 1), round(more.composition_wt_pct["Sn"], 2)
    (110.0, 54.55)
    >>> round(as_weighed(half, {"T": 60.0}, LossModel((("pig", 0.0),)), dross_kg=2.0).mass_kg, 1)
    108.0
    """
    masses_kg = [charge.mass_kg * charge.composition_wt_pct.get(e, 0.0) / 100.0 for e in ELEMENTS]
    metals = {line.id: Composition.parse(line.composition) for line in charge.lots if line.id in weighed_kg}
    tin_present = any(m.wt_pct("Sn") > 0.0 for m in metals.values()) or charge.composition_wt_pct.get("Sn", 0.0) > 0.0
    more_kg, skimmed_kg = 0.0, charge.dross_kg
    for line in charge.lots:
        if line.id not in metals:
            continue
        more = weighed_kg[line.id] - line.mass_kg
        kept = losses.kept_kg_per_kg(
            Lot(line.id, line.kind, metals[line.id], max(line.mass_kg, 1.0)), tin_present=tin_present
        )
        masses_kg = [m + more * k for m, k in zip(masses_kg, kept, strict=True)]
        more_kg += more
        skimmed_kg += more * (1.0 - math.fsum(kept))
    masses_kg = [max(m, 0.0) for m in masses_kg]
    total_kg = math.fsum(masses_kg)
    if total_kg <= 0.0:
        return charge
    over_kg = 0.0 if dross_kg is None else dross_kg - skimmed_kg
    values = {e: 100.0 * m / total_kg for e, m in zip(ELEMENTS, masses_kg, strict=True) if m > 0.0}
    half = {e: high - charge.composition_wt_pct.get(e, 0.0) for e, (_, high) in charge.interval_wt_pct.items()}
    return replace(
        charge,
        mass_kg=max(total_kg - over_kg, 0.0),
        dross_kg=max(skimmed_kg + over_kg, 0.0),
        charged_kg=charge.charged_kg + more_kg,
        composition_wt_pct=values,
        interval_wt_pct={e: (max(values[e] - h, 0.0), values[e] + h) for e, h in half.items() if e in values},
    )
