"""Melts: charged from lots and heels, corrected after an assay, poured into ingots; and what is left of each."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError, NotInBookError
from pipemetal.files.plain import parse_day
from pipemetal.melts.dross import MeltRecord
from pipemetal.shop.balances import balances_of
from pipemetal.shop.free import refuse_what_is_not_free
from pipemetal.shop.heels import StandingMelt, standing_melts
from pipemetal.shop.ledger import elements_ug, kilograms, move, share_of
from pipemetal.shop.melt_records import melt_records
from pipemetal.shop.rebooking import add_empty_lot, rebook
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import AnalysisRow, LotRow, MeltRow, RecipeRow
from pipemetal.shop.writer import Kept
from pipemetal.shop.writing import Writing, Written, dump
from pipemetal.texts import Amount, Text

__all__ = ["HeelIn", "Melts", "NewMelt", "enter_melt", "pour_ingots"]


@dataclass(frozen=True)
class HeelIn:
    """What was in the pot: of a melt of the book (all that is left of it where no mass is said), or a mass of a metal, kg."""

    of: str = ""
    mass_kg: float | None = None
    metal: Composition | None = None


NO_HEEL: Final = HeelIn()


@dataclass(frozen=True)
class NewMelt:
    """A melt to be booked: `inputs_kg` from lots by id, or from an earlier melt's heel as `melt:ID`.

    Dross takes its share of every element, or what `dross_metal` says where somebody has had it analysed. An assay of the
    melt changes the elements of its account. `plan`: the accepted plan that asked for it.
    """

    id: str
    recipe: str
    inputs_kg: Mapping[str, float]
    dross_kg: float = 0.0
    dross_metal: Composition | None = None
    assay: Composition | None = None
    day: str = ""
    note: str = ""
    plan: str = ""


class Melts(Kept[MeltRow]):
    """What goes into the pot and comes out of it."""

    KIND = MeltRow

    def record(self, melt: NewMelt) -> Written[None]:
        """Book a melt as somebody tells it, with its heel and its assay.

        Errors: NotFreeError where more is charged of lots than is free; BookError. Nothing is booked then.
        """
        with self._writer.writing(Action.MELT_CHARGED, f"melt:{melt.id}") as w:
            lots = {name: mass for name, mass in melt.inputs_kg.items() if not name.startswith("melt:")}
            refuse_what_is_not_free(w, lots, "")
            enter_melt(w, melt)
            return w.written()

    def charge(
        self,
        melt_id: str,
        recipe: str,
        weighed_kg: Mapping[str, float],
        *,
        heel: HeelIn = NO_HEEL,
        dross_kg: float = 0.0,
        day: str = "",
        note: str = "",
    ) -> Written[None]:
        """Book a melt that no plan asked for, with the masses as weighed by lot.

        A heel that the book did not know is counted in as a melt of its own, `ID heel`, so that its elements are followed
        too. Metal that plans have reserved is refused.
        Errors: NotFreeError that names every lot of which more was weighed than is free, BookError.
        """
        with self._writer.writing(Action.MELT_CHARGED, f"melt:{melt_id}") as w:
            if not weighed_kg:
                raise BookError("is empty", field="weighed_kg", allowed="what the scale said of one lot or more")
            refuse_what_is_not_free(w, weighed_kg, "")
            inputs = dict(weighed_kg)
            if heel.of:
                _standing(w, heel.of, "heel_of")
                held = kilograms(sum(w.stock(f"melt:{heel.of}").values()))
                inputs[f"melt:{heel.of}"] = held if heel.mass_kg is None else heel.mass_kg
            elif heel.mass_kg:
                if heel.metal is None:
                    raise BookError("is needed for metal that the book does not know", field="heel_metal")
                inputs[f"melt:{_count_in(w, melt_id, heel.mass_kg, heel.metal, day)}"] = heel.mass_kg
            _refuse_dross(dross_kg, sum(inputs.values()))
            enter_melt(w, NewMelt(melt_id, recipe, inputs, dross_kg, day=day, note=note))
            return w.written()

    def correct(
        self,
        melt_id: str,
        added_kg: Mapping[str, float],
        *,
        dross_kg: float = 0.0,
        version: int | None = None,
        note: str = "",
    ) -> Written[None]:
        """Book what was added to a melt after its assay, by lot.

        The melt's inputs and dross grow by it. Its assay was of the metal before, so it goes from the row into the note; an
        analysis entered later is the assay again. Metal reserved for other plans than the melt's own is refused.
        Errors: NotFreeError, StaleSaveError where `version` is not the melt's, BookError where nothing is left of the melt.
        """
        with self._writer.writing(Action.MELT_CORRECTED, f"melt:{melt_id}") as w:
            row, account = _standing(w, melt_id, "melt"), f"melt:{melt_id}"
            if not added_kg:
                raise BookError("holds nothing", field="added_kg")
            refuse_what_is_not_free(w, added_kg, row.plan)
            held = kilograms(sum(w.stock(account).values()))
            _refuse_dross(dross_kg, held + sum(added_kg.values()))
            inputs = row.inputs_kg
            for lot, mass in added_kg.items():
                inputs[lot] = inputs.get(lot, 0.0) + mass
                w.book(move(share_of(w.stock(f"lot:{lot}"), mass), f"lot:{lot}", account), why="added")
            skimmed = share_of(w.stock(account), dross_kg) if dross_kg else {}
            w.book(move(skimmed, account, "dross"), why="dross")
            before = f"assay before it was corrected: {row.assay}" if row.assay else ""
            w.change(
                "melts",
                melt_id,
                version,
                inputs=dump(inputs),
                dross_kg=row.dross_kg + dross_kg,
                assay="",
                note="; ".join(text for text in (row.note, before, note) if text),
                dross=_with(row.dross, skimmed) if row.dross else "",
            )
            return w.written()

    def to_lot(self, melt_id: str, lot_id: str, mass_kg: float) -> Written[None]:
        """Pour what is left of a melt into ingots of a new lot. Errors: BookError."""
        with self._writer.writing(Action.INGOTS_POURED, f"melt:{melt_id}") as w:
            pour_ingots(w, melt_id, lot_id, mass_kg)
            return w.written()

    def standing(self) -> tuple[StandingMelt, ...]:
        """Melts of which something is left, the latest first."""
        with self._writer.reading() as connection:
            held = balances_of(connection, "melt")
        lots = {row.id: row for row in self._writer.rows(LotRow, withdrawn=True)}
        return standing_melts(self.rows(), lots, self._writer.rows(AnalysisRow), held)

    def records(self) -> tuple[tuple[MeltRecord, ...], tuple[str, ...]]:
        """Melts as they were weighed in and out, for fitting the shop's own dross, and the ids of those that say nothing."""
        lots = {row.id: row for row in self._writer.rows(LotRow, withdrawn=True)}
        melts = {row.id: row for row in self.rows()}
        with self._writer.reading() as connection:
            return melt_records(connection, melts, lots)


