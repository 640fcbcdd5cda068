"""The main job: from ranks, rack and lots to everything a shop needs to cut and cast."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from statistics import fmean
from typing import Final

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError, PlanError, near
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import LayoutProblem, LayoutRoll
from pipemetal.layout.search import Fees, SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import Fault, verify
from pipemetal.layout.waste import SheetWaste, waste_of
from pipemetal.melts.charge import Charge
from pipemetal.pipes.advice import rank_advice
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ
from pipemetal.planning.account import Account
from pipemetal.planning.blanks import (
    OrderedBlank,
    blanks_for,
    largest_blank,
    organ_for_shop,
    told_of_thin_parts,
    with_tolerances,
)
from pipemetal.planning.booking import book_plan
from pipemetal.planning.calendar import casting_dates
from pipemetal.planning.chances import PlanChances, Priced, cast_spreads, plan_chances, with_errors
from pipemetal.planning.cuts import CutRoll, ForPipe, GaugeMark, cut_rolls, marked
from pipemetal.planning.day import CastingDay
from pipemetal.planning.day_work import plan_casting, told_of_days
from pipemetal.planning.labour import told_of_labour
from pipemetal.planning.learning import Learned
from pipemetal.planning.melting import PlannedMelt, Season
from pipemetal.planning.own_values import own_values_that_decided
from pipemetal.planning.planing import told_of_planing
from pipemetal.planning.pours import Pour
from pipemetal.planning.serving import lay_whole_pipes
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder, as_rolls, castable_for, sheet_orders, thick_end_first
from pipemetal.planning.small_sheets import small_sheets_joined
from pipemetal.planning.stock import Stock
from pipemetal.planning.sure_words import told_of_chances
from pipemetal.sheets.roll import Roll, roll_mass_kg
from pipemetal.texts import Amount, Text, joined

__all__ = ["Plan", "layout_problem", "layout_roll", "make_plan"]

Progress = Callable[[float, str], None]
LAYOUT_SHARE = 0.85
SMALL_SHARE = 0.15
"""A melt whose blanks weigh less than this share of it is told (estimate)."""

HURRIED: Final = Text("Stopped by hand: the weighing lists are a quick choice.")


@dataclass(frozen=True, eq=False)
class Plan:
    """A whole plan. `faults` come from the verifier and must be none; `cannot_charge` names lots of unknown metal; `notes` say
    what was set aside, and which of the program's own values decided something."""

    organ: Organ
    recipes: Mapping[str, Recipe]
    settings: ShopSettings
    pipes: tuple[Pipe, ...]
    blanks: tuple[OrderedBlank, ...]
    problem: LayoutProblem
    layout: LayoutPlan
    faults: tuple[Fault, ...]
    cut_rolls: tuple[CutRoll, ...]
    pours: tuple[Pour, ...]
    season: Season
    account: Account
    rack: tuple[Roll, ...]
    cannot_charge: tuple[str, ...]
    learned: Learned
    days: tuple[CastingDay, ...]
    chances: PlanChances
    notes: tuple[str, ...] = ()

    @property
    def melts(self) -> tuple[PlannedMelt, ...]:
        """The melts in their order."""
        return self.season.melts

    @cached_property
    def waste(self) -> tuple[SheetWaste, ...]:
        """Where the metal of each sheet goes."""
        return waste_of(self.problem, self.layout)

    @property
    def served(self) -> tuple[Pipe, ...]:
        """Pipes that have all their blanks."""
        lacking = {u.blank for u in self.layout.unplaced}
        without = {o.pipe.id for o in self.blanks if o.blank.id in lacking}
        return tuple(p for p in self.pipes if p.id not in without)

    @property
    def pipes_served(self) -> int:
        """How many pipes have all their blanks."""
        return len(self.served)

    @property
    def to_buy_kg(self) -> dict[str, float]:
        """Metal that no lot can give, by element."""
        total: Counter[str] = Counter()
        for melt in self.melts:
            total.update(melt.bought_kg)
        return dict(total)

    @property
    def is_complete(self) -> bool:
        """Every pipe served, every melt charged, no fault."""
        return not self.layout.unplaced and not self.faults and all(isinstance(m.charge, Charge) for m in self.melts)


def layout_roll(r: Roll) -> LayoutRoll:
    """A roll as the layout knows it."""
    return LayoutRoll(
        r.id,
        r.alloy,
        r.length_mm,
        r.width_mm,
        r.trim_mm,
        tuple(float(s) for s in r.field.stations_mm),
        r.field.thickness_mm,
        no_go=r.no_go,
        outline=r.trimmed_outline(),
    )


def layout_problem(blanks: Sequence[OrderedBlank], rack: Sequence[Roll], settings: ShopSettings) -> LayoutProblem:
    """Blanks, rack and what may be cast as one placing problem."""
    return LayoutProblem(
        tuple(b.blank for b in blanks),
        tuple(layout_roll(r) for r in rack),
        castable_for((b.blank for b in blanks), settings),
        settings.sheets.kerf_mm,
    )


