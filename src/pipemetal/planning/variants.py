"""What if: the same organ planned for a shop that is a little different, side by side with the shop as it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import PlanError, near, some_listed
from pipemetal.melts.charge import Charge
from pipemetal.melts.lots import Lot
from pipemetal.pipes.rank import Organ
from pipemetal.planning.learning import Learned
from pipemetal.planning.plan import Plan, Progress, Search, make_plan
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.stock import Stock
from pipemetal.sheets.roll import Roll
from pipemetal.texts import Text

__all__ = ["Case", "Change", "Figures", "figures_of", "planned"]


@dataclass(frozen=True)
class Change:
    """What is different in one variant: settings and recipes in place of the shop's, alloys by rank, rolls and lots left out.

    `cast_weighs`: so many times as much as usual a sheet to cast costs the search beside its metal; `notes`: what the plan says
    of it.
    """

    name: str
    settings: ShopSettings | None = None
    recipes: Mapping[str, Recipe] = field(default_factory=dict)
    alloys: Mapping[str, str] = field(default_factory=dict)
    without_rolls: tuple[str, ...] = ()
    without_lots: tuple[str, ...] = ()
    cast_weighs: float = 1.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Case:
    """A shop and an organ, how long to search and what a cast weighs in it: everything that a plan is made from."""

    name: str
    organ: Organ
    recipes: Mapping[str, Recipe]
    rack: tuple[Roll, ...]
    lots: tuple[Lot, ...]
    settings: ShopSettings
    learned: Learned
    unknown: tuple[str, ...] = ()
    seconds: float | None = None
    iterations: int | None = None
    seed: int = 0
    cast_weighs: float = 1.0
    notes: tuple[str, ...] = ()

    def changed(self, change: Change) -> Case:
        """This case with a change.

        Errors: PlanError for a rank, roll, lot or recipe that is not there.
        """
        ranks = {rank.name for rank in self.organ.ranks}
        for what, names, known in (
            ("alloys", change.alloys, ranks),
            ("without_rolls", change.without_rolls, {r.id for r in self.rack}),
            ("without_lots", change.without_lots, {lot.id for lot in self.lots}),
            ("recipes", change.recipes, set(self.recipes)),
        ):
            for name in names:
                if name not in known:
                    raise PlanError(
                        "is not there",
                        field=what,
                        value=name,
                        where=Text("variant {name}", name=repr(change.name)),
                        allowed=some_listed(name, sorted(known)),
                        nearest=near(name, sorted(known)),
                    )
        organ = replace(
            self.organ,
            ranks=tuple(replace(rank, alloy=change.alloys.get(rank.name, rank.alloy)) for rank in self.organ.ranks),
        )
        return replace(
            self,
            name=change.name,
            organ=organ,
            recipes={**self.recipes, **change.recipes},
            rack=tuple(roll for roll in self.rack if roll.id not in change.without_rolls),
            lots=tuple(lot for lot in self.lots if lot.id not in change.without_lots),
            settings=change.settings or self.settings,
            cast_weighs=change.cast_weighs,
            notes=(*self.notes, *change.notes),
        )


def planned(case: Case, progress: Progress | None = None, should_stop: Callable[[], bool] | None = None) -> Plan:
    """The plan of a case; `progress` and `should_stop` as in `Search`. Errors: as `make_plan`."""
    return make_plan(
        case.organ,
        Stock(case.recipes, case.rack, case.lots, case.unknown, case.notes),
        case.settings,
        learned=case.learned,
        search=Search(case.seconds, case.iterations, case.seed, progress, should_stop, case.cast_weighs),
    )


@dataclass(frozen=True)
class Figures:
    """What a plan comes to, for standing beside others. `cost` is of what goes into the pot, in the shop's currency."""

    pipes_served: int
    pipes: int
    rolls: int
    sheets: int
    melts: int
    casting_days: int
    consumed_m2: float
    gap_percent: float
    new_kg: float
    remelt_kg: float
    lost_kg: float
    bought_kg: float
    charged_kg: float
    cost: float
    is_complete: bool


def figures_of(plan: Plan) -> Figures:
    """The figures of a plan."""
    charges = [m.charge for m in plan.melts if isinstance(m.charge, Charge)]
    return Figures(
        plan.pipes_served,
        len(plan.pipes),
        sum(not c.is_new for c in plan.cut_rolls),
        sum(c.is_new for c in plan.cut_rolls),
        len(plan.melts),
        max((p.day for p in plan.pours), default=0),
        plan.layout.consumed_mm2 / 1e6,
        plan.layout.gap_percent,
        plan.account.new_kg,
        plan.account.remelt_kg,
        plan.account.loss_kg,
        sum(plan.to_buy_kg.values()),
        sum(c.charged_kg for c in charges),
        sum(c.cost for c in charges),
        plan.is_complete,
    )
