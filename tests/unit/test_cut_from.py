"""Shears that cut from the left or from the right: blanks are numbered from there, on paper and on the page, by hand too."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from pipemetal.documents.cutting_order import cutting_order_sheet, in_cutting_order
from pipemetal.errors import InputError
from pipemetal.files.organ_file import organ_of
from pipemetal.files.shop_file import read_shop
from pipemetal.planning.plan import Search, make_plan
from pipemetal.planning.settings import CUT_FROM, ShopSettings
from pipemetal.plans.by_hand import bench_of, changed_plan
from pipemetal.plans.codec import as_dict, from_value
from pipemetal.plans.drawn import drawn_sheets
from pipemetal.plans.making import plan_record
from pipemetal.plans.record import Plan
from pipemetal.shop.book import Book
from pipemetal.shop.stock import book_stock
from pipemetal.units import UnitSystem
from pipemetal.words import Words


def plan_of(book: Book, end: str) -> Plan:
    stock = book_stock(book)
    organ = organ_of(book.plans.organ("Brindle House #1"), stock.recipes)
    return plan_record(make_plan(organ, stock, ShopSettings(cut_from=end), search=Search(iterations=20, seed=1)))


def near_ends(plan: Plan, end: str) -> list[list[float]]:
    """How far the near end of each blank is from where cutting begins, in the order of the numbers, sheet by sheet."""
    return [
        [
            c.x_mm if end == "left" else s.length_mm - c.x_mm - c.length_mm
            for c in sorted(s.cuts, key=lambda c: c.number)
        ]
        for s in plan.sheets
    ]


@pytest.mark.parametrize("end", CUT_FROM)
def test_blanks_are_numbered_from_the_end_that_the_shop_cuts_from(planned: Book, end: str) -> None:
    plan = plan_of(planned, end)
    assert plan.cut_from_right is (True if end == "right" else None)
    assert from_value(as_dict(plan)).cut_from_right == plan.cut_from_right
    for ends in near_ends(plan, end):
        assert all(a <= b + 25.0 for a, b in itertools.pairwise(ends)), "a row across together"
    drawn = drawn_sheets(plan)
    told = str(cutting_order_sheet(plan, in_cutting_order(plan, drawn), {}, UnitSystem(), Words()))
    assert ("from the right end of each drawing" in told) is (end == "right")
    names = [s.id for s in plan.sheets]
    bench = bench_of(plan, names, planned.rolls.some(names), trim_mm=15.0, kerf_mm=1.0)
    density = dict.fromkeys({s.alloy for s in plan.sheets}, 9.0)
    again = changed_plan(plan, bench, bench.placements, density)
    assert [[(c.blank, c.number) for c in s.cuts] for s in again.sheets] == [
        [(c.blank, c.number) for c in s.cuts] for s in plan.sheets
    ]


def test_the_end_is_read_from_the_shop_s_file(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("shop") / "shop.toml"
    path.write_text('[shop]\ncut_from = "right"\n', encoding="utf-8")
    assert read_shop(path).cut_from == "right"
    path.write_text('[shop]\ncut_from = "top"\n', encoding="utf-8")
    with pytest.raises(InputError, match="cut_from"):
        read_shop(path)
    assert replace(ShopSettings(), cut_from="left") == ShopSettings()
