"""What must hold for every problem: no fault, no blank forgotten, no bound above a plan."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.layout.bound import lower_bound, widths_functions
from pipemetal.layout.cutting import straight_cuts
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify


def random_problem(seed: int) -> LayoutProblem:
    """Sheets that taper, wave and bow; bodies and feet; blemishes, cut corners, kerf, sheets to cast: all at random."""
    rng = np.random.default_rng(seed)
    rolls = []
    for k in range(rng.integers(0, 5)):
        length, width = rng.uniform(900, 3500), rng.uniform(300, 1000)
        stations = np.linspace(0.0, length, rng.integers(2, 9))
        lines = int(rng.integers(1, 5))
        start, taper, wave, bow = (
            rng.uniform(0.7, 1.6),
            rng.uniform(-0.14, 0.14),
            rng.uniform(0, 0.03),
            rng.uniform(0, 0.06),
        )
        across = np.linspace(-1.0, 1.0, lines)
        grid = start + taper * stations / 1000 + wave * np.sin(stations / 300) - bow * across[:, None] ** 2
        x, y = rng.uniform(50, length - 200), rng.uniform(50, width - 100)
        no_go = ((x, y), (x + 120.0, y + 10.0), (x + 60.0, y + 90.0)) if rng.random() < 0.3 else None
        outline = ((0.0, 0.0), (length, 0.0), (length, width * 0.7), (length * 0.8, width), (0.0, width))
        rolls.append(
            LayoutRoll(
                f"R{k}",
                "AB"[int(rng.integers(2))],
                length,
                width,
                float(rng.uniform(0, 20)),
                tuple(stations),
                np.maximum(grid, 0.2),
                (no_go,) if no_go else (),
                outline if rng.random() < 0.2 else None,
            )
        )
    blanks = []
    for k in range(rng.integers(0, 22)):
        alloy, turns = "AB"[int(rng.integers(2))], ((0,), (0, 180), (180,))[int(rng.integers(3))]
        mouth, tolerance = rng.uniform(0.7, 1.6), rng.uniform(0.02, 0.2)
        if rng.random() < 0.4:
            sector = Sector(rng.uniform(150, 400), rng.uniform(10, 140), rng.uniform(5, 170))
            length, width = sector.box_mm()
            blanks.append(
                Blank(f"B{k}", "foot", alloy, round(length, 2), round(width, 2), mouth, mouth, tolerance, turns, sector)
            )
        else:
            length = rng.uniform(50, 1500)
            top = mouth - rng.uniform(-0.02, 0.1) * length / 1000
            if rng.random() < 0.2:
                top, turns = mouth, (0, 90)
            blanks.append(Blank(f"B{k}", "body", alloy, length, rng.uniform(20, 500), mouth, top, tolerance, turns))
    castable = Castable(("A",), max_width_mm=rng.uniform(500, 1000), max_length_mm=rng.uniform(1500, 4000))
    return LayoutProblem(
        tuple(blanks), tuple(rolls), castable if rng.random() < 0.3 else None, float(rng.choice([0.0, 0.5, 3.0]))
    )


@settings(deadline=None, max_examples=80)
@given(st.integers(0, 10**9), st.sampled_from(["consumed", "opened"]))
def test_no_plan_has_a_fault_and_no_bound_stands_above_it(seed: int, objective: str) -> None:
    problem = random_problem(seed)
    plan = solve(problem, iterations=60, seed=seed % 97, settings=SolverSettings(objective=objective))
    assert verify(problem, plan) == ()
    served = [p.blank for p in plan.placements]
    assert lower_bound(problem, served=served, seconds=2.0).value_mm2 <= plan.opened_mm2 + 1.0
    assert lower_bound(problem, served=served, applies_to="consumed").value_mm2 <= plan.consumed_mm2 + 1.0
    named = {name for c in straight_cuts(problem, plan) for group in c.inside_corners for name in group}
    assert named <= set(served)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=12))
def test_widths_that_fit_side_by_side_still_fit_through_every_dual_feasible_function(widths: list[float]) -> None:
    total = sum(widths)
    scaled = [w / total for w in widths] if total > 1.0 else widths
    sums = np.sum([widths_functions(w, 1.0) for w in scaled], axis=0)
    assert sums.max() <= 1.0 + 1e-9
