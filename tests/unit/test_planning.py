"""The main job on a small organ of our own: everything served, checked, weighed and accounted for."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.cli.plan_summary import print_summary
from pipemetal.documents.plan_pages import write_plan_files
from pipemetal.errors import PlanError
from pipemetal.files.layout_file import read_plan, read_problem
from pipemetal.layout.verify import verify
from pipemetal.melts.lots import Lot
from pipemetal.melts.request import Charge
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.ranges import NoteRange
from pipemetal.pipes.rank import Chimney, Organ, Rank
from pipemetal.pipes.scale import HalfToneScale
from pipemetal.pipes.walls import GivenWall
from pipemetal.planning.plan import Plan, Search, make_plan
from pipemetal.planning.settings import SheetSettings, ShopSettings
from pipemetal.planning.stock import Stock
from pipemetal.plans.codec import read
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll

RECIPES = {
    "spotted": Recipe("spotted", Composition.parse("Sn 50 Sb 0.3 Pb bal"), (("Sn", 48.5, 51.5), ("Sb", 0.0, 0.5))),
    "plain": Recipe("plain", Composition.parse("Sn 30 Sb 0.5 Pb bal"), (("Sn", 29.0, 31.5), ("Sb", 0.2, 0.8))),
}
LOTS = (
    Lot("tin", "pig", Composition.parse("Sn 99.9 Pb bal"), 200.0, 25.0, price_per_kg=28.0),
    Lot("lead", "pig", Composition.parse("Pb 99.95 Bi 0.05"), 400.0, 25.0, price_per_kg=2.0),
    Lot("hard", "master", Composition.parse("Sb 25 Pb bal"), 20.0, 5.0, price_per_kg=5.0),
    Lot("old", "scrap", Composition.parse("Sn 45 Sb 0.4 Pb bal"), 60.0, None, (("Sn", 1.0), ("Sb", 0.1)), 8.0),
)


def roll(
    name: str, alloy: str, start: float, taper: float = 0.10, length: float = 3000.0, width: float = 800.0
) -> Roll:
    field = ThicknessField.from_grid([0.0, length], [[start, start - taper * length / 1000.0]] * 2, width_mm=width)
    return Roll(name, alloy, length, width, 15.0, field)


RACK = (roll("R1", "spotted", 0.95), roll("R2", "spotted", 0.72), roll("R3", "plain", 1.00))


def small_organ() -> Organ:
    octave = Rank("Octave 4", "I", "spotted", Fraction(4), 0, 23, scale=HalfToneScale(((0.0, -2.0),)))
    flute = Rank(
        "Flute 4",
        "I",
        "plain",
        Fraction(4),
        0,
        23,
        construction="chimney",
        chimney=Chimney(),
        tuning="cap",
        scale=HalfToneScale(((0.0, 0.0),)),
        cut_up_fraction=1 / 3,
    )
    return Organ("Small", Pitch(), (octave, flute))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(small_organ(), Stock(RECIPES, RACK, LOTS), search=Search(iterations=300, seed=4))


def test_every_pipe_is_served_and_the_checker_finds_nothing(plan: Plan) -> None:
    assert plan.pipes_served == len(plan.pipes) == 48
    assert plan.layout.unplaced == ()
    assert plan.faults == ()
    assert verify(plan.problem, plan.layout) == ()
    assert plan.is_complete


def test_every_blank_of_every_pipe_is_cut_once_and_only_once(plan: Plan) -> None:
    cut = [c.blank.id for r in plan.cut_rolls for c in r.cuts]
    assert len(cut) == len(set(cut)) == len(plan.blanks)
    for r in plan.cut_rolls:
        assert [c.number for c in r.cuts] == list(range(1, len(r.cuts) + 1))


def test_the_metal_under_every_blank_has_the_thickness_it_wants(plan: Plan) -> None:
    for r in plan.cut_rolls:
        for c in r.cuts:
            blank = c.blank
            assert c.actual_mouth_mm == pytest.approx(blank.mouth_thickness_mm, abs=blank.tolerance_mm + 1e-6)
            assert c.actual_top_mm == pytest.approx(blank.top_thickness_mm, abs=blank.tolerance_mm + 1e-6)


def test_sheets_are_pushed_from_their_thick_end_and_cast_thicker_than_finished(plan: Plan) -> None:
    assert plan.pours
    for pour in plan.pours:
        sheet = pour.order.sheet
        assert sheet.thickness_start_mm >= sheet.thickness_end_mm
        assert pour.order.cast_end_mm >= 0.8 - 1e-9
        assert pour.card is not None
        assert pour.card.thickness[0].thickness_mm == pytest.approx(pour.order.cast_start_mm, rel=0.03)
        assert pour.window is not None
        assert pour.window.too_cold_below_c <= pour.window.try_low_c <= pour.window.try_high_c


def test_every_melt_meets_its_recipe_and_holds_its_sheets(plan: Plan) -> None:
    for melt in plan.melts:
        assert isinstance(melt.charge, Charge)
        assert not RECIPES[melt.melt.recipe].misses(melt.charge.composition)
        assert melt.charge.mass_kg >= melt.melt.used_kg
        assert melt.charge.charged_kg + (melt.heel.mass_kg if melt.heel else 0.0) <= 450.0 + 1e-6


def test_no_lot_is_charged_beyond_its_stock(plan: Plan) -> None:
    taken: dict[str, float] = {}
    for melt in plan.melts:
        assert isinstance(melt.charge, Charge)
        for line in melt.charge.lines:
            taken[line.lot.id] = taken.get(line.lot.id, 0.0) + line.mass_kg
    for lot in LOTS:
        assert taken.get(lot.id, 0.0) <= lot.mass_kg + 1e-6


def test_the_metal_account_closes_by_alloy_and_by_element(plan: Plan) -> None:
    account = plan.account
    for alloy in account.alloys():
        assert account.unexplained_kg(alloy) < 0.1
    for element, kg in account.unexplained_elements_kg().items():
        assert kg < 0.01, element


def test_pipes_weigh_what_their_metal_weighs(plan: Plan) -> None:
    """What reaches the pipes, of the real metal under each blank, is the pipes' wanted mass within the wall tolerance."""
    wanted = sum(pipe.mass_kg for pipe in plan.pipes)
    assert plan.account.total_kg("pipes") == pytest.approx(wanted, rel=0.04)


