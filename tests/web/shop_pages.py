"""A small shop for the pages' tests: hostile names in the book, and a plan of the right shape."""

import dataclasses
import re
from pathlib import Path

from starlette.testclient import TestClient

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sureness import SureSettings
from pipemetal.plans.codec import from_value
from pipemetal.plans.record import PLAN_FORMAT, Plan
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book, NewLot, NewMelt

HOSTILE = "<script>alert(1)</script>\"'><svg/onload=alert(2)>"


def small_book(path: Path, name: str = HOSTILE) -> Book:
    book = Book.open(path, create=True, who=name)
    book.recipes.add(Recipe(name, Composition.parse("Sn 50 Pb bal")))
    field = ThicknessField.from_grid([0.0, 1000.0, 2000.0], [[1.2, 1.0, 0.8]] * 3, width_mm=600.0)
    book.rolls.add(Roll("R1", name, 2000.0, 600.0, 10.0, field, place=name), note=name)
    book.rolls.add(Roll(name, name, 2000.0, 600.0, 10.0, field))
    book.lots.add(NewLot("T1", "pig", 20.0, Composition.parse("Sn 100"), note=name))
    book.lots.add(NewLot("X", "scrap", 5.0))
    return book


def small_plan(name: str = HOSTILE) -> Plan:
    """A plan with one of everything, every text hostile."""
    sheet = {
        "id": "R1",
        "alloy": name,
        "length_mm": 2000.0,
        "width_mm": 600.0,
        "place": name,
        "mass_kg": 10.0,
        "blanks_kg": 5.0,
        "offcut_kg": 1.0,
        "kerf_kg": 0.1,
        "remnants_kg": 2.0,
        "remnants": [{"id": name, "area_mm2": 1.0, "corners_mm": [[1000.0, 0.0], [2000.0, 0.0], [2000.0, 600.0]]}],
        "cuts": [
            {
                "number": 1,
                "blank": name,
                "kind": "body",
                "rank": name,
                "note": "C",
                "x_mm": 15.0,
                "y_mm": 15.0,
                "turn_deg": 0,
                "length_mm": 800.0,
                "width_mm": 300.0,
                "wanted_mouth_mm": 1.1,
                "wanted_top_mm": 1.0,
                "tolerance_mm": 0.1,
                "actual_mouth_mm": 1.1,
                "actual_top_mm": 1.0,
                "mass_kg": 1.0,
            }
        ],
    }
    new = sheet | {"id": name, "remnants": [], "thickness_start_mm": 1.2, "thickness_end_mm": 1.0, "cast_start_mm": 1.4}
    window = {"try_low": 300.0, "try_high": 330.0, "too_cold_below": 290.0, "too_hot_above": 400.0, "rests_on": name}
    pour = {
        "sheet": name,
        "alloy": name,
        "melt": "M1",
        "day": 1,
        "number": 1,
        "length_mm": 2000.0,
        "width_mm": 600.0,
        "cast_start_mm": 1.4,
        "cast_end_mm": 1.2,
        "charge_kg": 40.0,
        "left_kg": 5.0,
        "stone_temperature_c": 17.0,
        "problem": "",
        "pour_window_c": window,
        "scoops": 4,
        "gate_mm": 2.0,
        "marks": [{"distance_m": 0.0, "time_s": 0.0, "speed_m_s": 0.8}],
        "speed_change": name,
        "rests_on": name,
        "warnings": [name],
    }
    melt = {
        "name": "M1",
        "recipe": name,
        "sheets": [name],
        "pot_emptied_before": True,
        "heel_kg": 3.0,
        "charged_kg": 40.0,
        "lots": [{"id": name, "kind": "pig", "mass_kg": 40.0, "pieces": 1, "note": name}],
        "dross_kg": 0.4,
        "gap_percent": 0.1,
        "composition_wt_pct": {"Sn": 50.0, "Pb": 50.0},
        "interval_wt_pct": {"Sn": [49.0, 51.0], "Pb": [49.0, 51.0]},
        "window_wt_pct": {"Sn": [49.0, 51.0]},
        "binding": [name],
    }
    blocked = {
        "name": "M2",
        "recipe": name,
        "sheets": [],
        "pot_emptied_before": False,
        "heel_kg": 0.0,
        "words": name,
        "blocked_by": [],
    }
    pipe = {
        "id": name,
        "rank": name,
        "alloy": name,
        "choir": 1,
        "key": 0,
        "half_tones": 0.5,
        "note": "C",
        "footage": "8'",
        "diameter_mm": 150.0,
        "frequency_hz": 65.0,
        "cut_length_mm": 2500.0,
        "foot_length_mm": 200.0,
        "thickness_mouth_mm": 1.1,
        "thickness_top_mm": 1.0,
        "mass_kg": 5.0,
    }
    metal = {"in_all": {"pipes_kg": 5.0}, "by_alloy": {name: {"pipes_kg": 5.0}}, "unexplained_kg": 0.0}
    data = {
        "format": PLAN_FORMAT,
        "organ": name,
        "shop": name,
        "program": name,
        "pipes": [pipe, pipe | {"key": 12, "half_tones": 1.0}],
        "pipes_served": 1,
        "faults": [],
        "rolls_used": [sheet],
        "new_sheets": [new],
        "melts": [melt, blocked],
        "pours": [pour],
        "metal": metal,
        "to_buy_kg": {"Sb": 1.0},
        "unserved": [{"blank": name, "reason": name}],
        "cautions": [name],
    }
    return from_value(data)


