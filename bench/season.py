"""An organ's casting played through in shops whose truth the planner does not know: `python bench/season.py [--seasons N]
[--ranks N] [--effort N] [--log N] [--world NAME] [--rack] [--ways fixed,spare,live,law,knows]`.

Every shop is a world of `casting_worlds.py`: its gate, its metal's contact, its crew and its luck give the sheets. The planner
sees only what a crew logs and what a gauge reads: fifteen places, 0.01 mm, and twenty-seven once where the plan asks for it. The
rack is bare at first, or with `--rack` the invented one hangs there, each roll as its readings leave it open.

Every sheet is gauged as cast and planed to what it was meant to be, within what the shop allows. Five ways: `fixed`, the plan
as first made, each sheet cut as planned; `spare`, that plan with the spare sheets that it offers,
all cast, measured, and laid anew once, with no cast after it; `live`, the rest planned anew after every sheet, and blanks that
are not sure gauged where they lie; `law`, live where sheets come out as meant but for the luck of each cast: less than it needs
nobody who does not know that luck; `knows`, a planner whose sheets come out as they were meant and who knows the rack.

Printed: pipes in tolerance on the true metal, sheets, melts, days, kilograms melted, kilograms left on the racks, and the
seconds of each replanning (median, 95 in 100, most). Not played: failed casts, assays, scrap melted again. Spare sheets are
counted into the melts that are planned, with their own kilograms.
"""

from __future__ import annotations

import argparse
import math
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does; before numpy is loaded

import numpy as np

from casting_physics import SLUSHY, WORLDS, Array, Now
from casting_worlds import Shop as World
from casting_worlds import logged
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import freezing_shrinkage_pct, liquid_density_kg_m3
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.files.demo_files import packaged_file
from pipemetal.front import Shop, read_organ, read_shop
from pipemetal.layout.chance import Drawn
from pipemetal.layout.plan import NewSheet as SheetToCast
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import LayoutRoll
from pipemetal.melts.lots import Lot
from pipemetal.pipes.rank import Organ
from pipemetal.planning.chances import roll_errors, with_error
from pipemetal.planning.learning import Learned, learn
from pipemetal.planning.plan import Search, layout_roll, make_plan
from pipemetal.planning.pours import prepare_pour
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_order
from pipemetal.planning.stock import Stock
from pipemetal.plans.anew import Anew, ShopNow, plan_anew
from pipemetal.plans.by_hand import blank_of
from pipemetal.plans.making import plan_record
from pipemetal.plans.measured import hung_sheet, planing_of
from pipemetal.plans.record import Cut, CutSheet, NewSheet, Plan, Pour
from pipemetal.plans.rows import pour_row
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll

GAUGE_MM = 0.01
ALONG, ACROSS = 5, 3
NODES, LINES = 61, 7
RUN_UP_STEPS = 20
WAVE_MM, TILT_MM, BOW_MM = 0.01, 0.015, 0.01
"""What a sheet does beside its push: waves, tilt and bow across (estimates, as the worlds of `certainty.py`)."""
MOST_CASTS = 400
FIRST_MOVES = 15_000
"""Of the search of the plan before anything is cast."""
SURE, MOST_ROUNDS = 0.9, 4
WORTH_GAUGING = 0.05
"""A sheet is gauged again where a reading settles so much of a blank."""


@dataclass
class Played:
    """What came of one way of working."""

    pipes: int = 0
    of: int = 0
    sheets: int = 0
    melts: int = 0
    days: int = 0
    melted_kg: float = 0.0
    left_kg: float = 0.0
    seconds: list[float] = field(default_factory=list)


