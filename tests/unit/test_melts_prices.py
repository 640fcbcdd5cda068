"""Real prices decide: what is there goes first, a lot without a price is worth its metal, and the true cause is named."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from scipy.optimize import linprog

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.buying import DatedMelt, Offer, what_to_buy
from pipemetal.melts.charge import Charge, ChargeRequest
from pipemetal.melts.day import SheetDemand
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import LOT_KINDS, Heel, Lot
from pipemetal.melts.mend import Blocked, charge
from pipemetal.melts.mixing import Weighing
from pipemetal.melts.nearest import nearest_wt_pct
from pipemetal.melts.worth import metal_prices, priced
from pipemetal.planning.melting import plan_season
from pipemetal.planning.one_melt import MeltAsked, weigh_out
from pipemetal.planning.settings import ShopSettings

NOTHING_LOST = LossModel(tuple((kind, 0.0) for kind in LOT_KINDS))
TIN, LEAD = Composition.parse("Sn 100"), Composition.parse("Pb 100")
PLAIN = Recipe("plain", Composition.parse("Sn 28 Sb 0.3 Pb bal"), (("Sn", 26.0, 30.0), ("Sb", 0.0, 0.6)))
HALF = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))


def lot(name: str, metal: str, kg: float, price: float = 0.0, kind: str = "pig", piece: float | None = None) -> Lot:
    return Lot(name, kind, Composition.parse(metal), kg, piece, price_per_kg=price)


def shop(**more: float) -> ShopSettings:
    return ShopSettings(losses=NOTHING_LOST, **more)  # type: ignore[arg-type]


def test_a_lot_without_a_price_is_worth_its_metal() -> None:
    lots = (
        lot("tin", "Sn 100", 100, 28.0),
        lot("lead", "Pb 100", 300, 2.0),
        lot("old", "Sn 60 Pb bal", 100, 0.0, "ingot"),
    )
    by_metal = {x.id: x.price_per_kg for x in priced(lots, metal_prices(lots))}
    assert by_metal == {"tin": 28.0, "lead": 2.0, "old": pytest.approx(0.6 * 28.0 + 0.4 * 2.0)}
    found = weigh_out(MeltAsked("M", PLAIN, 100.0), lots, shop())
    # by hand: 26 % of tin at least costs 26 x 28 + 74 x 2 whichever lots bring it; a free ingot would have gone in whole
    assert isinstance(found.charge, Charge)
    assert found.charge.composition.wt_pct("Sn") == pytest.approx(26.0, abs=0.4)
    assert found.charge.cost == pytest.approx(26.0 * 28.0 + 74.0 * 2.0, rel=0.02)


def test_short_of_lead_a_plan_buys_lead_and_spares_tin() -> None:
    lots = (lot("tin", "Sn 100", 400, 28.0), lot("lead", "Pb 100", 100, 2.4, piece=25.0))
    demands = [SheetDemand(f"N{n}", "plain", 100.0, 95.0) for n in range(8)]
    season = plan_season(demands, {"plain": PLAIN}, lots, shop())
    for melt in season.melts:
        assert isinstance(melt.charge, Charge)
        # 26 % is the least
        assert melt.charge.composition.wt_pct("Sn") < 26.0 + 0.5
        assert set(melt.bought_kg) <= {"Pb"}, "a window that begins at nought asks for nothing, and tin is there"
    made = sum(m.charge.charged_kg for m in season.melts if isinstance(m.charge, Charge))
    tin = sum(x.mass_kg for m in season.melts for x in m.charge.lines if x.lot.id == "tin")  # type: ignore[union-attr]
    bought = sum(m.bought_kg.get("Pb", 0.0) for m in season.melts)
    used = sum(x.mass_kg for m in season.melts for x in m.charge.lines if x.lot.id == "lead")  # type: ignore[union-attr]
    assert used == 100.0, "what is there is used first"
    assert bought == pytest.approx(made - tin - 100.0, abs=0.5)


def test_a_season_costs_what_a_linear_programme_of_another_library_says() -> None:
    """One melt, divisible lots: the cost by scipy's own door to a solver, its rows written out by hand."""
    lots = (
        lot("tin", "Sn 100", 400, 28.0),
        lot("lead", "Pb 100", 60, 2.4),
        lot("scrap", "Sn 40 Sb 0.8 Pb bal", 90, 9.0, "scrap"),
        lot("master", "Sb 25 Pb bal", 30, 4.6, "master"),
    )
    hard = Recipe("hard", Composition.parse("Sn 28 Sb 0.5 Pb bal"), (("Sn", 26.0, 30.0), ("Sb", 0.3, 0.6)))
    settings = shop(errand_costs_kg=0.0)
    season = plan_season([SheetDemand("N1", "hard", 300.0, 300.0)], {"hard": hard}, lots, settings)
    answer = season.melts[0].charge
    assert isinstance(answer, Charge)
    # columns: tin, lead, scrap, master, bought lead, bought tin, bought antimony
    prices = [28.0, 2.4, 9.0, 4.6, 2.4, 28.0, season.prices.per_kg["Sb"]]
    assert season.prices.per_kg["Sb"] == pytest.approx((4.6 - 0.75 * 2.4) / 0.25)
    tin, antimony = [1, 0, 0.40, 0, 0, 1, 0], [0, 0, 0.008, 0.25, 0, 0, 1]
    rows, most = [], []
    for share, low, high in ((tin, 0.26, 0.30), (antimony, 0.003, 0.006)):
        rows += [[low - s for s in share], [s - high for s in share]]
        most += [0.0, 0.0]
    found = linprog(
        prices,
        A_ub=[*rows, [-1.0] * 7],
        b_ub=[*most, -answer.request.wanted_kg],
        bounds=[(0, 400), (0, 60), (0, 90), (0, 30), (0, None), (0, None), (0, None)],
    )
    assert found.fun <= answer.cost + 1e-6
    assert answer.cost == pytest.approx(found.fun, rel=0.02)  # steps of half a kilogram, and the search's gap


