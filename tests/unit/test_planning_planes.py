"""Planes that a shop lists: read, refused, and the sheets that none of them takes told, by the strip that is used."""

from __future__ import annotations

from dataclasses import replace

import pytest
from test_planning import LOTS, RECIPES, small_organ

from pipemetal.errors import PlanError
from pipemetal.planning.equipment import OwnedSettings, parse_planes
from pipemetal.planning.plan import Plan, Search, make_plan
from pipemetal.planning.planing import told_of_planing
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_orders
from pipemetal.planning.stock import Stock


@pytest.fixture(scope="module")
def plan() -> Plan:
    shop = ShopSettings(owned=OwnedSettings("wide 250 x 900; narrow 250 x 500"))
    return make_plan(small_organ(), Stock(RECIPES, (), LOTS), shop, search=Search(iterations=100))


@pytest.mark.parametrize(
    "planes", ["", "all 1000 0.2-8", "narrow 300 0.2-8", "wide 1000 0.2-0.9", "a 500 0.2-1; b 950 0.8-3"]
)
def test_the_sheets_that_no_plane_takes_are_told(plan: Plan, planes: str) -> None:
    shop = replace(plan.settings, owned=replace(plan.settings.owned, planes=planes))
    orders, listed = sheet_orders(plan.layout, shop), parse_planes(planes)
    strips = {roll.roll.id: roll.used_width_mm for roll in plan.cut_rolls if roll.is_new}
    left = set()
    for order in orders:
        walls = order.sheet.thickness_start_mm, order.sheet.thickness_end_mm
        can = [
            p
            for p in listed
            if strips[order.sheet.id] <= p.width_mm and min(walls) >= p.thinnest_mm and max(walls) <= p.thickest_mm
        ]
        if listed and order.planing_mm > 0.0 and not can:
            left.add(order.sheet.id)
    told = told_of_planing(orders, plan.cut_rolls, shop)
    assert bool(told) == bool(left) and (not told or f"takes {len(left)} of" in told[0])


@pytest.mark.parametrize("wrong", ["a plane", "a 600", "a 600 2-1", "a 600 0.4-2; a 700 0.4-2", "a 20 0.4-2"])
def test_what_is_no_plane_is_refused(wrong: str) -> None:
    with pytest.raises(PlanError) as refused:
        OwnedSettings(planes=wrong)
    assert refused.value.field == "owned.planes"