SMALL_ORGAN = """
[organ]
name = "Brindle House"

[[rank]]
name = "Principal 4"
division = "Great"
footage = "4'"
compass = "c1-c2"
alloy = "half"
scale = { half_tones = [["c1", 0], ["c2", 1]] }
mouth = "1/4"
cut_up = "1/4"
"""
"""An invented organ of one short rank."""


def working_book(path: Path) -> Book:
    """An invented shop that can plan, melt and cast: one recipe, two rolls, three lots, one organ."""
    book = Book.open(path, create=True, who="tester")
    book.recipes.add(Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),)))
    for name, thick in (("R1", 0.62), ("R2", 0.55)):
        field = ThicknessField.from_grid([0.0, 1500.0], [[thick, thick - 0.06]] * 3, width_mm=500.0)
        book.rolls.add(Roll(name, "half", 1500.0, 500.0, 10.0, field, place="rack A"))
    book.lots.add(NewLot("T1", "pig", 300.0, Composition.parse("Sn 99.9 Pb bal")))
    book.lots.add(NewLot("L1", "pig", 300.0, Composition.parse("Pb 99.9 Sn bal")))
    book.lots.add(NewLot("S1", "scrap", 40.0, Composition.parse("Sn 49 Pb bal")))
    book.plans.add_organ("Brindle House", SMALL_ORGAN)
    return book


def working_plan(book: Book) -> str:
    """A plan made of it by the real pipeline, kept in the book; gives its id."""
    from pipemetal.planning.plan import Search, make_plan
    from pipemetal.plans.making import plan_record
    from pipemetal.shop.stock import book_stock
    from pipemetal.web.organs import organ_of_text

    stock = book_stock(book)
    # two rolls in the plan, and two sheets to cast
    settings = ShopSettings(take_down_costs_kg=0.0, sure=SureSettings(certainty=0.0))
    organ = organ_of_text(SMALL_ORGAN, stock.recipes)
    made = make_plan(organ, stock, settings, search=Search(iterations=60, seed=1))
    return book.plans.keep(plan_record(made)).value


def small_organ_casts() -> list[LoggedCast]:
    """Casts of the invented shop, enough that one of them can be explained."""
    half, sled = Composition.parse("Sn 50 Pb bal"), Sled(250.0, 500.0)
    return [
        LoggedCast(
            f"K{k}",
            half,
            2.4 + 0.1 * k,
            38.0 + k,
            sled,
            2000.0,
            ((200.0, 1.30 + 0.05 * k), (1000.0, 1.22 + 0.05 * k), (1800.0, 1.12 + 0.05 * k)),
            (),
            push_time_s=3.0,
            pour_temperature_c=250.0 + 4.0 * k,
            verdict="good",
            day=f"2026-11-{10 + k:02d}",
        )
        for k in range(1, 5)
    ]


def main_of(client: TestClient, page: str) -> str:
    answer = client.get(page)
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", answer.text.partition("<main")[2])


def cast_one(book: Book, name: str) -> str:
    """The next sheet of the plan cast; gives its name."""
    order = book.plans.cast_list()[0]
    book.lots.add(NewLot(f"A-{name}", "ingot", 90.0, book.recipes.all()[order.alloy].target))
    book.melts.record(NewMelt(f"M-{name}", order.alloy, {f"A-{name}": 90.0}))
    log = dataclasses.replace(
        small_organ_casts()[0], id=name, note=order.sheet, thickness_mm=(), verdict="good", day="2026-12-01"
    )
    book.casts.record(log, melt=f"M-{name}", used_kg=50.0, order=order.id)
    return str(order.sheet)
