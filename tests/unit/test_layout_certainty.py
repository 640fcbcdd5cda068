"""A layout that acts on how sure it is: chances, guards, sheets to cast centred on what lies on them, and nothing else changed."""

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.layout.centre import best_chance, centred
from pipemetal.layout.chance import DRAWINGS, chances_of
from pipemetal.layout.core import MISS
from pipemetal.layout.guard import AS_NORMAL, FREEDOM, guard_factor, guarded, least_certainty, miss_mm2
from pipemetal.layout.jsonform import plan_from_dict, plan_to_dict, problem_from_dict, problem_to_dict
from pipemetal.layout.less_sure import with_some_place
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, CastSpread, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.search import Search, SolverSettings
from pipemetal.layout.settle import settled
from pipemetal.layout.shelf import SheetRule, make_shelf, piece_of
from pipemetal.layout.solve import solve
from pipemetal.layout.totals import totals_of
from pipemetal.layout.verify import soundest, verify
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.unsure import REACHES_MM, Waves, error_of, waves_of

stats = pytest.importorskip("scipy.stats")
BLANKS = tuple(Blank(f"C{k}", "body", "A", 400.0, 100.0, 1.0, 1.0, 0.05) for k in range(12))
SPREAD = CastSpread("A", 0.04, 0.01, 0.015)


def roll(error_mm: float, thick: float = 1.1, thin: float = 0.9, name: str = "R1") -> LayoutRoll:
    grid = np.array([[thick, thin]] * 3)
    return LayoutRoll(
        name,
        "A",
        3000.0,
        600.0,
        15.0,
        (0.0, 3000.0),
        grid,
        error_mm=np.full((3, 2), error_mm),
        error_reach_mm=(800.0, 400.0),
    )


def test_the_guard_is_the_quantile_of_students_t() -> None:
    for certainty in (0.6, 0.8, 0.95, 0.99, 0.999):
        wanted = stats.t.ppf(certainty, FREEDOM) * AS_NORMAL
        assert guard_factor(certainty, 100.0, 1e6) == pytest.approx(wanted, abs=1e-6)


