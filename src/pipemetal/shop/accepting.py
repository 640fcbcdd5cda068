"""What accepting a plan, changing it by hand and giving it up do to rolls, lots and the cast list, within one event."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator
from typing import Final

from sqlalchemy import select

from pipemetal.errors import BookError, near, some_listed
from pipemetal.plans.codec import read, with_table, write
from pipemetal.plans.record import CutSheet, Plan
from pipemetal.shop import schema
from pipemetal.shop.cutting import free_roll, piece_names
from pipemetal.shop.free import reserved_kg
from pipemetal.shop.ledger import kilograms
from pipemetal.shop.orders import Claim, free_numbers, of_plan, reserve
from pipemetal.shop.rows import (
    CastOrderRow,
    OrderState,
    PlanRow,
    PlanState,
    ReservationRow,
    ReservationState,
    RollRow,
    RollState,
)
from pipemetal.shop.writing import Writing, dump
from pipemetal.texts import Text

__all__ = ["accept", "accepted", "change_by_hand", "give_up", "ranks_of", "reserve_lots", "some_of"]

MOST_NAMED: Final = 10
ROUNDED_KG: Final = 0.01
"""What a plan's weighing list is rounded to."""


def accept(w: Writing, plan_id: str, plan: Plan) -> None:
    """Reserve the rolls and the metal of a plan, and put its sheets on the cast list.

    Errors: BookError that names every roll that is not free and every lot that does not hold enough.
    """
    numbers = free_numbers(w, plan_id)
    _reserve_rolls(w, plan_id, plan, numbers)
    reserve_lots(w, plan_id, plan, numbers)
    for pour in plan.pours:
        w.add(
            "cast_orders",
            f"{plan_id}/{next(numbers)}",
            plan=plan_id,
            sheet=pour.sheet,
            alloy=pour.alloy,
            melt=pour.melt,
            day=pour.day,
            number=pour.number,
            body=dump(with_table(pour)),
            state=OrderState.TO_CAST,
            cast="",
        )


def _reserve_rolls(w: Writing, plan_id: str, plan: Plan, numbers: Iterator[int]) -> None:
    refused = []
    for used, number in zip(plan.rolls_used, numbers, strict=False):
        row = w.get(RollRow, used.id)
        if row is None or row.state is not RollState.ON_RACK:
            why = "not in the book" if row is None else row.reserved_for or row.state
            refused.append(f"{used.id} ({why})")
            continue
        ranks = ranks_of(used)
        w.change("rolls", used.id, None, state=RollState.RESERVED, reserved_for=f"{plan_id}: {', '.join(ranks)}")
        reserve(w, number, plan_id, plan.organ, Claim(f"roll:{used.id}", used.mass_kg, dump(ranks)))
    if refused:
        raise BookError(Text("cannot be accepted, rolls are not free: {some}", some=some_of(refused)), field="plan")


def reserve_lots(w: Writing, plan_id: str, plan: Plan, numbers: Iterator[int], booked: Collection[str] = ()) -> None:
    """Keep what a plan's melts charge, but those that are `booked`. Errors: BookError that names every lot that is too small."""
    taken = defaultdict(float, {lot: sum(held.values()) for lot, held in reserved_kg(w.connection).items()})
    short = []
    own = plan.ingots_of  # they are not there yet: their melt is
    lines = [
        (m.name, line)
        for m in plan.melts
        if m.name not in booked
        for line in m.lots
        if line.kind != "buy" and line.id not in own
    ]
    for (melt, line), number in zip(lines, numbers, strict=False):
        account = f"lot:{line.id}"
        free = kilograms(sum(w.stock(account).values())) - taken[line.id]
        if line.mass_kg > free + ROUNDED_KG:
            short.append(f"{line.id} ({melt} needs {line.mass_kg:.2f} kg, {max(free, 0.0):.2f} kg are free)")
        taken[line.id] += line.mass_kg
        reserve(w, number, plan_id, plan.organ, Claim(account, line.mass_kg, melt=melt))
    if short:
        raise BookError(Text("cannot be accepted, lots are too small: {some}", some=some_of(short)), field="plan")