def test_an_errand_is_run_only_for_what_it_is_worth() -> None:
    """Lead runs out 2 kg short. By hand: the dear scrap costs 2 x (9 - 2.4) more than lead; an errand of 20 kg of lead, 48."""
    lots = (
        lot("tin", "Sn 100", 100, 28.0),
        lot("lead", "Pb 100", 71, 2.4),
        lot("old", "Sn 26 Pb bal", 40, 14.0, "ingot"),
    )
    dear, cheap = (
        plan_season([SheetDemand("N", "plain", 100.0, 99.0)], {"plain": PLAIN}, lots, shop(errand_costs_kg=kg))
        for kg in (200.0, 0.0)
    )
    assert dear.melts[0].bought_kg == {}
    assert cheap.melts[0].bought_kg.get("Pb", 0.0) > 1.0


@pytest.mark.parametrize("old_price", [1.0, 2.2, 3.0, 30.0])
def test_stock_goes_before_an_order_whatever_was_paid_for_it(old_price: float) -> None:
    stock = [lot("lead", "Pb 100", 900, old_price), lot("tin", "Sn 100", 900, 28.0)]
    offer = Offer(lot("quay", "Pb 100", 5000, 2.3, piece=25.0), 14)
    melts = [DatedMelt(ChargeRequest(f"M{n}", PLAIN, 400.0, 450.0, 0.0), dt.date(2027, 3, 1 + n)) for n in range(5)]
    found = what_to_buy(melts, stock, [offer], dt.date(2027, 1, 4), losses=NOTHING_LOST)
    # by hand: 2000 kg at 26 % of tin want 1480 kg of lead; 900 are there, 580 are to be bought, in pigs of 25: 24
    assert dict(found.from_stock_kg)["lead"] == pytest.approx(900.0, abs=0.1)
    assert [line.pieces for line in found.lines] == [24]
    assert found.used_kg + sum(kg for _, kg in found.from_stock_kg) == pytest.approx(2000.0, abs=0.2)
    assert found.used_kg + found.left_kg == pytest.approx(sum(line.mass_kg for line in found.lines))
    assert found.kept == ()


def test_remelt_worth_more_than_its_metal_stays_and_says_so() -> None:
    stock = [lot("rare", "Pb 100", 300, 40.0, "ingot"), lot("tin", "Sn 100", 900, 28.0)]
    offer = Offer(lot("quay", "Pb 100", 5000, 2.3, piece=25.0), 14)
    melt = DatedMelt(ChargeRequest("M", PLAIN, 400.0, 450.0, 0.0), dt.date(2027, 3, 1))
    found = what_to_buy([melt], stock, [offer], dt.date(2027, 1, 4), losses=NOTHING_LOST)
    assert [line.pieces for line in found.lines] == [12]  # 296 kg
    assert [(k.lot, k.mass_kg, k.replaced_per_kg) for k in found.kept] == [("rare", 300.0, 2.3)]


def test_a_least_delivery_is_no_reason_to_spend_tin() -> None:
    stock = [lot("lead", "Pb 100", 280, 2.3), lot("tin", "Sn 100", 900, 28.0)]
    offer = Offer(lot("quay", "Pb 100", 5000, 2.3, piece=25.0), 14, least_kg=500.0)
    melt = DatedMelt(ChargeRequest("M", PLAIN, 400.0, 450.0, 0.0), dt.date(2027, 3, 1))
    found = what_to_buy([melt], stock, [offer], dt.date(2027, 1, 4), losses=NOTHING_LOST)
    # by hand: 16 kg of lead fail. 16 kg more tin cost 16 x 25.7 = 411 of worth; 500 kg of lead tie up 10 % of 1150
    assert dict(found.from_stock_kg)["tin"] == pytest.approx(104.0, abs=0.1)
    assert (found.lines[0].mass_kg, round(found.left_kg)) == (500.0, 484)


