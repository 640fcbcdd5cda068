"""A sheet with a cut corner is trimmed along the cut as along its edges, before anything is laid on it."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Polygon

from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll

CORNER = ((0.0, 0.0), (3200.0, 0.0), (3200.0, 660.0), (2940.0, 820.0), (0.0, 820.0))


def test_the_trim_runs_along_a_cut_corner() -> None:
    field = ThicknessField.from_grid([0.0, 3200.0], np.array([[1.2, 1.0]]), width_mm=820.0)
    roll = Roll("R104", "Sn 50", 3200.0, 820.0, 15.0, field, outline=CORNER)
    trimmed = roll.trimmed_outline()
    assert trimmed is not None
    inner = Polygon(trimmed)
    assert roll.usable().difference(inner).area == pytest.approx(0.0, abs=1e-6)
    assert inner.distance(Polygon(CORNER).exterior) == pytest.approx(15.0, abs=1e-6)


def test_a_plain_sheet_has_no_outline() -> None:
    field = ThicknessField.from_grid([0.0, 1000.0], np.array([[1.2, 1.0]]), width_mm=500.0)
    assert Roll("R1", "Sn 50", 1000.0, 500.0, 15.0, field).trimmed_outline() is None
