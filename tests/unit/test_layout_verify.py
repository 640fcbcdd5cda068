"""The verifier finds every kind of fault that is planted in a good plan."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import FAULT_KINDS, verify

SQUARE = ((900.0, 15.0), (950.0, 15.0), (950.0, 585.0), (900.0, 585.0))


def problem() -> LayoutProblem:
    blanks = (
        *(Blank(f"C{k}", "body", "A", 400.0, 200.0, 1.1, 1.06, 0.05) for k in range(4)),
        Blank("D1", "body", "B", 400.0, 200.0, 1.1, 1.1, 0.05),
        Blank("N1", "body", "A", 500.0, 300.0, 2.0, 1.95, 0.05),
    )
    roll = LayoutRoll("R1", "A", 2000.0, 600.0, 15.0, (0.0, 2000.0), np.array([[1.2, 1.0], [1.2, 1.0]]), (SQUARE,))
    other = LayoutRoll("R2", "B", 1000.0, 600.0, 15.0, (0.0, 1000.0), np.array([[1.1, 1.1]]))
    return LayoutProblem(blanks, (roll, other), Castable(), 2.0)


@pytest.fixture(scope="module")
def good() -> tuple[LayoutProblem, LayoutPlan]:
    p = problem()
    plan = solve(p, iterations=200)
    assert not plan.unplaced and len(plan.new_sheets) == 1
    assert verify(p, plan) == ()
    return p, plan


def moved(plan: LayoutPlan, name: str, /, **changes: object) -> LayoutPlan:
    return replace(
        plan,
        placements=tuple(replace(p, **changes) if p.blank == name else p for p in plan.placements),  # type: ignore[arg-type]
    )


def at(plan: LayoutPlan, blank: str) -> Placement:
    return next(p for p in plan.placements if p.blank == blank)


def sheet_changed(plan: LayoutPlan, **changes: object) -> LayoutPlan:
    return replace(plan, new_sheets=(replace(plan.new_sheets[0], **changes),))  # type: ignore[arg-type]


FAULTS: list[tuple[str, Callable[[LayoutPlan], LayoutPlan]]] = [
    ("unknown_blank", lambda plan: moved(plan, "C0", blank="X9")),
    ("unknown_roll", lambda plan: moved(plan, "C0", roll="X9")),
    ("placed_twice", lambda plan: replace(plan, placements=(*plan.placements, at(plan, "C0")))),
    ("placed_twice", lambda plan: replace(plan, unplaced=(Unplaced("C0", "full"),))),
    ("forgotten", lambda plan: replace(plan, placements=plan.placements[1:])),
    ("wrong_alloy", lambda plan: moved(plan, "D1", roll="R1")),
    ("wrong_turn", lambda plan: moved(plan, "C0", turn_deg=180)),
    ("wrong_turn", lambda plan: moved(plan, "C0", turn_deg=7)),
    ("outside_sheet", lambda plan: moved(plan, "D1", y_mm=14.9)),
    ("outside_sheet", lambda plan: moved(plan, "D1", x_mm=585.1)),
    ("overlap", lambda plan: moved(plan, "C0", x_mm=at(plan, "C1").x_mm + 1.0, y_mm=at(plan, "C1").y_mm + 1.0)),
    ("no_go", lambda plan: moved(plan, "C0", x_mm=700.0)),
    ("thickness", lambda plan: moved(plan, "C0", x_mm=1580.0)),
    ("thickness", lambda plan: sheet_changed(plan, thickness_start_mm=plan.new_sheets[0].thickness_start_mm - 0.2)),
    ("new_sheet", lambda plan: sheet_changed(plan, width_mm=2000.0)),
    ("new_sheet", lambda plan: sheet_changed(plan, thickness_end_mm=0.1)),
    ("new_sheet", lambda plan: sheet_changed(plan, trim_mm=1.0)),
    (
        "new_sheet",
        lambda plan: replace(plan, new_sheets=(*plan.new_sheets, NewSheet("N9", "A", 1e3, 500.0, 1.0, 1.0, 15.0))),
    ),
    ("not_finite", lambda plan: moved(plan, "C0", x_mm=float("nan"))),
    ("not_finite", lambda plan: replace(plan, consumed_mm2=float("inf"))),
    ("not_finite", lambda plan: sheet_changed(plan, thickness_end_mm=float("nan"))),
    ("totals", lambda plan: replace(plan, opened_mm2=plan.opened_mm2 * 0.999)),
    ("totals", lambda plan: replace(plan, consumed_mm2=plan.consumed_mm2 * 0.999)),
    ("totals", lambda plan: replace(plan, lower_bound_mm2=plan.consumed_mm2 * 2.0)),
]


@pytest.mark.parametrize(("kind", "spoil"), FAULTS)
def test_a_planted_fault_is_found(
    good: tuple[LayoutProblem, LayoutPlan], kind: str, spoil: Callable[[LayoutPlan], LayoutPlan]
) -> None:
    assert kind in {fault.kind for fault in verify(good[0], spoil(good[1]))}


def test_a_kerf_too_narrow_is_found(good: tuple[LayoutProblem, LayoutPlan]) -> None:
    first, second = at(good[1], "C0"), at(good[1], "C1")
    near = moved(good[1], "C1", roll=first.roll, x_mm=first.x_mm, y_mm=first.y_mm + 201.0)
    assert second.blank == "C1"
    assert "kerf" in {fault.kind for fault in verify(good[0], near)}


def test_every_kind_of_fault_is_planted() -> None:
    assert {kind for kind, _ in FAULTS} | {"kerf", "certainty"} == set(FAULT_KINDS)


def test_a_place_less_sure_than_wanted_is_found_where_it_is_not_named() -> None:
    roll = LayoutRoll(
        "R1", "A", 1000.0, 500.0, 0.0, (0.0, 1000.0), np.array([[1.03, 1.03]]), error_mm=np.full((1, 2), 0.02)
    )
    p = LayoutProblem((Blank("C", "body", "A", 1000.0, 500.0, 1.0, 1.0, 0.05),), (roll,), certainty=0.95)
    plan = LayoutPlan((Placement("C", "R1", 0.0, 0.0),), (), (), 5e5, 5e5, 1.0, 5e5, 0.0, 0, 0)
    assert [f.kind for f in verify(p, plan)] == ["certainty"]
    assert verify(p, replace(plan, unsure=("C",))) == ()
    assert verify(replace(p, certainty=0.0), plan) == ()
    assert verify(replace(p, certainty=0.6), plan) == ()


def test_a_thickness_that_is_wrong_only_between_two_stations_is_found() -> None:
    roll = LayoutRoll(
        "R1", "A", 1000.0, 500.0, 0.0, (0.0, 480.0, 500.0, 520.0, 1000.0), np.array([[1.0, 1.0, 1.3, 1.0, 1.0]])
    )
    p = LayoutProblem((Blank("C", "body", "A", 900.0, 100.0, 1.0, 1.0, 0.05),), (roll,))
    plan = LayoutPlan((Placement("C", "R1", 50.0, 0.0),), (), (), 5e5, 5e5, 0.18, 9e4, 0.0, 0, 0)
    assert [f.kind for f in verify(p, replace(plan, consumed_mm2=1.5e5, utilisation=0.6))] == [
        "thickness",
        "totals",
        "totals",
    ]


def test_two_sectors_may_interlock_where_their_boxes_overlap() -> None:
    foot = Sector(100.0, 50.0, 53.0)
    length, width = foot.box_mm()
    blanks = tuple(Blank(n, "foot", "A", length, width, 1.0, 1.0, 0.05, (0, 180), foot) for n in ("F1", "F2"))
    roll = LayoutRoll("R1", "A", 300.0, 300.0, 0.0, (0.0, 300.0), np.array([[1.0, 1.0]]))
    p = LayoutProblem(blanks, (roll,))

    def kinds(y_mm: float) -> set[str]:
        placed = (Placement("F1", "R1", 0.0, 0.0, 0), Placement("F2", "R1", 0.0, y_mm, 180))
        return {f.kind for f in verify(p, LayoutPlan(placed, (), (), 9e4, 9e4, 0.0, 0.0, 0.0, 0, 0))} - {"totals"}

    assert kinds(width - 15.0) == set()
    assert kinds(width - 30.0) == {"overlap"}
