"""Sleds and tables that a shop owns: read, refused, and the only widths that sheets are cast in."""

import math
from dataclasses import replace

import pytest

from pipemetal.errors import FileFormatError, PlanError
from pipemetal.files.shop_file import settings_of
from pipemetal.layout.plan import NewSheet
from pipemetal.layout.problem import Blank, Castable, CastWidth, LayoutProblem
from pipemetal.layout.reasons import cannot_cast
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify
from pipemetal.planning.equipment import OwnedSettings, parse_sleds, parse_tables
from pipemetal.planning.habits import HabitSettings
from pipemetal.planning.settings import PotSettings, ShopSettings
from pipemetal.planning.sheets_to_cast import castable_for, sheet_order

TWO = CastWidth(900.0, 5200.0), CastWidth(600.0, 4000.0)


def blanks(count: int, width_mm: float = 260.0) -> tuple[Blank, ...]:
    return tuple(
        Blank(f"C{k}", "body", "A", 1200.0 + 13.0 * k, width_mm, 1.0, 0.95, 0.06, (0, 180)) for k in range(count)
    )


def castable(**more: object) -> Castable:
    base = Castable(max_width_mm=900.0, max_length_mm=5200.0, widths=TWO)
    return replace(base, **more)


def test_sheets_are_cast_in_widths_that_there_are() -> None:
    problem = LayoutProblem(blanks(14), (), castable(), 1.0)
    plan = solve(problem, iterations=300)
    assert not plan.unplaced and verify(problem, plan) == ()
    assert {s.width_mm for s in plan.new_sheets} <= {900.0, 600.0}


def test_another_width_is_set_up_only_where_it_saves_more_than_it_costs() -> None:
    free = solve(LayoutProblem(blanks(11), (), castable(), 1.0), iterations=100)
    dear = solve(LayoutProblem(blanks(11), (), castable(width_change_mm2=1e9), 1.0), iterations=100)
    assert len({s.width_mm for s in dear.new_sheets}) == 1 <= len({s.width_mm for s in free.new_sheets})


@pytest.mark.parametrize(
    ("sheet", "told"),
    [
        (NewSheet("N001", "A", 2000.0, 700.0, 1.0, 0.95, 15.0), "is none of 900, 600"),
        (NewSheet("N001", "A", 4500.0, 600.0, 1.0, 0.95, 15.0), "the most of its width"),
    ],
)
def test_the_check_finds_a_sheet_that_no_sled_gives(sheet: NewSheet, told: str) -> None:
    problem = LayoutProblem(blanks(3), (), castable(), 1.0)
    plan = solve(problem, iterations=50)
    assert verify(problem, plan) == ()
    wrong = replace(plan, new_sheets=(replace(sheet, id=plan.new_sheets[0].id), *plan.new_sheets[1:]))
    assert any(told in fault.detail for fault in verify(problem, wrong))


def test_a_list_of_sleds_is_read_in_either_unit() -> None:
    sleds = parse_sleds("narrow: 250 x 600 mm, 24 lb\nwide 10 × 36 in")
    assert [(s.name, s.length_mm, s.width_mm) for s in sleds] == [("wide", 254.0, 914.4), ("narrow", 250.0, 600.0)]
    assert sleds[1].empty_kg == pytest.approx(10.886, abs=1e-3)


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"owned.sleds": "wide"}, "is not a sled"),
        ({"owned.sleds": "wide 250 x 900; wide 250 x 600"}, "is named twice"),
        ({"owned.sleds": "a 250 x 900; b 200 x 900"}, "are of one width"),
        ({"owned.sleds": "a 250 x 90000"}, "60 to 2500 mm"),
        ({"owned.sleds": "a 250 x 900", "owned.tables": "t 5500 x 800"}, "wider than every table"),
        ({"owned.sleds": "a 250 x 900", "owned.tables": "t 900 x 1000"}, "too short for the shortest sheet"),
        ({"owned.tables": "t 5500 by 1000"}, "is not a casting table"),
        ({"day.shift": "7-16"}, "is not a span of the day"),
        ({"day.breaks": "5:00-5:30"}, "outside the shift"),
        ({"day.weekdays": "Mo-Fr"}, "is no day of the week"),
        ({"day.starts_on": "7.12.2026"}, "is not a date"),
        ({"day.free_days": "2027-01-02..2026-12-24"}, "is no span of dates"),
        ({"day.holidays": "Bavaria"}, "is not a region"),
    ],
)
def test_what_is_no_sled_table_or_hour_is_refused_with_what_is_allowed(said: dict[str, str], told: str) -> None:
    with pytest.raises((PlanError, FileFormatError)) as caught:
        settings_of(said)
    assert told in str(caught.value) and caught.value.allowed


def test_a_shop_that_names_no_sled_casts_any_width_as_before() -> None:
    settings = ShopSettings()
    assert settings.castable().widths == () and settings.castable().max_width_mm == 900.0
    order = sheet_order(NewSheet("N1", "A", 3000.0, 550.0, 1.0, 0.9, 15.0), settings)
    assert (order.sled.name, order.sled.length_mm) == ("", 250.0)


def test_a_sheet_lies_on_the_first_table_that_carries_it_and_level_ones_come_first() -> None:
    tables = "steep 6000 x 1000, 4 mm/m; short 3000 x 1000; long 5500 x 1000"
    settings = ShopSettings(owned=OwnedSettings("wide 250 x 900; narrow 200 x 600", tables))
    assert [t.name for t in parse_tables(tables)] == ["long", "short", "steep"]
    order = sheet_order(NewSheet("N1", "A", 5200.0, 600.0, 1.0, 0.9, 15.0), settings)
    assert (order.sled.name, order.table.name) == ("narrow", "long")
    with pytest.raises(PlanError, match="is the width of no sled"):
        sheet_order(NewSheet("N1", "A", 5200.0, 650.0, 1.0, 0.9, 15.0), settings)


@pytest.mark.parametrize("sleds", ["", "s 250 x 900", "short 180 x 500; long 300 x 900"])
@pytest.mark.parametrize(("scoops", "pot_kg"), [(0, 450.0), (3, 450.0), (0, 60.0), (3, 60.0)])
def test_a_sheet_that_cannot_be_cast_names_what_keeps_it(sleds: str, scoops: int, pot_kg: float) -> None:
    shop = ShopSettings(
        pot=PotSettings(capacity_kg=pot_kg, steel_kg=pot_kg / 3.0),
        owned=OwnedSettings(sleds),
        habits=HabitSettings(usual_scoops=scoops),
    )
    causes = {"sled": "one filling of the sled", "pot": "the pot does not give"}
    for thick in (1.0, 2.0, 4.0, 5.2):
        blank = Blank("C", "body", "A", 4700.0, 440.0, thick, thick, 0.05)
        castable = castable_for([blank], shop)
        words = cannot_cast(blank, castable)
        free = [
            max(shop.section_mm2(s, math.inf) for s in shop.sleds),
            max(shop.section_mm2(s, shop.most_charge_kg) for s in shop.sleds),
        ]
        asked = 4730.0 * (thick - 0.05)
        if asked > free[0]:
            assert words is not None
        elif asked > free[1]:
            assert words is not None and words.startswith(causes["pot"]), (thick, words)
        elif asked + 5000.0 * 0.1 < free[1]:
            # what is usually ladled never keeps a pipe from its sheet
            assert words is None, (thick, words)
