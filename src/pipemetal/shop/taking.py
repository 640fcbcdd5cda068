"""A plan that was planned anew put in the place of an accepted one, within one event: reservations and cast list follow."""

from __future__ import annotations

from pipemetal.errors import BookError
from pipemetal.plans.codec import with_table, write
from pipemetal.plans.record import CutSheet, Plan, Pour
from pipemetal.shop.accepting import accepted, cut_and_moved, ranks_of, reserve_lots, some_of
from pipemetal.shop.cutting import free_roll
from pipemetal.shop.orders import Claim, free_numbers, of_plan, reserve
from pipemetal.shop.resting import rests_on
from pipemetal.shop.rows import CastOrderRow, OrderState, ReservationRow, ReservationState, RollRow, RollState
from pipemetal.shop.writing import Writing, dump

__all__ = ["take_anew"]


def take_anew(w: Writing, plan_id: str, plan: Plan) -> None:
    """Put a plan that was planned anew in the place of an accepted one. Errors: BookError."""
    before = accepted(w, plan_id)
    _refuse_what_is_cut(w, plan_id, before, plan)
    w.change("plans", plan_id, None, body=write(plan))
    _rolls(w, plan_id, plan)
    _lots(w, plan_id, plan)
    _orders(w, plan_id, plan)


def _refuse_what_is_cut(w: Writing, plan_id: str, before: Plan, plan: Plan) -> None:
    done = {held.thing for held in of_plan(w, ReservationRow, plan_id, ReservationState.DONE) if held.kind == "roll"}
    was, now = {s.id: s.cuts for s in before.sheets}, {s.id: s.cuts for s in plan.sheets}
    otherwise = sorted(name for name in done if name in was and now.get(name) != was[name])
    otherwise += cut_and_moved(w, plan_id, before, plan)
    if otherwise:
        raise BookError("is cut already", field="sheet", value=some_of(otherwise))
    if before == plan and not rests_on(w.connection, plan_id):
        raise BookError("is planned so already: nothing was changed", field="plan", value=plan_id)


def _rolls(w: Writing, plan_id: str, plan: Plan) -> None:
    """Rolls that are cut no more are free again; those that are cut now are kept, for the ranks that lie there."""
    used = {s.id: s for s in plan.rolls_used}
    numbers = free_numbers(w, plan_id)
    kept = set()
    for held in of_plan(w, ReservationRow, plan_id, ReservationState.OPEN):
        if held.kind != "roll":
            continue
        if held.thing not in used:
            _free(w, held)
            continue
        kept.add(held.thing)
        _for_ranks(w, plan_id, held, used[held.thing])
    done = {held.thing for held in of_plan(w, ReservationRow, plan_id, ReservationState.DONE)}
    refused = []
    for name in used.keys() - kept - done:
        row = w.get(RollRow, name)
        if row is None or row.state is not RollState.ON_RACK:
            refused.append(f"{name} ({'not in the book' if row is None else row.reserved_for or row.state})")
            continue
        ranks = ranks_of(used[name])
        w.change("rolls", name, None, state=RollState.RESERVED, reserved_for=f"{plan_id}: {', '.join(ranks)}")
        claim = Claim(f"roll:{name}", used[name].mass_kg, dump(ranks))
        reserve(w, next(numbers), plan_id, plan.organ, claim)
    if refused:
        raise BookError("cannot be taken, rolls are not free", field="plan", value=some_of(sorted(refused)))


def _free(w: Writing, held: ReservationRow) -> None:
    w.change("reservations", held.id, None, state=ReservationState.GIVEN_UP)
    roll = w.get(RollRow, held.thing)
    if roll is not None and roll.state is RollState.RESERVED:
        free_roll(w, roll)


def _for_ranks(w: Writing, plan_id: str, held: ReservationRow, sheet: CutSheet) -> None:
    ranks = ranks_of(sheet)
    if tuple(ranks) != held.ranks:
        w.change("reservations", held.id, None, ranks=dump(ranks))
        w.change("rolls", held.thing, None, reserved_for=f"{plan_id}: {', '.join(ranks)}")


def _lots(w: Writing, plan_id: str, plan: Plan) -> None:
    """What melts to come charge is kept anew; melts that are booked keep nothing."""
    for held in of_plan(w, ReservationRow, plan_id, ReservationState.OPEN):
        if held.kind == "lot":
            w.change("reservations", held.id, None, state=ReservationState.GIVEN_UP)
    booked = {held.melt for held in of_plan(w, ReservationRow, plan_id, ReservationState.DONE)}
    reserve_lots(w, plan_id, plan, free_numbers(w, plan_id), booked)


def _orders(w: Writing, plan_id: str, plan: Plan) -> None:
    """The cast list: sheets that are not cast any more leave it, new ones come, cards are those of now."""
    pours = {p.sheet: p for p in plan.pours}
    cast = {o.sheet for o in of_plan(w, CastOrderRow, plan_id, OrderState.CAST)}
    waiting = set()
    for order in of_plan(w, CastOrderRow, plan_id, OrderState.TO_CAST):
        if order.sheet not in pours or order.sheet in cast:
            w.change("cast_orders", order.id, None, state=OrderState.GIVEN_UP)
            continue
        waiting.add(order.sheet)
        pour = pours[order.sheet]
        if order.pour != pour:
            w.change("cast_orders", order.id, None, **_columns(pour))
    numbers = free_numbers(w, plan_id)
    for pour in plan.pours:
        if pour.sheet in waiting | cast:
            continue
        state = OrderState.TO_CAST
        w.add(
            "cast_orders",
            f"{plan_id}/{next(numbers)}",
            plan=plan_id,
            sheet=pour.sheet,
            alloy=pour.alloy,
            **_columns(pour),
            state=state,
            cast="",
        )


def _columns(pour: Pour) -> dict[str, object]:
    return {"melt": pour.melt, "day": pour.day, "number": pour.number, "body": dump(with_table(pour))}
