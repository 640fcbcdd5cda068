"""What the worker process does: plan an organ, lay the rest of a layout anew, fit the casting log."""

from __future__ import annotations

import os
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from typing import TYPE_CHECKING, ClassVar, Protocol, TypeVar

from pipemetal.errors import InputError

if TYPE_CHECKING:
    from pipemetal.layout.plan import LayoutPlan, Placement
    from pipemetal.layout.problem import LayoutProblem
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.plans.anew import Anew
    from pipemetal.plans.record import Plan

__all__ = ["AnewTask", "LearnTask", "LogTaught", "PlanTask", "RelayTask", "Task", "WorkError", "run"]

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
            pipe.send(("progress", float(share), str(words)))

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