def change_by_hand(w: Writing, plan_id: str, plan: Plan) -> None:
    """Put a plan that was changed by hand in the place of an accepted one. Errors: BookError."""
    before = accepted(w, plan_id)
    done = {held.about.partition(":")[2] for held in of_plan(w, ReservationRow, plan_id, ReservationState.DONE)}
    was = {s.id: s.cuts for s in before.sheets}
    now = {s.id: s for s in plan.sheets}
    otherwise = [name for name in done if name in was and (name not in now or now[name].cuts != was[name])]
    otherwise += cut_and_moved(w, plan_id, before, plan)
    if otherwise:
        raise BookError("is cut already", field="sheet", value=some_of(sorted(otherwise)))
    if before.sheets == plan.sheets:
        raise BookError("is laid so already: nothing was changed", field="plan", value=plan_id)
    if was.keys() != now.keys():
        raise BookError("are not the sheets of this plan", field="plan", value=plan_id)
    w.change("plans", plan_id, None, body=write(plan))
    for held in of_plan(w, ReservationRow, plan_id, ReservationState.OPEN):
        kind, _, key = held.about.partition(":")
        if kind != "roll" or key not in now:
            continue
        ranks = ranks_of(now[key])
        if tuple(ranks) != held.ranks:
            w.change("reservations", held.id, None, ranks=dump(ranks))
            w.change("rolls", key, None, reserved_for=f"{plan_id}: {', '.join(ranks)}")


def cut_and_moved(w: Writing, plan_id: str, before: Plan, plan: Plan) -> list[str]:
    """Blanks that are cut out of their roll already and would lie elsewhere."""
    p = schema.pieces.c
    query = select(p.id).where(p.plan == plan_id, p.withdrawn.is_(False))
    gone = set(w.connection.execute(query).scalars().all())
    places = {(s.id, c.blank, c.x_mm, c.y_mm, c.turn_deg) for s in plan.sheets for c in s.cuts} if gone else set()
    return [
        c.blank
        for s in before.sheets
        for c in s.cuts
        if gone & set(piece_names(c.blank, plan_id)) and (s.id, c.blank, c.x_mm, c.y_mm, c.turn_deg) not in places
    ]


def give_up(w: Writing, plan_id: str) -> None:
    """Free what an accepted plan still keeps. Errors: BookError where it is not accepted."""
    _accepted_row(w, plan_id)
    w.change("plans", plan_id, None, state=PlanState.GIVEN_UP)
    for held in of_plan(w, ReservationRow, plan_id, ReservationState.OPEN):
        w.change("reservations", held.id, None, state=ReservationState.GIVEN_UP)
        kind, _, key = held.about.partition(":")
        roll = w.get(RollRow, key) if kind == "roll" else None
        if roll is not None and roll.state is RollState.RESERVED:
            free_roll(w, roll)
    for order in of_plan(w, CastOrderRow, plan_id, OrderState.TO_CAST):
        w.change("cast_orders", order.id, None, state=OrderState.GIVEN_UP)


def accepted(w: Writing, plan_id: str) -> Plan:
    """An accepted plan. Errors: BookError for any other."""
    return read(_accepted_row(w, plan_id).body, f"plan {plan_id!r}")


def accepted_ids(w: Writing) -> list[str]:
    """The plans that are accepted now."""
    p = schema.plans.c
    query = select(p.id).where(p.state == PlanState.ACCEPTED.value, p.withdrawn.is_(False)).order_by(p.id)
    return [str(key) for key in w.connection.execute(query).scalars()]


def _accepted_row(w: Writing, plan_id: str) -> PlanRow:
    row = w.get(PlanRow, plan_id)
    if row is None or row.state is not PlanState.ACCEPTED:
        raise BookError(
            "is not an accepted plan",
            field="plan",
            value=plan_id,
            allowed=some_listed(plan_id, known := accepted_ids(w)) or Text("none is accepted yet"),
            nearest=near(plan_id, known),
            example="" if known else "pipemetal plan accept chapel/plan.json",
        )
    return row


def ranks_of(sheet: CutSheet) -> list[str]:
    """The ranks that a sheet is cut for."""
    return sorted({cut.rank for cut in sheet.cuts})


def some_of(names: list[str]) -> str:
    """Some names of many, and how many more there are."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
