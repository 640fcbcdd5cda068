"""The demo's plan is done: every roll of it is checked, printed and booked as cut, and then taken back."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli
from pipemetal.documents.plan_paper import cutting_pdf
from pipemetal.files.plan_file import read_plan_file
from pipemetal.layout.hand import ByHand
from pipemetal.layout.solve import solve
from pipemetal.plans import by_hand
from pipemetal.shop.book import Book
from pipemetal.shop.recipes import density_of
from pipemetal.shop.roll_rows import roll_of
from pipemetal.units import UnitSystem
from pipemetal.words import Words

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    result = CliRunner().invoke(cli, ["demo", str(folder), "--iterations", "20"], catch_exceptions=False)
    assert result.exit_code in (0, 1) and "904 of 904" in result.output, result.output
    return folder


def test_every_roll_of_the_demo_is_checked_printed_booked_and_taken_back(demo: Path) -> None:
    plan = read_plan_file(demo / "plan" / "plan.json")
    with Book.open(str(demo / "shop.sqlite"), who="Ada") as book:
        before = book.ledger.balances()
        _, plan_id = book.plans.accept(plan)
        rack = {row.id: roll_of(row) for row in book.rolls.rows()}
        density = {name: density_of(recipe.target) for name, recipe in book.recipes.all().items()}
        no_go = [r for r in plan.rolls_used if rack[r.id].no_go]
        assert no_go, "a roll with a blister is in the plan"
        printed = plan.sheets[::4]
        for sheet in plan.sheets:
            bench = by_hand.bench_of(plan, [sheet.id], rack, trim_mm=0.0, kerf_mm=0.0)
            assert by_hand.faults_of(bench, bench.placements) == (), sheet.id
            again = by_hand.changed_plan(plan, bench, bench.placements, density)
            made = next(s for s in again.sheets if s.id == sheet.id)
            assert [c.blank for c in made.cuts] == [c.blank for c in sheet.cuts]
            if sheet in printed:
                assert cutting_pdf(again, UnitSystem(), Words(), only=sheet.id, rack=rack).startswith(b"%PDF")
        events = [book.plans.cut(plan_id, roll.id).event for roll in plan.rolls_used]
        assert not [r for r in plan.rolls_used if book.rolls.row(r.id).state != "cut"]
        for event in reversed(events):
            book.history.undo(event)
        book.plans.give_up(plan_id)
        assert book.ledger.balances() == before and book.keeping.doctor().faults == []


@pytest.mark.parametrize("alloy", ["spotted-50", "plain-30"])
def test_laying_the_rest_anew_never_loses_what_the_plan_in_hand_has(demo: Path, alloy: str) -> None:
    plan = read_plan_file(demo / "plan" / "plan.json")
    with Book.open(str(demo / "shop.sqlite"), who="Ada") as book:
        rack = {row.id: roll_of(row) for row in book.rolls.rows()}
    sheets = [s.id for s in plan.sheets if s.alloy == alloy]
    bench = by_hand.bench_of(plan, sheets, rack, trim_mm=0.0, kerf_mm=0.0)
    first = {p.roll: p for p in reversed(bench.placements)}
    for pinned in ((), tuple(first.values()), bench.placements):
        start = bench.layout(bench.placements)
        found = solve(bench.problem, iterations=30, seed=1, hand=ByHand(pinned=pinned, start=start))
        assert found.unplaced == ()
        assert by_hand.faults_of(bench, found.placements) == ()
        assert set(pinned) <= set(found.placements)


def test_a_pipe_is_found_by_its_name_before_and_after_it_is_cut(demo: Path) -> None:
    plan = read_plan_file(demo / "plan" / "plan.json")
    with Book.open(str(demo / "shop.sqlite"), who="Ada") as book:
        _, plan_id = book.plans.accept(plan)
        sheet = plan.rolls_used[0]
        cut = sheet.cuts[0]
        pipe = cut.blank.removesuffix(f" {cut.kind}")
        before = {p.part: p for p in book.trace.report(pipe).parts}
        assert (before[cut.blank].state, before[cut.blank].roll) == ("planned", sheet.id)
        event, _ = book.plans.cut(plan_id, sheet.id)
        report = book.trace.report(pipe)
        after = {p.part: p for p in report.parts}
        assert (after[cut.blank].state, after[cut.blank].roll) == ("cut", sheet.id)
        assert after.keys() == before.keys() and any(s.target == f"pipe:{cut.blank}" for s in report.backwards)
        book.history.undo(event)
        book.plans.give_up(plan_id)