def pour_ingots(w: Writing, melt_id: str, lot_id: str, mass_kg: float) -> None:
    """Ingots of a melt within an event: a lot of their own. Errors: BookError."""
    melt = w.get(MeltRow, melt_id)
    if melt is None:
        raise NotInBookError(field="melt", value=melt_id, known=w.ids_of("melts"))
    masses = share_of(w.stock(f"melt:{melt_id}"), mass_kg)
    add_empty_lot(w, lot_id, "ingot", melt.recipe, f"from melt {melt_id}", melt.day)
    w.book(move(masses, f"melt:{melt_id}", f"lot:{lot_id}"), why="ingots")


def enter_melt(w: Writing, melt: NewMelt) -> None:
    """A new melt within an event, with the metal that goes into it. Errors: BookError."""
    if w.get(RecipeRow, melt.recipe) is None:
        raise BookError("is not a recipe of this shop", field="recipe", value=melt.recipe)
    if not melt.inputs_kg:
        raise BookError("holds nothing", field="inputs_kg")
    account, metal = f"melt:{melt.id}", melt.dross_metal
    dross = elements_ug(melt.dross_kg, metal) if melt.dross_kg and metal is not None else {}
    w.add(
        "melts",
        melt.id,
        recipe=melt.recipe,
        day=parse_day(melt.day),
        inputs=dump(dict(melt.inputs_kg)),
        dross_kg=melt.dross_kg,
        assay=melt.assay.text() if melt.assay else "",
        note=melt.note,
        plan=melt.plan,
        dross=dump({e: kilograms(m) for e, m in dross.items()}) if dross else "",
    )
    for name, mass in melt.inputs_kg.items():
        heel = name.startswith("melt:")
        origin = name if heel else f"lot:{name}"
        try:
            w.book(move(share_of(w.stock(origin), mass), origin, account), why="heel" if heel else "charged")
        except BookError as error:
            raise error.at(name) from None
    if melt.dross_kg:
        w.book(move(dross or share_of(w.stock(account), melt.dross_kg), account, "dross"), why="dross")
    if melt.assay is not None:
        rebook(w, account, melt.assay)


def _count_in(w: Writing, melt_id: str, mass_kg: float, metal: Composition, day: str) -> str:
    """What was in the pot before a melt and the book did not know, as a melt of its own; gives its id."""
    before = f"{melt_id} heel"
    w.add(
        "melts",
        before,
        recipe="",
        day=parse_day(day),
        inputs="{}",
        dross_kg=0.0,
        assay=metal.text(),
        note=f"in the pot before melt {melt_id}",
        plan="",
        dross="",
    )
    w.book(move(elements_ug(mass_kg, metal), "counted", f"melt:{before}"), why="counted")
    return before


def _standing(w: Writing, melt_id: str, field: str) -> MeltRow:
    """The row of a melt of which something is left. Errors: BookError."""
    row = w.get(MeltRow, melt_id)
    if row is None:
        raise NotInBookError(field=field, value=melt_id, known=w.ids_of("melts"))
    if not w.stock(f"melt:{melt_id}"):
        raise BookError("holds no metal any more", field=field, value=melt_id)
    return row


def _with(told: str, more_ug: Mapping[str, int]) -> str:
    """Kilograms of dross by element, with more of it."""
    held: dict[str, float] = json.loads(told)
    for element, mass in more_ug.items():
        held[element] = held.get(element, 0.0) + kilograms(mass)
    return dump(held)


def _refuse_dross(dross_kg: float, in_pot_kg: float) -> None:
    if not 0.0 <= dross_kg < in_pot_kg:
        raise BookError(
            "is not what can be skimmed",
            field="dross_kg",
            value=dross_kg,
            allowed=Text("0 to below {in_pot_kg}", in_pot_kg=Amount(in_pot_kg, "", 3)),
        )
