"""Bad lots, pots and recipes are refused with one clear message."""

from dataclasses import replace

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import MeltError
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.day import SheetDemand, group_into_melts
from pipemetal.melts.heat import heat_to_melt
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Heel, Lot, take_from
from pipemetal.melts.mend import Blocked, charge
from pipemetal.melts.mixing import Weighing

TIN = Composition.parse("Sn 100")
HALF = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49, 51),))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Lot("a", "pig", TIN, 0.0), "mass_kg is not a mass"),
        (lambda: Lot("a", "pig", TIN, float("nan")), "mass_kg is not a mass"),
        (lambda: Lot("a", "brick", TIN, 1.0), "kind is not a kind of lot"),
        (lambda: Lot("", "pig", TIN, 1.0), "id is empty"),
        (lambda: Lot("a", "pig", TIN, 10.0, 25.0), "heavier than the whole lot"),
        (lambda: Lot("a", "pig", TIN, 10.0, price_per_kg=-1.0), "not a price"),
        (lambda: Lot("a", "pig", TIN, 10.0, uncertainty_wt_pct=(("Zn", 1.0),)), "not an element of pipe metal"),
        (lambda: Lot("a", "pig", TIN, 10.0, uncertainty_wt_pct=(("Sn", -1.0),)), "not a half-width"),
        (lambda: ChargeRequest("M", HALF, 500.0, 450.0), "more than the pot holds"),
        (lambda: ChargeRequest("M", HALF, 100.0, 450.0, heel=Heel(460.0, TIN)), "does not hold the heel"),
        (lambda: ChargeRequest("M", HALF, -1.0, 450.0), "wanted_kg is not a mass"),
        (lambda: LossModel(oxide_share=2.0), "oxide_share is not a share"),
        (lambda: SheetDemand("S", "m", 50.0, 60.0), "does not fit its fill"),
        (lambda: group_into_melts([SheetDemand("S", "m", 500.0, 60.0)], 450.0, 15.0), "more than the pot can ladle"),
        (lambda: solve_charges([], [Lot("a", "pig", TIN, 1.0), Lot("a", "pig", TIN, 1.0)]), "used for two lots"),
        (lambda: solve_charges([], [], rules=Weighing(objective="luck")), "objective is not known"),
        (lambda: solve_charges([], [], rules=Weighing(certainty="sure")), "certainty is not known"),
        (lambda: solve_charges([], [], rules=Weighing(weigh_step_kg=0.0)), "cannot be weighed"),
        (lambda: take_from((Lot("a", "pig", TIN, 1.0),), {"a": 2.0}), "beyond its stock"),
        (lambda: heat_to_melt(TIN, 10.0, 300.0, efficiency=0.0), "efficiency is out of range"),
    ],
)
def test_refused(make, says: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(MeltError, match=says):
        make()


@pytest.mark.parametrize("wanted_kg", [30.0, 60.0, 90.0])
def test_where_only_whole_pieces_stand_in_the_way_the_saw_is_named_and_does_it(wanted_kg: float) -> None:
    half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    tin = Lot("tin", "pig", Composition.parse("Sn 100"), 100.0, 25.0)
    lead = Lot("lead", "scrap", Composition.parse("Pb 100"), 100.0)
    asked = ChargeRequest("M", half, wanted_kg, 450.0, 5.0)
    answer = charge(asked, [tin, lead])
    assert isinstance(answer, Blocked) and (answer.cause.kind, answer.remedy.kind) == ("pieces", "saw")
    assert answer.remedy.name == "tin" and "off a piece of tin" in answer.words
    cut = replace(tin, id="off", mass_kg=answer.remedy.kg, piece_kg=None)
    assert isinstance(charge(asked, [replace(tin, mass_kg=75.0), cut, lead]), Charge)
