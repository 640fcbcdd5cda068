"""From gauge readings to a field: gross errors are named, little data means much uncertainty."""

import numpy as np
import pytest

from pipemetal.errors import SheetError
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading

LENGTH, WIDTH = 4000.0, 800.0


def true_thickness(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 1.3 - 1.1e-4 * x + 0.02 * np.sin(x / 700.0) + 0.02 * (1.0 - (2.0 * y / WIDTH - 1.0) ** 2)


def readings(n: int, seed: int = 1) -> list[Reading]:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, LENGTH, n), rng.uniform(0, WIDTH, n)
    t = np.round(true_thickness(x, y) + rng.normal(0.0, 0.01, n), 2)
    return [Reading(float(a), float(b), float(c)) for a, b, c in zip(x, y, t, strict=True)]


def test_a_ten_fold_reading_and_swapped_digits_are_named() -> None:
    given = readings(30)
    given[4] = Reading(given[4].x_mm, given[4].y_mm, given[4].thickness_mm * 10.0)
    given[9] = Reading(2000.0, 400.0, 0.21)  # 1.20 mm expected nowhere near
    given[12] = Reading(400.0, 400.0, 3.12)  # 1.32 with the digits turned about
    field = fit_field(given, LENGTH, WIDTH)
    left = {out.index: out.reason for out in field.left_out}
    assert set(left) == {4, 9, 12}
    assert "ten-fold" in left[4]
    assert "swapped" in left[12]
    assert field.readings_used == 27


def test_forty_readings_give_the_sheet_to_a_gauge_division() -> None:
    field = fit_field(readings(40), LENGTH, WIDTH)
    x, y = np.meshgrid(np.linspace(0, LENGTH, 21), np.linspace(0, WIDTH, 9))
    assert np.sqrt(np.mean((field.at(x, y) - true_thickness(x, y)) ** 2)) < 0.01


def test_uncertainty_grows_away_from_the_readings() -> None:
    near = [Reading(r.x_mm * 0.4, r.y_mm, float(true_thickness(r.x_mm * 0.4, r.y_mm))) for r in readings(20)]
    field = fit_field(near, LENGTH, WIDTH)
    assert field.error_at(4000.0, 400.0) > 5.0 * field.error_at(800.0, 400.0)


def test_repeated_readings_at_one_place_are_welcome() -> None:
    given = readings(10) + [Reading(1000.0, 400.0, t) for t in (1.22, 1.23, 1.22, 1.21)]
    assert fit_field(given, LENGTH, WIDTH).left_out == ()


def test_readings_that_mostly_disagree_are_refused_by_name() -> None:
    rng = np.random.default_rng(3)
    noise = [Reading(r.x_mm, r.y_mm, float(rng.uniform(0.3, 6.0))) for r in readings(20)]
    with pytest.raises(SheetError, match="disagree"):
        fit_field(noise, LENGTH, WIDTH)


@pytest.mark.parametrize(
    ("reading", "message"),
    [
        (Reading(-1.0, 10.0, 1.0), "reading 7: x_mm is outside its range"),
        (Reading(10.0, 900.0, 1.0), "reading 7: y_mm is outside its range"),
        (Reading(10.0, 10.0, 0.0), "reading 7: thickness_mm is too small"),
        (Reading(10.0, 10.0, float("nan")), "reading 7: thickness_mm is not a finite number"),
    ],
)
def test_a_reading_that_cannot_be_is_named(reading: Reading, message: str) -> None:
    with pytest.raises(SheetError, match=message):
        fit_field([*readings(6), reading], LENGTH, WIDTH)


def test_five_readings_are_too_few() -> None:
    with pytest.raises(SheetError, match="too few"):
        fit_field(readings(5), LENGTH, WIDTH)
