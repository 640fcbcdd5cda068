"""What must hold for any charge and any casting day."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.correction import correct
from pipemetal.melts.day import SheetDemand, fewest_melts, group_into_melts, metal_needed_kg
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Heel, Lot, take_from
from pipemetal.melts.mend import Blocked, charge
from pipemetal.melts.mixing import Effort, Weighing
from pipemetal.melts.order import change_over, order_melts

NO_LOSS = LossModel(tuple((kind, 0.0) for kind in ("pig", "ingot", "master", "scrap", "shavings", "buy")))
quick = settings(deadline=None, max_examples=30)


def stock(seed: int, count: int) -> tuple[Lot, ...]:
    rng = np.random.default_rng(seed)
    lots = [
        Lot("tin", "pig", Composition.parse("Sn 99.9 Pb bal"), 250.0, 25.0, price_per_kg=28.0),
        Lot("lead", "pig", Composition.parse("Pb 99.95 Bi 0.05"), 500.0, 25.0, price_per_kg=2.2),
    ]
    for i in range(count):
        tin, antimony = float(rng.uniform(5, 80)), float(rng.uniform(0, 1.2))
        comp = Composition.from_wt_pct({"Sn": tin, "Sb": antimony, "Pb": 100 - tin - antimony})
        unsure = (("Sn", float(rng.uniform(0.1, 1.5))), ("Sb", 0.1))
        lots.append(Lot(f"S{i}", "scrap", comp, float(rng.uniform(8, 80)), None, unsure, float(rng.uniform(1, 12))))
    return tuple(lots)


RECIPE = Recipe(
    "spotted", Composition.parse("Sn 50 Sb 0.3 Pb bal"), (("Sn", 49, 51.5), ("Sb", 0.0, 0.6), ("Bi", 0, 0.2))
)


@given(st.integers(0, 10_000), st.integers(0, 12), st.floats(80, 420))
@quick
def test_metal_in_is_metal_out_and_loss_by_element(seed: int, count: int, wanted: float) -> None:
    answer = charge(ChargeRequest("M", RECIPE, wanted, 450.0, heel=Heel(15.0, RECIPE.target)), stock(seed, count))
    if isinstance(answer, Blocked):
        return
    for element in ELEMENTS:
        came = sum(line.mass_kg * line.lot.composition.wt_pct(element) for line in answer.lines)
        came += 15.0 * RECIPE.target.wt_pct(element)
        left = 100.0 * (dict(answer.element_kg)[element] + dict(answer.loss_kg)[element])
        assert left == pytest.approx(came, rel=1e-9, abs=1e-7)
    assert answer.mass_kg >= wanted - 1e-4
    assert answer.charged_kg + 15.0 <= 450.0 + 1e-6
    assert not RECIPE.misses(answer.composition)
    for line in answer.lines:
        assert line.mass_kg <= line.lot.mass_kg + 1e-6
        if line.lot.piece_kg:
            assert line.mass_kg == pytest.approx(line.pieces * line.lot.piece_kg)
        else:
            assert line.mass_kg / 0.5 == pytest.approx(round(line.mass_kg / 0.5))


def draws_over_each_edge(
    answer: Charge, certainty: str, rng: np.random.Generator, draws: int
) -> dict[tuple[str, str], float]:
    """Share of draws of the lots' true analyses in which the melt lies beyond each edge of its windows."""
    over: dict[tuple[str, str], float] = {}
    for _ in range(draws):
        masses = dict(answer.element_kg)
        for line in answer.lines:
            for element, half in line.lot.uncertainty_wt_pct:
                wild = rng.uniform(-half, half) if certainty == "worst" else rng.normal(0.0, half / 1.959964)
                masses[element] += line.mass_kg * wild / 100.0
                masses["Pb"] -= line.mass_kg * wild / 100.0
        total = sum(masses.values())
        for element, low, high in RECIPE.windows_wt_pct:
            value = 100.0 * masses[element] / total
            over[element, "low"] = over.get((element, "low"), 0.0) + (value < low - 1e-6) / draws
            over[element, "high"] = over.get((element, "high"), 0.0) + (value > high + 1e-6) / draws
    return over