class Truth:
    """A shop as it is: what a push really gives; its luck is the same whichever way is played, cast by cast."""

    def __init__(self, name: str, seed: int) -> None:
        self.world = World(name, np.random.default_rng(seed), 60)
        self.seed, self.casts = seed, 0

    def cast(self, pour: Pour, tin: float, sheet: NewSheet) -> tuple[LayoutRoll, LoggedCast]:
        """The true metal of a finished sheet, and the cast as the crew logs it (not measured)."""
        rng = np.random.default_rng([self.seed, self.casts])
        self.casts += 1
        assert pour.card is not None
        x_m, film_mm, left_kg = self._pushed(pour, tin, rng)
        along = np.interp(np.linspace(0.0, x_m[-1], NODES), x_m, film_mm)
        grid = _uneven(along, rng) - sheet.planing_mm
        stations = tuple(float(s) for s in np.linspace(0.0, sheet.length_mm, NODES))
        roll = LayoutRoll(
            sheet.id,
            sheet.alloy,
            sheet.length_mm,
            sheet.width_mm,
            sheet.trim_mm or 0.0,
            stations,
            np.maximum(grid, 0.05),
        )
        timed = [(m.distance_m, max(m.time_s + float(rng.normal(0.0, 0.08)), 0.0)) for m in pour.card.marks]
        marks = [(d, round(t + 1e-3 * k, 3)) for k, (d, t) in enumerate(sorted(timed))]
        times = np.maximum.accumulate([t for _, t in marks]) - marks[0][1] + 1e-3 * np.arange(len(marks))
        log = LoggedCast(
            id=f"S{self.casts:03d}",
            composition=COMPOSITIONS[pour.alloy],
            gate_mm=pour.card.gate_mm,
            charge_kg=pour.charge_kg,
            sled=Sled(pour.sled_length_mm, pour.width_mm),
            length_mm=pour.length_mm,
            thickness_mm=(),
            marks=tuple((d, round(float(t), 3)) for (d, _), t in zip(marks, times, strict=True)),
            push_time_s=float(times[-1]),
            leftover_kg=max(left_kg, 0.1),
            run_up_mm=pour.card.run_up_mm or None,
            pour_temperature_c=_poured_c(pour),
            table_temperature_c=20.0,
            air_temperature_c=18.0,
            crew="A",
            asked_marks=tuple((m.distance_m, round(m.time_s, 2)) for m in pour.card.marks),
        )
        return roll, log

    def _pushed(self, pour: Pour, tin: float, rng: np.random.Generator) -> tuple[Array, Array, float]:
        """Along the sheet the solid film in mm, and what is left in the sled."""
        assert pour.card is not None
        world, rich = self.world, tin > 40.0
        heat = _poured_c(pour) - liquidus(COMPOSITIONS[pour.alloy]).temperature_c
        now = Now(
            pour.card.gate_mm,
            heat,
            max(0.0, min(0.3, -heat / 60.0)),
            20 + self.casts,
            rich,
            world.crew(20 + self.casts),
            float(rng.normal(0.0, world.cast_sd)),
        )
        length_m, sled_m = pour.length_mm * 1e-3, pour.sled_length_mm * 1e-3
        density, shrink = METALS[pour.alloy]
        area = density * sled_m * pour.width_mm * 1e-3
        head = pour.charge_kg / area
        x = np.linspace(0.0, length_m, 121)
        marks = np.array([[m.distance_m, m.speed_m_s] for m in pour.card.marks]).T
        speed = np.interp(x, *marks)
        run_m = (pour.card.run_up_mm or 0.0) * 1e-3
        for i in range(RUN_UP_STEPS):  # as in the casts logged before
            pace = float(speed[0]) * (1.0 if world.habits.full_run_up else math.sqrt((i + 0.5) / RUN_UP_STEPS))
            laid = world.film(now, max(head, 1e-3), max(pace, 0.2), 0.0) * math.exp(now.luck)
            head -= min(laid, 6e-3) * run_m / RUN_UP_STEPS / sled_m
        film = np.zeros(len(x))
        for i in range(len(x)):
            film[i] = world.film(now, max(head, 1e-3), float(speed[i]), float(x[i] / x[-1])) * math.exp(now.luck)
            head -= film[i] * float(x[1] - x[0]) / sled_m
        return x, 1e3 * film / shrink * np.exp(self._wandering(len(x), rng)), max(head, 0.0) * area

    def _wandering(self, count: int, rng: np.random.Generator) -> Array:
        """How far (ln) the film is off along the sheet."""
        wander = np.cumsum(rng.normal(0.0, 1.0, count))
        wander -= np.linspace(wander[0], wander[-1], count)
        found: Array = wander * self.world.place_sd / max(float(wander.std()), 1e-9)
        return found


