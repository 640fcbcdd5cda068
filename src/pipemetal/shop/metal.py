"""Recipes, lots, melts and casts, with the metal that moves between them."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError
from pipemetal.files.lots_file import SORTED_BY_EYE
from pipemetal.files.plain import parse_day
from pipemetal.melts.lots import LOT_KINDS, Lot
from pipemetal.shop import schema
from pipemetal.shop.base import BookBase, Writing, dump
from pipemetal.shop.free import refuse_what_is_not_free
from pipemetal.shop.ledger import UNKNOWN, composition_of, elements_ug, kilograms, move, share_of
from pipemetal.shop.rebooking import rebook, to_scrap

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["Metal", "log_from_row"]


LEAST_CORRECTION_KG = 1e-3


def _used_kg(log: LoggedCast) -> float | None:
    """What left the sled by the log; None where it does not say what was left."""
    return None if log.leftover_kg is None else log.charge_kg - log.leftover_kg


class Metal(BookBase):
    """Metal that is not a roll."""

    def add_recipe(self, recipe: Recipe) -> int:
        """Enter a recipe; gives the event."""
        with self.writing("recipe entered", f"recipe:{recipe.name}") as w:
            self._enter_recipe(w, recipe)
            return w.event_id

    def change_recipe(self, recipe: Recipe, version: int | None = None) -> int:
        """Give a recipe another target, other windows or another note; gives the event. What is booked stays as it was booked.

        Errors: StaleSaveError where it was changed meanwhile, BookError where there is none.
        """
        with self.writing("recipe changed", f"recipe:{recipe.name}") as w:
            w.change("recipes", recipe.name, version, **_recipe_values(recipe))
            return w.event_id

    def _enter_recipe(self, w: Writing, recipe: Recipe) -> None:
        w.add("recipes", recipe.name, **_recipe_values(recipe))

    def recipes(self) -> dict[str, Recipe]:
        """All recipes by name."""
        return {
            row["id"]: Recipe(
                row["id"],
                Composition.parse(row["target"]),
                tuple((e, a, b) for e, a, b in json.loads(row["windows"])),
                row["note"],
            )
            for row in self.rows("recipes")
        }

    def add_lot(
        self,
        lot_id: str,
        kind: str,
        mass_kg: float,
        composition: Composition | None = None,
        *,
        alloy: str = "",
        piece_kg: float | None = None,
        uncertainty_wt_pct: Sequence[tuple[str, float]] = (),
        price_per_kg: float = 0.0,
        note: str = "",
        origin: str = "bought",
        analysed: bool = True,
        day: str = "",
        supplier: str = "",
        invoice: str = "",
    ) -> int:
        """Enter a lot with its invoice; gives the event. Without a composition its metal is unknown until it is assayed.

        Errors: BookError, MeltError.
        """
        with self.writing("lot entered", f"lot:{lot_id}") as w:
            self._enter_lot(
                w,
                lot_id,
                kind,
                mass_kg,
                composition,
                alloy,
                piece_kg,
                uncertainty_wt_pct,
                price_per_kg,
                note,
                origin,
                analysed,
                day,
                supplier,
                invoice,
            )
            return w.event_id

    def _enter_lot(
        self,
        w: Writing,
        lot_id: str,
        kind: str,
        mass_kg: float,
        composition: Composition | None,
        alloy: str,
        piece_kg: float | None,
        uncertainty: Sequence[tuple[str, float]],
        price: float,
        note: str,
        origin: str,
        analysed: bool,
        day: str = "",
        supplier: str = "",
        invoice: str = "",
    ) -> None:
        if kind not in LOT_KINDS:
            raise BookError("is not a kind of lot", field="kind", value=kind, allowed=", ".join(LOT_KINDS))
        if composition is not None:
            Lot(lot_id, kind, composition, mass_kg, piece_kg, tuple(uncertainty), price, True, note)
        w.add(
            "lots",
            lot_id,
            kind=kind,
            alloy=alloy,
            composition=composition.text() if composition and analysed else "",
            piece_kg=piece_kg,
            uncertainty=dump(list(uncertainty)),
            price_per_kg=price,
            note=note,
            day=parse_day(day),
            supplier=supplier,
            invoice=invoice,
        )
        w.book(move(elements_ug(mass_kg, composition), origin, f"lot:{lot_id}"), why=origin)

    def lots(self) -> tuple[tuple[Lot, ...], tuple[str, ...]]:
        """The lots in stock that can be charged, and the ids of those of unknown metal; mass and metal from the ledger."""
        held = self.balances("lot")
        known: list[Lot] = []
        unknown: list[str] = []
        for row in self.rows("lots"):
            stock = held.get(f"lot:{row['id']}", {})
            mass = round(kilograms(sum(stock.values())), 6)
            if mass < 0.001:
                continue
            composition = Composition.parse(row["composition"]) if row["composition"] else composition_of(stock)
            if composition is None:
                unknown.append(row["id"])
                continue
            unsure = tuple((e, h) for e, h in json.loads(row["uncertainty"]))
            if not row["composition"] and not unsure:
                unsure = SORTED_BY_EYE
            piece = row["piece_kg"] if row["piece_kg"] and row["piece_kg"] <= mass else None
            known.append(
                Lot(
                    row["id"],
                    row["kind"],
                    composition,
                    mass,
                    piece,
                    unsure,
                    row["price_per_kg"],
                    bool(row["composition"]),
                    row["note"],
                )
            )
        return tuple(known), tuple(unknown)

    def record_melt(
        self,
        melt_id: str,
        recipe: str,
        inputs_kg: Mapping[str, float],
        *,
        dross_kg: float = 0.0,
        dross_metal: Composition | None = None,
        assay: Composition | None = None,
        day: str = "",
        note: str = "",
    ) -> int:
        """Book a melt: `inputs_kg` from lots by id, or from an earlier melt's heel as `melt:ID`; gives the event.

        Dross takes its share of every element, or what `dross_metal` says where somebody has had it analysed. An assay of
        the melt changes the elements of its account.
        Errors: NotFreeError where more is charged of lots than is free; BookError. Nothing is booked then.
        """
        with self.writing("melt charged", f"melt:{melt_id}") as w:
            refuse_what_is_not_free(w, {k: m for k, m in inputs_kg.items() if not k.startswith("melt:")}, "")
            self._enter_melt(w, melt_id, recipe, inputs_kg, dross_kg, dross_metal, assay, day, note)
            return w.event_id

    def _enter_melt(
        self,
        w: Writing,
        melt_id: str,
        recipe: str,
        inputs_kg: Mapping[str, float],
        dross_kg: float,
        dross_metal: Composition | None,
        assay: Composition | None,
        day: str,
        note: str,
        plan: str = "",
    ) -> None:
        if w.row("recipes", recipe) is None:
            raise BookError("is not a recipe of this shop", field="recipe", value=recipe)
        if not inputs_kg:
            raise BookError("holds nothing", field="inputs_kg")
        account = f"melt:{melt_id}"
        dross = elements_ug(dross_kg, dross_metal) if dross_kg and dross_metal is not None else {}
        w.add(
            "melts",
            melt_id,
            recipe=recipe,
            day=parse_day(day),
            inputs=dump(dict(inputs_kg)),
            dross_kg=dross_kg,
            assay=assay.text() if assay else "",
            note=note,
            plan=plan,
            dross=dump({e: kilograms(m) for e, m in dross.items()}) if dross else "",
        )
        for name, mass in inputs_kg.items():
            heel = name.startswith("melt:")
            origin = name if heel else f"lot:{name}"
            try:
                w.book(move(share_of(w.stock(origin), mass), origin, account), why="heel" if heel else "charged")
            except BookError as error:
                raise error.at(name) from None
        if dross_kg:
            w.book(move(dross or share_of(w.stock(account), dross_kg), account, "dross"), why="dross")
        if assay is not None:
            rebook(w, account, assay)

    def record_cast(
        self, log: LoggedCast, *, melt: str = "", used_kg: float | None = None, order: str | None = None
    ) -> int:
        """Enter a cast in the log; with a melt and the mass on the table its metal is booked to the sheet. Gives the event.

        `order`: the line of an accepted plan's cast list that this cast fulfils.
        """
        with self.writing("cast logged", f"cast:{log.id}") as w:
            self._enter_cast(w, log, melt)
            if melt:
                if used_kg is None:
                    raise BookError("is needed with a melt", field="used_kg")
                w.book(
                    move(share_of(w.stock(f"melt:{melt}"), used_kg), f"melt:{melt}", f"sheet:{log.id}"), why="poured"
                )
            if order is not None:
                w.change("cast_orders", order, None, state="cast", cast=log.id)
            return w.event_id

    def correct_cast(self, log: LoggedCast, version: int, *, used_kg: float | None = None) -> int:
        """Write a logged cast anew; the metal that its sheet took is put right by the difference. Gives the event.

        Errors: BookError for a cast that is not in the book; StaleSaveError; LedgerError where the metal has gone on.
        """
        from pipemetal.files.log_file import log_text

        held = next((c for c in self.casts() if c.id == log.id), None)
        if held is None:
            raise BookError("is not in the book", field="cast", value=log.id)
        kept = replace(
            held,
            **{
                name: getattr(log, name)
                for name in (
                    "composition",
                    "gate_mm",
                    "charge_kg",
                    "sled",
                    "length_mm",
                    "thickness_mm",
                    "marks",
                    "push_time_s",
                    "pour_temperature_c",
                    "leftover_kg",
                    "verdict",
                    "day",
                    "note",
                )
            },
        )
        with self.writing("cast logged", f"cast:{log.id}") as w:
            row = w.row("casts", log.id)
            w.change("casts", log.id, version, day=log.day, log=log_text([kept]))
            melt = row["melt"] if row else ""
            was, now = _used_kg(held), used_kg if used_kg is not None else _used_kg(log)
            if melt and was is not None and now is not None and abs(now - was) > LEAST_CORRECTION_KG:
                source, sink = (f"melt:{melt}", f"sheet:{log.id}") if now > was else (f"sheet:{log.id}", f"melt:{melt}")
                w.book(move(share_of(w.stock(source), abs(now - was)), source, sink), why="cast corrected")
            return w.event_id

    def _enter_cast(self, w: Writing, log: LoggedCast, melt: str) -> None:
        from pipemetal.files.log_file import log_text

        log = dataclasses.replace(log, day=parse_day(log.day))
        w.add("casts", log.id, melt=melt, day=log.day, log=log_text([log]))

    def trim_sheet(self, cast_id: str, *, swarf_kg: float = 0.0) -> int:
        """Book what a cast sheet's roll does not hold: planing's swarf out of the shop, run-up and edges to the scrap lot.

        Gives the event. Errors: BookError where the sheet holds nothing any more.
        """
        with self.writing("sheet trimmed", f"cast:{cast_id}") as w:
            origin, cast = f"sheet:{cast_id}", w.row("casts", cast_id)
            if cast is None or not w.stock(origin):
                raise BookError("holds no metal in this book", field="sheet", value=cast_id)
            if swarf_kg:
                w.book(move(share_of(w.stock(origin), swarf_kg), origin, "swarf"), why="swarf")
            melt = w.row("melts", cast["melt"])
            to_scrap(w, melt["recipe"] if melt else "", origin, "trimmed")
            return w.event_id

    def melt_to_lot(self, melt_id: str, lot_id: str, mass_kg: float) -> int:
        """Pour what is left of a melt into ingots of a new lot; gives the event."""
        with self.writing("ingots poured", f"melt:{melt_id}") as w:
            melt = w.row("melts", melt_id)
            if melt is None:
                raise BookError("is not in the book", field="melt", value=melt_id)
            masses = share_of(w.stock(f"melt:{melt_id}"), mass_kg)
            w.add(
                "lots",
                lot_id,
                kind="ingot",
                alloy=melt["recipe"],
                composition="",
                piece_kg=None,
                uncertainty="[]",
                price_per_kg=0.0,
                note=f"from melt {melt_id}",
                day=melt["day"],
                supplier="",
                invoice="",
            )
            w.book(move(masses, f"melt:{melt_id}", f"lot:{lot_id}"), why="ingots")
            return w.event_id

    def balances(self, kind: str = "") -> dict[str, dict[str, int]]:
        """What every account holds by element, in micrograms: the sum of its movements. `kind`: only lots, rolls, ..."""
        m = schema.movements.c
        held: dict[str, dict[str, int]] = {}
        with self.reading() as connection:
            for column, sign in ((m.target, 1), (m.origin, -1)):
                query = select(column, m.element, func.sum(m.mass_ug)).group_by(column, m.element)
                if kind:
                    query = query.where(column.startswith(f"{kind}:", autoescape=True))
                for account, element, mass in connection.execute(query):
                    masses = held.setdefault(account, {})
                    masses[element] = masses.get(element, 0) + sign * int(mass)
        return {a: kept for a, masses in held.items() if (kept := {e: m for e, m in masses.items() if m})}

    def stock(self) -> dict[str, dict[str, float]]:
        """What every account of the shop holds in kg by element; accounts outside the shop show below nought."""
        return {a: {e: kilograms(m) for e, m in masses.items()} for a, masses in self.balances().items()}

    def stock_by_kind(self) -> dict[str, float]:
        """Kilograms by kind of account: lots, rolls, melts, sheets, pipes, dross, and what came from outside."""
        held: dict[str, float] = {}
        for account, masses in self.balances().items():
            kind = account.partition(":")[0]
            held[kind] = held.get(kind, 0.0) + kilograms(sum(masses.values()))
        return held

    def casts(self) -> tuple[LoggedCast, ...]:
        """The casting log, in the order of day and id."""
        rows = sorted(self.rows("casts"), key=lambda row: (row["day"], row["id"]))
        return tuple(log_from_row(row) for row in rows)

    def unknown_kg(self) -> float:
        """Metal in the shop whose elements nobody has told."""
        held = self.balances()
        return sum(kilograms(m.get(UNKNOWN, 0)) for a, m in held.items() if ":" in a)


def _recipe_values(recipe: Recipe) -> dict[str, str]:
    return {"target": recipe.target.text(), "windows": dump(recipe.windows_wt_pct), "note": recipe.note}


def log_from_row(row: Mapping[str, Any]) -> LoggedCast:
    """The logged cast of a row."""
    from pipemetal.files.log_file import log_of

    return log_of(row["log"], f"log of cast {row['id']}")[0]
