"""The shop as it is now, as far as an accepted plan is concerned: what is cut, poured, measured, failed, and in the pots."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from pipemetal.planning.stock import Stock
from pipemetal.plans.now import NotCounted, ShopNow, not_counted
from pipemetal.plans.record import Plan, planned_name
from pipemetal.shop.book import Book
from pipemetal.shop.roll_rows import roll_of
from pipemetal.shop.rows import OrderState, ReservationState, RollState

__all__ = ["not_counted_by", "shop_now"]


@dataclass(frozen=True)
class _CastSheets:
    """Sheets of a plan that are cast: `poured` and not measured, `measured` with the rolls that they hang as, `failed`, `cut`;
    `hung` with those of what the plan was before."""

    poured: frozenset[str]
    measured: Mapping[str, str]
    failed: frozenset[str]
    cut: frozenset[str]
    hung: Mapping[str, str]


def shop_now(
    book: Book, plan_id: str, *, pinned: frozenset[str] = frozenset(), today: dt.date | None = None
) -> ShopNow:
    """What a plan of the book stands on now: the rack with the rolls that it keeps, lots with what it keeps of them.

    A sheet that was cast hangs as a roll (measured), lies there (poured), or came to nothing: its metal is booked away and no
    roll came of it. Errors: BookError for a plan that is not in the book.
    """
    plan = book.plans.plan(plan_id)
    assert plan is not None
    done = {held.thing for held in book.plans.reservations(plan_id, state=ReservationState.DONE)}
    cast = _cast_sheets(book, plan_id, plan)
    measured, cut = cast.measured, cast.cut | {s.id for s in plan.sheets if s.id in done}
    for s in plan.sheets:
        if s.id not in cut:
            pinned |= book.pieces.cut_alone(measured.get(s.id, s.id), plan_id, s)
    melts = {planned_name(m.id, plan): m.id for m in book.melts.rows() if m.plan == plan_id}
    pots = {name: book.ledger.mass_kg(f"melt:{key}") for name, key in melts.items() if name}
    return ShopNow(
        _stock(book, plan_id),
        cut,
        cast.poured,
        measured,
        cast.failed,
        pots,
        pinned,
        today,
        again=frozenset(r.alloy for r in book.plans.rests_on(plan_id) if r.alloy),
        hung=cast.hung,
    )


def _cast_sheets(book: Book, plan_id: str, plan: Plan) -> _CastSheets:
    """What became of the sheets to cast of a plan of the book."""
    poured, measured, failed, cut, hung = set(), {}, set(), set(), {}
    here, nothing = {s.id for s in plan.new_sheets}, book.casts.failed()
    orders = book.plans.cast_list(plan_id, state=OrderState.CAST)
    came = book.rolls.came_of([o.cast for o in orders])
    for order in orders:
        rolls = came.get(order.cast, {})
        hanging = [r for r, state in rolls.items() if state in (RollState.ON_RACK, RollState.RESERVED)]
        if hanging:
            hung[order.sheet] = hanging[0]
        if order.sheet not in here:
            continue
        if hanging:
            measured[order.sheet] = hanging[0]
        elif RollState.CUT in rolls.values():
            cut.add(order.sheet)
        elif rolls or order.cast in nothing:
            failed.add(order.sheet)
        else:
            poured.add(order.sheet)
    return _CastSheets(frozenset(poured), measured, frozenset(failed), frozenset(cut), hung)


def not_counted_by(book: Book, plan_id: str, plan: Plan, lost: Collection[dt.date]) -> NotCounted:
    """What was booked since the plan that stands under this id was made, and is not in it; `lost`: days of the settings."""
    cast, waiting = _cast_sheets(book, plan_id, plan), {o.sheet for o in book.plans.cast_list(plan_id)}
    return not_counted(plan, cast.measured, cast.failed, waiting, lost)


def _stock(book: Book, plan_id: str) -> Stock:
    own = f"{plan_id}:"
    rows = [
        r
        for r in book.rolls.rows()
        if r.state is RollState.ON_RACK or (r.state is RollState.RESERVED and r.reserved_for.startswith(own))
    ]
    lots, unknown = book.lots.free(plan=plan_id)
    return Stock(book.recipes.all(), tuple(roll_of(r) for r in rows), lots, unknown)