class Meant(Truth):
    """A shop whose law is known: sheets come out as meant but for the luck of each cast, and unevenness."""

    def _pushed(self, pour: Pour, tin: float, rng: np.random.Generator) -> tuple[Array, Array, float]:
        x = np.linspace(0.0, pour.length_mm * 1e-3, 121)
        luck = float(rng.normal(0.0, self.world.cast_sd))
        meant = np.interp(x, (x[0], x[-1]), (pour.cast_start_mm, pour.cast_end_mm))
        return x, meant * np.exp(luck + self._wandering(len(x), rng)), pour.charge_kg - pour.used_kg


def _uneven(along: Array, rng: np.random.Generator) -> Array:
    """A sheet's thickness at its nodes: waves, tilt and bow about what the push gave; shape (lines, nodes)."""
    v = np.linspace(-1.0, 1.0, LINES)[:, None]
    u = np.linspace(0.0, 1.0, len(along))[None, :]
    waves = sum(
        np.cos(rng.uniform(4.0, 14.0) * u + rng.uniform(0.5, 3.0) * v + rng.uniform(0.0, 6.28)) for _ in range(6)
    )
    grid: Array = (
        along[None, :]
        + WAVE_MM / math.sqrt(3.0) * waves
        + rng.normal(0.0, TILT_MM) * v
        + rng.normal(0.0, BOW_MM) * v**2
    )
    return grid


def _poured_c(pour: Pour) -> float:
    band = pour.pour_window_c
    return 0.5 * (band.try_low + band.try_high) if band is not None else 330.0


COMPOSITIONS = {name: recipe.target for name, recipe in read_shop(packaged_file("rack.csv").parent).recipes.items()}
METALS = {
    name: (liquid_density_kg_m3(c, liquidus(c).temperature_c + 20.0), 1.0 / (1.0 - freezing_shrinkage_pct(c) / 100.0))
    for name, c in COMPOSITIONS.items()
}
"""Of each alloy the density of its melt, kg/m3, and how many times thicker the melt lies than the metal."""


def gauged(roll: LayoutRoll, sheet: NewSheet, rng: np.random.Generator) -> list[Reading]:
    """Readings of a sheet as cast, five along by three across."""
    return _read(roll, sheet, _grid(roll, ALONG), rng)


def _grid(roll: LayoutRoll, along: int) -> list[tuple[float, float]]:
    """Places on a sheet, so many along by three across."""
    across = (40.0, roll.width_mm / 2.0, roll.width_mm - 40.0)
    return [(float(x), y) for x in np.linspace(0.02, 0.98, along) * roll.length_mm for y in across]


def _read(
    roll: LayoutRoll, sheet: NewSheet, places: Sequence[tuple[float, float]], rng: np.random.Generator
) -> list[Reading]:
    drawn = Drawn.of_roll(replace(roll, error_mm=None))
    found = []
    for x, y in places:
        here = float(drawn.at(x, y).mean()) + sheet.planing_mm
        found.append(Reading(x, y, round(here + float(rng.normal(0.0, GAUGE_MM)), 2)))
    return found


def fits(cut: Cut, alloy: str, roll: LayoutRoll) -> bool:
    """Whether the true metal keeps within a blank's tolerance where it is cut."""
    place = Placement(cut.blank, roll.id, cut.x_mm, cut.y_mm, cut.turn_deg)
    return bool(Drawn.of_roll(roll).fit(blank_of(cut, alloy), place).all())


