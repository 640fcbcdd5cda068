"""A casting day sheet by sheet: from files, with cards that follow what was learned, and places to gauge before cutting."""

import dataclasses
import datetime as dt
import json
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import pipemetal as pm
from pipemetal.cli.main import cli
from pipemetal.errors import PlanError
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.rack_file import read_rack
from pipemetal.files.rack_out import rack_files
from pipemetal.front import Shop
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.melts.lots import Heel
from pipemetal.planning.account import SINKS, SOURCES
from pipemetal.planning.anew_casting import Beside, heel_found
from pipemetal.planning.anew_melts import MeltName, melt_names
from pipemetal.planning.anew_rest import Laid, Rest
from pipemetal.planning.anew_stop import stop_of
from pipemetal.planning.day import MeltWork
from pipemetal.planning.learning import Learned, learn
from pipemetal.plans import anew as rest_anew
from pipemetal.plans.account_rows import with_account
from pipemetal.plans.anew import ShopNow, with_measured
from pipemetal.plans.differences import Kind, differences
from pipemetal.plans.record import CutSheet, NewSheet, Plan
from pipemetal.sheets.readings import Reading
from pipemetal.web.views.after import after_view

plan_anew = partial(rest_anew.plan_anew, effort=0.1, seconds=3600.0)
"""A short search that ends by its moves: the clock has no say."""


@pytest.fixture(scope="module")
def shop() -> Shop:
    """The invented shop."""
    return pm.read_shop(packaged_file("rack.csv").parent)


@pytest.fixture(scope="module")
def bare(shop: Shop) -> Shop:
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
    given = [
        "--recipes",
        str(folder / "recipes.toml"),
        "--lots",
        str(folder / "lots.csv"),
        "--effort",
        "0.1",
        "--seconds",
        "3600",
        "--json",
    ]
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
        said = json.loads(told.stdout)
        assert {"chance", "last", "gauge", "check", "missing"} <= set(said["stops"][0])
        assert sheet.alloy in said["stops"][0]["words"][0] and bool(said["why"]) == bool(said["cast_first"])
        assert bool(said["left_to_do"]) != bool(said["cast_first"])
        # nobody says what the pot holds that it was poured from
        (melt,) = {p.melt for p in now.pours if p.sheet == sheet.id}
        waits = any(p.melt == melt and p.sheet != sheet.id for p in now.pours)
        assert (f"without --in-pot {melt}:KG" in told.stderr) is waits
        at = out / "plan.json"
        hung.append(sheet.id)
    assert [r.id for r in read_rack(at.parent, bare.stock.recipes)] == hung
    last = pm.read_plan(at)
    assert not {s.id for s in last.new_sheets} & set(hung) and not last.faults
    laid = {c.blank for s in last.sheets for c in s.cuts} | {u.blank for u in last.unserved}
    assert laid == {b.id for b in plan.blanks if b.alloy in {s.alloy for s in plan.new_sheets}}


def test_a_rack_comes_back_from_its_files(shop: Shop, tmp_path: Path) -> None:
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


def test_cards_of_what_is_cast_next_follow_the_law_others_stay(plan: Plan, shop: Shop, bare: Shop) -> None:
    sheet = max(plan.new_sheets, key=lambda s: len(s.cuts))
    now = with_measured(plan, ShopNow(bare.stock), {sheet.id: read_of(sheet, 1.0)}, 15.0)
    law = learn(shop.casts).law  # the plan was made by priors
    made = plan_anew(plan, now, bare.settings, Learned(law=law))
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


def under_way(plan: Plan, shop: Shop, factor: float = 0.98) -> tuple[ShopNow, str]:
    """The first sheet of a day with three sheets or more is cast and measured, its melt is in the pot."""
    day = next(d for d in plan.days if sum(p.day == d.day for p in plan.pours) >= 3)
    first = next(p for p in plan.pours if p.day == day.day)
    sheet = next(s for s in plan.new_sheets if s.id == first.sheet)
    melt = next(m for m in plan.melts if m.name == first.melt)
    assert melt.charge is not None
    now = ShopNow(shop.stock, pots={melt.name: melt.charge.mass_kg - first.used_kg})
    return with_measured(plan, now, {sheet.id: read_of(sheet, factor)}, 15.0), sheet.id


