"""An accepted plan done bit by bit, within one event: a roll cut as planned, a melt charged as planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import select

from pipemetal.errors import BookError, near, some_listed
from pipemetal.plans.record import Cut, CutSheet, Melt, Plan, planned_name
from pipemetal.sheets.roll import Roll
from pipemetal.shop import schema
from pipemetal.shop.accepting import accepted
from pipemetal.shop.as_planned import NotAsPlannedError, differences
from pipemetal.shop.cutting import Cutting, Piece, piece_names
from pipemetal.shop.free import refuse_what_is_not_free
from pipemetal.shop.ledger import kilograms
from pipemetal.shop.melts import NewMelt, enter_melt, pour_ingots
from pipemetal.shop.orders import Claim, free_numbers, of_plan, order_of, reserve
from pipemetal.shop.rows import LotRow, PieceRow, ReservationRow, ReservationState, RollRow
from pipemetal.shop.writing import Writing
from pipemetal.texts import Text

__all__ = ["WeighedMelt", "charge_as_planned", "cut_as_planned", "cut_one_as_planned"]

SLACK_MM: Final = 1e-4
"""What the independent check of a layout allows for floats."""


@dataclass(frozen=True)
class WeighedMelt:
    """A planned melt as it was charged: what it is called in the book, and what was weighed in by lot.

    No lots: the planned list. `heel_of`: the melt whose heel stayed in the pot. `dross_kg`: that of the plan where None.
    `sure`: what differs from the list is meant.
    """

    id: str
    weighed_kg: Mapping[str, float] | None = None
    heel_of: str = ""
    dross_kg: float | None = None
    day: str = ""
    note: str = ""
    sure: bool = True


def cut_as_planned(w: Writing, plan_id: str, roll_id: str, sheet: str | None, kerf_mm: float) -> tuple[str, ...]:
    """Cut a roll as an accepted plan has it; gives the ids of the remnants. Errors: BookError."""
    plan = accepted(w, plan_id)
    used = _sheet_of(w, plan, plan_id, roll_id, sheet)
    cutting = Cutting(w, roll_id, None, kerf_mm)
    gone = {p.id for p in cutting.gone if p.plan == plan_id}
    for cut in used.cuts:
        if not gone & set(piece_names(cut.blank, plan_id)):
            _take(cutting, plan, plan_id, cut)
    remnants = cutting.finish()
    for held in of_plan(w, ReservationRow, plan_id, ReservationState.OPEN):
        if held.about == f"roll:{roll_id}":
            w.change("reservations", held.id, None, state=ReservationState.DONE)
    return remnants


def cut_one_as_planned(w: Writing, plan_id: str, roll_id: str, blank: str, kerf_mm: float) -> None:
    """Cut one blank of a roll as an accepted plan has it; the roll stays where it is. Errors: BookError."""
    plan = accepted(w, plan_id)
    used = _sheet_of(w, plan, plan_id, roll_id, None)
    cut = next((c for c in used.cuts if c.blank == blank), None)
    if cut is None:
        raise BookError(
            "is not cut from this roll",
            field="blank",
            value=blank,
            allowed=some_listed(blank, [c.blank for c in used.cuts]),
        )
    cutting = Cutting(w, roll_id, None, kerf_mm, whole=False)
    if {p.id for p in cutting.gone if p.plan == plan_id} & set(piece_names(blank, plan_id)):
        raise BookError("is cut already", field="blank", value=blank)
    _take(cutting, plan, plan_id, cut)
    cutting.saw()


def _take(cutting: Cutting, plan: Plan, plan_id: str, cut: Cut) -> None:
    cutting.take(
        Piece(_piece_id(cutting.w, cut.blank, plan_id), _box_on(cutting.roll, cut)),
        cut.mass_kg,
        organ=plan.organ,
        plan=plan_id,
        rank=cut.rank,
        pipe=cut.pipe or cut.blank.removesuffix(f" {cut.kind}"),
    )


def _sheet_of(w: Writing, plan: Plan, plan_id: str, roll_id: str, sheet: str | None) -> CutSheet:
    """The sheet of a plan that a roll of the book is: named, or told by its cast, or called the same."""
    row = w.get(RollRow, roll_id)
    order = order_of(w, row.cast) if row is not None else None
    name = order.sheet if order is not None and order.plan == plan_id else roll_id
    names = (sheet,) if sheet else (roll_id, name)
    used = next((s for wanted in names for s in plan.sheets if s.id == wanted), None)
    if used is None:
        known = [s.id for s in plan.sheets]
        raise BookError(
            Text("is not cut by plan {plan_id}", plan_id=repr(plan_id)),
            field="roll",
            value=sheet or name,
            allowed=some_listed(sheet or name, known),
            nearest=near(sheet or name, known),
        )
    return used


def charge_as_planned(w: Writing, plan_id: str, melt: str, weighed: WeighedMelt) -> None:
    """Charge a melt of an accepted plan. Errors: NotAsPlannedError, NotFreeError, BookError."""
    plan = accepted(w, plan_id)
    planned = next((m for m in plan.melts if m.name == melt), None)
    if planned is None or planned.charge is None:
        known = [m.name for m in plan.melts if m.charge is not None]
        raise BookError(
            Text("is not charged by plan {plan_id}", plan_id=repr(plan_id)),
            field="melt",
            value=melt,
            allowed=some_listed(melt, known),
            nearest=near(melt, known),
        )
    if any(held.melt == melt for held in of_plan(w, ReservationRow, plan_id, ReservationState.DONE)):
        raise BookError(
            Text("is booked already for plan {plan_id}", plan_id=repr(plan_id)),
            field="melt",
            value=melt,
            allowed="undo of that booking first, or `melts --enter` for metal that no plan asked for",
        )
    inputs = _weighed_or_listed(planned, weighed)
    _pour_ingots(w, plan_id, plan, inputs)
    refuse_what_is_not_free(w, inputs, plan_id)
    if weighed.heel_of and planned.heel_kg:
        inputs[f"melt:{weighed.heel_of}"] = planned.heel_kg
    dross = planned.charge.dross_kg if weighed.dross_kg is None else weighed.dross_kg
    charged = NewMelt(weighed.id, planned.recipe, inputs, dross, day=weighed.day, note=weighed.note, plan=plan_id)
    enter_melt(w, charged)
    kept = [held for held in of_plan(w, ReservationRow, plan_id, ReservationState.OPEN) if held.melt == melt]
    for held in kept:
        w.change("reservations", held.id, None, state=ReservationState.DONE)
    if not kept:  # a melt of bought metal alone keeps nothing; that it is booked must stand somewhere
        number, about, mass = next(free_numbers(w, plan_id)), f"melt:{weighed.id}", sum(inputs.values())
        reserve(w, number, plan_id, plan.organ, Claim(about, mass, melt=melt, state=ReservationState.DONE))


def _pour_ingots(w: Writing, plan_id: str, plan: Plan, names: Iterable[str]) -> None:
    """Ingots of an earlier melt of the plan that are charged before anybody has booked them become the lot that the plan names.

    Only where the plan's melt is in the book and still holds metal; the booked melt's id ends in the planned name.
    """
    for name in names:
        melt = plan.ingots_of.get(name)
        if melt is None or melt.charge is None or w.get(LotRow, name) is not None:
            continue
        query = select(schema.melts.c.id).where(schema.melts.c.plan == plan_id, schema.melts.c.withdrawn.is_(False))
        booked = [key for key in w.connection.execute(query).scalars() if planned_name(key, plan) == melt.name]
        held = w.stock(f"melt:{booked[0]}") if booked else {}
        if held:
            mass_kg = min(melt.charge.ingots_kg, kilograms(sum(held.values())))
            pour_ingots(w, booked[0], name, mass_kg)


def _weighed_or_listed(planned: Melt, weighed: WeighedMelt) -> dict[str, float]:
    """What was weighed in by lot, as planned where nothing is told. Errors: NotAsPlannedError, BookError."""
    bought = [line.id for line in planned.lots if line.kind == "buy"]
    if weighed.weighed_kg is None and bought:
        raise BookError(
            Text("needs metal that is still to be bought: {names}", names=", ".join(bought)),
            field="melt",
            value=planned.name,
            allowed="the masses as weighed, from lots of the book",
        )
    inputs = dict(weighed.weighed_kg or {line.id: line.mass_kg for line in planned.lots})
    differs = differences(planned, inputs, weighed.heel_of)
    if differs and not weighed.sure:
        raise NotAsPlannedError(planned.name, differs)
    return inputs


def _piece_id(w: Writing, blank: str, plan_id: str) -> str:
    """The blank's own id, with the plan's where another piece has it."""
    first, other = piece_names(blank, plan_id)
    return first if w.get(PieceRow, first) is None else other


def _box_on(roll: Roll, cut: Cut) -> tuple[float, float, float, float]:
    """Where a planned blank lies on the roll that is there. Errors: BookError where the roll is smaller than planned."""
    x, y = cut.x_mm, cut.y_mm
    right, high = roll.length_mm - roll.trim_mm, roll.width_mm - roll.trim_mm
    if x + cut.length_mm > right + SLACK_MM or y + cut.width_mm > high + SLACK_MM:
        raise BookError(
            Text("does not reach for blank {blank} as planned", blank=repr(cut.blank)),
            field="roll",
            value=roll.id,
            allowed="plan again from the book, or cut by hand",
        )
    return x, y, min(x + cut.length_mm, right), min(y + cut.width_mm, high)
