"""The casting day hour by hour, added up apart from the program, and the calendar that it stands in."""

from __future__ import annotations

import datetime as dt
import json
import sys
from dataclasses import replace
from itertools import islice
from typing import Any

import pytest
from day_checker import day_faults, shop_faults
from test_planning import LOTS, RECIPES, small_organ

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.errors import PlanError
from pipemetal.melts.day import SheetDemand, group_into_melts, metal_needed_kg
from pipemetal.planning.calendar import casting_dates
from pipemetal.planning.day import MeltWork, SheetWork, casting_days, one_day
from pipemetal.planning.equipment import OwnedSettings
from pipemetal.planning.habits import DaySettings
from pipemetal.planning.plan import Search, make_plan
from pipemetal.planning.settings import PotSettings, ShopSettings
from pipemetal.planning.stock import Stock
from pipemetal.plans.codec import write
from pipemetal.plans.making import plan_record

SHOP: dict[str, Any] = {
    "shift": "7:00-16:00",
    "breaks": "9:30-9:45, 12:00-12:30",
    "melts": 2,
    "casts_a_day": 8,
    "minutes_between": 15.0,
    "sled_minutes": 20.0,
    "run_up_mm": 300.0,
    "capacity_kg": 120.0,
    "sleds": {"wide": (250.0, 900.0), "narrow": (250.0, 500.0)},
    "tables": {"long": (5500.0, 1000.0)},
}
SETTINGS = ShopSettings(
    pot=PotSettings(capacity_kg=120.0, burner_kw=8.0, steel_kg=60.0),
    owned=OwnedSettings("wide 250 x 900; narrow 250 x 500", "long 5500 x 1000 level stone"),
    day=DaySettings(starts_on="2026-12-17", free_days="2026-12-21..2027-01-06"),
)


@pytest.fixture(scope="module")
def planned() -> dict[str, Any]:
    plan = make_plan(small_organ(), Stock(RECIPES, (), LOTS), SETTINGS, search=Search(iterations=300))
    held: dict[str, Any] = json.loads(write(plan_record(plan)))
    return held


def test_the_days_of_a_plan_add_up_apart(planned: dict[str, Any]) -> None:
    assert len(planned["days"]) > 1 and not planned["faults"]
    free = {dt.date(2026, 12, 21) + dt.timedelta(days=k) for k in range(17)}
    assert day_faults(planned, SHOP | {"free": free}) == []
    assert shop_faults(planned, SHOP) == []


def heated_c(melt: dict[str, Any], steel_kg: float) -> float:
    """How hot a cold pot of so much steel gets by the heat that its melt is said to take."""
    return float(25.0 + melt["heat"]["pot_mj"] * 1e6 / (steel_kg * 500.0))


def test_a_pot_is_heated_to_what_its_own_cards_ask_and_what_skims_it(planned: dict[str, Any]) -> None:
    cold = [m for m in planned["melts"] if m["heat"]["pot_mj"] > 0.0]
    assert cold
    for melt in cold:
        asked = max(p["pour_window_c"]["try_low"] for p in planned["pours"] if p["melt"] == melt["name"])
        melted = liquidus(Composition.from_wt_pct(melt["composition_wt_pct"])).temperature_c
        assert heated_c(melt, 60.0) >= max(asked - 1.0, melted + 14.0)


def test_the_checker_finds_what_is_changed(planned: dict[str, Any]) -> None:
    for change, told in (
        (lambda p: p["days"][0]["steps"][0].update(to_min=480.0), "another time than it takes"),
        (lambda p: p["days"][0]["steps"].pop(), "sheets poured"),
        (lambda p: p["days"][0].update(date="2026-12-19"), "no day of casting"),
        (lambda p: p["pours"][0].update(starts_at_min=1.0), "says another time"),
        (lambda p: p["pours"][0].update(width_mm=700.0), "wide on a sled"),
        (lambda p: p["melts"][0].update(mass_kg=130.0), "more than the pot holds"),
    ):
        wrong = json.loads(json.dumps(planned))
        change(wrong)
        assert any(told in fault for fault in day_faults(wrong, SHOP) + shop_faults(wrong, SHOP)), told


def sheets(count: int, sled: str = "wide") -> tuple[SheetWork, ...]:
    return tuple(SheetWork(f"{sled}{k}", sled, 4.0, 15.0) for k in range(count))


