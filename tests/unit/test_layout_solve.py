"""The solver serves what can be served, says why not, and gives the same plan again."""

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.errors import LayoutError
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify


def roll(name: str = "R1", alloy: str = "A", **changes: object) -> LayoutRoll:
    given: dict[str, object] = {
        "length_mm": 2000.0,
        "width_mm": 600.0,
        "trim_mm": 15.0,
        "stations_mm": (0.0, 2000.0),
        "thickness_mm": np.array([[1.1, 0.9], [1.1, 0.9]]),
    }
    return LayoutRoll(name, alloy, **(given | changes))  # type: ignore[arg-type]


def body(name: str, length: float = 500.0, width: float = 180.0, mouth: float = 1.02, **changes: object) -> Blank:
    return replace(Blank(name, "body", "A", length, width, mouth, mouth - 1e-4 * length, 0.05), **changes)  # type: ignore[arg-type]


def feet(count: int, turns: tuple[int, ...] = (0, 180)) -> tuple[Blank, ...]:
    made = []
    for k in range(count):
        sector = Sector(300.0 - 4.0 * k, 140.0, 42.0 - 0.5 * k)
        length, width = sector.box_mm()
        made.append(Blank(f"F{k}", "foot", "A", round(length, 3), round(width, 3), 1.0, 1.0, 0.06, turns, sector))
    return tuple(made)


def test_all_rules_are_kept_with_kerf_no_go_areas_and_a_cut_corner() -> None:
    blemish = ((600.0, 200.0), (700.0, 200.0), (650.0, 350.0))
    outline = ((0.0, 0.0), (2000.0, 0.0), (2000.0, 600.0), (300.0, 600.0), (0.0, 400.0))
    rolls = (roll(no_go=(blemish,), outline=outline), roll("R2"))
    p = LayoutProblem(tuple(body(f"C{k}", 300.0 + 20.0 * k) for k in range(9)), rolls, None, 3.0)
    plan = solve(p, iterations=400)
    assert verify(p, plan) == ()
    assert not plan.unplaced


def test_a_blank_that_may_turn_uses_the_other_end_of_the_sheet() -> None:
    rising = roll(thickness_mm=np.array([[0.9, 1.1]]))
    fixed, free = body("C1", tolerance_mm=0.03), body("C1", tolerance_mm=0.03, turns_deg=(0, 180))
    assert solve(LayoutProblem((fixed,), (rising,)), iterations=10).unplaced[0].kind == "no_thickness"
    plan = solve(LayoutProblem((free,), (rising,)), iterations=10)
    assert plan.placements[0].turn_deg == 180
    assert verify(LayoutProblem((free,), (rising,)), plan) == ()


def test_a_blank_of_one_thickness_may_lie_across() -> None:
    long = Blank("C1", "body", "A", 560.0, 100.0, 1.0, 1.0, 0.02, (0, 90))
    p = LayoutProblem((long,), (roll(),))
    plan = solve(p, iterations=10)
    assert plan.placements[0].turn_deg == 90
    assert verify(p, plan) == ()


@pytest.mark.parametrize("kerf", [0.0, 1.5])
def test_feet_are_laid_head_to_tail_in_less_metal_than_their_boxes(kerf: float) -> None:
    p = LayoutProblem(feet(12), (roll(thickness_mm=np.array([[1.0, 1.0]])),), None, kerf)
    bundled = solve(p, iterations=300)
    boxed = solve(p, iterations=300, settings=SolverSettings(bundle_feet=False))
    assert verify(p, bundled) == () and verify(p, boxed) == ()
    assert not bundled.unplaced
    assert bundled.consumed_mm2 < boxed.consumed_mm2


def test_feet_that_may_not_turn_are_laid_by_their_boxes() -> None:
    p = LayoutProblem(feet(6, (0,)), (roll(thickness_mm=np.array([[1.0, 1.0]])),))
    plan = solve(p, iterations=100)
    assert {placed.turn_deg for placed in plan.placements} == {0}
    assert verify(p, plan) == ()


def test_same_seed_and_moves_give_the_same_plan_whatever_the_threads() -> None:
    rolls = (roll(), roll("R2"), roll("R3", "B"))
    blanks = tuple(body(f"C{k}", 200.0 + 17.0 * k, alloy="AB"[k % 2]) for k in range(16))
    p = LayoutProblem(blanks, rolls)
    plans = [solve(p, iterations=900, seed=5, settings=SolverSettings(workers=w)) for w in (1, 2, 2)]
    assert plans[0] == plans[1] == plans[2]


