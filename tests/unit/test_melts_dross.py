"""A shop's dross from its own melts, what scrap is worth, and what remelting does."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import MeltError
from pipemetal.melts.drift import remelt_drift, scrap_worth
from pipemetal.melts.dross import MeltRecord, fit_dross
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot

TIN = Lot("tin", "pig", Composition.parse("Sn 100"), 500.0, 25.0, price_per_kg=28.0)
LEAD = Lot("lead", "pig", Composition.parse("Pb 100"), 500.0, 25.0, price_per_kg=2.0)
HALF = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0), ("Sb", 0.0, 0.3), ("Bi", 0.0, 0.2)))


def melts_of(true: LossModel, count: int, seed: int, scatter: float = 0.15) -> list[MeltRecord]:
    rng = np.random.default_rng(seed)
    found = []
    for number in range(count):
        lots = (
            Lot("s", "scrap", Composition.parse("Sn 48 Sb 0.6 Pb bal"), float(rng.uniform(100, 250))),
            Lot("h", "shavings", Composition.parse("Sn 50 Sb 0.4 Pb bal"), float(rng.uniform(5, 60))),
            Lot("p", "pig", Composition.parse("Sn 99.9 Pb bal"), float(rng.uniform(25, 150))),
        )
        came = sum(lot.mass_kg * np.array(lot.composition.fractions) for lot in lots)
        kept = sum(lot.mass_kg * np.array(true.kept_kg_per_kg(lot, tin_present=True)) for lot in lots)
        left = came - max(1.0 + rng.normal(0.0, scatter), 0.1) * (came - kept)
        share = 100.0 * left / left.sum()
        assay = Composition.from_wt_pct({e: float(share[i]) for i, e in enumerate(ELEMENTS)})
        out = float(left.sum() + rng.normal(0.0, 0.3))
        found.append(MeltRecord(f"M{number}", lots, out, None, assay, (("Sn", 0.2), ("Sb", 0.02))))
    return found


def test_a_shop_that_skims_a_lot_learns_it_from_forty_melts() -> None:
    true = LossModel((("pig", 0.010), ("scrap", 0.030), ("shavings", 0.080)), 0.10, (("Sb", 1.6),))
    found = fit_dross(melts_of(true, 40, 1))
    by_name = {factor.name: factor for factor in found.factors}
    for name, value in (("scrap", 0.030), ("shavings", 0.080), ("Sb", 1.6), ("Sn", 1.0)):
        assert by_name[name].low <= value <= by_name[name].high
    assert by_name["scrap"].learned > 0.5
    assert by_name["scrap"].value == pytest.approx(0.030, rel=0.25)


def test_with_one_melt_a_shop_stays_near_what_is_usual() -> None:
    (factor,) = [f for f in fit_dross(melts_of(LossModel(), 1, 2)).factors if f.name == "shavings"]
    assert factor.prior == pytest.approx(0.04)
    assert factor.value == pytest.approx(0.04, rel=0.5)
    assert factor.learned < 0.4


def test_a_melt_that_was_badly_weighed_is_named_and_believed_less() -> None:
    melts = melts_of(LossModel(), 20, 3)
    spoilt = melts[7]
    melts[7] = MeltRecord(
        spoilt.name, spoilt.charged, spoilt.out_kg - 60.0, None, spoilt.assay, spoilt.assay_half_wt_pct
    )
    with_it, without = fit_dross(melts), fit_dross(melts[:7] + melts[8:])
    assert "M7" in with_it.doubted
    for a, b in zip(with_it.factors, without.factors, strict=True):
        assert math.log(a.value / b.value) == pytest.approx(0.0, abs=0.25)


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    hits = total = 0
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        true = LossModel(
            tuple((kind, share * math.exp(rng.normal(0.0, 0.56))) for kind, share in LossModel().dross_share),
            0.10,
            (("Sn", math.exp(rng.normal(0.0, 0.4))), ("Sb", math.exp(rng.normal(0.0, 0.4)))),
        )
        truth = dict(true.dross_share) | dict(true.element_factor)
        for factor in fit_dross(melts_of(true, 12, seed)).factors:
            total += 1
            hits += factor.low <= truth.get(factor.name, 1.0) <= factor.high
    assert hits / total >= 0.89


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: MeltRecord("M", (), 10.0), "nothing was weighed in"),
        (lambda: MeltRecord("M", (TIN,), 0.0), "out_kg is not a mass"),
        (lambda: MeltRecord("M", (TIN,), 900.0), "out_kg is more than went in"),
        (lambda: MeltRecord("M", (TIN,), 400.0, dross_kg=900.0), "not the dross of this melt"),
        (lambda: fit_dross([]), "no melt to learn from"),
        (lambda: remelt_drift(HALF, [TIN, LEAD], share=1.5), "share is not a share"),
        (lambda: remelt_drift(HALF, [TIN, LEAD], rounds=0), "rounds is out of range"),
        (lambda: LossModel(element_factor=(("Sb", 9.0),)), "factor_Sb is not a factor"),
    ],
)
def test_refused(make, says: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(MeltError, match=says):
        make()


def test_tin_falls_round_after_round_and_new_metal_brings_it_back() -> None:
    found = remelt_drift(HALF, [TIN, LEAD], share=1.0)
    tin = [metal.wt_pct("Sn") for metal in found.uncorrected]
    assert tin == sorted(tin, reverse=True)
    assert found.leaves[0][0] == "Sn"
    corrected = remelt_drift(HALF, [TIN, LEAD], share=0.9)
    assert corrected.blocked_by == ()
    assert all(49.0 - 1e-6 <= metal.wt_pct("Sn") <= 51.0 + 1e-6 for metal in corrected.corrected)


def test_what_tin_alone_cannot_bring_back_must_be_diluted_or_sold() -> None:
    dirty = Lot("lead", "pig", Composition.parse("Pb 99.5 Bi 0.5"), 500.0, 25.0, price_per_kg=1.5)
    found = remelt_drift(HALF, [TIN, dirty], share=0.6, start=Composition.parse("Sn 50 Bi 0.19 Pb bal"))
    assert "Bi" in found.blocked_by
    assert found.lasting_share < 0.6


def test_scrap_with_much_antimony_is_used_as_far_as_its_window_lets_it() -> None:
    hard = Lot("S", "scrap", Composition.parse("Sn 40 Sb 1.2 Pb bal"), 300.0, price_per_kg=5.0)
    found = scrap_worth(hard, HALF, [TIN, LEAD])
    assert found.verdict == "correct"
    assert found.limited_by == ("Sb",)
    assert found.most_share == pytest.approx(0.3 / 1.2, abs=0.02)
    assert found.worth_per_kg == pytest.approx(0.4 * 28.0 + 0.6 * 2.0, rel=0.05)


def test_scrap_that_fetches_more_than_it_saves_is_sold() -> None:
    dear = Lot("S", "scrap", Composition.parse("Sn 50 Pb bal"), 100.0, price_per_kg=20.0)
    assert scrap_worth(dear, HALF, [TIN, LEAD]).verdict == "sell"


@pytest.mark.parametrize("each_kg", [0.2, 1.5, 3.0])
def test_what_every_melt_loses_is_not_put_on_its_pigs(each_kg: float) -> None:
    true = LossModel((("pig", 0.008), ("scrap", 0.015), ("shavings", 0.040)))
    held = {"pig": 0, "each melt": 0}
    for seed in range(6):
        melts = []
        for melt in melts_of(true, 25, 50 + seed):
            share = 1.0 - each_kg / melt.out_kg
            melts.append(
                MeltRecord(melt.name, melt.charged, melt.out_kg * share, None, melt.assay, melt.assay_half_wt_pct)
            )
        found = {f.name: f for f in fit_dross(melts).factors}
        for name, value in (("pig", 0.008), ("each melt", each_kg)):
            held[name] += found[name].low <= value <= found[name].high
    assert min(held.values()) >= 5


def test_losses_for_a_plan_hold_what_every_melt_loses() -> None:
    fit = fit_dross(melts_of(LossModel(), 20, 4))
    pig = next(f for f in fit.factors if f.name == "pig")
    assert dict(fit.losses.dross_share)["pig"] > pig.value