def good_pipes(plan: Plan, truth: dict[str, LayoutRoll]) -> int:
    """Pipes all of whose blanks fit the true metal."""
    bad = {u.blank for u in plan.unserved}
    spoiled = {p.id for p in plan.pipes if any(b.startswith(f"{p.id} ") for b in bad)}
    for s in plan.sheets:
        spoiled |= {c.pipe for c in s.cuts if s.id not in truth or not fits(c, s.alloy, truth[s.id])}
    return sum(p.id not in spoiled for p in plan.pipes)


def left_kg(sheets: Sequence[CutSheet]) -> float:
    """What stays on the racks: remnants that are worth keeping."""
    return sum(s.remnants_kg for s in sheets)


def first_plan(organ: Organ, stock: Stock, settings: ShopSettings, learned: Learned, effort: float) -> Plan:
    """The plan before anything is cast."""
    search = Search(iterations=round(FIRST_MOVES * effort), seed=1)
    return plan_record(make_plan(organ, stock, settings, learned=learned, search=search))


Metal = dict[str, LayoutRoll]


def fixed(plan: Plan, truth: Truth, hanging: Metal, most_planing_mm: float) -> Played:
    """Every sheet cast, planed to measure, and cut as planned."""
    return _counted(
        plan, {sheet: planed[0] for sheet, planed in _all_cast(plan, truth, most_planing_mm).items()}, hanging
    )


def _all_cast(
    plan: Plan, truth: Truth, most_planing_mm: float
) -> dict[str, tuple[LayoutRoll, NewSheet, list[Reading]]]:
    """Every sheet cast, measured and planed: its metal, what it is with its planing, and its readings."""
    sheets, rng, found = {s.id: s for s in plan.new_sheets}, np.random.default_rng(truth.seed + 7), {}
    for p in plan.pours:
        if p.card is not None:
            roll, _ = truth.cast(p, _tin(p), sheets[p.sheet])
            read = gauged(roll, sheets[p.sheet], rng)
            found[p.sheet] = (*planed(roll, sheets[p.sheet], read, most_planing_mm), read)
    return found


def planed(
    roll: LayoutRoll, sheet: NewSheet, read: Sequence[Reading], most_planing_mm: float
) -> tuple[LayoutRoll, NewSheet]:
    """The metal of a sheet as planned to be planed, planed by what it reads; and the sheet with that planing."""
    planing_mm = planing_of(sheet, read, most_planing_mm)
    metal = replace(roll, thickness_mm=roll.thickness_mm + sheet.planing_mm - planing_mm)
    return metal, replace(sheet, planing_mm=planing_mm)


def _tin(pour: Pour) -> float:
    return COMPOSITIONS[pour.alloy].as_wt_pct().get("Sn", 0.0)


def spare(
    plan: Plan,
    truth: Truth,
    hanging: Metal,
    stock: Stock,
    settings: ShopSettings,
    casts: list[LoggedCast],
    effort: float,
) -> Played:
    """Every sheet and the spare ones cast, measured, and laid anew once; what then wants another cast is lost."""
    more = _spare_pours(plan, stock, settings, learn(casts))
    with_spare = replace(
        plan, new_sheets=(*plan.new_sheets, *(s for s, _ in more)), pours=(*plan.pours, *(p for _, p in more))
    )
    cast = _all_cast(with_spare, truth, settings.sheets.most_planing_mm)
    metal = {sheet: made[0] for sheet, made in cast.items()}
    hung = [hung_sheet(sheet, read, settings.sheets.trim_mm) for _, sheet, read in cast.values()]
    now = ShopNow(replace(stock, rack=(*stock.rack, *hung)), measured={s: s for s in metal})
    begun = time.perf_counter()
    anew = plan_anew(with_spare, now, settings, learn(casts), effort=effort, seconds=math.inf)
    took = time.perf_counter() - begun
    counted = _counted(anew.plan, metal, hanging)
    melted = sum(m.charge.charged_kg for m in plan.melts if m.charge is not None) + sum(p.used_kg for _, p in more)
    return replace(counted, melts=len(plan.melts), days=len(plan.days), melted_kg=melted, seconds=[took])


