"""Plans in the book: kept by version, accepted with reservations and a cast list, given up, changed by hand; and organs."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from sqlalchemy import func, select

from pipemetal.errors import BookError, NotInBookError
from pipemetal.plans.codec import read, write
from pipemetal.plans.record import Plan
from pipemetal.shop import schema
from pipemetal.shop.accepting import accept, change_by_hand, give_up
from pipemetal.shop.doing import WeighedMelt, charge_as_planned, cut_as_planned, cut_one_as_planned
from pipemetal.shop.resting import RestsOn, rests_on
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import (
    CastOrderRow,
    OrderState,
    OrganRow,
    PlanRow,
    PlanState,
    ReservationRow,
    ReservationState,
    state_of,
)
from pipemetal.shop.taking import take_anew
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Writing, Written

__all__ = ["KnownPlan", "Plans"]

R = TypeVar("R", ReservationRow, CastOrderRow)


@dataclass(frozen=True)
class KnownPlan:
    """A plan without its body."""

    id: str
    organ: str
    made_at: str
    state: PlanState


class Plans:
    """What the shop means to make, and what is kept for it."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def keep(self, plan: Plan) -> Written[str]:
        """Keep a plan; every plan of an organ is a version of its own. Gives the plan's id."""
        with self._writer.writing(Action.PLAN_KEPT, f"organ:{plan.organ}") as w:
            return Written(w.event_id, _keep(w, plan, PlanState.KEPT))

    def accept(self, plan: Plan | str) -> Written[str]:
        """Accept a plan, or one that is kept by its id; gives the plan's id.

        Its rolls are reserved for their ranks, what its melts charge is reserved of the lots, and its sheets go to the cast
        list. Metal that is to be bought is not reserved. All or nothing.
        Errors: BookError that names every roll that is not free and every lot that does not hold enough.
        """
        about = f"plan:{plan if isinstance(plan, str) else plan.organ}"
        with self._writer.writing(Action.PLAN_ACCEPTED, about) as w:
            if isinstance(plan, str):
                plan_id, row = plan, w.get(PlanRow, plan)
                if row is None:
                    raise NotInBookError(field="plan", value=plan, known=w.ids_of("plans"))
                if row.state is PlanState.ACCEPTED:
                    raise BookError("is accepted already", field="plan", value=plan)
                w.change("plans", plan, None, state=PlanState.ACCEPTED)
                plan = read(row.body, f"plan {plan_id!r}")
            else:
                plan_id = _keep(w, plan, PlanState.ACCEPTED)
            accept(w, plan_id, plan)
            return Written(w.event_id, plan_id)

    def change(self, plan_id: str, plan: Plan) -> Written[None]:
        """Put a plan that was changed by hand in the place of an accepted one, under the same id.

        Which blanks lie on which sheets may have changed. What is cut, charged and cast stays booked, what is reserved stays
        reserved, now for the ranks that lie there. `undo` of the event brings the plan back as it was.
        Errors: BookError where the plan is not accepted, or a sheet that is cut already would be cut otherwise.
        """
        with self._writer.writing(Action.PLAN_CHANGED, f"plan:{plan_id}") as w:
            change_by_hand(w, plan_id, plan)
            return w.written()

    def take(self, plan_id: str, plan: Plan) -> Written[None]:
        """Put a plan that was planned anew in the place of an accepted one, under the same id.

        Rolls and lots are kept, and the cast list stands, as the new plan wants them; what is cut, charged and cast stays booked.
        `undo` of the event brings all of it back as it was.
        Errors: BookError where the plan is not accepted, a sheet that is cut would be cut otherwise, or metal is not free.
        """
        with self._writer.writing(Action.PLAN_ANEW, f"plan:{plan_id}") as w:
            take_anew(w, plan_id, plan)
            return w.written()

    def give_up(self, plan_id: str) -> Written[None]:
        """Take an accepted plan back in one step.

        What it still reserves is free again and its sheets leave the cast list. What was cut, charged and cast stays booked.
        Errors: BookError where the plan is not accepted.
        """
        with self._writer.writing(Action.PLAN_GIVEN_UP, f"plan:{plan_id}") as w:
            give_up(w, plan_id)
            return w.written()

    def cut(
        self, plan_id: str, roll_id: str, *, sheet: str | None = None, kerf_mm: float = 1.0
    ) -> Written[tuple[str, ...]]:
        """Book a roll or sheet of an accepted plan as cut, as planned; gives the ids of the remnants.

        `sheet`: the plan's name for it, where it has another id in the book; told by its cast where that was logged for the plan.
        Every blank becomes a piece with roll and place, remnants go to the rack, kerf and offcuts are booked. `undo` of the
        event takes it back. Errors: BookError where the plan does not cut this roll or it is cut already.
        """
        with self._writer.writing(Action.PLANNED_ROLL_CUT, f"roll:{roll_id}") as w:
            return Written(w.event_id, cut_as_planned(w, plan_id, roll_id, sheet, kerf_mm))

    def cut_one(self, plan_id: str, roll_id: str, blank: str, *, kerf_mm: float = 1.0) -> Written[None]:
        """Book one blank of a roll of an accepted plan as cut; the roll stays on the rack, and the rest of it is cut later.

        The blank becomes a piece with roll and place, its kerf is booked. A plan taken anew leaves it where it lies; where the
        plan is given up, nothing more is planned on its place. Errors: BookError where the plan does not cut this blank from
        this roll or it is cut already.
        """
        with self._writer.writing(Action.PLANNED_BLANK_CUT, f"roll:{roll_id}") as w:
            cut_one_as_planned(w, plan_id, roll_id, blank, kerf_mm)
            return w.written()

    def rests_on(self, plan_id: str) -> tuple[RestsOn, ...]:
        """What the plan was worked out around and was taken back since it was taken; nothing where all of it stands."""
        with self._writer.reading() as connection:
            return rests_on(connection, plan_id)

    def charge(self, plan_id: str, melt: str, weighed: WeighedMelt) -> Written[None]:
        """Book a melt of an accepted plan as charged, under an id of its own.

        Errors: NotAsPlannedError where it is not said to be meant; NotFreeError where more was weighed than is free of other
        plans; BookError where the plan holds no such melt, it is booked already, or its list names metal still to be bought.
        """
        with self._writer.writing(Action.MELT_CHARGED, f"melt:{weighed.id}") as w:
            charge_as_planned(w, plan_id, melt, weighed)
            return w.written()

    def all(self) -> list[KnownPlan]:
        """All plans without their bodies, latest first."""
        p = schema.plans.c
        query = select(p.id, p.organ, p.made_at, p.state).where(p.withdrawn.is_(False))
        with self._writer.reading() as connection:
            rows = connection.execute(query.order_by(p.made_at.desc(), p.id.desc())).all()
        return [KnownPlan(a, b, c, state_of(PlanState, d, f"plan {a}")) for a, b, c, d in rows]

    def plan(self, plan_id: str | None = None) -> Plan | None:
        """A plan, the latest where no id is given; None where the book holds none. Errors: BookError, FileFormatError."""
        if plan_id is None:
            known = self.all()
            if not known:
                return None
            plan_id = known[0].id
        return read(self.row(plan_id).body, f"plan {plan_id!r}")

    def state(self, plan_id: str) -> PlanState:
        """The state of a plan. Errors: BookError for a plan that is not in the book."""
        return self.row(plan_id).state

    def row(self, plan_id: str) -> PlanRow:
        """A plan as it stands in the book, with its version. Errors: BookError."""
        return self._writer.row(PlanRow, plan_id)

    def reservations(
        self, plan_id: str | None = None, *, state: ReservationState | None = ReservationState.OPEN
    ) -> list[ReservationRow]:
        """What plans have reserved: rolls with their ranks, and kilograms of lots with their melts."""
        return self._kept(ReservationRow, plan_id, state)

    def cast_list(
        self, plan_id: str | None = None, *, state: OrderState | None = OrderState.TO_CAST
    ) -> list[CastOrderRow]:
        """Sheets to cast for accepted plans, in the order of their pours."""
        kept = self._kept(CastOrderRow, plan_id, state)
        return sorted(kept, key=lambda row: (row.plan, row.day, row.number))

    def _kept(self, kind: type[R], plan_id: str | None, state: StrEnum | None) -> list[R]:
        held = schema.TABLES[kind.TABLE]
        query = select(held).where(held.c.withdrawn.is_(False)).order_by(held.c.id)
        if plan_id is not None:
            query = query.where(held.c.plan == plan_id)
        if state is not None:
            query = query.where(held.c.state == str(state))
        return self._writer.found(kind, query)

    def add_organ(self, name: str, body: str) -> Written[str]:
        """Keep the text of an organ file; every text is a version of its own. Gives its id."""
        with self._writer.writing(Action.ORGAN_KEPT, f"organ:{name}") as w:
            count = select(func.count()).where(schema.organs.c.id.startswith(f"{name} #", autoescape=True))
            number = int(w.connection.execute(count).scalar() or 0) + 1
            key = f"{name} #{number}"
            w.add("organs", key, body=body)
            return Written(w.event_id, key)

    def organ(self, organ_id: str) -> str:
        """The text of an organ file. Errors: BookError."""
        return self._writer.row(OrganRow, organ_id).body

    def organs(self) -> dict[str, str]:
        """The texts of all organ files by id."""
        return {row.id: row.body for row in self._writer.rows(OrganRow)}


def _keep(w: Writing, plan: Plan, state: PlanState) -> str:
    organ, p = plan.organ, schema.plans.c
    number = int(w.connection.execute(select(func.count()).where(p.organ == organ)).scalar() or 0) + 1
    key = f"{organ[:150]} #{number}"
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    w.add("plans", key, organ=organ, made_at=now, body=write(plan), state=state)
    return key
