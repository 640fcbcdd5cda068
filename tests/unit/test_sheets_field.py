"""A thickness field says how thick a sheet is everywhere, and refuses what cannot be."""

import numpy as np
import pytest

from pipemetal.errors import SheetError
from pipemetal.sheets.field import ThicknessField


def field() -> ThicknessField:
    return ThicknessField.from_grid([0.0, 500.0, 2000.0], [[1.2, 1.1, 0.9], [1.3, 1.2, 1.0]], width_mm=600.0)


def test_thickness_is_bilinear_between_nodes() -> None:
    assert field().at(250.0, 300.0) == pytest.approx(1.2)
    assert field().at([0.0, 2000.0], [0.0, 600.0]).tolist() == pytest.approx([1.2, 1.0])


def test_mean_is_the_integral_over_the_sheet() -> None:
    f = field()
    x, y = np.meshgrid(np.linspace(0.5, 1999.5, 2000), np.linspace(0.5, 599.5, 600))
    assert f.mean_mm == pytest.approx(float(f.at(x, y).mean()), abs=1e-6)


def test_a_cropped_piece_keeps_the_parents_thickness() -> None:
    f = field()
    piece = f.cropped(300.0, 1500.0, 100.0, 400.0)
    assert piece.length_mm == 1200.0 and piece.width_mm == 300.0
    for x, y in ((0.0, 0.0), (200.0, 150.0), (1200.0, 300.0)):
        assert piece.at(x, y) == pytest.approx(f.at(300.0 + x, 100.0 + y))


def test_planing_takes_the_allowance_off_everywhere() -> None:
    assert field().planed(0.05).at(0.0, 0.0) == pytest.approx(1.15)
    with pytest.raises(SheetError, match="allowance_mm takes more"):
        field().planed(0.95)


def test_resampling_to_a_finer_grid_changes_nothing_at_the_old_nodes() -> None:
    fine = field().grid(81, 7)
    assert fine.thickness_mm.shape == (7, 81)
    assert fine.at(500.0, 600.0) == pytest.approx(1.2)


@pytest.mark.parametrize(
    ("stations", "grid", "message"),
    [
        ([0.0, 100.0, 50.0, 200.0], [[1.0, 1.0, 1.0, 1.0]], "must rise"),
        ([0.0, 100.0], [[1.0, float("nan")]], "cannot be"),
        ([0.0, 100.0], [[1.0, -1.0]], "cannot be"),
        ([0.0, 100.0], [[1.0, 100.0]], "cannot be"),
        ([0.0, 100.0], [[1.0, 1.0, 1.0]], "lines across by stations"),
        ([5.0, 100.0], [[1.0, 1.0]], "from one end"),
        ([0.0, 100.0], [[1.0], [1.0, 2.0]], "full table"),
    ],
)
def test_what_cannot_be_a_field_is_refused(stations: list[float], grid: list[list[float]], message: str) -> None:
    with pytest.raises(SheetError, match=message):
        ThicknessField.from_grid(stations, grid, width_mm=500.0)


def test_the_grid_of_a_field_cannot_be_changed_behind_its_back() -> None:
    with pytest.raises(ValueError, match="read-only"):
        field().thickness_mm[0, 0] = 5.0