def test_plan_order_and_stock_agree_to_the_kilogram() -> None:
    """The metal that a plan wants bought is what an order by the kilogram brings, each taken from the same stock."""
    lots = (
        lot("tin", "Sn 100", 900, 28.0),
        lot("lead", "Pb 100", 900, 2.6),
        lot("old", "Sn 31 Pb bal", 120, 0.0, "ingot"),
    )
    demands = [SheetDemand(f"N{n}", "plain", 100.0, 95.0) for n in range(20)]
    season = plan_season(demands, {"plain": PLAIN}, lots, shop())
    charges = [m.charge for m in season.melts if isinstance(m.charge, Charge)]
    wanted = sum(m.bought_kg.get("Pb", 0.0) for m in season.melts)
    offers = [Offer(lot("quay", "Pb 100", 5000, 2.3, piece=1.0), 14)]
    melts = [DatedMelt(c.request, dt.date(2027, 3, 1)) for c in charges]
    order = what_to_buy(melts, lots, offers, dt.date(2027, 1, 4), losses=NOTHING_LOST)
    # the plan weighs by half kilograms and within a gap of 1 %; each melt may be spared what it has above the wanted mass
    spare = sum(c.mass_kg - c.request.wanted_kg for c in charges)
    assert order.used_kg == pytest.approx(wanted, abs=1.0 + spare + 0.01 * sum(c.mass_kg for c in charges))
    assert not order.not_offered_kg


def blocked(recipe: Recipe, lots: tuple[Lot, ...], kg: float, **more: object) -> Blocked:
    capacity, heel = more.get("capacity", 450.0), more.get("heel")
    request = ChargeRequest("M", recipe, kg, capacity, 5.0, heel)  # type: ignore[arg-type]
    answer = charge(request, lots, rules=Weighing(losses=NOTHING_LOST))
    assert isinstance(answer, Blocked)
    return answer


UNSURE = Lot("guess", "scrap", Composition.parse("Sn 50 Pb bal"), 300.0, uncertainty_wt_pct=(("Sn", 6.0),))
DIRTY = Heel(15.0, Composition.parse("Sn 50 Sb 2 Pb bal"))
CLEAN = Recipe("clean", Composition.parse("Sn 50 Sb 0.1 Pb bal"), (("Sn", 49.0, 51.0), ("Sb", 0.0, 0.2)))
PIGS = (lot("tin", "Sn 100", 200), lot("lead", "Pb 100", 300))


@pytest.mark.parametrize(
    ("answer", "cause", "remedy", "kg"),
    [
        (lambda: blocked(HALF, (lot("tin", "Sn 100", 20), lot("lead", "Pb 100", 20)), 100.0), "mass", "add", 40.0),
        (lambda: blocked(HALF, (lot("lead", "Pb 100", 300),), 100.0), "windows", "add", 0.0),
        (
            lambda: blocked(HALF, (lot("t", "Sn 100", 40, piece=40.0), lot("l", "Pb 100", 80, piece=40.0)), 60.0),
            "pieces",
            "add",
            0.0,
        ),
        (lambda: blocked(HALF, (UNSURE,), 100.0), "unsure", "add", 0.0),
        # 15 kg of a heel with 2 % antimony want 150 kg in all for 0.2 %, not a larger pot
        (lambda: blocked(CLEAN, PIGS, 100.0, heel=DIRTY), "windows", "more", 150.0),
        (lambda: blocked(CLEAN, PIGS, 100.0, heel=DIRTY, capacity=120.0), "windows", "ladle", 3.0),
    ],
)
def test_the_true_cause_is_named(answer, cause: str, remedy: str, kg: float) -> None:  # type: ignore[no-untyped-def]
    found = answer()
    assert (found.cause.kind, found.remedy.kind) == (cause, remedy), found.words
    if kg:
        assert max(found.cause.kg, found.remedy.kg) == pytest.approx(kg, rel=0.02)


def test_the_nearest_is_told_not_the_cheapest() -> None:
    """Against every mixture of three lots by whole kilograms."""
    lots = (
        lot("a", "Sn 20 Sb 1.2 Pb bal", 60, 0.5),
        lot("b", "Sn 40 Sb 0.2 Pb bal", 25, 30.0),
        lot("c", "Pb 100", 80, 2.0),
    )
    recipe = Recipe("r", Composition.parse("Sn 38 Sb 0.5 Pb bal"), (("Sn", 36.0, 40.0), ("Sb", 0.4, 0.6)))
    request = ChargeRequest("M", recipe, 60.0, 450.0, 0.0)
    reached = nearest_wt_pct(request, lots, NOTHING_LOST)

    def off(tin: float, antimony: float) -> float:
        pairs = ((tin, 36.0, 40.0), (antimony, 0.4, 0.6))
        return sum(max(low - x, x - high, 0.0) / (high - low) for x, low, high in pairs)

    best = min(
        off((20 * a + 40 * b) / 60.0, (1.2 * a + 0.2 * b) / 60.0)
        for a, b in itertools.product(range(61), range(26))
        if 0 <= 60 - a - b <= 80
    )
    assert reached is not None
    assert off(reached.wt_pct("Sn"), reached.wt_pct("Sb")) <= best + 1e-6
