"""Outside the logged range: value by value, and values that were never cast together."""

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Coefficients, Sled
from pipemetal.casting.outside import joint_distance, outside_words
from pipemetal.casting.push import push_card
from pipemetal.casting.simulate import Noise, simulate_cast

SN50 = Composition.parse("Sn 50 Pb bal")
TRUTH = Coefficients.known(0.58, 0.1, 0.03, 0.0, 0.04, 0.02)


def shop() -> list[LoggedCast]:
    """Thick sheets by a wide gate, thin ones by a narrow gate: never a narrow gate with a slow push."""
    rng, casts = np.random.default_rng(3), []
    for k in range(14):
        start = 1.1 + 0.09 * k
        casts.append(
            simulate_cast(
                rng,
                TRUTH,
                id=f"c{k}",
                comp=SN50,
                sled=Sled(200, 800),
                length_mm=3500,
                thickness_start_mm=start,
                thickness_end_mm=0.85 * start,
                gate_mm=round(1.6 * start, 1),
                superheat_k=20.0 + 0.8 * k,
                noise=Noise(timing_s=0.02),
            )
        )
    return casts


COEFFICIENTS = calibrate(shop()).coefficients


def middle() -> list[float]:
    return list(COEFFICIENTS.logged_centre)


def test_the_middle_of_the_log_is_within_it() -> None:
    assert outside_words(middle(), COEFFICIENTS) == ()
    assert outside_words(middle(), Coefficients.prior()) == ()


def test_a_value_beyond_its_range_is_named_with_the_range() -> None:
    values = middle()
    values[0] = 9.0
    words = outside_words(values, COEFFICIENTS)
    assert any("gate 9 mm" in w and "logged" in w for w in words)


def test_a_pair_never_cast_together_is_named_though_each_is_usual() -> None:
    values = middle()
    values[0], values[3] = COEFFICIENTS.logged_low[0], COEFFICIENTS.logged_high[3]
    (words,) = outside_words(values, COEFFICIENTS)
    assert "narrow gate with hot metal" in words and "not together" in words


def test_two_alike_standard_deviations_apart_add_up_when_they_always_went_together() -> None:
    # By hand: [2, 0] and covariance [[1, r], [r, 1]] give sqrt(4 / (1 - r^2)).
    assert joint_distance([2.0, 0.0], [0.0, 0.0], [[1.0, 0.6], [0.6, 1.0]]) == pytest.approx((4.0 / 0.64) ** 0.5)


def test_the_card_says_so() -> None:
    pour = 216.0 + 20.0 + 10.4
    card = push_card(SN50, pour, 3500, 800, 1.2, 1.0, Sled(200, 800), COEFFICIENTS, gate_mm=3.4)
    assert any("outside your logged range" in w for w in card.warnings)
    few = replace(COEFFICIENTS, logged_centre=(), logged_covariance=())
    assert outside_words(middle(), few) == ()