def test_rack_rolls_weigh_what_the_account_takes_from_the_rack(plan: Plan) -> None:
    density = {"spotted": 8.87, "plain": 9.70}
    rolls = [r for r in plan.cut_rolls if not r.is_new]
    by_hand = sum(
        r.roll.length_mm * r.roll.width_mm * r.roll.field.mean_mm * density[r.roll.alloy] * 1e-6 for r in rolls
    )
    assert plan.account.total_kg("rack") == pytest.approx(by_hand, rel=0.01)
    for r in plan.cut_rolls:
        assert r.offcut_kg >= -1e-6


def test_same_seed_and_moves_give_the_same_plan(plan: Plan) -> None:
    again = make_plan(small_organ(), Stock(RECIPES, RACK, LOTS), search=Search(iterations=300, seed=4))
    assert again.layout == plan.layout
    assert [m.charge for m in again.melts] == [m.charge for m in plan.melts]


def test_the_search_can_be_stopped_at_once() -> None:
    stopped = make_plan(
        small_organ(), Stock(RECIPES, RACK, LOTS), search=Search(seconds=600.0, should_stop=lambda: True)
    )
    assert stopped.faults == ()


def test_a_rank_of_unknown_metal_is_refused() -> None:
    with pytest.raises(PlanError, match="alloy is not a recipe"):
        make_plan(small_organ(), Stock({"plain": RECIPES["plain"]}, RACK, LOTS), search=Search(iterations=1))


def test_metal_that_the_floor_lacks_is_bought_by_name() -> None:
    poor = make_plan(small_organ(), Stock(RECIPES, (), LOTS[1:2]), search=Search(iterations=50))
    assert set(poor.to_buy_kg) >= {"Sn"}
    assert poor.is_complete


def test_a_blank_that_nothing_can_serve_is_named_with_the_reason() -> None:
    thick = Rank("Big", "I", "plain", Fraction(8), 0, 0, wall=GivenWall(8.0, 8.0))
    usual = Rank("Small", "I", "plain", Fraction(2), 0, 0)
    plan = make_plan(Organ("Two", Pitch(), (thick, usual)), Stock(RECIPES, RACK, LOTS), search=Search(iterations=20))
    assert plan.pipes_served == 1
    assert any("thickness" in u.reason for u in plan.layout.unplaced)
    assert not plan.is_complete
    laid = {p.blank.split(" ")[0] for p in plan.layout.placements}
    assert laid == {"Small"}, "nothing is cut or cast for a pipe that is not served"


