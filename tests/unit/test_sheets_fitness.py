"""Where a blank finds its thickness, exactly."""

import pytest

from pipemetal.errors import SheetError
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fitness import fit_windows


def falling() -> ThicknessField:
    return ThicknessField.from_grid([0.0, 3000.0], [[1.3, 1.0]], width_mm=600.0)


def test_a_blank_that_tapers_as_the_sheet_does_slides_by_twice_the_tolerance_over_the_taper() -> None:
    fit = fit_windows(falling(), 500.0, 200.0, 1.15, 1.10, 0.02, turns_deg=(0,))
    (window,) = fit.windows
    assert window.x_low_mm == pytest.approx(1300.0)
    assert window.x_high_mm == pytest.approx(1700.0)


def test_a_blank_turned_about_must_bear_the_taper_twice() -> None:
    assert fit_windows(falling(), 500.0, 200.0, 1.15, 1.10, 0.04, turns_deg=(180,)).windows == ()
    assert fit_windows(falling(), 500.0, 200.0, 1.15, 1.10, 0.06, turns_deg=(180,)).windows[0].turn_deg == 180


def test_a_wavy_sheet_gives_several_windows() -> None:
    wavy = ThicknessField.from_grid([0.0, 500.0, 1000.0, 1500.0], [[1.0, 1.2, 1.0, 1.2]], width_mm=600.0)
    fit = fit_windows(wavy, 50.0, 100.0, 1.1, 1.1, 0.03, turns_deg=(0,))
    assert len(fit.windows) == 3


def test_bands_find_room_on_a_bowed_sheet_that_the_whole_width_denies() -> None:
    bowed = ThicknessField.from_grid([0.0, 1000.0], [[0.9, 0.9], [1.0, 1.0], [0.9, 0.9]], width_mm=600.0)
    assert fit_windows(bowed, 300.0, 80.0, 1.0, 1.0, 0.04).windows == ()
    narrow = fit_windows(bowed, 300.0, 80.0, 1.0, 1.0, 0.04, bands=5).windows
    assert narrow and all(w.y_low_mm >= 180.0 and w.y_high_mm <= 420.0 for w in narrow)


def test_where_nothing_fits_the_nearest_miss_is_told() -> None:
    fit = fit_windows(falling(), 500.0, 200.0, 1.55, 1.50, 0.02, turns_deg=(0,), trim_mm=15.0)
    assert fit.windows == ()
    assert fit.miss_mm == pytest.approx(1.55 - (1.3 - 15.0e-4) - 0.02, abs=1e-5)
    assert fit.miss_x_mm == pytest.approx(15.0)


def test_a_blank_longer_than_the_sheet_fits_nowhere() -> None:
    assert fit_windows(falling(), 3100.0, 200.0, 1.2, 1.0, 0.5).miss_mm == float("inf")


def test_numbers_that_cannot_be_are_refused() -> None:
    with pytest.raises(SheetError, match="tolerance_mm must be"):
        fit_windows(falling(), 500.0, 200.0, 1.2, 1.0, -0.1)