def test_a_day_under_way_goes_on_after_what_was_poured(plan: Plan, bare: Shop) -> None:
    now, done = under_way(plan, bare)
    poured = next(p for p in plan.pours if p.sheet == done)
    made = plan_anew(plan, now, bare.settings, Learned())
    day = next(d for d in made.plan.days if d.day == poured.day)
    before = next(d for d in plan.days if d.day == poured.day)
    lifted = next(s.to_min for s in before.steps if s.kind == "pour" and s.what == done)
    past = [s for s in day.steps if s.from_min < lifted - 1e-6]
    assert past == [s for s in before.steps if s.from_min < lifted - 1e-6]
    coming = [s for s in day.steps if s not in past and not (s.kind == "rest" and s.what == done)]
    assert coming and all(s.from_min >= lifted - 1e-6 for s in coming) and day.lit_min == before.lit_min
    assert not [s for s in coming if s.kind in ("melt", "skim", "sample") and s.what == poured.melt]
    rest = [p for p in made.plan.pours if p.day == poured.day and p.sheet != done]
    assert rest and all(p.starts_at_min > poured.starts_at_min and p.number > poured.number for p in rest)
    assert [p.starts_at_min for p in rest] == sorted(p.starts_at_min for p in rest)
    dates = [d.date for d in made.plan.days]
    assert dates == sorted(set(dates)) or not any(dates)


def test_what_is_cast_next_is_the_first_of_the_days_pours(plan: Plan, bare: Shop) -> None:
    now, done = under_way(plan, bare)
    failed = ShopNow(bare.stock, failed=frozenset([done]), pots=now.pots)
    for shop_now in (now, dataclasses.replace(now, pots={}), failed):
        made = plan_anew(plan, shop_now, bare.settings, Learned())
        to_come = {s.id for s in made.plan.new_sheets}
        coming = [p.sheet for p in made.plan.pours if p.sheet in to_come]
        assert made.first and list(made.first) == coming[: len(made.first)]
        seen = after_view(made, done, {})
        assert seen.next is not None and seen.next.sheet == coming[0]
        assert seen.next_number == next(n for n, p in enumerate(made.plan.pours) if p.sheet in to_come)
        (melt,) = {p.melt for p in made.plan.pours if p.sheet in made.first}
        assert next(m for m in made.plan.melts if m.name == melt).sheets[-len(made.first) :] == made.first


def test_a_pot_that_waited_overnight_is_heated_again(plan: Plan, bare: Shop) -> None:
    now, done = under_way(plan, bare)
    day = next(p.day for p in plan.pours if p.sheet == done)
    dated = dataclasses.replace(
        plan, days=tuple(dataclasses.replace(d, date=f"2026-12-{d.day:02d}") for d in plan.days)
    )
    made = plan_anew(dated, dataclasses.replace(now, today=dt.date(2026, 12, 20)), bare.settings, Learned())
    later = next(d for d in made.plan.days if d.day > day)
    assert later.steps[0].kind == "melt" and later.steps[0].to_min > later.steps[0].from_min


def test_a_pot_that_is_short_is_told_and_the_rest_melted_again(plan: Plan, bare: Shop) -> None:
    now, done = under_way(plan, bare)
    (name,) = now.pots
    melt = next(m for m in plan.melts if m.name == name)
    for left_kg, suffices in ((5.0, False), (melt.wanted_kg, True)):
        made = plan_anew(plan, ShopNow(bare.stock, pots={name: left_kg}), bare.settings, Learned())
        (pot,) = made.pots
        assert pot.suffices is suffices and pot.needed_kg > 5.0
        assert bool([d for d in made.differences if d.kind in (Kind.MELT, Kind.POUR)]) is not suffices
        melted = {s for m in made.plan.melts for s in m.sheets}
        assert {s.id for s in made.plan.new_sheets} <= melted and done in melted