def test_more_moves_never_lose_a_blank_and_two_objectives_are_kept() -> None:
    blanks = tuple(body(f"C{k}", 150.0 + 25.0 * k, 100.0 + 3.0 * k) for k in range(14))
    p = LayoutProblem(blanks, (roll(), roll("R2"), roll("R3", length_mm=2400.0, stations_mm=(0.0, 2400.0))))
    opened = solve(p, iterations=2000, settings=SolverSettings(objective="opened"))
    consumed = solve(p, iterations=2000)
    assert not opened.unplaced and not consumed.unplaced
    assert opened.opened_mm2 <= consumed.opened_mm2 + 1.0
    assert consumed.consumed_mm2 <= opened.consumed_mm2 + 1.0
    assert verify(p, opened) == () and verify(p, consumed) == ()


def test_reasons_name_what_is_wrong() -> None:
    blanks = (
        body("alloy", alloy="B"),
        body("long", 3000.0),
        body("thick", mouth=2.0),
        *(body(f"full{k}", 900.0, 500.0) for k in range(4)),
    )
    p = LayoutProblem(blanks, (roll(),))
    plan = solve(p, iterations=100)
    why = {u.blank: u for u in plan.unplaced}
    assert why["alloy"].kind == "no_alloy"
    assert why["long"].kind == "too_large" and "larger than any sheet" in why["long"].reason
    assert why["thick"].kind == "no_thickness" and why["thick"].nearest_roll == "R1"
    assert why["thick"].miss_mm == pytest.approx(2.0 - (1.1 - 15.0e-4) - 0.05, abs=1e-4)
    assert "full" in {u.kind for u in plan.unplaced}
    wanted = why["thick"].sheet
    assert wanted is not None and wanted.length_mm == pytest.approx(530.0)
    assert verify(p, plan) == ()


def test_what_the_rack_cannot_serve_is_cast() -> None:
    blanks = tuple(body(f"C{k}", 400.0 + 30.0 * k, mouth=1.5 - 0.03 * k) for k in range(10))
    p = LayoutProblem(blanks, (roll(),), Castable(max_length_mm=3000.0, max_width_mm=800.0))
    plan = solve(p, iterations=500)
    assert not plan.unplaced
    assert plan.new_sheets
    assert verify(p, plan) == ()


def test_rack_metal_goes_before_new_metal() -> None:
    p = LayoutProblem(tuple(body(f"C{k}") for k in range(4)), (roll(), roll("R2")), Castable())
    assert solve(p, iterations=300).new_sheets == ()


def test_what_may_not_be_cast_is_told() -> None:
    p = LayoutProblem((body("C1", mouth=9.0), body("C2", alloy="B")), (), Castable(alloys=("A",)))
    reasons = {u.blank: u.reason for u in solve(p, iterations=10).unplaced}
    assert "it is too thick: 8.950 mm at least" in reasons["C1"]
    assert "alloy B is not cast" in reasons["C2"]


def test_a_stop_is_heeded_and_progress_is_told() -> None:
    told: list[float] = []
    p = LayoutProblem(tuple(body(f"C{k}") for k in range(6)), (roll(), roll("R2")))
    plan = solve(p, seconds=30.0, should_stop=lambda: True, progress=lambda share, _: told.append(share))
    assert not plan.unplaced
    solve(p, iterations=500, progress=lambda share, _: told.append(share))
    assert told and all(0.0 <= share <= 1.0 for share in told)


def test_nothing_to_place_is_no_trouble() -> None:
    assert solve(LayoutProblem((), (roll(),)), iterations=10).placements == ()
    assert solve(LayoutProblem((body("C1"),), ()), iterations=10).unplaced[0].kind == "no_alloy"


@pytest.mark.parametrize("budget", [{"seconds": -1.0}, {"iterations": -1}, {"seconds": float("nan")}])
def test_a_budget_that_cannot_be_is_refused(budget: dict[str, float]) -> None:
    with pytest.raises(LayoutError):
        solve(LayoutProblem((), ()), **budget)  # type: ignore[arg-type]


@pytest.mark.parametrize("objective", ["consumed", "opened"])
def test_filling_and_sharing_keep_to_the_moves_asked_and_give_the_same_plan(objective: str) -> None:
    rng = np.random.default_rng(3)
    rolls = tuple(
        LayoutRoll(f"R{k}", "A", 1500.0, 600.0, 15.0, (0.0, 1500.0), np.array([[1.1, 0.9]])) for k in range(9)
    )
    blanks = tuple(
        Blank(f"B{k}", "body", "A", float(rng.uniform(90, 420)), float(rng.uniform(40, 260)), t, t, 0.04)
        for k, t in enumerate(rng.uniform(0.94, 1.06, 120))
    )
    p = LayoutProblem(blanks, rolls)
    plans = [solve(p, iterations=12_000, settings=SolverSettings(objective=objective, workers=w)) for w in (1, 2)]
    assert plans[0].placements == plans[1].placements
    assert plans[0].iterations <= 2 * 12_000 + 10_000
    assert not verify(p, plans[0])
