"""What the worker process does: plan an organ once or three times, lay the rest of a layout anew, fit the casting log."""

from __future__ import annotations

import os
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from typing import TYPE_CHECKING, ClassVar, Protocol, TypeVar

from pipemetal.errors import InputError
from pipemetal.texts import Text

if TYPE_CHECKING:
    from pipemetal.layout.plan import LayoutPlan, Placement
    from pipemetal.layout.problem import LayoutProblem
    from pipemetal.layout.waste import SheetWaste
    from pipemetal.planning.choices import Choice
    from pipemetal.planning.plan import Plan as Planned
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.plans.anew import Anew
    from pipemetal.plans.record import Plan

__all__ = [
    "AnewTask",
    "ChoicesMade",
    "ChoicesTask",
    "LearnTask",
    "LogTaught",
    "PlanTask",
    "RelayTask",
    "Task",
    "WorkError",
    "run",
]

Tell = Callable[[float, str], None]
Stop = Callable[[], bool]
TOLD_EVERY_S = 0.2
Made = TypeVar("Made", covariant=True)


class WorkError(InputError):
    """What stands in the way of long work."""


class Task(Protocol[Made]):
    """Long work with all that it needs; it is sent to the worker, and `done` there."""

    KIND: ClassVar[str]

    def done(self, tell: Tell, stop: Stop) -> Made:
        """Do it: `tell` takes the share done and words, `stop` says whether the best so far is wanted now."""


def run(task: Task[object], pipe: Connection, stop: Event) -> None:
    """The worker's life: one job, its progress and its result through the pipe."""
    os.nice(10)  # the pages come first
    last = 0.0

    def tell(share: float, words: str) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= TOLD_EVERY_S or share >= 1.0:
            last = now
            pipe.send(("progress", float(share), words))

    try:
        pipe.send(("result", task.done(tell, stop.is_set)))
    except InputError as error:
        pipe.send(("failed", str(error), ""))
    except Exception as error:
        pipe.send(("failed", f"{type(error).__name__}: {error}", traceback.format_exc()))
    finally:
        pipe.close()


@dataclass(frozen=True)
class PlanTask:
    """A plan of an organ file's text and of what the book at `target` holds, for seconds or iterations."""

    KIND: ClassVar[str] = "plan"

    target: str
    organ: str
    settings: ShopSettings
    seconds: float | None = None
    iterations: int | None = None

    def done(self, tell: Tell, stop: Stop) -> Plan:
        """The plan."""
        from pipemetal.files.organ_file import organ_of
        from pipemetal.planning.learning import learn
        from pipemetal.planning.plan import Search, make_plan
        from pipemetal.plans.making import plan_record
        from pipemetal.shop.book import Book
        from pipemetal.shop.stock import book_stock

        tell(0.0, "reading the book")
        with Book.open(self.target) as book:
            stock, casts = book_stock(book), book.casts.log()
        organ = organ_of(self.organ, stock.recipes)
        tell(0.0, "learning from the log")
        search = Search(self.seconds, self.iterations, 1, tell, stop)
        return plan_record(make_plan(organ, stock, self.settings, learned=learn(casts), search=search))


@dataclass(frozen=True)
class ChoicesMade:
    """Plans to choose from, for each wish the best of all that were found.

    `plans` and `waste`: the plans, and where their metal goes, by the wish whose search found them; `failed`: why others could
    not be planned; `not_begun`: what a stop left out.
    """

    choices: tuple[Choice, ...]
    plans: Mapping[str, Plan]
    waste: Mapping[str, tuple[SheetWaste, ...]]
    failed: Mapping[str, str]
    not_begun: tuple[str, ...]