def _spare_pours(plan: Plan, stock: Stock, settings: ShopSettings, learned: Learned) -> list[tuple[NewSheet, Pour]]:
    """The spare sheets that a plan offers, and how they are poured."""
    found: list[tuple[NewSheet, Pour]] = []
    windows = {p.alloy: p.pour_window_c for p in plan.pours}
    for offer in plan.chances.spare if plan.chances is not None else ():
        for x in offer.sheets:
            ends = (x.thickness_start_mm, x.thickness_end_mm)
            name = f"N{900 + len(found)}"
            sheet = SheetToCast(name, offer.alloy, x.length_mm, x.width_mm, *ends, settings.sheets.trim_mm)
            order = sheet_order(sheet, settings)
            row = pour_row(prepare_pour(order, stock.recipes[offer.alloy].target, settings, learned), settings)
            held = NewSheet(
                name,
                offer.alloy,
                x.length_mm,
                x.width_mm,
                trim_mm=sheet.trim_mm,
                thickness_start_mm=ends[0],
                thickness_end_mm=ends[1],
                planing_mm=order.planing_mm,
            )
            found.append((held, replace(row, pour_window_c=windows[offer.alloy])))
    return found


def rack_as_it_is(stock: Stock, seed: int) -> Metal:
    """The true metal of what hangs: one drawing of what its readings leave open."""
    errors = roll_errors(stock.rack)
    found = {}
    for k, held in enumerate(stock.rack):
        roll = with_error(layout_roll(held), held, errors[held.id])
        drawn = Drawn.of_roll(roll).metal_mm
        grid = drawn[:, :, (seed + k) % drawn.shape[2]].astype(float)
        found[roll.id] = replace(roll, thickness_mm=np.maximum(grid, 0.05), error_mm=None)
    return found


def known_rack(stock: Stock, hanging: Metal) -> tuple[Roll, ...]:
    """The rack with its true metal as its field."""
    found = []
    for held in stock.rack:
        true = hanging[held.id]
        none = np.zeros(true.thickness_mm.shape)
        field_ = ThicknessField(held.length_mm, held.width_mm, np.asarray(true.stations_mm), true.thickness_mm, none)
        found.append(replace(held, field=field_))
    return tuple(found)


def _counted(plan: Plan, metal: Metal, hanging: Metal) -> Played:
    melted = sum(m.charge.charged_kg for m in plan.melts if m.charge is not None)
    return Played(
        good_pipes(plan, {**hanging, **metal}),
        len(plan.pipes),
        len(metal),
        len(plan.melts),
        len(plan.days),
        melted,
        left_kg(plan.sheets),
    )