def test_a_chance_is_that_of_its_error_where_one_place_decides() -> None:
    one = Blank("C", "body", "A", 20.0, 20.0, 1.0, 1.0, 0.05)
    flat = replace(roll(0.02, 1.03, 1.03), error_reach_mm=(1e5, 1e5))
    plan = LayoutPlan((Placement("C", "R1", 500.0, 200.0),), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    found = chances_of(LayoutProblem((one,), (flat,)), plan).of("C")
    t = stats.t(FREEDOM, scale=AS_NORMAL)
    assert found == pytest.approx(t.cdf(1.0) - t.cdf(-4.0), abs=3.0 * 0.5 / DRAWINGS**0.5)


def test_blanks_of_one_sheet_share_its_luck() -> None:
    sheet = NewSheet("N1", "A", 2000.0, 600.0, 1.0, 1.0, 15.0)
    placed = tuple(Placement(f"C{k}", "N1", 15.0, 15.0 + 101.0 * k) for k in range(4))
    plan = LayoutPlan(placed, (), (sheet,), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    problem = LayoutProblem(BLANKS[:4], (), Castable(spread=(CastSpread("A", 0.05, 0.0, 0.0),)))
    chances = chances_of(problem, plan)
    names = [b.id for b in BLANKS[:4]]
    assert chances.together(names) == chances.of("C0")
    count = chances.count([[n] for n in names])
    assert (count.low, count.high) == (0, 4) and count.expected == pytest.approx(4 * chances.of("C0"))


@pytest.mark.parametrize("certainty", [0.95, 0.99])
def test_places_are_as_sure_as_wanted(certainty: float) -> None:
    problem = LayoutProblem(BLANKS, (roll(0.012), roll(0.012, 1.05, 0.98, "R2")), None, 1.0, certainty)
    plan = solve(problem, iterations=400)
    assert not plan.unplaced and not plan.unsure and verify(problem, plan) == ()
    assert min(chances_of(problem, plan).of(b.id) for b in BLANKS) > certainty - 0.02
    # taken as it is given, the same metal is laid to the edge
    plain = replace(problem, certainty=0.0)
    assert min(chances_of(plain, solve(plain, iterations=400)).of(b.id) for b in BLANKS) < 0.9


@pytest.mark.parametrize("certainty", [0.95, 0.99])
def test_to_save_metal_places_are_as_sure_as_wanted_over_all_blanks(certainty: float) -> None:
    """Over all blanks they are far surer; one may be less sure where that saves metal, and is named."""
    rolls = (roll(0.012), roll(0.012, 1.05, 0.98, "R2"))
    problem = LayoutProblem(BLANKS, rolls, None, 1.0, certainty, save_metal=True)
    plan = solve(problem, iterations=2000)
    assert not plan.unplaced and verify(problem, plan) == ()
    found = {b.id: chances_of(problem, plan).of(b.id) for b in BLANKS}
    assert np.mean(list(found.values())) > 1.0 - 0.7 * (1.0 - certainty)
    assert min(found.values()) > least_certainty(problem) - 0.02
    assert {name for name, chance in found.items() if chance < certainty - 0.01} <= set(plan.unsure)


def test_chance_that_saves_much_metal_is_taken_and_named() -> None:
    """A doubtful place on a small roll is taken where a sure one takes much more metal, and not where it takes as much."""
    one = Blank("D", "body", "A", 380.0, 100.0, 1.0, 1.0, 0.05)
    doubtful = replace(roll(0.02, 1.028, 1.028, "R1"), length_mm=600.0, stations_mm=(0.0, 600.0))
    problem = LayoutProblem((one,), (doubtful,), None, 1.0, 0.95, save_metal=True)
    assert solve(problem, iterations=50).unsure == ("D",)
    large = replace(problem, rolls=(doubtful, roll(0.005, 1.02, 1.0, "R2")))
    assert solve(large, iterations=50).unsure == ("D",)
    # unless that is asked, sure places come first, whatever metal they take
    assert solve(replace(large, save_metal=False), iterations=50).unsure == ()
    alike = replace(problem, rolls=(doubtful, replace(doubtful, id="R2", error_mm=np.full((3, 2), 0.005))))
    assert solve(alike, iterations=50).unsure == ()


def test_the_price_of_a_miss_rises_until_few_are_missed_and_falls_where_none_are() -> None:
    problem = LayoutProblem(BLANKS, (roll(0.012), roll(0.012, 1.05, 0.98, "R2")), None, 1.0, 0.95, save_metal=True)
    pieces = [guarded(piece_of(b, k), BLANKS, problem, miss_mm2(problem)) for k, b in enumerate(BLANKS)]
    shelf = make_shelf(
        pieces,
        problem.rolls,
        [SheetRule(0.0)] * 2,
        1.0,
        share=1.0,
        least_end_piece_mm=500.0,
        least_strip_mm=150.0,
        seed=1,
    )
    search = Search(shelf.again(1), SolverSettings(), 1)
    search.start()
    before, cost = search.shelf.stock.slots[:, MISS].copy(), float(search.best_cost[0])
    search.price_misses(miss_mm2(problem), 1e-9)
    dear = search.shelf.stock.slots[:, MISS].copy()
    assert (dear > 2.0 * before).all() and search.best_cost[0] > cost
    search.price_misses(miss_mm2(problem), 1.0)
    assert (search.shelf.stock.slots[:, MISS] < before).all() and search.best_cost[0] < cost
    assert (shelf.stock.slots[:, MISS] == before).all()


def test_what_nothing_sure_serves_is_laid_and_named() -> None:
    problem = LayoutProblem(BLANKS[:1], (roll(0.02, 1.045, 1.04),), None, 1.0, 0.95)
    plan = solve(problem, iterations=50)
    assert plan.unsure == ("C0",) and not plan.unplaced and verify(problem, plan) == ()


def test_a_certainty_of_nothing_changes_no_plan() -> None:
    known = LayoutProblem(BLANKS, (replace(roll(0.02), error_mm=None),), Castable(), 1.0)
    unsure = LayoutProblem(BLANKS, (roll(0.02),), Castable(spread=(SPREAD,)), 1.0)
    assert solve(known, iterations=300).placements == solve(unsure, iterations=300).placements


def test_sheets_to_cast_are_centred_on_what_lies_on_them() -> None:
    problem = LayoutProblem(BLANKS[:6], (), Castable(spread=(SPREAD,)), 1.0, 0.95)
    sheet = NewSheet("N1", "A", 2000.0, 700.0, 1.04, 1.03, 15.0)
    placed = tuple(Placement(f"C{k}", "N1", 15.0, 15.0 + 101.0 * k) for k in range(6))
    (better,) = centred(problem, [sheet], placed)
    assert better.thickness_start_mm == pytest.approx(1.0, abs=5e-3)
    whole = solve(problem, iterations=200)
    found = chances_of(problem, whole)
    bound = float(np.mean([best_chance(b, SPREAD) for b in problem.blanks]))
    assert bound - 0.03 < float(np.mean([found.of(b.id) for b in problem.blanks])) < bound + 0.01
    assert verify(problem, whole) == ()


def test_problem_and_plan_are_written_and_read_the_same() -> None:
    problem = LayoutProblem(BLANKS, (roll(0.01),), Castable(spread=(SPREAD,)), 1.0, 0.95, save_metal=True)
    again = problem_from_dict(problem_to_dict(problem))
    assert problem_to_dict(again) == problem_to_dict(problem) and (again.certainty, again.save_metal) == (0.95, True)
    plan = replace(solve(problem, iterations=30), unsure=("C1",))
    assert plan_from_dict(plan_to_dict(plan), problem).unsure == ("C1",)


def test_the_error_of_a_field_is_learned_from_all_rolls() -> None:
    def field(seed: int, waves_mm: float) -> ThicknessField:
        rng = np.random.default_rng(seed)
        readings = [
            Reading(x, y, float(1.0 - 5e-5 * x + waves_mm * np.sin(x / 150.0 + seed) + rng.normal(0.0, 0.01)))
            for x in np.linspace(100.0, 2900.0, 8)
            for y in (80.0, 300.0, 520.0)
        ]
        return fit_field(readings, 3000.0, 600.0)

    even, uneven = [field(k, 0.0) for k in range(8)], [field(k, 0.03) for k in range(8)]
    assert waves_of(even).rms_mm < 0.012 < 0.015 < waves_of(uneven).rms_mm
    assert error_of(uneven[0], waves_of(uneven)).sd_mm.mean() > 2.0 * error_of(even[0], waves_of(even)).sd_mm.mean()


def test_an_uneven_roll_is_stated_unsure_and_its_even_neighbours_are_not() -> None:
    def field(seed: int, waves_mm: float) -> tuple[ThicknessField, float]:
        rng = np.random.default_rng(seed)
        start, along, across = rng.uniform(0.0, 6.28, 16), *rng.normal(0.0, 1.0 / 300.0, (2, 16))

        def wall(x: float, y: float) -> float:
            waves = np.sqrt(2.0 / 16.0) * np.cos(along * x + across * y + start).sum()
            return float(1.0 - 5e-5 * x + waves_mm * waves)

        places = [(float(x), y) for x in np.linspace(150.0, 2850.0, 5) for y in (80.0, 300.0, 520.0)]
        made = fit_field([Reading(x, y, wall(x, y) + rng.normal(0.0, 0.008)) for x, y in places], 3000.0, 600.0)
        off = [wall(x, y) - float(made.at(x, y)) for x in made.stations_mm for y in made.lines_mm]
        return made, float(np.sqrt(np.mean(np.square(off))))

    rack = [field(k, 0.05 if k in (3, 11, 17) else 0.004) for k in range(20)]
    waves = waves_of([f for f, _ in rack])
    for k, (made, true_mm) in enumerate(rack):
        stated = float(error_of(made, waves).sd_mm.mean())
        assert (0.4 * stated < true_mm < 1.7 * stated) if k in (3, 11, 17) else stated < 0.015, k


@pytest.mark.parametrize(("waves_mm", "misread_mm"), [(0.0, 0.06), (0.014, 0.1)])
def test_a_few_misread_places_do_not_make_a_whole_rack_uneven(waves_mm: float, misread_mm: float) -> None:
    def field(seed: int, misread_mm: float) -> ThicknessField:
        rng = np.random.default_rng(seed)
        places = [(float(x), y) for x in np.linspace(200.0, 2800.0, 4) for y in (80.0, 300.0, 520.0)]
        start, along, across = rng.uniform(0.0, 6.28, 12), *rng.normal(0.0, 1.0 / 350.0, (2, 12))
        walls = [
            1.0
            - 5e-5 * x
            + waves_mm * np.sqrt(2.0 / 12.0) * np.cos(along * x + across * y + start).sum()
            + rng.normal(0.0, 0.01)
            for x, y in places
        ]
        walls[int(rng.integers(len(walls)))] += misread_mm
        return fit_field([Reading(*p, round(float(t), 2)) for p, t in zip(places, walls, strict=True)], 3000.0, 600.0)

    good = [field(k, 0.0) for k in range(14)]
    some = [field(k, (misread_mm if k % 2 else -misread_mm) * (k % 3 == 0)) for k in range(14)]
    assert sum(len(f.left_out) for f in some) < 5, "no fit names them all"
    assert waves_of(some).rms_mm < waves_of(good).rms_mm + 0.003


def test_thick_sheets_are_less_sure_between_their_readings_than_thin_ones() -> None:
    places = [(x, y) for x in (20.0, 260.0, 500.0, 740.0, 980.0) for y in (40.0, 350.0, 660.0)]
    thin, thick = (
        fit_field([Reading(x, y, wall * (1.0 + 0.01 * np.sin(x / 60.0 + y / 90.0))) for x, y in places], 1000.0, 700.0)
        for wall in (1.0, 4.0)
    )
    waves = waves_of([])
    assert error_of(thick, waves).sd_mm.mean() > 1.5 * error_of(thin, waves).sd_mm.mean()


def test_an_error_hangs_together_as_far_as_the_readings_leave_open() -> None:
    def reach(stations: list[float], lines: list[float]) -> tuple[float, float]:
        readings = [Reading(x, y, 1.0 - 5e-5 * x) for x in stations for y in lines]
        waves = Waves(np.array([np.where(REACHES_MM.max(axis=1) == 60.0, 0.014, 0.0)]), np.array([1.0]))
        return error_of(fit_field(readings, 3000.0, 600.0), waves).reach_mm

    ends = list(np.linspace(100.0, 2900.0, 10))
    along, across = reach(ends, [60.0, 300.0, 540.0])
    assert along < 200.0 and across < 200.0  # all but waves of 60 by 60 mm is known
    far_along, _ = reach([1400.0, 1500.0, 1600.0], [60.0, 300.0, 540.0])
    assert far_along > 4.0 * along  # slope and curve are open
    assert reach(ends, [280.0, 320.0])[1] > 1.5 * across  # the tilt is open


def test_a_doubtful_blank_is_moved_within_its_gap_and_takes_no_more_metal() -> None:
    problem = LayoutProblem(BLANKS[:3], (roll(0.02),), None, 1.0, 0.95)
    # metal of 1.0 mm lies at 1500: the second blank has room towards it, the outer two mark what is used
    laid = [Placement("C0", "R1", 15.0, 15.0), Placement("C1", "R1", 700.0, 15.0), Placement("C2", "R1", 2200.0, 480.0)]
    moved = settled(problem, laid)
    assert abs(moved[1].x_mm + 200.0 - 1500.0) < 150.0
    whole = [LayoutPlan(tuple(p), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0) for p in (laid, moved)]
    before, after = (chances_of(problem, plan).of("C1") for plan in whole)
    assert before < 0.9 < after
    used = [totals_of(problem, plan.placements, ()).consumed_mm2 for plan in whole]
    assert used[1] <= used[0]
    assert settled(problem, laid, ["C0", "C1", "C2"]) == laid


@pytest.mark.parametrize("seed", range(12))
def test_what_is_moved_within_its_gap_keeps_every_rule(seed: int) -> None:
    rng = np.random.default_rng(seed)
    blanks = tuple(
        Blank(f"B{k}", "body", "A", float(rng.uniform(60, 900)), float(rng.uniform(40, 250)), 1.0, 0.99, 0.06, (0, 180))
        for k in range(20)
    ) + tuple(
        Blank(f"F{k}", "foot", "A", *ring.box_mm(), 1.0, 1.0, 0.06, (0, 180), ring)
        for k in range(8)
        for ring in [Sector(float(rng.uniform(150, 260)), 20.0, float(rng.uniform(15, 35)))]
    )
    rolls = tuple(roll(float(rng.uniform(0.005, 0.02)), 1.12, 0.9, f"R{k}") for k in range(3))
    problem = LayoutProblem(blanks, rolls, None, 1.0, 0.95)
    assert verify(problem, solve(problem, iterations=200, seed=seed)) == ()


def test_a_blank_that_nothing_sure_serves_takes_part_with_the_surest_place() -> None:
    hard = Blank("H", "languid", "A", 60.0, 60.0, 1.0, 1.0, 0.01)
    problem = LayoutProblem((*BLANKS[:2], hard), (roll(0.02), roll(0.015, name="R2")), None, 1.0, 0.975)
    easy, _, held = with_some_place([piece_of(b, k) for k, b in enumerate(problem.blanks)], problem.rolls, problem)
    assert easy.certainty is None and held.certainty == 0.6
    plan = solve(problem, iterations=200)
    assert not plan.unplaced and plan.unsure == ("H",) and verify(problem, plan) == ()


def test_a_step_that_spoils_a_plan_is_not_taken() -> None:
    problem = LayoutProblem(BLANKS, (roll(0.0),), None, 1.0)
    good = solve(problem, iterations=100)
    spoilt = replace(good, placements=tuple(replace(p, x_mm=p.x_mm + 900.0) for p in good.placements))
    assert soundest(problem, [spoilt, good]) is good and soundest(problem, [good, spoilt]) is good
    assert soundest(problem, [spoilt, spoilt]) is spoilt


def test_others_make_room_for_a_blank_that_nothing_sure_serves() -> None:
    def small(name: str, mm: float, error_mm: float, length_mm: float = 432.0) -> LayoutRoll:
        made = replace(roll(error_mm, mm, mm, name), length_mm=length_mm, stations_mm=(0.0, length_mm), width_mm=132.0)
        return replace(made, error_reach_mm=(1e5, 1e5))

    easy = Blank("X", "body", "A", 400.0, 100.0, 1.1, 1.1, 0.2)
    rolls = (small("R0", 1.0, 0.005), small("R1", 1.045, 0.02), small("R2", 1.2, 0.005, 3000.0))
    problem = LayoutProblem((*BLANKS[:2], easy), rolls, None, 1.0, 0.95)
    plan = solve(problem, iterations=300)
    assert not plan.unplaced and len(plan.unsure) == 1 and verify(problem, plan) == ()
    assert {p.blank: p.roll for p in plan.placements}["X"] == "R2"