def test_what_contradicts_itself_or_no_pot_holds_is_refused(plan: Plan, bare: Shop) -> None:
    now, done = under_way(plan, bare)
    (name,) = now.pots
    failed = frozenset([done])
    with pytest.raises(PlanError, match="has failed, and is said to be poured too"):
        plan_anew(plan, ShopNow(bare.stock, failed=failed, poured=failed), bare.settings, Learned())
    with pytest.raises(PlanError, match="has failed, and is said to be measured too"):
        plan_anew(plan, dataclasses.replace(now, failed=failed), bare.settings, Learned())
    for kg, wrong in (
        (900.0, "more than its pot"),
        (-3.0, "no mass"),
        (float("nan"), "no mass"),
        (float("inf"), "more"),
    ):
        with pytest.raises(PlanError, match=rf"in the pot, {name} is {wrong}.*allowed: 0 to 450 kg.*{name}:120.5"):
            pm.plan_anew(plan, bare, {}, in_pots={name: kg}, effort=0.1)
    with pytest.raises(PlanError, match="in a pot that holds"):
        plan_anew(plan, dataclasses.replace(now, pots={name: 5000.0}), bare.settings, Learned())


def test_differences_tell_pours_and_moves_and_no_change_is_none(plan: Plan) -> None:
    assert differences(plan, plan) == ()
    sheet = max(plan.new_sheets, key=lambda s: len(s.cuts))
    pour = next(p for p in plan.pours if p.sheet == sheet.id)
    later = tuple(dataclasses.replace(p, day=p.day + 1, melt="M77") if p is pour else p for p in plan.pours)
    (told,) = differences(plan, dataclasses.replace(plan, pours=later))
    assert str(told.words) == f"{sheet.id}: was day {pour.day} with {pour.melt}, is day {pour.day + 1} with M77"
    cut = sheet.cuts[0]
    moved = dataclasses.replace(sheet, cuts=(dataclasses.replace(cut, x_mm=cut.x_mm + 30.0), *sheet.cuts[1:]))
    sheets = tuple(moved if s is sheet else s for s in plan.new_sheets)
    (told,) = differences(plan, dataclasses.replace(plan, new_sheets=sheets))
    assert (
        told.kind is Kind.BLANK
        and told.thing == cut.blank
        and f"is {sheet.id} at {cut.x_mm + 30.0:.0f}," in str(told.words)
    )
    hung = dataclasses.replace(
        plan,
        new_sheets=tuple(s for s in plan.new_sheets if s is not sheet),
        rolls_used=(*plan.rolls_used, dataclasses.replace(plan.rolls_used[0], id=sheet.id, cuts=sheet.cuts))
        if plan.rolls_used
        else (CutSheet(sheet.id, sheet.alloy, sheet.length_mm, sheet.width_mm, cuts=sheet.cuts),),
    )
    assert [d for d in differences(plan, hung, hung={sheet.id: sheet.id}) if d.kind is Kind.ROLL] == []


def test_a_day_that_goes_on_has_a_warm_gate_and_table(plan: Plan, bare: Shop) -> None:
    pour = plan.pours[0]
    sheet = next(s for s in plan.new_sheets if s.id == pour.sheet)
    melt = next(m for m in plan.melts if m.name == pour.melt)
    assert melt.charge is not None and pour.day == plan.pours[1].day
    cold = "first cast"
    assert any(str(w).startswith(cold) for w in pour.warnings)
    now = with_measured(
        plan, ShopNow(bare.stock, pots={melt.name: melt.charge.mass_kg}), {sheet.id: read_of(sheet, 1.0)}, 15.0
    )
    made = plan_anew(plan, now, bare.settings, Learned())
    following = next(p for p in made.plan.pours if p.sheet == made.first[0])
    assert following.day == pour.day and following.stone_temperature_c > pour.stone_temperature_c + 1.0
    assert not any(str(w).startswith(cold) for w in following.warnings)
    assert following.starts_after_min > 0.0