def live(
    plan: Plan,
    truth: Truth,
    hanging: Metal,
    stock: Stock,
    settings: ShopSettings,
    casts: list[LoggedCast],
    effort: float,
    diary: bool = False,
) -> Played:
    """After every sheet the rest is planned anew, and taken."""
    metal: dict[str, LayoutRoll] = {}
    sheets: dict[str, NewSheet] = {}
    finer: set[str] = set()
    hung: list[Roll] = []
    pots: dict[str, float] = {}
    charged: dict[str, float] = {}
    days, told = set(), Played()
    first: tuple[str, ...] = ()
    lots = {lot.id: lot for lot in stock.lots}
    rng = np.random.default_rng(truth.seed + 7)
    for _ in range(MOST_CASTS):
        pour = _next(plan, first)
        if pour is None:
            break
        sheet = next(s for s in plan.new_sheets if s.id == pour.sheet)
        if pour.melt not in pots:
            _charge(plan, pour.melt, pots, charged, lots)
        roll, log = truth.cast(pour, _tin(pour), sheet)
        metal[sheet.id], sheets[sheet.id] = roll, sheet
        pots[pour.melt] = max(pots[pour.melt] - pour.used_kg, 0.0)
        days.add(pour.day)
        read = gauged(roll, sheet, rng)
        casts = [*casts, replace(log, thickness_mm=tuple((r.x_mm, r.thickness_mm) for r in read), day="2026-12-01")]
        roll, sheet = planed(roll, sheet, read, settings.sheets.most_planing_mm)
        metal[sheet.id], sheets[sheet.id] = roll, sheet
        hung.append(hung_sheet(sheet, read, settings.sheets.trim_mm))
        begun = time.perf_counter()
        held = replace(stock, rack=(*stock.rack, *hung), lots=tuple(lots.values()))
        now = ShopNow(held, measured={sheet.id: sheet.id}, pots=dict(pots))
        anew = plan_anew(plan, now, settings, learn(casts), effort=effort, seconds=math.inf)
        told.seconds.append(time.perf_counter() - begun)
        for _ in range(MOST_ROUNDS):
            asked = _to_gauge(anew, finer, metal)
            if not asked:
                break
            hung = [
                _read_again(r, metal[r.id], sheets[r.id], settings, asked[r.id], rng) if r.id in asked else r
                for r in hung
            ]
            begun = time.perf_counter()
            held = replace(held, rack=(*stock.rack, *hung))
            now = ShopNow(held, measured={name: name for name in asked}, pots=dict(pots))
            again = sorted({sheets[name].alloy for name in asked})
            anew = plan_anew(anew.plan, now, settings, learn(casts), effort=effort, seconds=math.inf, alloys=again)
            told.seconds.append(time.perf_counter() - begun)
        if diary:
            _tell(plan, anew, pour, sheet, roll, told.seconds[-1])
        plan, first = anew.plan, anew.first
    if diary:
        _tell_misses(plan, {**hanging, **metal})
    counted = _counted(plan, metal, hanging)
    melted = sum(charged.values())
    return replace(counted, melts=len(pots), days=len(days), melted_kg=melted, seconds=told.seconds)


def _tell(plan: Plan, anew: Anew, pour: Pour, sheet: NewSheet, roll: LayoutRoll, seconds: float) -> None:
    """One cast of the diary: what was wanted and what came, what was laid on it and what stays, what is to come."""
    laid = {c.blank for s in plan.sheets if s.id == sheet.id for c in s.cuts}
    now = {c.blank: s.id for s in anew.plan.sheets for c in s.cuts}
    coming = [s for s in anew.plan.new_sheets if s.alloy == sheet.alloy]
    stay = sum(now.get(b) == sheet.id for b in laid)
    cast_again = sum(now.get(b, "") in {s.id for s in coming} for b in laid)
    came = (roll.thickness_mm + sheet.planing_mm).mean(axis=0)
    wanted = np.linspace(pour.cast_start_mm, pour.cast_end_mm, len(came))
    to_come = ", ".join(
        f"{s.id} {s.length_mm:.0f} x {s.width_mm:.0f} {s.thickness_start_mm:.2f}-{s.thickness_end_mm:.2f} ({len(s.cuts)})"
        for s in coming
    )
    card = pour.card
    said = f", card says {card.thickness_mm[0].thickness:.2f} to {card.thickness_mm[-1].thickness:.2f}" if card else ""
    print(
        f"  day {pour.day} {pour.melt} {sheet.id} {sheet.alloy} {sheet.length_mm:.0f} x {sheet.width_mm:.0f}: "
        f"wanted {wanted[0]:.2f} to {wanted[-1]:.2f}{said}, came {came[0]:.2f} to {came[-1]:.2f} "
        f"({100.0 * float((came / wanted).mean() - 1.0):+.1f} %);"
        f" {len(laid)} lay on it, {stay} stay, {cast_again} wait for others, {list(now.values()).count(sheet.id)} on it now;"
        f" to come: {to_come or 'nothing'}; {seconds:.1f} s",
        flush=True,
    )


