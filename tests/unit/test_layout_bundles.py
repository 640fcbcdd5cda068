"""Sectors in a row, head to tail, as close as their shapes allow and no closer."""

import itertools

import pytest

from pipemetal.layout.bundles import bundled, loosened, row_of
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, Sector
from pipemetal.layout.verify import shape_on_sheet


def foot(k: int, turns: tuple[int, ...] = (0, 180), thickness: float = 1.0) -> Blank:
    sector = Sector(300.0 - 4.0 * k, 140.0 - k, 60.0 - 2.0 * k)
    length, width = sector.box_mm()
    return Blank(f"F{k}", "foot", "A", round(length, 3), round(width, 3), thickness, thickness, 0.06, turns, sector)


@pytest.mark.parametrize("kerf", [0.0, 1.0, 3.0])
def test_members_keep_the_kerf_and_waste_little(kerf: float) -> None:
    group = [(k, foot(k)) for k in range(6)]
    piece = row_of(group, kerf, (0.94, 1.06))
    shapes = [shape_on_sheet(group[k][1], Placement(f"F{k}", "R", x, y, turn)) for k, x, y, turn in piece.members]
    gaps = [a.distance(b) for a, b in itertools.combinations(shapes, 2)]
    assert min(gaps) >= kerf - 0.01
    assert min(gaps) < kerf + 0.6
    boxes = sum(b.length_mm * b.width_mm for _, b in group)
    assert piece.variants[0].dx_mm * piece.variants[0].dy_mm < 0.9 * boxes


def test_only_feet_of_one_thickness_that_may_turn_are_bundled() -> None:
    blanks = [(0, foot(0)), (1, foot(1)), (2, foot(2, (0,))), (3, foot(3, thickness=1.3))]
    pieces = bundled(blanks, 0.0, 2000.0, 12)
    assert sorted(len(p.members) for p in pieces) == [1, 1, 2]


def test_a_bundle_is_no_wider_than_the_sheet_and_comes_apart_again() -> None:
    blanks = [(k, foot(k)) for k in range(8)]
    pieces = bundled(blanks, 0.0, 700.0, 12)
    assert all(p.variants[0].dy_mm <= 700.0 for p in pieces)
    single = loosened(pieces, set(range(len(pieces))), [b for _, b in blanks])
    assert sorted(index for p in single for index, *_ in p.members) == list(range(8))