@pytest.mark.parametrize("certainty", ["95", "worst"])
@pytest.mark.parametrize("losses", [NO_LOSS, LossModel()])
@pytest.mark.parametrize("seed", range(4))
def test_a_thousand_draws_of_unsure_analyses_stay_in_the_windows(certainty: str, losses: LossModel, seed: int) -> None:
    request = ChargeRequest("M", RECIPE, 300.0, 450.0, spare_kg=20.0)
    answer = charge(request, stock(seed, 10), rules=Weighing(losses=losses, objective="scrap", certainty=certainty))
    assert isinstance(answer, Charge)
    over = draws_over_each_edge(answer, certainty, np.random.default_rng(seed), 1000)
    # Each edge is held at 97.5 %, its margin met within 1 % (2.6 in 100 beyond it), and a thousand draws scatter by 0.5 in 100.
    allowed = 0.0 if certainty == "worst" else 0.026 + 3.0 * math.sqrt(0.026 * 0.974 / 1000.0)
    assert max(over.values()) <= allowed


def brute_force(lots: tuple[Lot, ...], recipe: Recipe, wanted: float, spare: float) -> float:
    best = math.inf
    choices = [range(lot.pieces + 1) for lot in lots]
    for counts in itertools.product(*choices):
        mass = sum(n * (lot.piece_kg or 0) for n, lot in zip(counts, lots, strict=True))
        if not wanted - 1e-9 <= mass <= wanted + spare + 1e-9:
            continue
        tin = (
            sum(n * (lot.piece_kg or 0) * lot.composition.wt_pct("Sn") for n, lot in zip(counts, lots, strict=True))
            / mass
        )
        low, high = recipe.window("Sn")
        if low - 1e-9 <= tin <= high + 1e-9:
            cost = sum(n * (lot.piece_kg or 0) * lot.price_per_kg for n, lot in zip(counts, lots, strict=True))
            best = min(best, cost)
    return best