def work_as_metal(problem: LayoutProblem, settings: ShopSettings, density: Mapping[str, float]) -> Fees:
    """What taking down each roll, opening a melt and working a part cost, as the area of sheet that weighs as much
    (`density` in g/cm3)."""
    take_down = {
        r.id: _area_mm2(settings.take_down_costs_kg, density[r.alloy], float(r.thickness_mm.mean()))
        for r in problem.rolls
        if r.alloy in density
    }
    wanted: dict[str, list[float]] = {}
    for blank in problem.blanks:
        wanted.setdefault(blank.alloy, []).append((blank.mouth_thickness_mm + blank.top_thickness_mm) / 2.0)
    first_cast, working = (
        {alloy: _area_mm2(costs_kg, density[alloy], fmean(found)) for alloy, found in wanted.items()}
        for costs_kg in (settings.melt_costs_kg, settings.working_costs_kg)
    )
    return Fees(take_down, first_cast, working)


def _area_mm2(mass_kg: float, density_g_cm3: float, thickness_mm: float) -> float:
    return mass_kg / (density_g_cm3 * 1e-6 * thickness_mm)


def _small_melts(season: Season, cut: Sequence[CutRoll]) -> list[Text]:
    """Melts that are opened for little, with what they serve: a shop may rather wait, or cut it from another alloy."""
    blanks = {roll.roll.id: roll for roll in cut}
    found = []
    for planned in season.melts:
        on = [blanks[s.id] for s in planned.melt.sheets if s.id in blanks]
        kg = sum(roll.blanks_kg for roll in on)
        whole = planned.charge.mass_kg if isinstance(planned.charge, Charge) else planned.melt.wanted_kg
        if kg < SMALL_SHARE * whole:
            kinds = sorted({c.blank.kind for roll in on for c in roll.cuts})
            words = (
                "{melt} ({recipe}) melts {whole} for {blanks} of blanks ({kinds}): they may wait for the next melt, or be"
                " cut from another alloy."
            )
            found.append(
                Text(
                    words,
                    melt=planned.melt.name,
                    recipe=planned.melt.recipe,
                    whole=Amount(whole, "kg"),
                    blanks=Amount(kg, "kg", 1),
                    kinds=joined((Text(kind) for kind in kinds), ", "),
                )
            )
    return found


def _advice(organ: Organ, pipes: Sequence[Pipe], thin: Sequence[Text]) -> list[Text]:
    of_rank: dict[str, list[Pipe]] = {}
    for pipe in pipes:
        of_rank.setdefault(pipe.rank, []).append(pipe)
    advice = (words for rank in organ.ranks for words in rank_advice(organ, rank, of_rank.get(rank.name, [])))
    return [*thin, *(Text("{words}.", words=words) for words in advice)]


@dataclass(frozen=True)
class Search:
    """How long the layout is searched for, and who is told.

    `seconds` by the clock, or `iterations` (same seed and iterations: same plan). `progress` is called with a share of the
    work and words; `should_stop` ends it with the best plan so far. `cast_weighs`: so many times as much as usual a sheet to
    cast costs beside its metal.
    """

    seconds: float | None = None
    iterations: int | None = None
    seed: int = 0
    progress: Progress | None = None
    should_stop: Callable[[], bool] | None = None
    cast_weighs: float = 1.0

    def __post_init__(self) -> None:
        if self.seed < 0:
            raise PlanError("is negative", field="seed", value=self.seed, allowed="0 or more")

    def tell(self, share: float, words: str) -> None:
        """Tell whoever asked how far the work is."""
        if self.progress is not None:
            self.progress(share, words)

    def is_over(self) -> bool:
        """Whether somebody wants it to end."""
        return self.should_stop is not None and self.should_stop()

    def lay(self, problem: LayoutProblem, fees: Fees) -> LayoutPlan:
        """The layout of a problem within these limits."""
        usual = SolverSettings()
        return solve(
            problem,
            seconds=self.seconds,
            iterations=self.iterations,
            seed=self.seed,
            should_stop=self.should_stop,
            progress=lambda share, words: self.tell(0.03 + LAYOUT_SHARE * share, words),
            fees=fees,
            settings=replace(usual, cast_fee_mm2=self.cast_weighs * usual.cast_fee_mm2),
        )


