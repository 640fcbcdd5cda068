"""Plans judged on true metal: `python bench/certainty.py [--worlds N] [--seconds N | --equal-moves N] [--only NAME] [--seed N]
[--casts]`.

Sheets with fields that the program never sees (taper, tilt, bow, curve, waves of other lengths and shapes than the program
weighs), gauged with errors at 6, 12 or 30 places, laid with and without a wanted certainty, and judged on the true field.

Printed, with every place as sure as wanted and with less sure ones to save metal: blanks on rolls that are out of tolerance, how
well the stated chances hold by tenths, metal and time beside the plan that takes the metal as given, and the metal of a plan
that knows the true metal: about the least that a guard can hope for.
`--casts`: the invented shop instead, its sheets to cast drawn from their own bands; beside what is expected to fit stands the
most that the bands allow, each blank alone on a profile of its own.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from pipemetal.cli.plan_cmd import stock_of
from pipemetal.errors import SheetError
from pipemetal.files.demo_files import copy_demo_shop
from pipemetal.files.log_file import read_log
from pipemetal.files.organ_file import read_organ
from pipemetal.files.shop_file import read_shop
from pipemetal.layout.centre import best_chance
from pipemetal.layout.chance import chances_of, looked_at
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify
from pipemetal.planning.learning import learn
from pipemetal.planning.plan import Plan, Search, make_plan
from pipemetal.planning.pours import Pour
from pipemetal.sheets.field import FloatArray, ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.unsure import error_of, waves_of

TRIM_MM, KERF_MM = 15.0, 1.0
PATTERNS = {6: (3, 2), 12: (4, 3), 30: (10, 3)}
Waves = Callable[[np.random.Generator, FloatArray, FloatArray], FloatArray]


def waves_of_reach(along_mm: float, across_mm: float) -> Waves:
    """Waves of many lengths about one, going every way; of unit size."""

    def made(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
        total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
        for _ in range(24):
            a, b = along_mm * rng.lognormal(0.0, 0.4), across_mm * rng.lognormal(0.0, 0.4)
            total += np.cos(rng.normal() * x / a + rng.normal() * y / b + rng.uniform(0.0, 2.0 * np.pi))
        return total * np.sqrt(2.0 / 24.0)

    return made


def ripple(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """One straight ripple along the sheet, as an uneven push gives it: nothing like a random field."""
    length = rng.uniform(300.0, 1100.0)
    return np.sqrt(2.0) * np.sin(2.0 * np.pi * x / length + rng.uniform(0.0, 6.3)) + 0.0 * y


def steps(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """Jerks of the push: the thickness steps from level to level, smoothed over a hand's breadth."""
    total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
    for at in rng.uniform(0.0, float(x.max()), 6):
        total = total + rng.normal() * np.tanh((x - at) / 100.0)
    return total / max(float(total.std()), 1e-9)


@dataclass(frozen=True)
class World:
    """What sheets of a shop are like, and how they are gauged."""

    name: str
    waves: Waves
    waves_mm: float = 0.014
    readings: int = 12
    gauge_mm: float = 0.01
    misread: float = 0.0
    tilt_mm: float = 0.03
    bow_mm: float = 0.015
    curve_mm: float = 0.03
    inside: float = 0.06