@dataclass(frozen=True)
class ChoicesTask:
    """Three plans to choose from, of an organ file's text and of what the book at `target` holds; seconds or iterations for
    each."""

    KIND: ClassVar[str] = "choices"

    target: str
    organ: str
    settings: ShopSettings
    seconds: float | None = None
    iterations: int | None = None

    def done(self, tell: Tell, stop: Stop) -> ChoicesMade:
        """The plans; after a stop those that were begun. Errors: InputError where none can be planned."""
        from pipemetal.files.organ_file import organ_of
        from pipemetal.planning.choices import choices, chosen, priced, work_of
        from pipemetal.planning.learning import learn
        from pipemetal.planning.variants import Case, figures_of, planned
        from pipemetal.plans.making import plan_record
        from pipemetal.shop.book import Book
        from pipemetal.shop.stock import book_stock

        tell(0.0, "reading the book")
        with Book.open(self.target) as book:
            stock, casts = book_stock(book), book.casts.log()
        organ = organ_of(self.organ, stock.recipes)
        base = Case(
            "",
            organ,
            stock.recipes,
            stock.rack,
            stock.lots,
            self.settings,
            learn(casts),
            stock.unknown,
            self.seconds,
            self.iterations,
            1,
            notes=stock.notes,
        )
        changes = choices(self.settings)
        found: dict[str, Planned] = {}
        failed: dict[str, str] = {}
        left: list[str] = []
        for number, change in enumerate(changes):
            if found and stop():
                left.append(change.name)
                continue

            def told(share: float, words: str, number: int = number, wish: str = change.name) -> None:
                tell((number + share) / len(changes), Text("{wish}: {words}", wish=Text(wish), words=words))

            try:
                found[change.name] = planned(base.changed(change), told, stop)
            except InputError as error:
                failed[change.name] = error.text()
                if number == len(changes) - 1 and not found:
                    raise
        made = chosen(priced({name: (figures_of(plan), work_of(plan, self.settings)) for name, plan in found.items()}))
        records = {name: plan_record(found[name]) for name in dict.fromkeys(c.found_by for c in made)}
        return ChoicesMade(made, records, {name: found[name].waste for name in records}, failed, tuple(left))


@dataclass(frozen=True)
class RelayTask:
    """The rest of a layout laid anew around what is pinned."""

    KIND: ClassVar[str] = "relay"

    problem: LayoutProblem
    start: LayoutPlan
    pinned: tuple[Placement, ...]
    seconds: float

    def done(self, tell: Tell, stop: Stop) -> LayoutPlan:
        """The layout."""
        from pipemetal.layout.hand import ByHand
        from pipemetal.layout.solve import solve

        hand = ByHand(pinned=self.pinned, start=self.start)
        return solve(self.problem, seconds=self.seconds, seed=1, hand=hand, progress=tell, should_stop=stop)


@dataclass(frozen=True)
class AnewTask:
    """The rest of an accepted plan of the book at `target`, planned anew from what the shop is now."""

    KIND: ClassVar[str] = "anew"

    target: str
    plan_id: str
    settings: ShopSettings

    def done(self, tell: Tell, stop: Stop) -> Anew:
        """The new plan with what is known of pots and of stopping; the book is not changed."""
        import datetime as dt

        from pipemetal.planning.learning import learn
        from pipemetal.plans.anew import plan_anew
        from pipemetal.shop.book import Book
        from pipemetal.shop.now import shop_now

        tell(0.0, "reading the book")
        with Book.open(self.target) as book:
            now = shop_now(book, self.plan_id, today=dt.date.today())
            plan, casts = book.plans.plan(self.plan_id), book.casts.log()
        assert plan is not None
        tell(0.02, "learning from the log")
        return plan_anew(plan, now, self.settings, learn(casts), tell=tell)


@dataclass(frozen=True)
class LogTaught:
    """What the casting log teaches, in words, and what to log next."""

    words: str
    log_next: str


@dataclass(frozen=True)
class LearnTask:
    """The casting log of the book at `target`, fitted."""

    KIND: ClassVar[str] = "learn"

    target: str

    def done(self, tell: Tell, stop: Stop) -> LogTaught:
        """What it teaches. Errors: WorkError where it is empty, CastingError."""
        from pipemetal.casting.calibrate import calibrate
        from pipemetal.shop.book import Book

        tell(0.1, "reading the log")
        with Book.open(self.target) as book:
            casts = book.casts.log()
        if not casts:
            raise WorkError("is empty", field="casting log")
        tell(0.3, "fitting")
        found = calibrate(casts)
        return LogTaught(found.words, found.log_next)
