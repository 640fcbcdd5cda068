"""What a wider window would save is what the cheaper charge costs less."""

from __future__ import annotations

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import ChargeRequest, solve_charges
from pipemetal.melts.lots import Lot
from pipemetal.melts.mixing import Effort
from pipemetal.melts.relax import what_relaxing_saves

TIN = Lot("tin", "pig", Composition.parse("Sn 100"), 400.0, price_per_kg=28.0)
LEAD = Lot("lead", "pig", Composition.parse("Pb 100"), 400.0, price_per_kg=2.0)


def test_tin_at_its_lowest_is_what_costs() -> None:
    half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    found = solve_charges([ChargeRequest("M", half, 400.0, 450.0)], [TIN, LEAD], effort=Effort(gap=1e-6))
    assert found is not None
    (relaxed,) = what_relaxing_saves(found[0], [TIN, LEAD])
    assert (relaxed.element, relaxed.edge) == ("Sn", "lowest")
    # 0.2 % of 400 kg is 0.8 kg of tin that lead replaces, at 26 a kilogram; lists are weighed in half kilograms
    assert relaxed.saves == pytest.approx(0.8 * 26.0, abs=0.5 * 28.0)


def test_a_charge_in_the_middle_of_its_windows_saves_nothing() -> None:
    wide = Recipe("any", Composition.parse("Sn 50 Pb bal"), (("Sn", 0.0, 100.0),))
    found = solve_charges([ChargeRequest("M", wide, 100.0, 450.0)], [TIN, LEAD])
    assert found is not None
    assert what_relaxing_saves(found[0], [TIN, LEAD]) == ()