def _tell_misses(plan: Plan, truth: Metal) -> None:
    """What misses in the end."""
    for u in plan.unserved:
        print(f"  without a place: {u.blank}")
    for s in plan.sheets:
        for c in s.cuts:
            if s.id not in truth or not fits(c, s.alloy, truth[s.id]):
                there = truth[s.id].thickness_mm if s.id in truth else np.zeros(1)
                blank = blank_of(c, s.alloy)
                walls = f"wants {blank.mouth_thickness_mm:.2f} to {blank.top_thickness_mm:.2f} within {blank.tolerance_mm:.3f}"
                chance = "none" if c.chance is None else f"{c.chance:.3f}"
                print(
                    f"  misses: {c.blank} on {s.id}, chance {chance}: {walls}, sheet {there.min():.2f} to {there.max():.2f}",
                    flush=True,
                )


Places = dict[str, list[tuple[float, float]]]


def _to_gauge(anew: Anew, done: set[str], metal: Metal) -> Places:
    """What the crew gauges by sheet: the places named for blanks that are not sure, each once; for those that are nearly sure
    when nothing more is to be cast. And a grid on a sheet that may serve more, before another cast."""
    found: Places = {}
    for stop in anew.stops:
        for c in stop.check:
            key = f"{c.blank} {c.roll} {c.x_mm:.0f} {c.y_mm:.0f}"
            if c.roll in metal and key not in done and (c.chance < SURE or not stop.sheets):
                done.add(key)
                found.setdefault(c.roll, []).append((c.x_mm, c.y_mm))
        best = next((g for g in stop.gauge if stop.sheets and g.roll in metal and g.settled >= WORTH_GAUGING), None)
        if best is not None and best.roll not in done:
            done.add(best.roll)
            found.setdefault(best.roll, []).extend(_grid(metal[best.roll], 2 * ALONG - 1))
    return found


def _read_again(
    roll: Roll,
    true: LayoutRoll,
    sheet: NewSheet,
    settings: ShopSettings,
    places: list[tuple[float, float]],
    rng: np.random.Generator,
) -> Roll:
    """A sheet with readings at more places."""
    read = [Reading(float(x), float(y), float(t) + sheet.planing_mm) for x, y, t in roll.field.readings]
    return hung_sheet(sheet, [*read, *_read(true, sheet, places, rng)], settings.sheets.trim_mm, roll.id)


def _next(plan: Plan, first: Sequence[str]) -> Pour | None:
    waiting = {s.id for s in plan.new_sheets}
    pours = {p.sheet: p for p in plan.pours if p.sheet in waiting and p.card is not None}
    return next((pours[n] for n in first if n in pours), None) or next(iter(pours.values()), None)


def _charge(plan: Plan, melt: str, pots: dict[str, float], charged: dict[str, float], lots: dict[str, Lot]) -> None:
    """A melt goes into its pot: its lots are taken off the floor."""
    planned = next(m for m in plan.melts if m.name == melt)
    pots[melt], charged[melt] = planned.wanted_kg, planned.wanted_kg
    if planned.charge is None:
        return
    pots.update(dict.fromkeys((m for m in pots if m != melt), 0.0))  # its heel
    pots[melt], charged[melt] = planned.charge.mass_kg, planned.charge.charged_kg
    for line in planned.lots:
        lot = lots.get(line.id)
        if lot is None:
            continue
        left = lot.mass_kg - line.mass_kg
        if left < (lot.piece_kg or 0.01):
            del lots[line.id]
        else:
            lots[line.id] = replace(lot, mass_kg=left)