WORLDS = [
    *(World(f"waves 0.35 m, {n} readings", waves_of_reach(350.0, 350.0), readings=n) for n in PATTERNS),
    *(World(f"waves 0.15 m, {n} readings", waves_of_reach(150.0, 150.0), readings=n) for n in PATTERNS),
    *(World(f"waves 0.9 m, {n} readings", waves_of_reach(900.0, 500.0), readings=n) for n in PATTERNS),
    World("ripples", ripple),
    World("jerks", steps),
    World("one in 20 misread", waves_of_reach(350.0, 350.0), misread=0.05),
    World("tilted more, gauged in the middle", waves_of_reach(350.0, 350.0), tilt_mm=0.06, inside=0.2),
    World("bowed more", waves_of_reach(350.0, 350.0), bow_mm=0.03),
    World("even sheets", waves_of_reach(350.0, 350.0), waves_mm=0.005),
    World("uneven sheets", waves_of_reach(350.0, 350.0), waves_mm=0.025),
]


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet as it truly is, and what its readings gave."""

    true: LayoutRoll
    fitted: ThicknessField


def sheet(world: World, rng: np.random.Generator, name: str) -> Sheet | None:
    """A sheet of a world; None where its readings were refused."""
    length, width = float(rng.integers(24, 46) * 100), float(rng.integers(6, 10) * 100)
    start, taper = rng.uniform(0.7, 1.5), rng.uniform(0.05, 0.12)
    x, y = np.linspace(0.0, length, 91), np.linspace(0.0, width, 25)[:, None]
    u, v = 2.0 * x / length - 1.0, 2.0 * y / width - 1.0
    bent = (
        rng.normal(0.0, world.curve_mm) * u**2
        + rng.normal(0.0, world.tilt_mm) * v
        + rng.normal(0.0, world.bow_mm) * v**2
    )
    metal = np.maximum(start - taper * x / 1000.0 + bent + world.waves_mm * world.waves(rng, x, y), 0.25)
    true = LayoutRoll(name, "A", length, width, TRIM_MM, tuple(map(float, x)), metal)
    along, across = PATTERNS[world.readings]
    px = np.linspace(world.inside, 1.0 - world.inside, along) * length
    py = np.linspace(2.0 * world.inside, 1.0 - 2.0 * world.inside, across) * width
    at = ThicknessField.from_grid(x, metal, width_mm=width)
    readings = []
    for a in px:
        for b in py:
            read = round(float(at.at(a, b)) + rng.normal(0.0, world.gauge_mm), 2)
            if rng.random() < world.misread:
                read = float(rng.choice([read * 10.0, read + 0.1, read - 0.1, read + 0.5]))
            readings.append(Reading(float(a), float(b), read))
    try:
        return Sheet(true, fit_field(readings, length, width))
    except SheetError:
        return None


def blanks(rng: np.random.Generator, count: int, thickest_mm: float, thinnest_mm: float) -> tuple[Blank, ...]:
    """Bodies with a taper, feet as sectors, languids."""
    found = []
    for k in range(count):
        wall = float(rng.uniform(thinnest_mm, thickest_mm))
        tolerance = 0.05 + 0.03 * wall / 1.1
        kind = rng.choice(["body", "foot", "languid"], p=[0.5, 0.3, 0.2])
        if kind == "body":
            length, width = float(rng.uniform(300.0, 1600.0)), float(rng.uniform(60.0, 320.0))
            top = max(wall - 0.08 * length / 1000.0, 0.8 * wall)
            found.append(Blank(f"B{k:04d}", "body", "A", length, width, wall, top, tolerance, (0, 180)))
        elif kind == "foot":
            sector = Sector(
                float(rng.uniform(180.0, 320.0)), float(rng.uniform(15.0, 40.0)), float(rng.uniform(15.0, 35.0))
            )
            found.append(Blank(f"F{k:04d}", "foot", "A", *sector.box_mm(), wall, wall, tolerance, (0, 180), sector))
        else:
            side = float(rng.uniform(30.0, 110.0))
            found.append(Blank(f"L{k:04d}", "languid", "A", side, side, wall, wall, 0.06 * wall, (0, 90)))
    return tuple(found)


def out_on_truth(problem: LayoutProblem, plan: LayoutPlan, truth: dict[str, LayoutRoll]) -> dict[str, float]:
    """How far each blank laid on a roll is out of its tolerance on the true metal (mm; 0 or below: it fits)."""
    known, found = {b.id: b for b in problem.blanks}, {}
    for p in plan.placements:
        blank, roll = known[p.blank], truth[p.roll]
        stations, lines = np.array(roll.stations_mm), np.linspace(0.0, roll.width_mm, roll.thickness_mm.shape[0])
        x, y, wanted = looked_at(blank, p, stations, lines)
        metal = ThicknessField.from_grid(stations, roll.thickness_mm, width_mm=roll.width_mm).at(x, y)
        found[p.blank] = float(np.abs(metal - wanted).max()) - blank.tolerance_mm
    return found


@dataclass(frozen=True)
class Way:
    """A way to plan: a certainty wanted, places less sure to save metal or not, or as if the true metal were known."""

    certainty: float
    save_metal: bool = False
    knows: bool = False

    def problem(self, plain: LayoutProblem, truth: dict[str, LayoutRoll]) -> LayoutProblem:
        """The problem as it is planned this way."""
        if self.knows:
            return replace(plain, rolls=tuple(truth.values()))
        return replace(plain, certainty=self.certainty, save_metal=self.save_metal)

    def __str__(self) -> str:
        saved = " to save metal" if self.save_metal else ""
        return "true metal known" if self.knows else f"{self.certainty:.2f}{saved}"


OFF = Way(0.0)
WAYS = (OFF, *(Way(certainty, saved) for certainty in (0.95, 0.99) for saved in (False, True)), Way(0.0, knows=True))


@dataclass
class Tally:
    """What was counted over the plans of one way."""

    laid: int = 0
    out: int = 0
    far_out: int = 0
    unsure: int = 0
    unplaced: int = 0
    faults: int = 0
    metal_m2: float = 0.0
    seconds: float = 0.0
    stated: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)

    def add(self, problem: LayoutProblem, plan: LayoutPlan, truth: dict[str, LayoutRoll], seconds: float) -> None:
        out, chances = out_on_truth(problem, plan, truth), chances_of(problem, plan)
        self.laid += len(out)
        self.out += sum(v > 0.0 for v in out.values())
        self.far_out += sum(v > 0.01 for v in out.values())
        self.unsure += len(plan.unsure)
        self.unplaced += len(plan.unplaced)
        self.faults += len(verify(problem, plan))
        self.metal_m2 += plan.consumed_mm2 / 1e6
        self.seconds += seconds
        self.stated += [chances.of(b) for b in out]
        self.held += [v <= 0.0 for v in out.values()]


def tenths(stated: list[float], held: list[bool]) -> str:
    """The stated chances and what held, by tenths of the chance."""
    s, h, parts = np.array(stated), np.array(held), []
    for low in np.arange(0.0, 1.0, 0.1):
        mine = (s >= low) & ((s < low + 0.1) | (low > 0.85))
        if mine.sum() >= 20:
            parts.append(f"{100 * s[mine].mean():.0f}: {100 * h[mine].mean():.0f} ({mine.sum()})")
    return ", ".join(parts)


@dataclass(frozen=True)
class Effort:
    """How long each plan is searched for: seconds by the clock, or moves where they are given."""

    seconds: float
    moves: int | None

    def plan(self, problem: LayoutProblem) -> LayoutPlan:
        """The plan that is found."""
        if self.moves is not None:
            return solve(problem, iterations=self.moves)
        return solve(problem, seconds=self.seconds)


def judged(world: World, seed: int, count: int, rolls: int, effort: Effort, tallies: dict[Way, Tally]) -> None:
    """One rack of a world, laid in every way that is tallied."""
    rng = np.random.default_rng(seed)
    rack = [s for k in range(rolls) if (s := sheet(world, rng, f"R{k:03d}")) is not None]
    waves = waves_of([s.fitted for s in rack])
    made = []
    for s in rack:
        error, f, t = error_of(s.fitted, waves), s.fitted, s.true
        made.append(
            LayoutRoll(
                t.id,
                t.alloy,
                t.length_mm,
                t.width_mm,
                TRIM_MM,
                tuple(map(float, f.stations_mm)),
                f.thickness_mm,
                error_mm=error.sd_mm,
                error_reach_mm=error.reach_mm,
            )
        )
    wanted = blanks(rng, count, 1.35, 0.6)
    plain = LayoutProblem(wanted, tuple(made), None, KERF_MM)
    truth = {s.true.id: s.true for s in rack}
    for way, tally in tallies.items():
        problem = way.problem(plain, truth)
        begun = time.process_time()
        plan = effort.plan(problem)
        tally.add(problem, plan, truth, time.process_time() - begun)


def main() -> None:
    """Print one line a world and way, and the sums."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=3, help="racks of each kind")
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--equal-moves", type=int, help="so many moves for every plan, whatever the clock")
    parser.add_argument("--blanks", type=int, default=220)
    parser.add_argument("--rolls", type=int, default=30)
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=0, help="other racks of the same worlds")
    parser.add_argument("--casts", action="store_true")
    parser.add_argument("--moves", type=int, default=8000)
    options = parser.parse_args()
    if options.casts:
        casts(options.moves)
        return
    whole = {way: Tally() for way in WAYS}
    effort = Effort(options.seconds, options.equal_moves)
    for k, world in enumerate(w for w in WORLDS if options.only in w.name):
        tallies = {way: Tally() for way in whole}
        for n in range(options.worlds):
            judged(world, options.seed + 1000 * k + n, options.blanks, options.rolls, effort, tallies)
        for way, t in tallies.items():
            print(line(f"{world.name}, {way}", t, tallies[OFF]), flush=True)
            add(whole[way], t)
    for way, t in whole.items():
        print(line(f"all, {way}", t, whole[OFF]))
        if not way.knows:
            print(f"   stated: held by tenths, in percent (blanks): {tenths(t.stated, t.held)}")