def make_plan(
    organ: Organ,
    stock: Stock,
    settings: ShopSettings | None = None,
    *,
    learned: Learned | None = None,
    search: Search | None = None,
) -> Plan:
    """Plan the main job: pipes, blanks, layout on rack and new sheets, melts, pours and the metal account.

    `learned` is what the casting log taught; the priors otherwise. `search` says how long the layout is searched for; 10 s
    where it says nothing.

    Errors: PlanError where a rank's alloy is no recipe; the rooms' own errors for what cannot be computed.
    """
    settings, learned, search = settings or ShopSettings(), learned or Learned(), search or Search()
    _check(organ, stock, settings)
    density = {name: solid_density_g_cm3(recipe.target) for name, recipe in stock.recipes.items()}
    search.tell(0.0, "working out pipes")
    pipes = organ_pipes(organ_for_shop(organ, settings), lambda alloy: density[alloy])
    largest = largest_blank(settings, organ.allowances.joint_overlap_mm)
    blanks = with_tolerances(blanks_for(pipes, largest), settings.sure.tolerances, stock.recipes)
    problem = layout_problem(blanks, stock.rack, settings)
    problem = with_errors(problem, stock.rack, cast_spreads(problem, stock.recipes, settings, learned), settings.sure)
    fees = work_as_metal(problem, settings, density)
    layout = _bettered(problem, lay_whole_pipes(problem, blanks, lambda p: search.lay(p, fees)), settings, density)
    search.tell(0.89, "checking the layout")
    faults = _can_be_cut(verify(problem, layout))
    search.tell(0.91, "charging melts")
    orders, hurried = sheet_orders(layout, settings), search.is_over()
    casting = plan_casting(orders, stock, settings, learned, hurried=hurried)
    season, pours, priced = casting.season, casting.pours, Priced(stock.recipes, density, casting.season.prices)
    chances = plan_chances(problem, layout, blanks, pours, priced, settings.sheets.most_planing_mm)
    cut = _cut(layout, orders, stock.rack, blanks, density, settings, chances)
    account = book_plan(cut, blanks, pours, season.melts, stock.recipes)
    search.tell(1.0, "done")
    notes = [
        *stock.notes,
        *told_of_chances(chances, layout, stock.rack, settings, learned),
        *_advice(organ, pipes, told_of_thin_parts(blanks, settings.sure.tolerances)),
        *([HURRIED] if hurried else []),
        *_small_melts(season, cut),
        *told_of_planing(orders, cut, settings),
        *told_of_labour(cut),
        *told_of_days(casting.days, pours, settings),
        *own_values_that_decided(layout, season, settings, casting.days),
    ]
    return Plan(
        organ,
        stock.recipes,
        settings,
        pipes,
        blanks,
        problem,
        layout,
        faults,
        cut,
        pours,
        season,
        account,
        stock.rack,
        stock.unknown,
        learned,
        casting.days,
        chances,
        tuple(notes),
    )


def _bettered(
    problem: LayoutProblem, layout: LayoutPlan, settings: ShopSettings, density: Mapping[str, float]
) -> LayoutPlan:
    """A layout as a shop casts it: each sheet from its thick end, small ones along with others."""
    for step in (thick_end_first, partial(small_sheets_joined, settings=settings, density_g_cm3=density)):
        layout = unless_at_fault(problem, layout, step)
    return layout


def unless_at_fault(
    problem: LayoutProblem, before: LayoutPlan, step: Callable[[LayoutProblem, LayoutPlan], LayoutPlan]
) -> LayoutPlan:
    """The layout after a step; the one before it where the independent check finds a fault in what the step made."""
    after = step(problem, before)
    return before if after is not before and verify(problem, after) else after


def _can_be_cut(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    """The faults of a layout that can be cut at all. Errors: ConvergenceError for a blank beside its sheet, which is the
    program's own fault.
    """
    for fault in faults:
        if fault.kind == "outside_sheet":
            raise ConvergenceError(
                f"the layout that was found is at fault: {fault.blank} on {fault.roll} {fault.detail}; try another --seed"
            )
    return faults


def _check(organ: Organ, stock: Stock, settings: ShopSettings) -> None:
    """Refuse what cannot be planned before the work begins. Errors: PlanError."""
    for rank in organ.ranks:
        if rank.alloy not in stock.recipes:
            known = ", ".join(stock.recipes)
            raise PlanError(
                "is not a recipe",
                field="alloy",
                value=rank.alloy,
                allowed=known,
                where=rank.name,
                nearest=near(rank.alloy, list(stock.recipes)),
            )
    casting_dates(settings.day)


def _cut(
    layout: LayoutPlan,
    orders: Sequence[SheetOrder],
    rack: Sequence[Roll],
    blanks: Sequence[OrderedBlank],
    density: Mapping[str, float],
    settings: ShopSettings,
    chances: PlanChances,
) -> tuple[CutRoll, ...]:
    masses = {roll.id: roll_mass_kg(roll, density[roll.alloy]) for roll in rack}
    masses |= {o.sheet.id: o.mass_kg(density[o.sheet.alloy], finished=True) for o in orders}
    made_for = [
        ForPipe(b.blank, b.pipe.id, b.pipe.rank, b.pipe.note, b.part.lower_at_small_arc, chances.blank.get(b.blank.id))
        for b in blanks
    ]
    made = cut_rolls(
        layout, as_rolls(orders, rack), made_for, density, masses, settings.sheets.kerf_mm, settings.cut_from == "right"
    )
    gauge = [GaugeMark(k, r.roll, r.x_mm, r.y_mm) for k, r in enumerate(chances.next_readings, start=1) if r.cut]
    return marked(made, settings.sure.certainty, gauge)
