"""Plans in the book: kept by version, accepted with reservations and a cast list, given up, and booked as done bit by bit."""

from __future__ import annotations

import datetime
import itertools
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import func, select

from pipemetal.errors import BookError
from pipemetal.plans.codec import pour_from_value, read, with_table, write
from pipemetal.plans.record import Cut, CutSheet, Plan
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop import schema
from pipemetal.shop.as_planned import NotAsPlannedError, differences
from pipemetal.shop.base import Writing, dump
from pipemetal.shop.catalogue import Catalogue, Cutting, Piece
from pipemetal.shop.free import refuse_what_is_not_free
from pipemetal.shop.ledger import kilograms
from pipemetal.shop.metal import Metal

__all__ = ["PLAN_STATES", "Accepting"]

PLAN_STATES: Final = ("kept", "accepted", "given up")
MOST_NAMED: Final = 10
SLACK_MM: Final = 1e-4
"""What the independent check of a layout allows for floats."""


class Accepting(Catalogue, Metal):
    """Plans and what they keep for themselves."""

    def add_plan(self, plan: Plan) -> tuple[int, str]:
        """Keep a plan; every plan of an organ is a version of its own. Gives the event and the plan's id."""
        with self.writing("plan kept", f"organ:{plan.organ}") as w:
            return w.event_id, _keep(w, plan, "kept")

    def plans(self) -> list[tuple[str, str, str]]:
        """All plans, latest first: id, organ, when."""
        p = schema.plans.c
        query = select(p.id, p.organ, p.made_at).where(p.withdrawn.is_(False)).order_by(p.made_at.desc(), p.id.desc())
        with self.reading() as connection:
            return [(a, b, c) for a, b, c in connection.execute(query)]

    def plan(self, plan_id: str | None = None) -> Plan | None:
        """A plan, the latest where no id is given; None where the book holds none. Errors: BookError, FileFormatError."""
        if plan_id is None:
            found = self.plans()
            if not found:
                return None
            plan_id = found[0][0]
        return read(self.row("plans", plan_id)["body"], f"plan {plan_id!r}")

    def plan_state(self, plan_id: str) -> str:
        """One of PLAN_STATES. Errors: BookError for a plan that is not in the book."""
        return str(self.row("plans", plan_id)["state"])

    def accept_plan(self, plan: Plan | str) -> tuple[int, str]:
        """Accept a plan, or one that is kept by its id; gives the event and the plan's id.

        Its rolls are reserved for their ranks, what its melts charge is reserved of the lots, and its sheets go to the cast
        list. Metal that is to be bought is not reserved. All or nothing.
        Errors: BookError that names every roll that is not free and every lot that does not hold enough.
        """
        with self.writing("plan accepted", f"plan:{plan if isinstance(plan, str) else plan.organ}") as w:
            if isinstance(plan, str):
                plan_id, row = plan, w.row("plans", plan)
                if row is None or row["withdrawn"]:
                    raise BookError("is not in the book", field="plan", value=plan)
                if row["state"] == "accepted":
                    raise BookError("is accepted already", field="plan", value=plan)
                w.change("plans", plan, None, state="accepted")
                plan = read(row["body"], f"plan {plan_id!r}")
            else:
                plan_id = _keep(w, plan, "accepted")
            numbers = _numbers(w, plan_id)
            self._reserve_rolls(w, plan_id, plan, numbers)
            self._reserve_lots(w, plan_id, plan, numbers)
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
                    state="to cast",
                    cast="",
                )
            return w.event_id, plan_id

    def _reserve_rolls(self, w: Writing, plan_id: str, plan: Plan, numbers: Iterator[int]) -> None:
        refused = []
        for used, number in zip(plan.rolls_used, numbers, strict=False):
            row = w.row("rolls", used.id)
            if row is None or row["withdrawn"] or row["state"] != "on rack":
                why = "not in the book" if row is None or row["withdrawn"] else row["reserved_for"] or row["state"]
                refused.append(f"{used.id} ({why})")
                continue
            ranks = _ranks(used)
            w.change("rolls", used.id, None, state="reserved", reserved_for=f"{plan_id}: {', '.join(ranks)}")
            w.add(
                "reservations",
                f"{plan_id}/{number}",
                plan=plan_id,
                about=f"roll:{used.id}",
                organ=plan.organ,
                ranks=dump(ranks),
                melt="",
                mass_kg=used.mass_kg,
                state="open",
            )
        if refused:
            raise BookError(f"cannot be accepted, rolls are not free: {_some(refused)}", field="plan")

    def _reserve_lots(self, w: Writing, plan_id: str, plan: Plan, numbers: Iterator[int]) -> None:
        taken, short = _reserved_kg(w), []
        lines = [(melt.name, line) for melt in plan.melts for line in melt.lots if line.kind != "buy"]
        for (melt, line), number in zip(lines, numbers, strict=False):
            account = f"lot:{line.id}"
            free = kilograms(sum(w.stock(account).values())) - taken[account]
            if line.mass_kg > free + 0.01:
                short.append(f"{line.id} ({melt} needs {line.mass_kg:.2f} kg, {max(free, 0.0):.2f} kg are free)")
            taken[account] += line.mass_kg
            w.add(
                "reservations",
                f"{plan_id}/{number}",
                plan=plan_id,
                about=account,
                organ=plan.organ,
                ranks="[]",
                melt=melt,
                mass_kg=line.mass_kg,
                state="open",
            )
        if short:
            raise BookError(f"cannot be accepted, lots are too small: {_some(short)}", field="plan")

    def change_plan(self, plan_id: str, plan: Plan) -> int:
        """Put a plan that was changed by hand in the place of an accepted one, under the same id; gives the event.

        Which blanks lie on which sheets may have changed. What is cut, charged and cast stays booked, what is reserved stays
        reserved, now for the ranks that lie there. `undo` of the event brings the plan back as it was.
        Errors: BookError where the plan is not accepted, or a sheet that is cut already would be cut otherwise.
        """
        with self.writing("plan changed by hand", f"plan:{plan_id}") as w:
            before = _accepted(w, plan_id)
            done = {h["about"].partition(":")[2] for h in _open(w, "reservations", plan_id, "done")}
            was = {s.id: s.cuts for s in before.sheets}
            now = {s.id: s for s in plan.sheets}
            otherwise = [name for name in done if name in was and (name not in now or now[name].cuts != was[name])]
            if otherwise:
                raise BookError("is cut already", field="sheet", value=_some(sorted(otherwise)))
            if before.sheets == plan.sheets:
                raise BookError("is laid so already: nothing was changed", field="plan", value=plan_id)
            if was.keys() != now.keys():
                raise BookError("are not the sheets of this plan", field="plan", value=plan_id)
            w.change("plans", plan_id, None, body=write(plan))
            for held in _open(w, "reservations", plan_id, "open"):
                kind, _, key = held["about"].partition(":")
                if kind != "roll" or key not in now:
                    continue
                ranks = _ranks(now[key])
                if dump(ranks) != held["ranks"]:
                    w.change("reservations", held["id"], None, ranks=dump(ranks))
                    w.change("rolls", key, None, reserved_for=f"{plan_id}: {', '.join(ranks)}")
            return w.event_id

    def give_up_plan(self, plan_id: str) -> int:
        """Take an accepted plan back in one step; gives the event.

        What it still reserves is free again and its sheets leave the cast list. What was cut, charged and cast stays booked.
        Errors: BookError where the plan is not accepted.
        """
        with self.writing("plan given up", f"plan:{plan_id}") as w:
            row = w.row("plans", plan_id)
            if row is None or row["withdrawn"] or row["state"] != "accepted":
                raise BookError("is not an accepted plan", field="plan", value=plan_id)
            w.change("plans", plan_id, None, state="given up")
            for held in _open(w, "reservations", plan_id, "open"):
                w.change("reservations", held["id"], None, state="given up")
                kind, _, key = held["about"].partition(":")
                if kind == "roll":
                    roll = w.row("rolls", key)
                    if roll is not None and roll["state"] == "reserved":
                        w.change("rolls", key, None, state="on rack", reserved_for="")
            for order in _open(w, "cast_orders", plan_id, "to cast"):
                w.change("cast_orders", order["id"], None, state="given up")
            return w.event_id

    def _enter_roll(
        self,
        w: Writing,
        roll: Roll,
        readings: Sequence[Reading],
        cast: str,
        note: str,
        origin: str | None,
        day: str = "",
        values: Mapping[str, Any] | None = None,
    ) -> None:
        """As the catalogue does; a sheet cast for an accepted plan is reserved for it at once."""
        super()._enter_roll(w, roll, readings, cast, note, origin, day, values)
        order = _order_of(w, cast)
        if order is None:
            return
        plan = order["plan"]
        w.change("rolls", roll.id, None, state="reserved", reserved_for=f"{plan}: sheet {order['sheet']}")
        organ = (w.row("plans", plan) or {"organ": ""})["organ"]
        w.add(
            "reservations",
            f"{plan}/{next(_numbers(w, plan))}",
            plan=plan,
            about=f"roll:{roll.id}",
            organ=organ,
            ranks="[]",
            melt="",
            mass_kg=kilograms(sum(w.stock(f"roll:{roll.id}").values())),
            state="open",
        )

    def cut_planned(
        self, plan_id: str, roll_id: str, *, sheet: str | None = None, kerf_mm: float = 1.0
    ) -> tuple[int, tuple[str, ...]]:
        """Book a roll or sheet of an accepted plan as cut, as planned; gives the event and the ids of the remnants.

        `sheet`: the plan's name for it, where it has another id in the book; told by its cast where that was logged for the plan.
        Every blank becomes a piece with roll and place, remnants go to the rack, kerf and offcuts are booked. `undo` of the
        event takes it back. Errors: BookError where the plan does not cut this roll or it is cut already.
        """
        with self.writing("planned roll cut", f"roll:{roll_id}") as w:
            plan = _accepted(w, plan_id)
            row = w.row("rolls", roll_id)
            order = _order_of(w, row["cast"]) if row is not None else None
            name = sheet or (order["sheet"] if order is not None and order["plan"] == plan_id else roll_id)
            used = next((s for s in plan.sheets if s.id == name), None)
            if used is None:
                raise BookError(f"is not cut by plan {plan_id!r}", field="roll", value=name)
            cutting = Cutting(w, roll_id, None, kerf_mm)
            for cut in used.cuts:
                box = _box_on(cutting.roll, cut)
                cutting.take(
                    Piece(_piece_id(w, cut.blank, plan_id), box),
                    cut.mass_kg,
                    organ=plan.organ,
                    plan=plan_id,
                    rank=cut.rank,
                    pipe=cut.pipe or cut.blank.removesuffix(f" {cut.kind}"),
                )
            remnants = cutting.finish()
            for held in _open(w, "reservations", plan_id, "open"):
                if held["about"] == f"roll:{roll_id}":
                    w.change("reservations", held["id"], None, state="done")
            return w.event_id, remnants

    def charge_planned(
        self,
        plan_id: str,
        melt: str,
        melt_id: str,
        *,
        weighed_kg: Mapping[str, float] | None = None,
        heel_of: str = "",
        dross_kg: float | None = None,
        day: str = "",
        note: str = "",
        sure: bool = True,
    ) -> int:
        """Book a melt of an accepted plan as charged, under an id of its own; gives the event.

        `weighed_kg`: what was really weighed in by lot, the planned list where None. `heel_of`: the melt whose heel stayed in
        the pot. `sure`: what differs from the list is meant.
        Errors: NotAsPlannedError where it is not said to be meant; NotFreeError where more was weighed than is free of other
        plans; BookError where the plan holds no such melt, it is booked already, or its list names metal still to be bought.
        """
        with self.writing("melt charged", f"melt:{melt_id}") as w:
            plan = _accepted(w, plan_id)
            planned = next((m for m in plan.melts if m.name == melt), None)
            if planned is None or planned.charge is None:
                raise BookError(f"is not charged by plan {plan_id!r}", field="melt", value=melt)
            if any(held["melt"] == melt for held in _open(w, "reservations", plan_id, "done")):
                raise BookError(
                    f"is booked already for plan {plan_id!r}",
                    field="melt",
                    value=melt,
                    allowed="undo of that booking first, or `melts --add` for metal that no plan asked for",
                )
            bought = [line.id for line in planned.lots if line.kind == "buy"]
            if weighed_kg is None and bought:
                raise BookError(
                    f"needs metal that is still to be bought: {', '.join(bought)}",
                    field="melt",
                    value=melt,
                    allowed="the masses as weighed, from lots of the book",
                )
            inputs = dict(weighed_kg or {line.id: line.mass_kg for line in planned.lots})
            differs = differences(planned, inputs, heel_of)
            if differs and not sure:
                raise NotAsPlannedError(melt, differs)
            refuse_what_is_not_free(w, inputs, plan_id)
            if heel_of and planned.heel_kg:
                inputs[f"melt:{heel_of}"] = planned.heel_kg
            dross = planned.charge.dross_kg if dross_kg is None else dross_kg
            self._enter_melt(w, melt_id, planned.recipe, inputs, dross, None, None, day, note, plan_id)
            kept = [held for held in _open(w, "reservations", plan_id, "open") if held["melt"] == melt]
            for held in kept:
                w.change("reservations", held["id"], None, state="done")
            if not kept:  # a melt of bought metal alone keeps nothing; that it is booked must stand somewhere
                w.add(
                    "reservations",
                    f"{plan_id}/{next(_numbers(w, plan_id))}",
                    plan=plan_id,
                    about=f"melt:{melt_id}",
                    organ=plan.organ,
                    ranks="[]",
                    melt=melt,
                    mass_kg=sum(inputs.values()),
                    state="done",
                )
            return w.event_id

    def reservations(self, plan_id: str | None = None, *, state: str | None = "open") -> list[dict[str, Any]]:
        """What plans have reserved: rolls with their ranks, and kilograms of lots with their melts."""
        return [
            row | {"ranks": json.loads(row["ranks"])}
            for row in self.rows("reservations")
            if plan_id in (None, row["plan"]) and state in (None, row["state"])
        ]

    def cast_list(self, plan_id: str | None = None, *, state: str | None = "to cast") -> list[dict[str, Any]]:
        """Sheets to cast for accepted plans, in the order of their pours; `pour` is the planned pour."""
        rows = [r for r in self.rows("cast_orders") if plan_id in (None, r["plan"]) and state in (None, r["state"])]
        rows.sort(key=lambda r: (r["plan"], r["day"], r["number"]))
        return [
            {k: v for k, v in row.items() if k != "body"} | {"pour": pour_from_value(json.loads(row["body"]))}
            for row in rows
        ]

    def reserved_kg(self, *, but: str = "") -> dict[str, float]:
        """Kilograms of lots that accepted plans have reserved, by lot; those of one plan may be left out."""
        held: dict[str, float] = defaultdict(float)
        for row in self.reservations():
            kind, _, key = row["about"].partition(":")
            if kind == "lot" and not (but and row["plan"] == but):
                held[key] += row["mass_kg"]
        return dict(held)


