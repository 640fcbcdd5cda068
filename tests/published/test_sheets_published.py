"""Sheets against figures from outside."""

import pytest

from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll, roll_mass_kg

# EN 12588:2006, Lead and lead alloys: rolled lead sheet for building purposes: code, thickness mm, mass kg/m2.
# Status: not checked.
ROLLED_LEAD = [
    (3, 1.32, 14.97),
    (4, 1.80, 20.41),
    (5, 2.24, 25.40),
    (6, 2.65, 30.05),
    (7, 3.15, 35.72),
    (8, 3.55, 40.26),
]


@pytest.mark.parametrize(("code", "thickness_mm", "kg_m2"), ROLLED_LEAD)
def test_a_square_metre_of_rolled_lead_weighs_what_the_standard_says(
    code: int, thickness_mm: float, kg_m2: float
) -> None:
    field = ThicknessField.from_grid([0.0, 1000.0], [[thickness_mm, thickness_mm]], width_mm=1000.0)
    # Lead at 20 C: 11.34 g/cm3 (CRC Handbook of Chemistry and Physics, physical constants of inorganic compounds).
    mass = roll_mass_kg(Roll(f"code {code}", "Pb", 1000.0, 1000.0, 0.0, field), 11.34)
    assert mass == pytest.approx(kg_m2, abs=0.01)
