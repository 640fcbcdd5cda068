"""A casting day sheet by sheet: from files, with cards that follow what was learned, and places to gauge before cutting."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import pipemetal as pm
from pipemetal.cli.main import cli
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.rack_file import read_rack
from pipemetal.files.rack_out import rack_files
from pipemetal.front import Shop
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.planning.anew_rest import Laid, Rest
from pipemetal.planning.anew_stop import stop_of
from pipemetal.planning.learning import Learned, learn
from pipemetal.plans.anew import ShopNow, plan_anew, with_measured
from pipemetal.plans.record import NewSheet, Plan
from pipemetal.sheets.readings import Reading


@pytest.fixture(scope="module")
def bare() -> Shop:
    shop = pm.read_shop(packaged_file("rack.csv").parent)
    return dataclasses.replace(shop, stock=dataclasses.replace(shop.stock, rack=()), casts=())


@pytest.fixture(scope="module")
def plan(bare: Shop) -> Plan:
    organ = pm.read_organ(packaged_file("organ.toml"), bare)
    ranks = tuple(r for r in organ.ranks if r.name == "Fifteenth 2")
    return pm.make_plan(dataclasses.replace(organ, ranks=ranks), bare, iterations=20)


def read_of(sheet: NewSheet, factor: float) -> list[Reading]:
    walls = (sheet.cast_start_mm, sheet.cast_end_mm)
    return [
        Reading(x * sheet.length_mm, y * sheet.width_mm, round(factor * float(np.interp(x, (0.0, 1.0), walls)), 3))
        for x in (0.02, 0.26, 0.5, 0.74, 0.98)
        for y in (0.08, 0.5, 0.92)
    ]


def test_two_sheets_of_a_day_from_files_alone(plan: Plan, bare: Shop, tmp_path: Path) -> None:
    folder = packaged_file("rack.csv").parent
    pm.write_plan(plan, tmp_path / "plan.json")
    given = ["--recipes", str(folder / "recipes.toml"), "--lots", str(folder / "lots.csv"), "--seconds", "1", "--json"]
    at, hung = tmp_path / "plan.json", list[str]()
    for k, factor in enumerate((1.04, 0.98)):
        now = pm.read_plan(at)
        sheet = max(now.new_sheets, key=lambda s: len(s.cuts))
        rows = [f"{sheet.id},{r.x_mm},{r.y_mm},{r.thickness_mm}" for r in read_of(sheet, factor)]
        (tmp_path / f"m{k}.csv").write_text("\n".join(["roll,x_mm,y_mm,thickness_mm", *rows]) + "\n")
        out = tmp_path / f"day{k}"
        told = CliRunner().invoke(
            cli, ["plan", "anew", str(at), "--readings", str(tmp_path / f"m{k}.csv"), "--out", str(out), *given]
        )
        assert told.exit_code == 0, told.output
        assert {"chance", "last", "gauge", "check"} <= set(json.loads(told.stdout)["stops"][0])
        at = out / "plan.json"
        hung.append(sheet.id)
    assert [r.id for r in read_rack(at.parent, bare.stock.recipes)] == hung
    last = pm.read_plan(at)
    assert not {s.id for s in last.new_sheets} & set(hung) and not last.faults
    laid = {c.blank for s in last.sheets for c in s.cuts} | {u.blank for u in last.unserved}
    assert laid == {b.id for b in plan.blanks if b.alloy in {s.alloy for s in plan.new_sheets}}


def test_a_rack_comes_back_from_its_files(tmp_path: Path) -> None:
    shop = pm.read_shop(packaged_file("rack.csv").parent)
    for name, text in rack_files(shop.stock.rack).items():
        (tmp_path / name).write_text(text)
    again = {r.id: r for r in read_rack(tmp_path, shop.stock.recipes)}
    for roll in shop.stock.rack:
        same = again[roll.id]
        assert (same.alloy, same.length_mm, same.trim_mm, same.outline, same.no_go) == (
            roll.alloy,
            roll.length_mm,
            roll.trim_mm,
            roll.outline,
            roll.no_go,
        )
        assert float(np.abs(same.field.thickness_mm - roll.field.thickness_mm).max()) < 0.002


def test_cards_of_what_is_cast_next_follow_the_law_others_stay(plan: Plan, bare: Shop) -> None:
    sheet = max(plan.new_sheets, key=lambda s: len(s.cuts))
    now = with_measured(plan, ShopNow(bare.stock), {sheet.id: read_of(sheet, 1.0)}, 15.0)
    law = learn(pm.read_shop(packaged_file("rack.csv").parent).casts).law  # the plan was made by priors
    made = plan_anew(plan, now, bare.settings, Learned(law=law), seconds=1.0)
    before, after = ({p.sheet: p for p in x.pours} for x in (plan, made.plan))
    to_come = {s.id for s in made.plan.new_sheets} & set(before)
    first_day = {p.sheet for p in made.plan.pours if p.day == min(q.day for q in made.plan.pours if q.sheet in to_come)}
    same = {n for n in to_come if before[n].cast_start_mm == after[n].cast_start_mm}
    assert all(after[n].card is not None for n in to_come)
    for name in same & (first_day | set(made.first)):
        assert after[name].card != before[name].card
    for name in same - first_day - set(made.first):
        assert after[name].card == before[name].card


def test_what_is_not_sure_is_named_with_the_place_to_gauge() -> None:
    roll = LayoutRoll(
        "R", "A", 2000.0, 600.0, 15.0, (0.0, 2000.0), np.array([[1.0, 1.2]] * 3), error_mm=np.full((3, 2), 0.015)
    )
    sure = Blank("sure", "body", "A", 400.0, 200.0, 1.02, 1.06, 0.1)
    edge = Blank("edge", "body", "A", 400.0, 200.0, 1.05, 1.05, 0.1, (0, 180))
    places = (Placement("sure", "R", 200.0, 20.0), Placement("edge", "R", 1050.0, 20.0))
    rest = Rest(LayoutProblem((sure, edge), (roll,), None, 2.0, 0.9), places, (), frozenset())
    stop = stop_of("A", rest, Laid(places, (), ()))
    assert [c.blank for c in stop.check] == ["edge"]
    check = stop.check[0]
    assert check.roll == "R" and check.x_mm == pytest.approx(1450.0)
    assert check.low_mm == pytest.approx(0.95) and check.high_mm == pytest.approx(1.15) and check.chance < 0.99