def test_nothing_is_poured_in_a_break_and_the_burner_goes_on() -> None:
    day = one_day([MeltWork("M", "a", 150.0, 0.0, sheets(12))], DaySettings())
    begins = list(day.pours().values())
    assert begins[0] == 600.0 and not any(720.0 - 4.0 < b < 750.0 for b in begins)
    assert day.steps[0].to_min == 570.0 and day.over_min == 0.0


def test_a_second_melt_comes_the_same_day_only_where_the_hours_allow_it() -> None:
    small, large = MeltWork("S", "a", 60.0, 40.0, sheets(3)), MeltWork("L", "b", 300.0, 280.0, sheets(8))
    assert [d.melts for d in casting_days([small, replace(small, melt="T")], DaySettings(), 20)] == [("S", "T")]
    assert [d.melts for d in casting_days([small, large], DaySettings(), 20)] == [("S",), ("L",)]
    assert len(casting_days([small, replace(small, melt="T")], DaySettings(melts=1), 20)) == 2
    assert len(casting_days([small, replace(small, melt="T")], DaySettings(), 5)) == 2


def test_the_table_rests_while_the_next_sled_is_set_up_and_filled() -> None:
    work = tuple(replace(s, ladle_min=2.0) for s in (*sheets(1), *sheets(1, "narrow"), *sheets(1, "narrow")))
    day = one_day([MeltWork("M", "a", 60.0, 0.0, work)], DaySettings(breaks="", skim_minutes=0.0, sled_minutes=20.0))
    told = [(s.kind, s.from_min - 480.0, s.to_min - 480.0) for s in day.steps[1:]]
    assert told == [
        ("ladle", 0.0, 2.0),
        ("pour", 2.0, 6.0),
        ("rest", 6.0, 17.0),
        ("sled", 6.0, 26.0),
        ("ladle", 26.0, 28.0),
        ("pour", 28.0, 32.0),
        ("rest", 32.0, 43.0),
        ("ladle", 41.0, 43.0),
        ("pour", 43.0, 47.0),
    ]


def test_no_sled_is_filled_before_a_break_that_its_pour_would_not_end_before() -> None:
    work = tuple(replace(s, ladle_min=3.0) for s in sheets(12))
    day = one_day([MeltWork("M", "a", 130.0, 0.0, work)], DaySettings())
    for step in day.steps:
        if step.kind in ("ladle", "pour"):
            assert all(step.to_min <= low or step.from_min >= high for low, high in ((570, 585), (720, 750)))


def test_another_sled_and_another_alloy_take_their_time() -> None:
    one = one_day([MeltWork("M", "a", 60.0, 0.0, (*sheets(2), *sheets(2, "narrow")))], DaySettings())
    assert [s.what for s in one.steps if s.kind == "sled"] == ["narrow"]
    two = one_day([MeltWork("M", "a", 60.0, 0.0, sheets(1)), MeltWork("N", "b", 60.0, 50.0, sheets(1))], DaySettings())
    assert [(s.kind, s.to_min - s.from_min) for s in two.steps if s.what == "N"][:2] == [
        ("alloy", 30.0),
        ("melt", 50.0),
    ]


def test_sheets_of_one_sled_are_cast_together_and_the_metal_is_counted_in_that_order() -> None:
    demands = [SheetDemand(f"S{k}", "m", 50.0 + k, 30.0, ("wide", "narrow")[k % 2]) for k in range(6)]
    needed, order = metal_needed_kg(demands, 10.0)
    assert [d.sled for d in order] in (["wide"] * 3 + ["narrow"] * 3, ["narrow"] * 3 + ["wide"] * 3)
    poured = 0.0
    for demand in order:
        assert poured + demand.charge_kg <= needed - 10.0 + 1e-9
        poured += demand.used_kg


def test_a_melt_keeps_what_the_day_allows_and_a_sheet_alone_always_may() -> None:
    demands = [SheetDemand(f"S{k}", "m", 20.0, 15.0) for k in range(7)]
    melts = group_into_melts(demands, 450.0, 10.0, fits=lambda held, _: len(held) <= 3)
    assert sorted(len(m.sheets) for m in melts) == [1, 3, 3]
    assert len(group_into_melts(demands, 450.0, 10.0, fits=lambda *_: False)) == 7


