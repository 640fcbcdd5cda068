"""Ordering metal: whole pigs, in time, over what is in stock."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import MeltError
from pipemetal.files.lots_file import read_lots
from pipemetal.files.offers_file import read_offers
from pipemetal.files.recipe_file import read_recipes
from pipemetal.melts.buying import DatedMelt, Offer, what_to_buy
from pipemetal.melts.charge import ChargeRequest
from pipemetal.melts.lots import Lot

HALF = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
TODAY = dt.date(2027, 1, 11)
LEAD = Lot("lead", "pig", Composition.parse("Pb 100"), 5000.0, 25.0, price_per_kg=2.0)


def tin(name: str, price: float, days: int, least_kg: float = 0.0) -> Offer:
    return Offer(Lot(name, "pig", Composition.parse("Sn 100"), 5000.0, 25.0, price_per_kg=price), days, least_kg)


def melt(name: str, day: dt.date, kg: float = 300.0) -> DatedMelt:
    return DatedMelt(ChargeRequest(name, HALF, kg, 450.0), day)


def test_pigs_are_whole_and_the_last_day_to_order_is_the_casting_day_less_the_delivery() -> None:
    found = what_to_buy([melt("M1", dt.date(2027, 3, 1))], [LEAD], [tin("quay", 28.0, 21)], TODAY)
    (line,) = found.lines
    # 49 % of 300 kg is 147 kg, dross and its tin oxide above it: six pigs of 25 kg
    assert (line.pieces, line.mass_kg, line.order_by) == (6, 150.0, dt.date(2027, 2, 8))
    assert found.cost == pytest.approx(150.0 * 28.0)
    assert not found.waits
    assert not found.not_offered_kg


def test_stock_is_used_before_anything_is_ordered() -> None:
    stock = [LEAD, Lot("scrap", "scrap", Composition.parse("Sn 50 Pb bal"), 400.0)]
    assert what_to_buy([melt("M1", dt.date(2027, 3, 1))], stock, [tin("quay", 28.0, 21)], TODAY).lines == ()


def test_dear_tin_that_is_there_tomorrow_serves_the_first_melt_and_cheap_tin_the_later_one() -> None:
    offers = [tin("quay", 28.0, 30), tin("town", 32.0, 2)]
    melts = [melt("M1", dt.date(2027, 1, 20)), melt("M2", dt.date(2027, 4, 1))]
    found = what_to_buy(melts, [LEAD], offers, TODAY)
    by_offer = {line.offer: line for line in found.lines}
    assert by_offer["town"].needed_for == "M1"
    assert by_offer["quay"].needed_for == "M2"
    assert not found.waits
    assert not any(line.is_late for line in found.lines)


def test_a_melt_whose_metal_comes_too_late_waits() -> None:
    found = what_to_buy([melt("M1", dt.date(2027, 1, 18))], [LEAD], [tin("quay", 28.0, 30)], TODAY)
    assert found.waits == (("M1", dt.date(2027, 2, 10)),)
    assert found.lines[0].is_late


def test_metal_that_nobody_offers_is_named() -> None:
    found = what_to_buy([melt("M1", dt.date(2027, 3, 1))], [LEAD], [], TODAY)
    ((element, kg),) = found.not_offered_kg
    assert element == "Sn"
    assert 145.0 < kg < 152.0


def test_a_delivery_is_no_smaller_than_the_least() -> None:
    found = what_to_buy([melt("M1", dt.date(2027, 3, 1))], [LEAD], [tin("quay", 28.0, 21, least_kg=500.0)], TODAY)
    assert found.lines[0].mass_kg == 500.0
    assert found.left_kg > 340.0


def test_a_year_comes_in_deliveries_and_pigs_left_over_serve_the_next() -> None:
    days = [dt.date(2027, month, 1) for month in (2, 5, 8)]
    found = what_to_buy([melt(f"M{i}", day) for i, day in enumerate(days)], [LEAD], [tin("quay", 28.0, 14)], TODAY)
    assert len(found.lines) == 3
    assert sum(line.pieces for line in found.lines) == math.ceil(3 * 147.2 / 25.0)
    assert [line.order_by for line in found.lines] == [day - dt.timedelta(days=14) for day in days]


def test_offcuts_serve_only_what_is_cast_after_them() -> None:
    stock = [LEAD, Lot("offcuts", "scrap", Composition.parse("Sn 50 Pb bal"), 400.0)]
    melts = [melt("M1", dt.date(2027, 3, 1)), melt("M2", dt.date(2027, 6, 1))]
    ready = {"offcuts": dt.date(2027, 4, 1)}
    found = what_to_buy(melts, stock, [tin("quay", 28.0, 21)], TODAY, available_from=ready)
    assert [line.needed_for for line in found.lines] == ["M1"]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Offer(Lot("a", "pig", Composition.parse("Sn 100"), 100.0), 5), "ordered in whole pieces"),
        (lambda: tin("a", 28.0, 900), "lead_days is out of range"),
        (lambda: tin("a", 28.0, 5, least_kg=9000.0), "more than can be had"),
        (lambda: what_to_buy([melt("M", TODAY)], [LEAD, LEAD], [], TODAY), "is used twice"),
    ],
)
def test_refused(make, says: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(MeltError, match=says):
        make()


@pytest.mark.parametrize("kg", [20.0, 49.02, 75.0, 160.0])
def test_a_melt_that_scrap_of_unsure_metal_serves_can_be_ordered_for(shop_folder: Path, kg: float) -> None:
    """Margins that each element got from another mixture may leave no mixture at all; then a charge's own rule holds."""
    recipes = read_recipes(shop_folder / "recipes.toml")
    lots, _ = read_lots(shop_folder / "lots.csv", recipes)
    offers = read_offers(shop_folder / "offers.csv")
    asked = ChargeRequest("M1", recipes["spotted-50"], kg, 450.0, spare_kg=12.0)
    found = what_to_buy([DatedMelt(asked, dt.date(2026, 11, 30))], lots, offers, dt.date(2026, 11, 1))
    taken = sum(mass for _, mass in found.from_stock_kg) + sum(line.mass_kg for line in found.lines)
    assert taken >= kg and not found.not_offered_kg