@pytest.mark.parametrize("seed", range(60))
def test_small_charges_are_as_cheap_as_trying_everything(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lots = tuple(
        Lot(
            f"L{i}",
            "ingot",
            Composition.from_wt_pct({"Sn": (t := float(rng.integers(0, 101))), "Pb": 100 - t}),
            piece * int(rng.integers(1, 6)),
            piece,
            (),
            float(rng.uniform(1, 30)),
        )
        for i, piece in enumerate(rng.choice([5.0, 7.5, 10.0, 20.0], size=5))
    )
    target = float(rng.uniform(20, 80))
    recipe = Recipe("r", Composition.from_wt_pct({"Sn": target, "Pb": 100 - target}), (("Sn", target - 3, target + 3),))
    request = ChargeRequest("M", recipe, 60.0, 450.0, spare_kg=15.0)
    expected = brute_force(lots, recipe, 60.0, 15.0)
    answer = solve_charges([request], lots, rules=Weighing(losses=NO_LOSS), effort=Effort(gap=1e-6))
    if math.isinf(expected):
        assert answer is None
    else:
        assert answer is not None
        assert answer[0].cost == pytest.approx(expected, rel=1e-6)


@given(st.integers(0, 1000), st.floats(38.0, 62.0))
@quick
def test_what_mends_a_blocked_charge_really_mends_it(seed: int, tin: float) -> None:
    recipe = Recipe(
        "r", Composition.from_wt_pct({"Sn": tin, "Pb": 100 - tin}), (("Sn", tin - 0.3, tin + 0.3), ("Sb", 0, 0.05))
    )
    lots = tuple(lot for lot in stock(seed, 3) if lot.id != "tin")
    request = ChargeRequest("M", recipe, 350.0, 450.0, spare_kg=30.0)
    answer = charge(request, lots)
    if isinstance(answer, Charge):
        return
    assert answer.missing_kg
    bought = tuple(
        Lot(f"bought {e}", "buy", Composition.from_wt_pct({e: 100.0}), mass + 1.0) for e, mass in answer.missing_kg
    )
    assert isinstance(charge(request, lots + bought), Charge)


def test_two_melts_never_use_a_lot_twice() -> None:
    lots = stock(3, 6)
    requests = [ChargeRequest(f"M{i}", RECIPE, 200.0, 450.0, spare_kg=20.0) for i in range(2)]
    answers = solve_charges(requests, lots)
    assert answers is not None
    taken: dict[str, float] = {}
    for answer in answers:
        for line in answer.lines:
            taken[line.lot.id] = taken.get(line.lot.id, 0.0) + line.mass_kg
    rest = take_from(lots, taken)
    assert sum(lot.mass_kg for lot in rest) <= sum(lot.mass_kg for lot in lots) - sum(taken.values()) + 25.0


def test_a_melt_that_meets_its_recipe_needs_no_correction() -> None:
    answer = correct(Heel(300.0, Composition.parse("Sn 50 Sb 0.3 Pb bal")), RECIPE, stock(1, 0), 450.0)
    assert isinstance(answer.answer, Charge)
    assert answer.answer.lines == ()
    assert answer.room_left_kg == pytest.approx(150.0, abs=0.1)


def test_a_heel_with_too_much_antimony_is_to_be_ladled_out() -> None:
    recipe = Recipe("fine", Composition.parse("Sn 75 Pb bal"), (("Sn", 73, 77), ("Sb", 0.0, 0.02)))
    answer = charge(
        ChargeRequest("M", recipe, 300.0, 450.0, heel=Heel(60.0, Composition.parse("Sn 30 Sb 2 Pb bal"))), stock(1, 0)
    )
    assert isinstance(answer, Blocked)
    assert "ladle out" in answer.words
    assert "Sb" in answer.words


@given(st.lists(st.tuples(st.floats(20, 90), st.floats(0.3, 1.0)), min_size=1, max_size=12), st.floats(0, 30))
def test_a_melt_always_holds_the_next_charge(sheets: list[tuple[float, float]], heel: float) -> None:
    demands = [SheetDemand(f"S{i}", "m", charge_kg, charge_kg * share) for i, (charge_kg, share) in enumerate(sheets)]
    for melt in group_into_melts(demands, 450.0, heel):
        left = melt.wanted_kg
        for sheet in melt.sheets:
            assert left - heel >= sheet.charge_kg - 1e-9
            left -= sheet.used_kg
        assert melt.wanted_kg <= 450.0 + 1e-9
        assert metal_needed_kg(melt.sheets, heel)[0] == pytest.approx(melt.wanted_kg)
    assert sum(len(m.sheets) for m in group_into_melts(demands, 450.0, heel)) == len(demands)


@given(st.integers(0, 500), st.integers(1, 6))
@quick
def test_the_order_of_alloys_is_the_cheapest_of_all_orders(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    names = [f"r{i}" for i in range(count)]
    price = {(a, b): float(rng.choice([0.0, 3.0, 40.0, 90.0])) for a in names for b in names}
    found = order_melts(dict.fromkeys(names, 1), lambda a, b: 0.0 if a is None else price[a, b])
    assert sorted(found.names) == names

    def cost(path: tuple[str, ...]) -> float:
        return sum(price[a, b] for a, b in itertools.pairwise(path))

    assert found.cost == pytest.approx(cost(found.names))
    assert found.cost == pytest.approx(min(cost(path) for path in itertools.permutations(names)))
    assert found.bound <= found.cost


@given(st.integers(0, 500), st.integers(2, 4))
@quick
def test_no_order_of_single_melts_costs_less_than_the_bound(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    names = [f"r{i}" for i in range(count)]
    melts = {name: int(rng.integers(1, 3)) for name in names}
    price = {(a, b): float(rng.choice([0.0, 3.0, 40.0, 90.0])) for a in names for b in names}
    price |= {(a, a): 0.0 for a in names}
    found = order_melts(melts, lambda a, b: 0.0 if a is None else price[a, b])
    one_by_one = [name for name, number in melts.items() for _ in range(number)]
    least = min(sum(price[a, b] for a, b in itertools.pairwise(path)) for path in itertools.permutations(one_by_one))
    assert found.bound <= least + 1e-9
    assert found.cost >= least - 1e-9
    assert found.cost == pytest.approx(sum(price[a, b] for a, b in itertools.pairwise(found.names)))
    assert set(found.names) == set(names)
    assert all(found.names.count(name) <= melts[name] for name in names)


@given(st.lists(st.floats(20.0, 230.0), min_size=1, max_size=7), st.integers(1, 4))
@quick
def test_a_day_is_cast_in_the_fewest_melts(used: list[float], most: int) -> None:
    sheets = [SheetDemand(f"S{i}", "m", kg * 1.1, kg) for i, kg in enumerate(used)]
    melts = group_into_melts(sheets, 450.0, 15.0, most_sheets=most)
    assert len(melts) == fewest_by_trying(sheets, most)
    assert len(melts) >= fewest_melts(sheets, 450.0, 15.0, most)


def fewest_by_trying(sheets: list[SheetDemand], most: int) -> int:
    def fits(group: list[SheetDemand]) -> bool:
        return len(group) <= most and metal_needed_kg(group, 15.0)[0] <= 450.0

    best = len(sheets)
    for labels in itertools.product(range(len(sheets)), repeat=len(sheets)):
        if labels[0] != 0 or max(labels) + 1 >= best or set(labels) != set(range(max(labels) + 1)):
            continue
        groups = [[s for s, at in zip(sheets, labels, strict=True) if at == k] for k in range(max(labels) + 1)]
        if all(fits(group) for group in groups):
            best = len(groups)
    return best


def test_a_heel_full_of_antimony_is_emptied_before_fine_metal_and_used_up_before_hard() -> None:
    hard = Recipe("hard", Composition.parse("Sn 20 Sb 1.5 Pb bal"), (("Sn", 18, 22), ("Sb", 1.2, 1.8)))
    fine = Recipe("fine", Composition.parse("Sn 75 Pb bal"), (("Sn", 73, 77), ("Sb", 0.0, 0.02)))
    lots = (*stock(1, 0), Lot("A", "master", Composition.parse("Sb 25 Pb bal"), 90.0, 5.0, price_per_kg=5.0))
    after_hard = change_over(
        Heel(15.0, hard.target, 8.0), ChargeRequest("M", fine, 300.0, 450.0), lots, emptying_cost=160
    )
    after_fine = change_over(
        Heel(15.0, fine.target, 22.0), ChargeRequest("M", hard, 300.0, 450.0), lots, emptying_cost=160
    )
    assert after_hard.emptied
    assert not after_fine.emptied
    assert after_fine.cost < after_hard.cost


def test_a_heel_that_spoils_a_little_is_diluted_rather_than_ladled_out() -> None:
    fine = Recipe("fine", Composition.parse("Sn 75 Pb bal"), (("Sn", 73, 77), ("Sb", 0.0, 0.05)))
    lots = tuple(lot for lot in stock(1, 0))
    heel = Heel(15.0, Composition.parse("Sn 20 Sb 1.005 Pb bal"), 8.0)
    found = change_over(heel, ChargeRequest("M", fine, 295.0, 450.0, spare_kg=5.0), lots, emptying_cost=160)
    assert not found.emptied
    assert 0.0 < found.extra_kg <= 15.0
