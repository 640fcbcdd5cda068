"""What a planned melt will be by what was weighed so far, beside plain arithmetic."""

from __future__ import annotations

import pytest

from pipemetal.melts.losses import LossModel
from pipemetal.plans.as_weighed import as_weighed
from pipemetal.plans.metal_rows import Charged, LotLine

LOTS = (
    LotLine("T", "pig", 60.0, composition="Sn 100"),
    LotLine("L", "scrap", 100.0, composition="Sn 10 Pb bal"),
    LotLine("M", "master", 4.0, composition="Sb 5 Pb bal"),
)
HALF = {"Sn": 0.4, "Sb": 0.02, "Pb": 0.4}


def melt(heel_tin_kg: float, heel_lead_kg: float) -> Charged:
    masses = {"Sn": 70.0 + heel_tin_kg, "Sb": 0.2, "Pb": 93.8 + heel_lead_kg}
    total = sum(masses.values())
    values = {e: 100.0 * m / total for e, m in masses.items()}
    between = {e: (v - HALF[e], v + HALF[e]) for e, v in values.items()}
    return Charged(LOTS, mass_kg=total, charged_kg=164.0, composition_wt_pct=values, interval_wt_pct=between)


@pytest.mark.parametrize("heel", [(0.0, 0.0), (9.0, 11.0)])
@pytest.mark.parametrize("weighed", [{}, {"T": 66.0}, {"T": 54.5, "L": 103.0}, {"T": 0.0}, {"unknown": 5.0}])
def test_without_dross_it_is_the_sum_of_what_went_in(heel: tuple[float, float], weighed: dict[str, float]) -> None:
    found = as_weighed(melt(*heel), weighed, LossModel(tuple((k, 0.0) for k in ("pig", "scrap", "master"))))
    t, lead, m = (weighed.get(line.id, line.mass_kg) for line in LOTS)
    tin_kg, total_kg = t + 0.1 * lead + heel[0], t + lead + m + sum(heel)
    assert found.mass_kg == pytest.approx(total_kg) and found.charged_kg == pytest.approx(t + lead + m)
    assert found.composition_wt_pct["Sn"] == pytest.approx(100.0 * tin_kg / total_kg)
    assert sum(found.composition_wt_pct.values()) == pytest.approx(100.0)
    low, high = found.interval_wt_pct["Sn"]
    assert (low + high) / 2.0 == pytest.approx(found.composition_wt_pct["Sn"]) and high - low == pytest.approx(0.8)


def test_dross_takes_its_share_of_what_is_more() -> None:
    planned, losses = melt(0.0, 0.0), LossModel((("pig", 0.02), ("scrap", 0.05)), oxide_share=0.1)
    more = as_weighed(planned, {"T": 70.0}, losses)
    # ten kilograms of tin: 18 g each of metal in its dross, 2 g of tin dioxide, 78.8 % of it tin
    assert more.mass_kg - planned.mass_kg == pytest.approx(10.0 * (1.0 - 0.02 * 0.9 - 0.788 * 0.02 * 0.1))


@pytest.mark.parametrize("dross_kg", [0.0, 1.5, 6.0])
def test_what_is_skimmed_is_off_the_melt(dross_kg: float) -> None:
    planned, losses = melt(0.0, 0.0), LossModel((("pig", 0.02), ("scrap", 0.05)), oxide_share=0.1)
    usual = as_weighed(planned, {"T": 70.0}, losses)
    told = as_weighed(planned, {"T": 70.0}, losses, dross_kg)
    assert told.dross_kg == pytest.approx(dross_kg)
    assert told.mass_kg + told.dross_kg == pytest.approx(usual.mass_kg + usual.dross_kg)
    assert told.composition_wt_pct == usual.composition_wt_pct