def played(organ: Organ, shop: Shop, name: str, seed: int, arguments: argparse.Namespace) -> dict[str, Played]:
    """One season in one world, every way."""
    casts = logged(World(name, np.random.default_rng(seed + 1000), 60), arguments.log) if arguments.log else []
    stock = shop.stock if arguments.rack else replace(shop.stock, rack=())
    hanging = rack_as_it_is(stock, seed)
    ways, plan = arguments.ways.split(","), None
    found = {}
    if set(ways) - {"knows"}:
        plan = first_plan(organ, stock, shop.settings, learn(casts), arguments.effort)
    for way in ways:
        if way == "knows" or plan is None:
            sure = replace(shop.settings, sure=replace(shop.settings.sure, certainty=0.0))
            seen = replace(stock, rack=known_rack(stock, hanging))
            known = first_plan(organ, seen, sure, learn(casts), arguments.effort)
            found[way] = _counted(known, {s.id: _as_meant(s) for s in known.new_sheets}, hanging)
        elif way == "fixed":
            found[way] = fixed(plan, Truth(name, seed), hanging, shop.settings.sheets.most_planing_mm)
        else:
            truth = (Meant if way == "law" else Truth)(name, seed)
            given = (plan, truth, hanging, stock, shop.settings, list(casts), arguments.effort)
            found[way] = spare(*given) if way == "spare" else live(*given, arguments.diary)
    return found


def _as_meant(s: NewSheet) -> LayoutRoll:
    ends = np.array([[s.thickness_start_mm, s.thickness_end_mm]])
    return LayoutRoll(s.id, s.alloy, s.length_mm, s.width_mm, s.trim_mm or 0.0, (0.0, s.length_mm), ends)


def main() -> None:
    """Play and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--seasons", type=int, default=4)
    ask.add_argument("--ranks", type=int, default=3, help="so many ranks of the invented organ")
    ask.add_argument(
        "--effort", type=float, default=1.0, help="of each replanning's search: a share of the usual moves"
    )
    ask.add_argument("--log", type=int, default=6, help="casts logged before")
    ask.add_argument("--world", default="", help="one world only")
    ask.add_argument("--rack", action="store_true", help="the invented rack hangs there")
    ask.add_argument("--ways", default="fixed,spare,live,knows")
    ask.add_argument("--diary", action="store_true", help="print every cast of the live way")
    ask.add_argument("--first", type=int, default=0, help="the first season's number")
    arguments = ask.parse_args()
    shop = read_shop(packaged_file("rack.csv").parent)
    organ = read_organ(packaged_file("organ.toml"), shop)
    organ = replace(organ, ranks=organ.ranks[-arguments.ranks :])
    names = [arguments.world] if arguments.world else [n for n in WORLDS if n not in SLUSHY]
    print("knows: its sheets come out as meant, without luck or unevenness; law: only the luck of each cast is unknown")
    print(f"{organ.name}: {len(organ.ranks)} ranks ({', '.join(r.name for r in organ.ranks)})")
    print(
        "world               way     pipes fit  sheets melts days  melted kg  left kg  replanning s (median, 95 %, most)"
    )
    for k in range(arguments.first, arguments.first + arguments.seasons):
        name = names[k % len(names)]
        for way, p in played(organ, shop, name, 100 + k, arguments).items():
            took = (
                f"{np.median(p.seconds):6.1f} {np.quantile(p.seconds, 0.95):6.1f} {max(p.seconds):6.1f}"
                if p.seconds
                else ""
            )
            print(
                f"{name[:18]:18s}  {way:6s} {p.pipes:5d} of {p.of:3d} {p.sheets:6d} {p.melts:5d} {p.days:4d} {p.melted_kg:10.1f}"
                f" {p.left_kg:8.1f}  {took}",
                flush=True,
            )


if __name__ == "__main__":
    main()
