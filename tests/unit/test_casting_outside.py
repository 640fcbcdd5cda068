"""Outside the logged range: value by value, and values that were never cast together."""

from dataclasses import replace

import pytest
from casting_samples import OUTFIT, SN50, shop

from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.outside import joint_distance, outside_words
from pipemetal.casting.push import push_card
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.wanted import Wanted

LAW = calibrate([replace(c, pour_temperature_c=225.0 + 12.0 * c.gate_mm) for c in shop(14, 3)]).law


def middle() -> list[float]:
    return list(LAW.logged_centre)


def test_the_middle_of_the_log_is_within_it() -> None:
    assert outside_words(middle(), LAW) == ()
    assert outside_words(middle(), ShopLaw.prior()) == ()


def test_a_value_beyond_its_range_is_named_with_the_range() -> None:
    values = middle()
    values[0] = 9.0
    words = outside_words(values, LAW)
    assert any("gate 9 mm" in w and "logged" in w for w in words)


def test_a_pair_never_cast_together_is_named_though_each_is_usual() -> None:
    values = middle()
    values[0], values[3] = LAW.logged_low[0], LAW.logged_high[3]
    (words,) = outside_words(values, LAW)
    assert "narrow gate with hot metal" in words and "not together" in words


def test_two_alike_standard_deviations_apart_add_up_when_they_always_went_together() -> None:
    # By hand: [2, 0] and covariance [[1, r], [r, 1]] give sqrt(4 / (1 - r^2)).
    assert joint_distance([2.0, 0.0], [0.0, 0.0], [[1.0, 0.6], [0.6, 1.0]]) == pytest.approx((4.0 / 0.64) ** 0.5)


def test_the_card_says_so() -> None:
    card = push_card(Wanted(SN50, 250.0, 3500, 800, 1.2, 1.0), OUTFIT, LAW, gate_mm=3.4)
    assert any("outside your logged range" in w for w in card.warnings)
    few = replace(LAW, logged_centre=(), logged_covariance=())
    assert outside_words(middle(), few) == ()