def _ranks(sheet: CutSheet) -> list[str]:
    return sorted({cut.rank for cut in sheet.cuts})


def _keep(w: Writing, plan: Plan, state: str) -> str:
    organ, p = plan.organ, schema.plans.c
    number = int(w.connection.execute(select(func.count()).where(p.organ == organ)).scalar() or 0) + 1
    key = f"{organ[:150]} #{number}"
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    w.add("plans", key, organ=organ, made_at=now, body=write(plan), state=state)
    return key


def _accepted(w: Writing, plan_id: str) -> Plan:
    row = w.row("plans", plan_id)
    if row is None or row["withdrawn"] or row["state"] != "accepted":
        raise BookError("is not an accepted plan", field="plan", value=plan_id)
    return read(row["body"], f"plan {plan_id!r}")


def _open(w: Writing, table: str, plan_id: str, state: str) -> list[dict[str, Any]]:
    held = schema.TABLES[table]
    query = select(held).where(held.c.plan == plan_id, held.c.state == state, held.c.withdrawn.is_(False))
    return [dict(row) for row in w.connection.execute(query.order_by(held.c.id)).mappings()]


def _order_of(w: Writing, cast: str) -> dict[str, Any] | None:
    """The line of an accepted plan's cast list that a cast fulfilled."""
    if not cast:
        return None
    c, p = schema.cast_orders.c, schema.plans.c
    query = (
        select(schema.cast_orders)
        .join(schema.plans, c.plan == p.id)
        .where(c.cast == cast, c.state == "cast", c.withdrawn.is_(False), p.state == "accepted")
    )
    found = w.connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def _numbers(w: Writing, plan_id: str) -> Iterator[int]:
    """Numbers for a plan's reservations and cast orders that no earlier acceptance of it has used."""
    used = 0
    for table in (schema.reservations, schema.cast_orders):
        query = select(func.count()).where(table.c.plan == plan_id, table.c.withdrawn.is_(False))
        used += int(w.connection.execute(query).scalar() or 0)
    return itertools.count(used + 1)