def test_flat_sheet_is_bought_for_served_pipes_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A zinc body with a cast languid: where the languid cannot be cast the pipe is not made, and its zinc not ordered."""
    zinc = NoteRange(0, 11, "sheet", alloy="zinc", sheet_mm=0.9)
    rank = Rank("Zinc 4", "I", "plain", Fraction(4), 0, 11, ranges=(zinc,))
    bought = {}
    for thinnest in (0.3, 3.9):
        settings = ShopSettings(sheets=SheetSettings(thinnest_mm=thinnest, thickest_mm=4.0))
        made = make_plan(
            Organ("Zinc", Pitch(), (rank,)), Stock(RECIPES, (), LOTS), settings, search=Search(iterations=5)
        )
        record = write_plan_files(made, tmp_path / str(thinnest))
        print_summary(record, tmp_path)
        bought[made.pipes_served] = [(s.metal, s.blanks) for s in record.sheets_to_buy]
        assert ("Flat sheet to buy: zinc 0.9 mm" in capsys.readouterr().out) == bool(made.pipes_served)
    assert bought == {12: [("zinc", 24)], 0: []}


def test_a_32_foot_pipe_is_made_of_lengths_and_strips_and_served_whole() -> None:
    rank = Rank("Big", "I", "plain", Fraction(32), 0, 0, construction="tapered", top_ratio=0.7)
    plan = make_plan(Organ("Wide", Pitch(), (rank,)), Stock(RECIPES, RACK, LOTS), search=Search(iterations=20))
    assert plan.pipes_served == 1 and plan.faults == ()
    assert sum(" length " in b.blank.id for b in plan.blanks) >= 3
    assert any("not known to stand" in note for note in plan.notes)


def test_the_written_plan_holds_what_others_rely_on(plan: Plan, tmp_path: Path) -> None:
    data = write_plan_files(plan, tmp_path)
    stored = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    assert read((tmp_path / "plan.json").read_text(encoding="utf-8")) == data
    keys = {"pipes", "blanks", "rolls_used", "new_sheets", "melts", "pours", "metal", "gap_percent", "unserved"}
    assert keys <= set(stored)
    assert {"new_kg", "remelt_kg", "loss_kg", "by_alloy"} <= set(stored["metal"])
    for key in ("new_kg", "remelt_kg", "loss_kg"):
        assert sum(row[key] for row in stored["metal"]["by_alloy"].values()) == pytest.approx(
            stored["metal"][key], abs=1e-6
        )
    for sheet in stored["rolls_used"] + stored["new_sheets"]:
        assert (tmp_path / "cutting" / f"{sheet['id']}.svg").read_text(encoding="utf-8").startswith("<svg")
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http://www.w3.org", "")
    for name in ("pipes.csv", "cuts.csv", "weighing.csv", "pours.csv", "metal.csv", "not-served.csv"):
        assert (tmp_path / name).read_text(encoding="utf-8").count("\n") >= 1
    assert not list(tmp_path.glob(".writing-*"))
    problem = read_problem(tmp_path / "layout-problem.json")
    assert verify(problem, read_plan(tmp_path / "layout-plan.json", problem)) == ()


def test_hostile_names_stay_text_in_page_and_pictures(tmp_path: Path) -> None:
    name = 'Evil</script><script>alert(1)</script> "&'
    rank = Rank(name, "<b>I</b>", "spotted", Fraction(2), 0, 2)
    plan = make_plan(Organ(name, Pitch(), (rank,)), Stock(RECIPES, RACK, LOTS), search=Search(iterations=5))
    write_plan_files(plan, tmp_path)
    for path in [tmp_path / "index.html", *tmp_path.rglob("*.svg")]:
        assert "<script>" not in path.read_text(encoding="utf-8")


def test_elements_of_the_account_are_never_negative(plan: Plan) -> None:
    for movement in plan.account.movements:
        assert len(movement.elements_kg) == len(ELEMENTS)
        assert min(movement.elements_kg) >= -1e-6
        assert np.isclose(sum(movement.elements_kg), movement.mass_kg, atol=1e-6)


def test_a_shop_may_read_its_sheets_in_inches_pounds_and_fahrenheit(plan: Plan, tmp_path: Path) -> None:
    imperial = replace(plan, settings=replace(plan.settings, length_unit="in", mass_unit="lb", temperature_unit="F"))
    data = write_plan_files(imperial, tmp_path)
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert " lb" in page
    assert " °F" in page
    # the casting room's own sentences stay in mm; every figure of the cards is in the shop's units
    assert not re.search(r"\d (kg|°C)\b", page)
    metric = write_plan_files(plan, tmp_path / "metric")
    assert replace(data, printed=metric.printed) == metric, "JSON stays metric"
    sheet = next((tmp_path / "cutting").glob("*.svg")).read_text(encoding="utf-8")
    assert "size in" in sheet
