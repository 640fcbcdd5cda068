"""What a melt leaves is the next one's metal by name, and a pig is sawn before metal is bought that lies on the floor."""

from __future__ import annotations

import itertools

import pytest
from test_planning import LOTS as PLAN_LOTS
from test_planning import RECIPES as PLAN_RECIPES
from test_planning import small_organ

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.files.shop_file import settings_of
from pipemetal.melts.charge import Charge
from pipemetal.melts.day import SheetDemand
from pipemetal.melts.lots import Lot
from pipemetal.planning.habits import HabitSettings
from pipemetal.planning.melting import Season, plan_season
from pipemetal.planning.plan import Search, make_plan
from pipemetal.planning.settings import PotSettings, ShopSettings
from pipemetal.planning.stock import Stock

RECIPES = {
    "lead": Recipe("lead", Composition.parse("Sn 15 Sb 0.5 Pb bal"), (("Sn", 13.5, 16.5), ("Sb", 0.2, 0.9))),
    "spotted": Recipe("spotted", Composition.parse("Sn 50 Pb bal"), (("Sn", 48.0, 52.0),)),
}
FLOOR = (
    Lot("tin", "pig", Composition.parse("Sn 100"), 300.0, 25.0, price_per_kg=28.0),
    Lot("pigs", "pig", Composition.parse("Pb 100"), 600.0, 25.0, price_per_kg=2.2),
    Lot("hard", "master", Composition.parse("Sb 8 Pb bal"), 50.0, 5.0, price_per_kg=3.5),
)


def season(pot_kg: float, sheets: dict[str, int], each_kg: float = 20.0, **said: float) -> Season:
    demands = [SheetDemand(f"{a}{k}", a, each_kg * 1.2, each_kg) for a, count in sheets.items() for k in range(count)]
    pot = PotSettings(capacity_kg=pot_kg, heel_kg=min(8.0, pot_kg / 10.0), spare_kg=pot_kg / 20.0)
    shop = ShopSettings(pot=pot, habits=HabitSettings(**said))  # type: ignore[arg-type]
    return plan_season(demands, RECIPES, FLOOR, shop)


@pytest.mark.parametrize("pot_kg", [40.0, 60.0, 90.0, 140.0, 450.0])
def test_metal_is_not_bought_that_lies_on_the_floor(pot_kg: float) -> None:
    found = season(pot_kg, {"lead": 5, "spotted": 4})
    assert all(isinstance(m.charge, Charge) for m in found.melts)
    assert [m.bought_kg for m in found.melts if m.bought_kg] == []
    for melt in found.melts:
        assert isinstance(melt.charge, Charge)
        assert not RECIPES[melt.melt.recipe].misses(melt.charge.composition)


def test_a_sawn_pig_says_so_and_its_rest_is_still_there() -> None:
    found = season(40.0, {"lead": 5, "spotted": 4})
    taken: dict[str, float] = {}
    sawn = 0
    for melt in found.melts:
        assert isinstance(melt.charge, Charge)
        for line in melt.charge.lines:
            taken[line.lot.id] = taken.get(line.lot.id, 0.0) + line.mass_kg
            if line.lot.piece_kg is not None and line.mass_kg > line.pieces * line.lot.piece_kg + 1e-6:
                sawn += 1
                assert "saw" in line.lot.note
    assert sawn
    for lot in FLOOR:
        assert taken.get(lot.id, 0.0) <= lot.mass_kg + 1e-6


@pytest.mark.parametrize("pot_kg", [90.0, 140.0])
def test_what_a_melt_leaves_is_in_the_pot_of_the_next_or_a_lot_by_name(pot_kg: float) -> None:
    found = season(pot_kg, {"lead": 9, "spotted": 7})
    made: dict[str, float] = {}
    for before, after in itertools.pairwise(found.melts):
        heel_kg = (after.heel.mass_kg if after.heel is not None else 0.0) + after.heel_dross_kg
        ingots_kg = before.ingots.mass_kg if before.ingots is not None else 0.0
        assert heel_kg + ingots_kg == pytest.approx(before.left_kg, abs=1.0)
        if before.melt.recipe == after.melt.recipe and not after.emptied:
            assert heel_kg == pytest.approx(before.left_kg) or heel_kg >= 0.5 * after.melt.wanted_kg - 1e-6
        if before.ingots is not None:
            made[before.ingots.id] = before.ingots.mass_kg
    for melt in found.melts:
        assert isinstance(melt.charge, Charge)
        for line in melt.charge.lines:
            assert line.lot.id in made or line.lot.id in {lot.id for lot in FLOOR}
            made[line.lot.id] = made.get(line.lot.id, 1e9) - line.mass_kg
    assert all(left >= -1e-6 for left in made.values())


def test_ingots_of_an_alloy_go_into_its_next_melt() -> None:
    """An alloy that is left and come back to: what its first melt left is charged by name into the second."""
    from pipemetal.melts.charge import ChargeRequest
    from pipemetal.melts.day import MeltPlan
    from pipemetal.melts.worth import metal_prices, priced
    from pipemetal.planning.weighed import Floor, weighed_out

    shop = ShopSettings()
    prices = metal_prices(FLOOR)
    asked = []
    for name, recipe, wanted, used in (
        ("M01", "spotted", 100.0, 60.0),
        ("M02", "lead", 100.0, 90.0),
        ("M03", "spotted", 80.0, 60.0),
    ):
        plan = MeltPlan(name, recipe, (SheetDemand(f"N{name}", recipe, used, used),), wanted)
        asked.append((plan, ChargeRequest(name, RECIPES[recipe], wanted, 450.0, 12.0), name != "M01"))
    melts = weighed_out(asked, Floor(priced(FLOOR, prices), {}, prices), shop, hurried=False)
    assert melts[0].ingots is not None and melts[0].ingots.id == "spotted M01"
    last = melts[2].charge
    assert isinstance(last, Charge) and "spotted M01" in [line.lot.id for line in last.lines]


@pytest.mark.parametrize("pot_kg", [20.0, 40.0, 90.0, 450.0, 900.0])
def test_a_pot_of_any_size_gives_nearly_all_it_holds(pot_kg: float) -> None:
    shop = settings_of({"pot.capacity_kg": pot_kg})
    assert shop.most_charge_kg >= 0.9 * pot_kg
    assert settings_of({"pot.capacity_kg": pot_kg, "pot.heel_kg": 1.5}).pot.heel_kg == 1.5


@pytest.mark.parametrize(("hours", "fewer"), [(9.0, False), (3.0, False), (2.0, True)])
def test_a_short_shift_parts_no_melt_that_its_hours_hold(hours: float, fewer: bool) -> None:
    shop = settings_of(
        {"pot.capacity_kg": 60.0, "day.shift": f"7:00-{7 + int(hours)}:00", "day.breaks": "", "pot.burner_kw": 20.0}
    )
    plan = make_plan(small_organ(), Stock(PLAN_RECIPES, (), PLAN_LOTS), shop, search=Search(iterations=60))
    assert all(day.over_min == 0.0 or len(day.pours()) == 1 for day in plan.days)
    if not fewer:
        assert len(plan.melts) <= plan.season.fewest_melts + 1
