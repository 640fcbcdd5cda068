"""What the scale says of a pot and of a measured sheet goes before what the cards say: in melts, in the account, in words."""

import dataclasses
from functools import partial

import pytest

import pipemetal as pm
from pipemetal.files.demo_files import packaged_file
from pipemetal.front import Shop
from pipemetal.planning.account import SINKS, SOURCES
from pipemetal.planning.learning import Learned
from pipemetal.plans import anew as rest_anew
from pipemetal.plans.anew import Anew, ShopNow, with_measured
from pipemetal.plans.record import Charged, Melt, Plan
from pipemetal.sheets.readings import Reading

plan_anew = partial(rest_anew.plan_anew, effort=0.05, seconds=3600.0)


@pytest.fixture(scope="module")
def plan(bare: Shop) -> Plan:
    organ = pm.read_organ(packaged_file("organ.toml"), bare)
    ranks = tuple(r for r in organ.ranks if r.name == "Fifteenth 2")
    return pm.make_plan(dataclasses.replace(organ, ranks=ranks), bare, iterations=20)


def melt_of(plan: Plan) -> tuple[Melt, Charged]:
    """The melt of the first pour."""
    melt = next(m for m in plan.melts if m.name == plan.pours[0].melt)
    assert melt.charge is not None
    return melt, melt.charge


def measured(plan: Plan, now: ShopNow, name: str, factor: float = 1.0) -> ShopNow:
    """The shop with an even sheet of a plan measured all over, `factor` times as thick as it was meant."""
    sheet = next(s for s in plan.new_sheets if s.id == name)
    places = [(x, y) for x in (0.0, 0.5, 1.0) for y in (0.0, 1.0)]
    slope = sheet.cast_end_mm - sheet.cast_start_mm
    read = [
        Reading(x * sheet.length_mm, y * sheet.width_mm, factor * (sheet.cast_start_mm + slope * x)) for x, y in places
    ]
    return with_measured(plan, now, {name: read}, 15.0)


def is_closed(plan: Plan) -> bool:
    """What comes in goes out, and what heels give heels took."""
    places = plan.metal.in_all
    came, went = (sum(places[f"{p.replace(' ', '_')}_kg"] for p in side) for side in (SOURCES, SINKS))
    return (
        plan.metal.unexplained_kg < 1e-6
        and came == pytest.approx(went)
        and places["heel_before_kg"] == pytest.approx(places["heel_after_kg"], abs=1e-6)
    )


def unexplained_kg(plan: Plan) -> float:
    return plan.metal.in_all["unexplained_gain_kg"] - plan.metal.in_all["unexplained_loss_kg"]


@pytest.mark.parametrize("off_kg", [-60.0, -2.0, 0.0, 20.0])
@pytest.mark.parametrize("poured", [False, True])
def test_what_the_scale_finds_is_unexplained_and_what_is_left_follows_it(
    plan: Plan, bare: Shop, off_kg: float, poured: bool
) -> None:
    melt, charge = melt_of(plan)
    first = plan.pours[0]
    told_kg = charge.mass_kg - (first.used_kg if poured else 0.0) + off_kg
    now = ShopNow(bare.stock, poured=frozenset([first.sheet] if poured else []), pots={melt.name: told_kg})
    made = plan_anew(plan, now, bare.settings, Learned())
    after = next(m for m in made.plan.melts if m.name == melt.name)
    assert after.charge is not None and after.charge.unexplained_kg == pytest.approx(off_kg, abs=1e-6)
    taken_kg = sum(p.used_kg for p in made.plan.pours if p.melt == melt.name and (p.sheet != first.sheet or not poured))
    assert (
        after.charge.left_kg == pytest.approx(told_kg - taken_kg)
        and after.charge.ingots_kg <= after.charge.left_kg + 1e-6
    )
    assert is_closed(made.plan) and unexplained_kg(made.plan) == pytest.approx(off_kg, abs=1e-6)
    ingots_kg = sum(m.charge.ingots_kg for m in made.plan.melts if m.charge is not None)
    assert ingots_kg == pytest.approx(made.plan.metal.in_all["ingots_kg"], abs=0.5)
    assert [melt.name in str(words) for words in made.unexplained] == ([True] if off_kg else [])


def test_a_measured_sheet_counts_with_the_mass_that_it_has(plan: Plan, bare: Shop) -> None:
    melt, charge = melt_of(plan)
    first = plan.pours[0]
    made: dict[float, Anew] = {}
    for factor in (1.0, 1.05):
        now = measured(plan, ShopNow(bare.stock, pots={melt.name: charge.mass_kg - first.used_kg}), first.sheet, factor)
        made[factor] = plan_anew(plan, now, bare.settings, Learned())
        assert is_closed(made[factor].plan)
    used = {f: next(p.used_kg for p in m.plan.pours if p.sheet == first.sheet) for f, m in made.items()}
    assert used[1.0] == pytest.approx(first.used_kg, rel=2e-3)
    sheet = next(s for s in plan.new_sheets if s.id == first.sheet)
    cast_kg = sheet.mass_kg * sheet.cast_start_mm / sheet.thickness_start_mm
    assert used[1.05] - used[1.0] == pytest.approx(0.05 * cast_kg, rel=0.1)
    # the pot holds what the cards leave: a sheet that took more than that says that there was more
    assert unexplained_kg(made[1.05].plan) == pytest.approx(used[1.05] - first.used_kg, abs=1e-6)


def test_what_was_unexplained_stays_so_when_nobody_says_it_again(plan: Plan, bare: Shop) -> None:
    melt, charge = melt_of(plan)
    now, at = ShopNow(bare.stock, pots={melt.name: charge.mass_kg - 4.0}), plan
    done: set[str] = set()
    for _ in range(3):
        made = plan_anew(at, now, bare.settings, Learned())
        assert is_closed(made.plan) and unexplained_kg(made.plan) == pytest.approx(-4.0, abs=1e-6)
        ingots_kg = sum(m.charge.ingots_kg for m in made.plan.melts if m.charge is not None)
        assert ingots_kg == pytest.approx(made.plan.metal.in_all["ingots_kg"], abs=0.5)
        at, done = made.plan, done | {made.first[0]}
        now = ShopNow(bare.stock, poured=frozenset(done))


@pytest.mark.parametrize("way", ["poured", "cut", "failed", "measured"])
def test_nothing_is_counted_on_in_a_pot_of_which_nobody_says_what_it_holds(plan: Plan, bare: Shop, way: str) -> None:
    melt, _ = melt_of(plan)
    name = melt.sheets[0]
    named, none = frozenset([name]), frozenset[str]()
    cut, poured, failed = (named if way == w else none for w in ("cut", "poured", "failed"))
    now = ShopNow(bare.stock, cut, poured, failed=failed)
    now = measured(plan, now, name) if way == "measured" else now
    made = plan_anew(plan, now, bare.settings, Learned())
    coming = {p.melt for p in made.plan.pours if p.sheet in made.to_come}
    assert len(melt.sheets) > 1 and made.to_come and melt.name not in coming
    after = next(m for m in made.plan.melts if m.name == melt.name)
    assert after.sheets == (name,) and is_closed(made.plan)
