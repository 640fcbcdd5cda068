"""Straight cuts across the piece in hand, and what they cannot part."""

import numpy as np

from pipemetal.layout.cutting import straight_cuts
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll


def cut_list(places: dict[str, tuple[float, float, float, float]]):  # type: ignore[no-untyped-def]
    blanks = tuple(Blank(n, "body", "A", x1 - x0, y1 - y0, 1.0, 1.0, 0.1) for n, (x0, x1, y0, y1) in places.items())
    roll = LayoutRoll("R1", "A", 300.0, 300.0, 0.0, (0.0, 300.0), np.array([[1.0, 1.0]]))
    placed = tuple(Placement(n, "R1", box[0], box[2]) for n, box in places.items())
    plan = LayoutPlan(placed, (), (), 9e4, 9e4, 1.0, 9e4, 0.0, 0, 0)
    return straight_cuts(LayoutProblem(blanks, (roll,)), plan)[0]


def test_a_grid_comes_apart_by_straight_cuts() -> None:
    grid = {f"{i}{j}": (100.0 * i, 100.0 * i + 100.0, 100.0 * j, 100.0 * j + 100.0) for i in range(3) for j in range(3)}
    cuts = cut_list(grid)
    assert cuts.straight
    assert len(cuts.cuts) == 8


def test_a_pinwheel_needs_an_inside_corner() -> None:
    wheel = {
        "a": (0.0, 200.0, 0.0, 100.0),
        "b": (200.0, 300.0, 0.0, 200.0),
        "c": (100.0, 300.0, 200.0, 300.0),
        "d": (0.0, 100.0, 100.0, 300.0),
        "e": (100.0, 200.0, 100.0, 200.0),
    }
    cuts = cut_list(wheel)
    assert cuts.inside_corners == (("a", "b", "c", "d", "e"),)


def test_a_blank_smaller_than_its_piece_is_trimmed_free() -> None:
    cuts = cut_list({"a": (50.0, 250.0, 60.0, 200.0)})
    assert cuts.straight and len(cuts.cuts) == 4
