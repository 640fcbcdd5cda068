"""What accepted plans keep for themselves within an event: reservations, and the sheets that are cast for them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from sqlalchemy import func, select

from pipemetal.shop import schema
from pipemetal.shop.ledger import kilograms
from pipemetal.shop.rows import (
    CastOrderRow,
    OrderState,
    PlanRow,
    PlanState,
    ReservationRow,
    ReservationState,
    RollState,
)
from pipemetal.shop.writing import Writing

__all__ = ["Claim", "free_numbers", "of_plan", "order_of", "reserve", "reserve_as_ordered"]

Kept = TypeVar("Kept", ReservationRow, CastOrderRow)


def free_numbers(w: Writing, plan_id: str) -> Iterator[int]:
    """Numbers for a plan's reservations and cast orders that no earlier acceptance of it has used."""
    used = 0
    for table in (schema.reservations, schema.cast_orders):
        query = select(func.count()).where(table.c.plan == plan_id, table.c.withdrawn.is_(False))
        used += int(w.connection.execute(query).scalar() or 0)
    return itertools.count(used + 1)


def of_plan(w: Writing, kind: type[Kept], plan_id: str, state: StrEnum) -> list[Kept]:
    """What a plan keeps, in one state, by id."""
    held = schema.TABLES[kind.TABLE]
    query = select(held).where(held.c.plan == plan_id, held.c.state == state.value, held.c.withdrawn.is_(False))
    return [kind.of(dict(row)) for row in w.connection.execute(query.order_by(held.c.id)).mappings()]


@dataclass(frozen=True)
class Claim:
    """What a plan keeps: `about` is `roll:ID` for ranks (JSON), or `lot:ID` for a melt."""

    about: str
    mass_kg: float
    ranks: str = "[]"
    melt: str = ""
    state: ReservationState = ReservationState.OPEN


def reserve(
    w: Writing,
    number: int,
    plan_id: str,
    organ: str,
    claim: Claim,
) -> None:
    """Keep a roll or metal of a lot for a plan."""
    w.add(
        "reservations",
        f"{plan_id}/{number}",
        plan=plan_id,
        about=claim.about,
        organ=organ,
        ranks=claim.ranks,
        melt=claim.melt,
        mass_kg=claim.mass_kg,
        state=claim.state,
    )


def order_of(w: Writing, cast: str) -> CastOrderRow | None:
    """The line of an accepted plan's cast list that a cast fulfilled."""
    if not cast:
        return None
    c, p = schema.cast_orders.c, schema.plans.c
    query = (
        select(schema.cast_orders)
        .join(schema.plans, c.plan == p.id)
        .where(
            c.cast == cast,
            c.state == OrderState.CAST.value,
            c.withdrawn.is_(False),
            p.state == PlanState.ACCEPTED.value,
        )
    )
    found = w.connection.execute(query).mappings().first()
    return None if found is None else CastOrderRow.of(dict(found))


def reserve_as_ordered(w: Writing, roll_id: str, cast: str) -> None:
    """A sheet that was cast for an accepted plan is reserved for it."""
    order = order_of(w, cast)
    if order is None:
        return
    w.change("rolls", roll_id, None, state=RollState.RESERVED, reserved_for=f"{order.plan}: sheet {order.sheet}")
    plan = w.get(PlanRow, order.plan)
    mass = kilograms(sum(w.stock(f"roll:{roll_id}").values()))
    number = next(free_numbers(w, order.plan))
    reserve(w, number, order.plan, plan.organ if plan else "", Claim(f"roll:{roll_id}", mass))
