"""The nearest to a recipe that lots can reach, where they do not reach it: a linear problem with windows that give way."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.linear import Model
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.request import ChargeRequest

__all__ = ["nearest_wt_pct", "weighed_without_windows"]

LEAST_WIDTH_WT_PCT: Final = 0.05
"""A window counts as this wide at least when it is asked how far off a mixture is."""


def _kept(request: ChargeRequest, lots: Sequence[Lot], losses: LossModel) -> list[tuple[float, ...]]:
    tin = request.recipe.target.wt_pct("Sn") >= 1.0
    return [losses.kept_kg_per_kg(lot, tin_present=tin) for lot in lots]


def weighed_without_windows(request: ChargeRequest, lots: Sequence[Lot], losses: LossModel) -> float:
    """The most metal that the lots give after skimming, heel included, whatever its composition and however full the pot.

    >>> from pipemetal.alloys.recipe import Recipe
    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> lead = Lot("lead", "pig", Composition.parse("Pb 100"), 60.0)
    >>> weighed_without_windows(ChargeRequest("M", half, 100.0, 450.0), [lead], LossModel((("pig", 0.0),)))
    60.0
    """
    heel_kg = request.heel.mass_kg if request.heel else 0.0
    kept = _kept(request, lots, losses)
    return heel_kg + math.fsum(sum(k) * lot.mass_kg for k, lot in zip(kept, lots, strict=True))


def nearest_wt_pct(request: ChargeRequest, lots: Sequence[Lot], losses: LossModel) -> Composition | None:
    """The composition nearest to the recipe's windows, measured in widths of the windows, pieces divisible, analyses taken
    as they are; None where there is no metal at all. The mass wanted is kept where the lots have so much.

    >>> from pipemetal.alloys.recipe import Recipe
    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> lot = Lot("old", "scrap", Composition.parse("Sn 30 Pb bal"), 90.0)
    >>> nearest_wt_pct(ChargeRequest("M", half, 80.0, 450.0), [lot], LossModel((("scrap", 0.0),))).wt_pct("Sn")
    30.0
    """
    kept = _kept(request, lots, losses)
    heel = request.heel
    heel_kg = heel.mass_kg if heel else 0.0
    model = Model()
    columns = [model.column(high=lot.mass_kg) for lot in lots]
    wanted = min(request.wanted_kg, weighed_without_windows(request, lots, losses))
    total = {c: sum(k) for c, k in zip(columns, kept, strict=True)}
    model.row(total, low=wanted - heel_kg - 1e-9, high=max(wanted, heel_kg) - heel_kg + request.spare_kg)
    model.row(dict.fromkeys(columns, 1.0), high=request.capacity_kg - heel_kg)
    for element, low, high in request.recipe.windows_wt_pct:
        place = ELEMENTS.index(element)
        held = heel.mass_kg * heel.composition.fractions[place] if heel else 0.0
        width = max(high - low, LEAST_WIDTH_WT_PCT) / 100.0
        for side, edge in ((-1, low / 100.0), (1, high / 100.0)):
            off = model.column(cost=1.0 / (width * max(wanted, 1e-9)))
            row = {c: k[place] - edge * sum(k) for c, k in zip(columns, kept, strict=True)} | {off: -float(side)}
            constant = held - edge * heel_kg
            if side < 0:
                model.row(row, low=-constant)
            else:
                model.row(row, high=-constant)
    point = model.solve(relaxed=True)
    if point is None:
        return None
    masses = [heel_kg * (heel.composition.fractions[p] if heel else 0.0) for p in range(len(ELEMENTS))]
    for column, kg_per_kg in zip(columns, kept, strict=True):
        masses = [m + point.values[column] * k for m, k in zip(masses, kg_per_kg, strict=True)]
    masses = [max(m, 0.0) for m in masses]
    whole = math.fsum(masses)
    if whole <= 0.0:
        return None
    return Composition.from_wt_pct({e: 100.0 * m / whole for e, m in zip(ELEMENTS, masses, strict=True)})