def test_the_verdicts_of_a_day_move_the_range_of_the_next_card(plan: Plan, bare: Shop) -> None:
    sheet = plan.new_sheets[0]
    now = with_measured(plan, ShopNow(bare.stock), {sheet.id: read_of(sheet, 1.0)}, 15.0)
    moved = Learned(
        limits=dataclasses.replace(Learned().limits, edges_stand=0.22, longest_mobile_s=4.5, calm_mobile_s=4.2)
    )
    usual, warned = (plan_anew(plan, now, bare.settings, learned) for learned in (Learned(), moved))
    before, after = ({p.sheet: p for p in made.plan.pours} for made in (usual, warned))
    told = [n for n in set(usual.first) & set(warned.first) if before[n].cast_start_mm == after[n].cast_start_mm]
    assert told
    for name in told:
        one, two = before[name].pour_window_c, after[name].pour_window_c
        assert one is not None and two is not None and abs(two.try_high - one.try_high) > 1.0


def test_a_long_blank_in_doubt_is_gauged_at_two_places() -> None:
    roll = LayoutRoll(
        "R", "A", 2000.0, 600.0, 15.0, (0.0, 1000.0, 2000.0), np.full((3, 3), 1.09), error_mm=np.full((3, 3), 0.02)
    )
    body = Blank("body", "body", "A", 1500.0, 200.0, 1.0, 1.0, 0.1)
    places = (Placement("body", "R", 200.0, 20.0),)
    rest = Rest(LayoutProblem((body,), (roll,), None, 2.0, 0.9), places, (), frozenset())
    one, two = stop_of("A", rest, Laid(places, (), ())).check
    assert one.blank == two.blank == "body" and abs(one.x_mm - two.x_mm) > 500.0


def test_a_melt_that_is_cast_between_leaves_its_own_heel(bare: Shop) -> None:
    recipes = bare.recipes
    left = Heel(23.0, recipes["plain-30"].target)
    spotted = MeltWork("M02", "spotted-50", 60.0, 60.0, ())

    def found(order: str, *kept: MeltWork) -> Heel | None:
        return heel_found(left, Beside(iter(()), (), kept, order.split()), {"M01"}, recipes, 15.0)

    assert found("M01 M03") == left
    between = found("M01 M02 M03", spotted)
    assert between is not None and (between.mass_kg, between.composition) == (15.0, recipes["spotted-50"].target)
    # it comes after the new one, it has a pot of its own, or it stands charged already
    assert found("M01 M03 M02", spotted) == left
    assert found("M01 M02 M03", dataclasses.replace(spotted, pot="small")) == left


@pytest.mark.parametrize("told", [True, False])
def test_a_melt_that_was_poured_stays_by_its_name_and_the_account_adds_up(plan: Plan, bare: Shop, told: bool) -> None:
    now, done = under_way(plan, bare)
    now = now if told else dataclasses.replace(now, pots={})
    made = plan_anew(plan, now, bare.settings, Learned()).plan
    poured = next(p for p in plan.pours if p.sheet == done)
    before, after = ({m.name: m for m in p.melts} for p in (plan, made))
    melt = after[poured.melt]
    assert melt.lots == before[poured.melt].lots and done in melt.sheets
    (now_poured,) = (p for p in made.pours if p.sheet == done)
    assert dataclasses.replace(now_poured, used_kg=poured.used_kg) == poured
    if not told:  # nobody says what the pot holds: whatever is to come is melted by other names
        assert melt.sheets == (done,) and melt.sheets_take_kg == pytest.approx(now_poured.used_kg)
    melted = [s for m in made.melts for s in m.sheets]
    assert len(set(melted)) == len(melted) and {s.id for s in made.new_sheets} | {done} == set(melted)
    account = made.metal.in_all
    charged = sum(line.mass_kg for m in made.melts for line in m.lots)
    assert account["new_metal_kg"] + account["remelt_kg"] + account["own_ingots_kg"] == pytest.approx(charged)
    taken = sum(account[f"{place}_kg".replace(" ", "_")] for place in SOURCES)
    assert taken == pytest.approx(sum(account[f"{place}_kg".replace(" ", "_")] for place in SINKS))
    assert made.metal.unexplained_kg < 1e-6 and account["rack_kg"] == 0.0
    assert made.season.melts == len(made.melts)


