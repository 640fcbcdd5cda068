"""The bound of few blanks beside an exact search of our own: never above it, and often equal to it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest

from pipemetal.layout.bound import area_bound_mm2, consumed_bound_mm2, lower_bound
from pipemetal.layout.few import groups_apart
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.solve import solve
from pipemetal.layout.totals import consumed_of_sheet_mm2, totals_of
from pipemetal.layout.verify import verify

TRIM = 15.0
Size = tuple[float, float]
Box = tuple[float, float, float, float]


def on_sheet(sizes: Sequence[Sequence[Size]], length: float, width: float, kerf: float) -> float:
    """The least that a sheet of this net size can consume with these blanks on it; infinite where they find no room.

    Blanks pushed towards one corner stand at sums of sides and kerfs of others; that makes the used rectangle no larger.
    """
    best = math.inf
    for laid in _packed(sizes, length, width, kerf, ()):
        used = (0.0, max(b[1] for b in laid), 0.0, max(b[3] for b in laid))
        best = min(best, consumed_of_sheet_mm2((0.0, length, 0.0, width), used, kerf))
    return best


def _packed(
    sizes: Sequence[Sequence[Size]], length: float, width: float, kerf: float, laid: tuple[Box, ...]
) -> Iterator[tuple[Box, ...]]:
    if len(laid) == len(sizes):
        yield laid
        return
    others = [ways for k, ways in enumerate(sizes) if k != len(laid)]
    for dx, dy in sizes[len(laid)]:
        for x, y in itertools.product(
            _sums([[w[0] for w in o] for o in others], kerf), _sums([[w[1] for w in o] for o in others], kerf)
        ):
            box = (x, x + dx, y, y + dy)
            inside = box[1] <= length + 1e-9 and box[3] <= width + 1e-9
            if inside and all(_apart(box, other, kerf) for other in laid):
                yield from _packed(sizes, length, width, kerf, (*laid, box))


def _sums(sides: Sequence[Sequence[float]], kerf: float) -> set[float]:
    found = {0.0}
    for ways in sides:
        found |= {at + side + kerf for at in found for side in ways}
    return found


def _apart(a: Box, b: Box, kerf: float) -> bool:
    gaps = (b[0] - a[1], a[0] - b[1], b[2] - a[3], a[2] - b[3])
    return max(gaps) >= kerf - 1e-9


def exact(problem: LayoutProblem, fits: dict[str, frozenset[str]]) -> float:
    """The least metal of all ways to share the blanks among rolls (each once) and sheets to cast."""
    names = [*(r.id for r in problem.rolls), *(f"new{k}" for k in range(len(problem.blanks)) if problem.castable)]
    rolls = {r.id: r for r in problem.rolls}
    best = math.inf
    for share in itertools.product(names, repeat=len(problem.blanks)):
        total = 0.0
        for name in set(share):
            some = [b for b, where in zip(problem.blanks, share, strict=True) if where == name]
            total += _one(problem, some, rolls.get(name), fits)
            if total >= best:
                break
        best = min(best, total)
    return best


def _one(
    problem: LayoutProblem, some: Sequence[Blank], roll: LayoutRoll | None, fits: dict[str, frozenset[str]]
) -> float:
    sizes = [
        [(b.length_mm, b.width_mm) if t in (0, 180) else (b.width_mm, b.length_mm) for t in b.turns_deg] for b in some
    ]
    if roll is not None:
        if any(roll.id not in fits[b.id] for b in some):
            return math.inf
        return on_sheet(sizes, roll.length_mm - 2 * TRIM, roll.width_mm - 2 * TRIM, problem.kerf_mm)
    castable = problem.castable
    assert castable is not None
    low, high = (max if k == 0 else min for k in (0, 1))
    thin, thick = low(b.mouth_thickness_mm - 0.05 for b in some), high(b.mouth_thickness_mm + 0.05 for b in some)
    if thin > thick:  # sheets of one thickness alone are cast here
        return math.inf
    lengths = np.arange(castable.min_length_mm, castable.max_length_mm + 1.0, castable.length_step_mm)
    widths = np.arange(castable.min_width_mm, castable.max_width_mm + 1.0, castable.width_step_mm)
    return min(
        on_sheet(sizes, float(a) - 2 * TRIM, float(b) - 2 * TRIM, problem.kerf_mm)
        for a, b in itertools.product(lengths, widths)
    )


def small_job(seed: int) -> tuple[LayoutProblem, dict[str, frozenset[str]]]:
    rng = np.random.default_rng(seed)
    rolls = []
    for k in range(int(rng.integers(0, 3))):
        length, width = float(rng.integers(700, 2500)), float(rng.integers(300, 900))
        thick = float(rng.choice([0.6, 1.0]))
        rolls.append(LayoutRoll(f"R{k}", "A", length, width, TRIM, (0.0, length), np.full((1, 2), thick)))
    blanks = []
    for k in range(int(rng.integers(1, 4))):
        size = float(rng.uniform(150.0, 640.0)), float(rng.uniform(60.0, 260.0))
        turns = (0,) if rng.random() < 0.5 else (0, 90)
        thick = float(rng.choice([0.6, 1.0]))
        blanks.append(Blank(f"B{k}", "body", "A", *size, thick, thick, 0.05, turns))
    castable = None
    if not rolls or rng.random() < 0.5:
        castable = Castable(
            min_width_mm=300.0,
            max_width_mm=900.0,
            width_step_mm=300.0,
            min_length_mm=700.0,
            max_length_mm=1500.0,
            length_step_mm=400.0,
            max_taper_mm_m=0.0,
        )
    problem = LayoutProblem(tuple(blanks), tuple(rolls), castable, float(rng.choice([0.0, 2.0])))
    fits = {
        b.id: frozenset(r.id for r in rolls if abs(r.thickness_mm[0, 0] - b.mouth_thickness_mm) < 0.05) for b in blanks
    }
    return problem, fits


@pytest.mark.parametrize("part", range(4))
def test_the_bound_is_never_above_exact_search_and_often_equal(part: int) -> None:
    close = asked = 0
    for seed in range(part * 15, part * 15 + 15):
        problem, fits = small_job(seed)
        truth = exact(problem, fits)
        if not math.isfinite(truth):
            continue
        bound = consumed_bound_mm2(problem, problem.blanks)
        asked += 1
        close += bound > 0.99 * truth
        assert area_bound_mm2(problem.blanks) <= bound * (1.0 + 1e-9)
        assert bound <= truth * (1.0 + 1e-9), seed
        if seed % 5 == 0:
            plan = solve(problem, iterations=100)
            assert verify(problem, plan) == ()
            assert plan.unplaced or plan.consumed_mm2 >= truth * (1.0 - 1e-6)
    assert close >= 0.4 * asked


def test_blanks_that_share_no_sheet_are_counted_apart() -> None:
    thin, thick = (Blank(f"C{t:g}", "body", "A", 500.0, 100.0, t, t, 0.05) for t in (0.5, 4.0))
    castable = Castable(min_length_mm=1000.0, max_length_mm=2000.0)
    problem = LayoutProblem((thin, thick), (), castable, 0.0)
    assert len(groups_apart(problem, problem.blanks)) == 2
    # of a sheet of 270 by 970 mm inside its trim a blank takes a strip of 970 by 100 mm, or an end of 270 by 500
    found = lower_bound(problem, applies_to="consumed")
    assert found.value_mm2 == pytest.approx(2 * 970.0 * 100.0, rel=2e-3)
    assert found.value_mm2 <= 2 * 970.0 * 100.0
    assert "few" in found.method


def test_of_many_blanks_nothing_is_asked_but_their_area() -> None:
    blanks = tuple(Blank(f"B{k}", "body", "A", 300.0, 100.0, 1.0, 1.0, 0.05) for k in range(70_000))
    problem = LayoutProblem(blanks[:10], (), Castable(), 0.0)
    assert consumed_bound_mm2(problem, blanks) == pytest.approx(70_000 * 30_000.0)


@pytest.mark.parametrize("seed", range(40))
def test_blanks_that_fill_a_roll_exactly_are_no_fault_of_rounding(seed: int) -> None:
    rng = np.random.default_rng(seed)
    length, width = round(float(rng.uniform(100.0, 400.0)), 1), round(float(rng.uniform(30.0, 150.0)), 1)
    rows, columns = int(rng.integers(1, 3)), int(rng.integers(1, 4))
    trim, kerf = float(rng.choice([0.0, 15.0])), float(rng.choice([0.0, 1.0]))
    size = (
        round(columns * (length + kerf) - kerf + 2 * trim, 1),
        round(rows * (width + kerf) - kerf + 2 * trim, 1),
    )
    blanks = tuple(Blank(f"b{k}", "body", "A", length, width, 1.0, 1.0, 0.05) for k in range(rows * columns))
    rolls = tuple(
        LayoutRoll(name, "A", a, c, trim, (0.0, a), np.ones((1, 2)))
        for name, (a, c) in {"exact": size, "large": (1200.0, 700.0)}.items()
    )
    problem = LayoutProblem(blanks, rolls, None, kerf)
    placements = tuple(
        Placement(f"b{k}", "exact", trim + (k % columns) * (length + kerf), trim + (k // columns) * (width + kerf))
        for k in range(rows * columns)
    )
    totals = totals_of(problem, placements, ())
    assert lower_bound(problem, applies_to="consumed").value_mm2 <= totals.consumed_mm2 * (1.0 + 1e-9)
    assert lower_bound(problem, applies_to="opened").value_mm2 <= totals.opened_mm2 * (1.0 + 1e-9)