def test_a_lost_day_moves_the_rest() -> None:
    hours = DaySettings(starts_on="2026-12-17")
    assert casting_dates(DaySettings()) is None
    dates = [list(islice(casting_dates(replace(hours, lost_days=lost)) or (), 4)) for lost in ("", "2026-12-18")]
    assert [d.day for d in dates[0]] == [17, 18, 21, 22] and [d.day for d in dates[1]] == [17, 21, 22, 23]


def test_public_holidays_come_from_the_library_or_are_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "holidays", None)
    with pytest.raises(PlanError, match="pip install"):
        casting_dates(DaySettings(starts_on="2026-12-24", holidays="DE-BY"))


def test_public_holidays_are_passed_over() -> None:
    pytest.importorskip("holidays")
    dates = casting_dates(DaySettings(starts_on="2026-12-24", holidays="DE-BY"))
    assert dates is not None and [next(dates).isoformat() for _ in range(2)] == ["2026-12-24", "2026-12-28"]
    with pytest.raises(PlanError, match="is not a region that is known"):
        DaySettings(starts_on="2026-12-24", holidays="ZZ")
    with pytest.raises(PlanError, match="DE with one of BB, BE"):
        DaySettings(starts_on="2026-12-24", holidays="DE-XX")


def test_a_day_lost_moves_the_plan_and_nothing_else() -> None:
    before, after = (
        make_plan(
            small_organ(),
            Stock(RECIPES, (), LOTS),
            replace(SETTINGS, day=replace(SETTINGS.day, lost_days=lost)),
            search=Search(iterations=60),
        ).days
        for lost in ("", "2026-12-17")
    )
    assert [d.steps for d in before] == [d.steps for d in after]
    assert before[0].date == dt.date(2026, 12, 17) and after[0].date == before[1].date == dt.date(2026, 12, 18)


@pytest.fixture(scope="module")
def two_pots() -> tuple[dict[str, Any], dict[str, Any]]:
    plans = []
    for pots in ("", "small 60 kg 8 kW"):
        shop = replace(SETTINGS, owned=replace(SETTINGS.owned, pots=pots))
        plan = make_plan(small_organ(), Stock(RECIPES, (), LOTS), shop, search=Search(iterations=120))
        plans.append(json.loads(write(plan_record(plan))))
    return plans[0], plans[1]


def test_a_melt_goes_into_the_smallest_pot_that_holds_it(two_pots: tuple[dict[str, Any], dict[str, Any]]) -> None:
    one, two = two_pots
    shop = SHOP | {"pots": {"small": 60.0}, "free": {dt.date(2026, 12, 21) + dt.timedelta(days=k) for k in range(17)}}
    assert day_faults(two, shop) + shop_faults(two, shop) == [] and not two["faults"]
    placed = {m["name"]: m for m in two["melts"]}
    assert {m["pot"] for m in placed.values()} == {"", "small"} and {m["pot"] for m in one["melts"]} == {""}
    for melt in placed.values():
        # what would go into the small pot is in it; it is emptied after every melt
        assert (melt["pot"] == "small") == (melt["wanted_kg"] - (0.0 if melt["pot"] else 4.0) <= 58.4)
        assert not melt["pot"] or melt["heel_kg"] == 0.0


def test_a_further_pot_is_lit_while_another_is_cast_from() -> None:
    big = MeltWork("B", "a", 120.0, 100.0, sheets(4))
    small = MeltWork("S", "b", 40.0, 10.0, sheets(1, "wide"), "small")
    day = one_day([big, small], DaySettings(breaks=""))
    steps = {(s.kind, s.what): s for s in day.steps}
    last = max(s.to_min for s in day.steps if s.kind == "pour" and s.what != "wide0")
    assert steps["melt", "S"].to_min <= last + 1e-6 and ("alloy", "S") not in steps
    assert steps["skim", "S"].from_min >= steps["melt", "S"].to_min - 1e-6


def test_a_further_pot_that_is_the_largest_is_refused() -> None:
    with pytest.raises(PlanError, match="is not smaller than the pot"):
        replace(SETTINGS, owned=replace(SETTINGS.owned, pots="huge 500 kg 30 kW"))
    with pytest.raises(PlanError, match="is not a pot"):
        replace(SETTINGS, owned=replace(SETTINGS.owned, pots="a bucket"))
