"""What the worker process does: plan an organ, lay the rest of a layout anew, fit the casting log."""

from __future__ import annotations

import os
import time
import traceback
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from pipemetal.errors import InputError

if TYPE_CHECKING:
    from pipemetal.plans.record import Plan

__all__ = ["WorkError", "run"]

Tell = Callable[[float, str], None]
Stop = Callable[[], bool]
TOLD_EVERY_S = 0.2


class WorkError(InputError):
    """What stands in the way of long work."""


def run(kind: str, payload: dict[str, Any], pipe: Any, stop: Any) -> None:
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
        pipe.send(("result", KINDS[kind](payload, tell, stop.is_set)))
    except InputError as error:
        pipe.send(("failed", str(error), ""))
    except Exception as error:
        pipe.send(("failed", f"{type(error).__name__}: {error}", traceback.format_exc()))
    finally:
        pipe.close()


def _plan(payload: dict[str, Any], tell: Tell, stop: Stop) -> Plan:
    """A plan of an organ file's text and what the book holds."""
    from pipemetal.files.organ_file import organ_of
    from pipemetal.planning.learning import learn
    from pipemetal.planning.plan import Search, make_plan
    from pipemetal.plans.making import plan_record
    from pipemetal.shop.book import Book
    from pipemetal.shop.stock import book_stock

    tell(0.0, "reading the book")
    with Book.open(payload["target"]) as book:
        stock, casts = book_stock(book), book.casts.log()
    organ = organ_of(payload["organ"], stock.recipes)
    tell(0.0, "learning from the log")
    plan = make_plan(
        organ,
        stock,
        payload["settings"],
        learned=learn(casts),
        search=Search(payload.get("seconds"), payload.get("iterations"), 1, tell, stop),
    )
    return plan_record(plan)


def _relay(payload: dict[str, Any], tell: Tell, stop: Stop) -> Any:
    """The rest of a layout laid anew around what is pinned."""
    from pipemetal.layout.hand import ByHand
    from pipemetal.layout.solve import solve

    problem, start = payload["problem"], payload["start"]
    hand = ByHand(pinned=tuple(payload["pinned"]), start=start)
    return solve(problem, seconds=payload["seconds"], seed=1, hand=hand, progress=tell, should_stop=stop)


def _learn(payload: dict[str, Any], tell: Tell, stop: Stop) -> dict[str, Any]:
    """What the casting log teaches."""
    from pipemetal.casting.calibrate import calibrate
    from pipemetal.shop.book import Book

    tell(0.1, "reading the log")
    with Book.open(payload["target"]) as book:
        casts = book.casts.log()
    if not casts:
        raise WorkError("is empty", field="casting log")
    tell(0.3, "fitting")
    found = calibrate(casts)
    return {
        "words": found.words,
        "casts_used": found.casts_used,
        "half_width_percent": found.predictive_half_width_percent,
        "log_next": found.log_next,
        "left_out": [f"{x.id}: {x.reason}" for x in found.casts_left_out],
    }


KINDS: dict[str, Callable[[dict[str, Any], Tell, Stop], Any]] = {"plan": _plan, "relay": _relay, "learn": _learn}
