"""What must hold for every sheet."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.fitness import fit_windows
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll, cut_out

thickness = st.floats(0.5, 1.5)


@st.composite
def fields(draw: st.DrawFn) -> ThicknessField:
    lines, stations = draw(st.integers(1, 4)), draw(st.integers(2, 6))
    grid = [[draw(thickness) for _ in range(stations)] for _ in range(lines)]
    return ThicknessField.from_grid(np.linspace(0.0, 2000.0, stations), grid, width_mm=600.0)


@settings(deadline=None, max_examples=60)
@given(fields(), st.floats(20.0, 1500.0), thickness, thickness, st.floats(0.05, 0.4), st.floats(0.0, 1.0))
def test_in_a_window_the_metal_is_right_everywhere_and_just_outside_it_is_not(
    field: ThicknessField, length: float, mouth: float, top: float, tolerance: float, share: float
) -> None:
    def worst(x: float) -> float:
        along = np.unique(np.concatenate([np.linspace(x, x + length, 60), field.stations_mm]))
        along = along[(along >= x) & (along <= x + length)]
        a, b = np.meshgrid(along, field.lines_mm)
        wanted = mouth + (top - mouth) * (a - x) / length
        return float(np.abs(field.at(a, b) - wanted).max())

    windows = fit_windows(field, length, 600.0, mouth, top, tolerance, turns_deg=(0,)).windows
    for w in windows:
        inside = w.x_low_mm + share * (w.x_high_mm - w.x_low_mm)
        assert worst(inside) <= tolerance + 1e-6
    x = share * (2000.0 - length)
    if not any(w.x_low_mm - 1e-6 <= x <= w.x_high_mm + 1e-6 for w in windows):
        assert worst(x) > tolerance - 1e-6


@settings(deadline=None, max_examples=40)
@given(
    fields(), st.floats(0.0, 0.4), st.floats(0.5, 1.0), st.floats(0.0, 0.4), st.floats(0.5, 1.0), st.floats(0.0, 1.0)
)
def test_a_piece_cut_off_keeps_its_thickness(
    field: ThicknessField, a: float, b: float, c: float, d: float, share: float
) -> None:
    piece = field.cropped(2000.0 * a, 2000.0 * b, 600.0 * c, 600.0 * d)
    x = 2000.0 * a + share * piece.length_mm
    # Respaced lines are exact on a sheet that is straight across; elsewhere they lie between the parent's lines.
    across = np.clip(np.append(np.linspace(600.0 * c, 600.0 * d, 50), field.lines_mm), 600.0 * c, 600.0 * d)
    row = field.at(np.full(across.size, x), across)
    assert row.min() - 1e-9 <= piece.at(share * piece.length_mm, piece.width_mm / 3.0) <= row.max() + 1e-9
    assert np.isclose(piece.at(share * piece.length_mm, 0.0), field.at(x, 600.0 * c))


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 10_000), st.integers(8, 40))
def test_one_ten_fold_reading_among_good_ones_is_always_found(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    given_readings = [
        Reading(float(x), float(y), float(1.2 - 1e-4 * x + rng.normal(0.0, 0.005)))
        for x, y in zip(rng.uniform(0, 3000, n), rng.uniform(0, 800, n), strict=True)
    ]
    bad = int(rng.integers(n))
    r = given_readings[bad]
    given_readings[bad] = Reading(r.x_mm, r.y_mm, 10.0 * r.thickness_mm)
    assert bad in {out.index for out in fit_field(given_readings, 3000.0, 800.0).left_out}


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(*[st.floats(0.0, 0.9)] * 2, st.floats(0.02, 0.1), st.floats(0.02, 0.1)), max_size=5))
def test_no_metal_appears_or_vanishes_in_cutting(parts: list[tuple[float, float, float, float]]) -> None:
    field = ThicknessField.from_grid([0.0, 3000.0], [[1.2, 1.0]], width_mm=800.0)
    roll = Roll("R1", "A", 3000.0, 800.0, 0.0, field)
    used = [(3000.0 * x, 800.0 * y, 3000.0 * (x + dx), 800.0 * (y + dy)) for x, y, dx, dy in parts]
    out = cut_out(roll, used)
    total = out.used_mm2 + out.offcut_mm2 + sum(r.area_mm2 for r in out.remnants)
    assert np.isclose(total, 3000.0 * 800.0)