def casts(moves: int) -> None:
    """The invented shop's plan with and without a wanted certainty; every sheet to cast drawn 400 times from its own card."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_demo_shop(folder)
        stock = stock_of(folder / "organ.toml", folder, folder / "lots.csv", None, None)
        organ, settings = read_organ(folder / "organ.toml"), read_shop(folder / "shop.toml")
        learned = learn(read_log(folder / "log.csv"))
    for certainty in (0.0, 0.95, 0.99):
        begun = time.perf_counter()
        shop = replace(settings, sure=replace(settings.sure, certainty=certainty))
        made = make_plan(organ, stock, shop, learned=learned, search=Search(iterations=moves, seed=1))
        took = time.perf_counter() - begun
        found, new = made.chances, {s.id for s in made.layout.new_sheets}
        on = [
            o.blank for o in made.blanks if any(p.blank == o.blank.id and p.roll in new for p in made.layout.placements)
        ]
        cards = {p.order.sheet.id: p for p in made.pours if p.card is not None}
        bound = np.mean([best_chance(b, spread) for b in on if (spread := made.problem.castable.spread_of(b.alloy))])
        kept = drawn_casts(made, cards, shop.sheets.most_planing_mm)
        stated, pipes = found.on_sheets, found.pipes
        print(
            f"certainty {certainty:.2f}: blanks on sheets to cast {stated.expected:.0f} of {stated.of} expected to fit"
            f" ({100 * stated.expected / stated.of:.1f} %; drawn anew {100 * kept:.1f} %; no plan above {100 * bound:.1f} %),"
            f" on rolls {found.on_rolls.expected:.1f} of {found.on_rolls.of};"
            f" pipes {pipes.expected:.0f} of {pipes.of} ({pipes.low} to {pipes.high});"
            f" {made.layout.consumed_mm2 / 1e6:.2f} m2, {len(new)} sheets to cast, {took:.0f} s, faults {len(made.faults)}",
            flush=True,
        )


def drawn_casts(made: Plan, cards: dict[str, Pour], most_planing_mm: float) -> float:
    """The share of blanks on sheets to cast that fit: each sheet is one factor of its own band and one slow ripple, and is then
    planed to what it was meant to be, as far as it may."""
    rng, blanks, fits = np.random.default_rng(7), {b.id: b for b in made.problem.blanks}, []
    for sheet in made.layout.new_sheets:
        if sheet.id not in cards:
            continue
        card, planing = cards[sheet.id].card, cards[sheet.id].order.planing_mm
        assert card is not None
        at = np.array([1000.0 * s.distance_m for s in card.thickness])
        sd = np.array([np.log(s.high_mm / s.low_mm) / (2.0 * 1.96) for s in card.thickness])
        place = card.spread.scatter
        laid = [p for p in made.layout.placements if p.roll == sheet.id]
        for _ in range(400):
            factor, phase, length = rng.normal(), rng.uniform(0.0, 6.3), rng.uniform(600.0, 2000.0)
            x = np.linspace(0.0, sheet.length_mm, 31)
            whole = np.sqrt(np.maximum(np.interp(x, at, sd) ** 2 - place**2, 0.0)) * factor
            ripple_along = place * np.sqrt(2.0) * np.sin(2.0 * np.pi * x / length + phase)
            wanted = np.linspace(sheet.thickness_start_mm, sheet.thickness_end_mm, 31)
            cast_mm = (wanted + planing) * np.exp(whole + ripple_along)
            over = float(np.median(cast_mm - wanted)) + rng.normal(0.0, 0.003)
            most = max(most_planing_mm, planing)
            metal = cast_mm - (min(max(over, 0.5 * planing), most) if planing and most_planing_mm else planing)
            for p in laid:
                blank = blanks[p.blank]
                px, _, want = looked_at(blank, p, x, np.array([0.0]))
                over = np.interp(px, x, metal) - want
                fits.append(bool(over.min() >= -blank.tolerance_mm and over.max() <= blank.most_over_mm))
    return float(np.mean(fits)) if fits else 1.0


def add(whole: Tally, part: Tally) -> None:
    """Adds a tally to another."""
    for name, value in vars(part).items():
        setattr(whole, name, getattr(whole, name) + value)


def line(name: str, t: Tally, plain: Tally) -> str:
    """One line of figures."""
    more = 100.0 * (t.metal_m2 / max(plain.metal_m2, 1e-9) - 1.0)
    stated = 100.0 * (1.0 - float(np.mean(t.stated))) if t.stated else 0.0
    out, far = (100.0 * count / max(t.laid, 1) for count in (t.out, t.far_out))
    return (
        f"{name:53} out {out:5.2f} % (stated {stated:5.2f}), over 0.01 mm {far:5.2f} %"
        f"  less sure {t.unsure}  left {t.unplaced}  metal {more:+5.2f} %  {t.seconds:5.1f} s  faults {t.faults}"
    )


if __name__ == "__main__":
    main()
