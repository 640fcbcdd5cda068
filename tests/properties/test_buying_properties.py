"""Nothing is bought that lies on the floor, and nothing is weighed that nobody would weigh."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge
from pipemetal.melts.day import SheetDemand
from pipemetal.melts.lots import Lot
from pipemetal.melts.sawing import is_sawn
from pipemetal.planning.melting import Season, plan_season
from pipemetal.planning.settings import PotSettings, ShopSettings

RECIPES = {
    "spotted": Recipe("spotted", Composition.parse("Sn 50 Pb bal"), (("Sn", 48.5, 51.5), ("Sb", 0.0, 0.5))),
    "plain": Recipe("plain", Composition.parse("Sn 30 Sb 0.5 Pb bal"), (("Sn", 29.0, 31.5), ("Sb", 0.3, 0.8))),
    "lead": Recipe("lead", Composition.parse("Sn 15 Sb 0.9 Pb bal"), (("Sn", 14.0, 16.5), ("Sb", 0.7, 1.1))),
}
PURE = {"tin": "Sn", "lead": "Pb"}
DEMANDS = st.lists(st.tuples(st.sampled_from(sorted(RECIPES)), st.floats(8.0, 40.0)), min_size=1, max_size=5).map(
    lambda found: [SheetDemand(f"N{k}", alloy, mass, 0.9 * mass) for k, (alloy, mass) in enumerate(found)]
)
LOTS = st.builds(
    lambda tin, lead, pig, scrap, antimony: (
        Lot("tin", "pig", Composition.parse("Sn 99.9 Pb bal"), tin * pig, pig, price_per_kg=27.5),
        Lot("lead", "pig", Composition.parse("Pb 99.95 Bi 0.05"), lead * pig, pig, price_per_kg=2.15),
        Lot("hard", "master", Composition.parse("Sb 25 Pb bal"), 60.0, 5.0, price_per_kg=4.6),
        Lot("S1", "scrap", Composition.parse(f"Sn 51 Sb {antimony} Pb bal"), scrap, None, (("Sn", 1.0),), 9.5),
    ),
    st.integers(1, 10),
    st.integers(1, 24),
    st.sampled_from([12.5, 25.0, 30.0]),
    st.sampled_from([7.5, 30.0, 60.0]),
    st.sampled_from([0.1, 0.3]),
)


def bought_in_vain(season: Season, lots: tuple[Lot, ...]) -> list[str]:
    used: Counter[str] = Counter()
    for melt in season.melts:
        if isinstance(melt.charge, Charge):
            used.update({line.lot.id: line.mass_kg for line in melt.charge.lines})
    left = {PURE[lot.id]: lot.mass_kg - used[lot.id] for lot in lots if lot.id in PURE}
    return [
        f"{melt.melt.name} buys {kg:g} kg {element}, {left[element]:g} kg lie there"
        for melt in season.melts
        if isinstance(melt.charge, Charge)
        for element, kg in melt.bought_kg.items()
        if kg <= left.get(element, 0.0)
    ]


@settings(deadline=None, max_examples=6)
@given(DEMANDS, LOTS, st.sampled_from([60.0, 100.0, 200.0]), st.booleans())
def test_nothing_is_bought_that_a_free_pure_lot_gives(
    demands: list[SheetDemand], lots: tuple[Lot, ...], pot_kg: float, hurried: bool
) -> None:
    shop = ShopSettings(pot=PotSettings.usual(pot_kg))
    season = plan_season(demands, RECIPES, lots, shop, hurried=hurried)
    assert bought_in_vain(season, lots) == []


@pytest.mark.parametrize("mass_kg", [50.0, 63.0, 76.0])
@pytest.mark.parametrize("alloy", sorted(RECIPES))
def test_one_lot_is_sawn_for_a_melt_and_by_what_is_worth_weighing(alloy: str, mass_kg: float) -> None:
    lots = (
        Lot("tin", "pig", Composition.parse("Sn 99.9 Pb bal"), 250.0, 25.0, price_per_kg=27.5),
        Lot("lead", "pig", Composition.parse("Pb 99.95 Bi 0.05"), 600.0, 25.0, price_per_kg=2.15),
        Lot("hard", "master", Composition.parse("Sb 25 Pb bal"), 60.0, 1.0, price_per_kg=4.6),
        Lot("S1", "scrap", Composition.parse("Sn 51 Sb 0.3 Pb bal"), 60.0, price_per_kg=9.5),
    )
    shop = ShopSettings(pot=PotSettings.usual(100.0))
    season = plan_season([SheetDemand("N", alloy, mass_kg, mass_kg)], RECIPES, lots, shop)
    answer = season.melts[0].charge
    assert isinstance(answer, Charge) and not season.melts[0].bought_kg
    sawn = [line.mass_kg - line.pieces * (line.lot.piece_kg or 0.0) for line in answer.lines if is_sawn(line)]
    assert len(sawn) <= 1 and all(kg >= shop.pot.least_weighed_kg - 1e-6 for kg in sawn)
