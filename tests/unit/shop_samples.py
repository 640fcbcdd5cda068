"""Small pieces of an invented shop for the tests of the book."""

from typing import Any

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.plans.codec import NEEDED, from_value
from pipemetal.plans.record import PLAN_FORMAT, Plan
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll

HALF = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
TIN, LEAD = Composition.parse("Sn 100"), Composition.parse("Pb 100")
PNG = b"\x89PNG\r\n\x1a\n" + b"an invented picture"


def a_roll(name: str = "R1", start: float = 1.2, end: float = 0.8, length: float = 2000.0) -> Roll:
    field = ThicknessField.from_grid([0.0, length / 2, length], [[start, (start + end) / 2, end]] * 3, width_mm=600.0)
    return Roll(name, "half", length, 600.0, 10.0, field, place="rack A")


def a_cut(blank: str, x: float, y: float, length: float, width: float, mass: float) -> dict[str, Any]:
    return {
        "blank": blank,
        "kind": "body",
        "rank": "Flute 8",
        "x_mm": x,
        "y_mm": y,
        "length_mm": length,
        "width_mm": width,
        "mass_kg": mass,
    }


def as_plan(data: dict[str, Any]) -> Plan:
    """A plan of plain values, as plan.json holds them."""
    return from_value({"format": PLAN_FORMAT} | data)


def a_plan(organ: str = "Chapel", tin_kg: float = 20.0) -> dict[str, Any]:
    """Two blanks out of R1, one melt of tin and lead, one sheet to cast."""
    return {
        **{kind: [] for kind in NEEDED},
        "organ": organ,
        "rolls_used": [
            {
                "id": "R1",
                "mass_kg": 10.0,
                "cuts": [
                    a_cut("Flute 8 C body", 10.0, 10.0, 800.0, 500.0, 3.5),
                    a_cut("Flute 8 D body", 811.0, 10.0, 400.0, 500.0, 1.7),
                ],
            }
        ],
        "new_sheets": [{"id": "N1", "mass_kg": 10.0, "cuts": []}],
        "melts": [
            {
                "name": "M1",
                "recipe": "half",
                "heel_kg": 0.0,
                "dross_kg": 0.2,
                "lots": [{"id": "T", "kind": "pig", "mass_kg": tin_kg}, {"id": "P", "kind": "pig", "mass_kg": 20.0}],
            }
        ],
        "pours": [{"sheet": "N1", "alloy": "half", "melt": "M1", "day": 1, "number": 1, "charge_kg": 15.0}],
    }