def _reserved_kg(w: Writing) -> dict[str, float]:
    r = schema.reservations.c
    query = select(r.about, func.sum(r.mass_kg)).where(r.state == "open", r.withdrawn.is_(False)).group_by(r.about)
    return defaultdict(float, {about: float(mass) for about, mass in w.connection.execute(query)})


def _piece_id(w: Writing, blank: str, plan_id: str) -> str:
    """The blank's own id, with the plan's where another piece has it."""
    held = w.row("pieces", blank)
    return blank if held is None or held["withdrawn"] else f"{blank[:100]} ({plan_id[:90]})"


def _box_on(roll: Roll, cut: Cut) -> tuple[float, float, float, float]:
    """Where a planned blank lies on the roll that is there. Errors: BookError where the roll is smaller than planned."""
    x, y = cut.x_mm, cut.y_mm
    right, high = roll.length_mm - roll.trim_mm, roll.width_mm - roll.trim_mm
    if x + cut.length_mm > right + SLACK_MM or y + cut.width_mm > high + SLACK_MM:
        raise BookError(
            f"does not reach for blank {cut.blank!r} as planned",
            field="roll",
            value=roll.id,
            allowed="plan again from the book, or cut by hand",
        )
    return x, y, min(x + cut.length_mm, right), min(y + cut.width_mm, high)


def _some(names: list[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
