"""The pot without a plan: a melt charged from what is free on the floor, and one corrected after its assay."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.files.plain import parse_day
from pipemetal.shop.accepting import Accepting
from pipemetal.shop.base import Writing, dump
from pipemetal.shop.free import refuse_what_is_not_free
from pipemetal.shop.ledger import elements_ug, kilograms, move, share_of

__all__ = ["Pot"]


class Pot(Accepting):
    """Melts that no plan asked for, and what is added to a melt later."""

    def charge(
        self,
        melt_id: str,
        recipe: str,
        weighed_kg: Mapping[str, float],
        *,
        heel_of: str = "",
        heel_kg: float | None = None,
        heel_metal: Composition | None = None,
        dross_kg: float = 0.0,
        day: str = "",
        note: str = "",
    ) -> int:
        """Book a melt that no plan asked for, with the masses as weighed by lot; gives the event.

        The heel: of a melt of the book (`heel_of`, all that is left of it where `heel_kg` is None), or `heel_kg` of
        `heel_metal` that the book did not know: this is counted in as a melt of its own, `ID heel`, so that its elements
        are followed too. Metal that plans have reserved is refused.
        Errors: NotFreeError that names every lot of which more was weighed than is free, BookError.
        """
        with self.writing("melt charged", f"melt:{melt_id}") as w:
            refuse_what_is_not_free(w, weighed_kg, "")
            inputs = dict(weighed_kg)
            if heel_of:
                _standing(w, heel_of, "heel_of")
                held = kilograms(sum(w.stock(f"melt:{heel_of}").values()))
                inputs[f"melt:{heel_of}"] = held if heel_kg is None else heel_kg
            elif heel_kg:
                if heel_metal is None:
                    raise BookError("is needed for metal that the book does not know", field="heel_metal")
                before = f"{melt_id} heel"
                self._count_in(w, before, heel_kg, heel_metal, day, f"in the pot before melt {melt_id}")
                inputs[f"melt:{before}"] = heel_kg
            _refuse_dross(dross_kg, sum(inputs.values()))
            self._enter_melt(w, melt_id, recipe, inputs, dross_kg, None, None, day, note)
            return w.event_id

    def _count_in(self, w: Writing, melt_id: str, mass_kg: float, metal: Composition, day: str, note: str) -> None:
        w.add(
            "melts",
            melt_id,
            recipe="",
            day=parse_day(day),
            inputs="{}",
            dross_kg=0.0,
            assay=metal.text(),
            note=note,
            plan="",
            dross="",
        )
        w.book(move(elements_ug(mass_kg, metal), "counted", f"melt:{melt_id}"), why="counted")

    def correct_melt(
        self,
        melt_id: str,
        added_kg: Mapping[str, float],
        *,
        dross_kg: float = 0.0,
        version: int | None = None,
        note: str = "",
    ) -> int:
        """Book what was added to a melt after its assay, by lot; gives the event.

        The melt's inputs and dross grow by it. Its assay was of the metal before, so it goes from the row into the note; an
        analysis entered later is the assay again. Metal reserved for other plans than the melt's own is refused.
        Errors: NotFreeError, StaleSaveError where `version` is not the melt's, BookError where nothing is left of the melt.
        """
        with self.writing("melt corrected", f"melt:{melt_id}") as w:
            row = _standing(w, melt_id, "melt")
            account = f"melt:{melt_id}"
            if not added_kg:
                raise BookError("holds nothing", field="added_kg")
            refuse_what_is_not_free(w, added_kg, row["plan"])
            held = kilograms(sum(w.stock(account).values()))
            _refuse_dross(dross_kg, held + sum(added_kg.values()))
            inputs = json.loads(row["inputs"])
            for lot, mass in added_kg.items():
                inputs[lot] = inputs.get(lot, 0.0) + mass
                w.book(move(share_of(w.stock(f"lot:{lot}"), mass), f"lot:{lot}", account), why="added")
            skimmed = share_of(w.stock(account), dross_kg) if dross_kg else {}
            w.book(move(skimmed, account, "dross"), why="dross")
            before = f"assay before it was corrected: {row['assay']}" if row["assay"] else ""
            w.change(
                "melts",
                melt_id,
                version,
                inputs=dump(inputs),
                dross_kg=row["dross_kg"] + dross_kg,
                assay="",
                note="; ".join(text for text in (row["note"], before, note) if text),
                dross=_with(row["dross"], skimmed) if row["dross"] else "",
            )
            return w.event_id


def _standing(w: Writing, melt_id: str, field: str) -> dict[str, Any]:
    """The row of a melt of which something is left. Errors: BookError."""
    row = w.row("melts", melt_id)
    if row is None or row["withdrawn"]:
        raise BookError("is not in the book", field=field, value=melt_id)
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
            "is not what can be skimmed", field="dross_kg", value=dross_kg, allowed=f"0 to below {in_pot_kg:.3f}"
        )
