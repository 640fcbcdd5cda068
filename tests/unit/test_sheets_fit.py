"""From gauge readings to a field: gross errors are named, little data means much uncertainty."""

import numpy as np
import pytest

from pipemetal.errors import SheetError
from pipemetal.sheets.field import FloatArray
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


def waved(seed: int, places: list[tuple[float, float]], misread_share: float) -> tuple[list[Reading], FloatArray]:
    """A sheet of 4 by 0.8 m with waves of 0.014 mm rms, gauged to 0.01 mm; its readings, and itself on a grid."""
    rng = np.random.default_rng(seed)
    phase, number = rng.uniform(0.0, 6.0, 3), rng.uniform(2.0, 9.0, 3)
    bow, tilt = rng.normal(0.0, 0.012, 2)

    def true(x: FloatArray, y: FloatArray) -> FloatArray:
        u, v = x / 4000.0, y / 400.0 - 1.0
        wave = sum(np.sin(np.pi * k * u + p + 0.2 * v) for k, p in zip(number, phase, strict=True))
        return np.asarray(1.5 - 0.35 * u + tilt * v + bow * v * v + 0.014 * np.sqrt(2.0 / 3.0) * wave)

    readings = []
    for u, v in places:
        seen = float(true(np.array(4000.0 * u), np.array(800.0 * v))) + float(rng.normal(0.0, 0.01))
        seen *= float(rng.choice([0.7, 0.8, 1.25, 1.5])) if rng.random() < misread_share else 1.0
        readings.append(Reading(4000.0 * u, 800.0 * v, seen))
    return readings, true(*np.meshgrid(np.linspace(0, 4000, 30), np.linspace(0, 800, 9)))


PLACES = {
    6: [(u, v) for u in (0.05, 0.5, 0.95) for v in (0.2, 0.8)],
    12: [(u, v) for u in (0.04, 0.35, 0.65, 0.96) for v in (0.1, 0.5, 0.9)],
    30: [(u, v) for u in np.linspace(0.03, 0.97, 10) for v in (0.1, 0.5, 0.9)],
}


@pytest.mark.parametrize("count", [6, 12, 30])
@pytest.mark.parametrize("misread", [0.0, 0.03])
def test_bands_hold_waved_sheets_at_any_number_of_readings(count: int, misread: float) -> None:
    held = []
    for seed in range(14):
        readings, true = waved(100 * count + seed, PLACES[count], misread)
        field = fit_field(readings, 4000.0, 800.0)
        x, y = np.meshgrid(np.linspace(0, 4000, 30), np.linspace(0, 800, 9))
        held.append(np.mean(np.abs(field.at(x, y) - true) < 1.96 * field.error_at(x, y)))
    # 95 % is meant; fourteen sheets tell it to some 3 %.
    assert float(np.mean(held)) > 0.86


def test_six_readings_with_one_misread_give_a_field_with_a_wider_band() -> None:
    readings, _ = waved(7, PLACES[6], 0.0)
    clean = fit_field(readings, 4000.0, 800.0)
    for k in range(6):
        one = readings[k]
        spoilt = [*readings[:k], Reading(one.x_mm, one.y_mm, 1.4 * one.thickness_mm), *readings[k + 1 :]]
        field = fit_field(spoilt, 4000.0, 800.0)
        assert [left.index for left in field.left_out] == [k]
        assert field.standard_error_mm.mean() > clean.standard_error_mm.mean()