def test_the_account_booked_anew_is_the_account_of_the_plan(plan: Plan, bare: Shop) -> None:
    again = with_account(plan, bare.recipes, bare.settings.losses)
    assert again.metal.in_all == pytest.approx(plan.metal.in_all, abs=1e-6)
    for place, elements in plan.metal.by_element_kg.items():
        assert again.metal.by_element_kg[place] == pytest.approx(elements, abs=1e-6), place


def test_melts_of_other_alloys_keep_their_names_and_their_order() -> None:
    old = [MeltName("M1", "a", ("A", "B")), MeltName("M2", "b", ("C",)), MeltName("M3", "a", ("D",))]
    new = [
        MeltName("", "b", ("C",)),
        MeltName("", "a", ("B", "D")),
        MeltName("", "a", ("A",)),
        MeltName("", "a", ("E",)),
    ]
    assert melt_names(new, old, iter(["M4"])) == ("M2", "M1", "M3", "M4")
    assert melt_names(new[1:2], old[2:], iter([])) == ("M3",)


def test_a_busy_machine_finds_the_same(plan: Plan, bare: Shop) -> None:
    now, _ = under_way(plan, bare, 0.9)
    one, two = (plan_anew(plan, now, bare.settings, Learned()).plan for _ in range(2))
    assert one == two
    # where the time is gone all has a place all the same
    gone = plan_anew(plan, now, bare.settings, Learned(), seconds=0.0).plan
    assert {c.blank for s in gone.sheets for c in s.cuts} == {c.blank for s in one.sheets for c in s.cuts}


@pytest.mark.parametrize("way", ["under way", "lost", "over", "skipped"])
def test_a_day_holds_what_was_done_on_it_and_no_sheet_stands_on_two_days(plan: Plan, bare: Shop, way: str) -> None:
    dated = dataclasses.replace(
        plan, days=tuple(dataclasses.replace(d, date=f"2026-12-{d.day:02d}") for d in plan.days)
    )
    now, done = under_way(dated, bare)
    poured = next(p for p in plan.pours if p.sheet == done)
    today, settings = f"2026-12-{poured.day:02d}", bare.settings
    if way == "lost":
        lost = dataclasses.replace(settings.day, starts_on="2026-12-01", lost_days=today)
        settings = dataclasses.replace(settings, day=lost)
    now = dataclasses.replace(now, today=dt.date(2026, 12, 20) if way == "over" else dt.date.fromisoformat(today))
    if way == "skipped":  # nobody cast on the first day: all of it comes later
        later = tuple(dataclasses.replace(p, day=p.day + 1) for p in dated.pours if p.sheet == done)
        first = dated.days[0]
        pours = (*(p for p in dated.pours if p.sheet != done), *later)
        own = tuple(s for s in first.steps if s.what in (done, poured.melt))
        days = (first, dataclasses.replace(first, day=first.day + 1, date="2026-12-04", steps=own))
        dated, now = dataclasses.replace(dated, pours=pours, days=days), dataclasses.replace(now, pots={})
    made = plan_anew(dated, now, settings, Learned()).plan
    steps = [(d.day, s.what) for d in made.days for s in d.steps if s.kind == "pour"]
    assert sorted(what for _, what in steps) == sorted({s.id for s in made.new_sheets} | {done})
    for p in made.pours:
        assert (p.day, p.sheet) in steps or p.sheet == done
        assert p.melt in next(d for d in made.days if d.day == p.day).melts
    (on,) = (day for day, what in steps if what == done)
    others = {what for day, what in steps if day == on and what != done}
    assert bool(others) == (way == "under way")


@pytest.mark.parametrize("factor", [1.0, 0.97])
def test_after_the_first_cast_no_pour_moves_that_need_not(plan: Plan, bare: Shop, factor: float) -> None:
    now, done = under_way(plan, bare, factor)
    made = plan_anew(plan, now, bare.settings, Learned())
    assert {s.id for s in made.plan.new_sheets} <= {s.id for s in plan.new_sheets} - {done}
    assert not [str(d.words) for d in made.differences if d.kind in (Kind.POUR, Kind.DAY, Kind.UNSERVED)]
    assert [m.name for m in made.plan.melts] == [m.name for m in plan.melts]
