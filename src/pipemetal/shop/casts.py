"""The casting log in the book: casts with the metal that they took, corrected, measured, trimmed."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from sqlalchemy import select

from pipemetal.errors import BookError, NotInBookError
from pipemetal.files.plain import parse_day
from pipemetal.shop import schema
from pipemetal.shop.ledger import move, share_of
from pipemetal.shop.rebooking import to_scrap
from pipemetal.shop.refusals import MOST_NEAR
from pipemetal.shop.roles import Action
from pipemetal.shop.rolls import NewRoll, enter_roll
from pipemetal.shop.rows import CastOrderRow, CastRow, MeltRow, OrderState, RollRow
from pipemetal.shop.sheet_metal import Booked, booked_from_sheet, casts_failed
from pipemetal.shop.writer import Kept
from pipemetal.shop.writing import Writing, Written
from pipemetal.texts import Text

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["Casts", "enter_cast", "logged"]

LEAST_CORRECTION_KG: Final = 1e-3
MOST_REMEMBERED: Final = 4096
"""Casts that were read: a text is read once, and pages ask for the whole log again and again."""
CORRECTED: Final = (
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
"""What a correction says of a cast; the rest stays as it was logged."""


class Casts(Kept[CastRow]):
    """What was cast, and what came of it."""

    KIND = CastRow

    def record(
        self, log: LoggedCast, *, melt: str = "", used_kg: float | None = None, order: str | None = None
    ) -> Written[None]:
        """Enter a cast in the log; with a melt and the mass on the table its metal is booked to the sheet.

        `order`: the line of an accepted plan's cast list that this cast fulfils. Errors: BookError.
        """
        with self._writer.writing(Action.CAST_LOGGED, f"cast:{log.id}") as w:
            enter_cast(w, log, melt)
            if order is not None:
                _refuse_second(w, order, log.id)
            if melt:
                if used_kg is None:
                    raise BookError("is needed with a melt", field="used_kg")
                metal = share_of(w.stock(f"melt:{melt}"), used_kg)
                w.book(move(metal, f"melt:{melt}", f"sheet:{log.id}"), why="poured")
            if order is not None:
                w.change("cast_orders", order, None, state=OrderState.CAST, cast=log.id)
            return w.written()

    def record_all(self, casts: Sequence[LoggedCast], source: str) -> Written[None]:
        """Enter several casts in the log, all of them or none. Errors: BookError."""
        with self._writer.writing(Action.IMPORTED, f"file:{source}") as w:
            for cast in casts:
                enter_cast(w, cast, "")
            return w.written()

    def correct(self, log: LoggedCast, version: int, *, used_kg: float | None = None) -> Written[None]:
        """Write a logged cast anew; the metal that its sheet took is put right by the difference.

        Errors: BookError for a cast that is not in the book; StaleSaveError; LedgerError where the metal has gone on.
        """
        row = self._of(log.id)
        held = logged(row)
        kept = dataclasses.replace(held, **{name: getattr(log, name) for name in CORRECTED})
        with self._writer.writing(Action.CAST_LOGGED, f"cast:{log.id}") as w:
            w.change("casts", log.id, version, day=log.day, log=_text(kept))
            was, now = _used_kg(held), used_kg if used_kg is not None else _used_kg(log)
            if row.melt and was is not None and now is not None and abs(now - was) > LEAST_CORRECTION_KG:
                ends = (f"melt:{row.melt}", f"sheet:{log.id}")
                source, sink = ends if now > was else ends[::-1]
                w.book(move(share_of(w.stock(source), abs(now - was)), source, sink), why="cast corrected")
            return w.written()

    def measure(self, cast_id: str, version: int, thickness_mm: Sequence[tuple[float, float]]) -> Written[None]:
        """Write what was measured of a sheet beside its cast: distances and thicknesses. Errors: BookError, StaleSaveError."""
        measured = dataclasses.replace(logged(self._of(cast_id)), thickness_mm=tuple(thickness_mm))
        with self._writer.writing(Action.CAST_LOGGED, f"cast:{cast_id}") as w:
            w.change("casts", cast_id, version, log=_text(measured))
            return w.written()

    def hang(
        self, cast_id: str, version: int, thickness_mm: Sequence[tuple[float, float]], new: NewRoll
    ) -> Written[None]:
        """Write what was measured of a sheet beside its cast, and hang it as a roll, all or nothing.

        Errors: BookError, also for an id that is used, and for a cast whose metal has gone; StaleSaveError.
        """
        measured = dataclasses.replace(logged(self._of(cast_id)), thickness_mm=tuple(thickness_mm))
        with self._writer.writing(Action.ROLL_ENTERED, f"cast:{cast_id}") as w:
            w.change("casts", cast_id, version, log=_text(measured))
            enter_roll(w, dataclasses.replace(new, cast=cast_id))
            return w.written()

    def planed_off_mm(self, roll: RollRow) -> float:
        """What is planed off a roll that was measured as cast, mm; its own readings are those of the planed sheet. 0 where nobody
        knows."""
        from pipemetal.plans.measured import taken_off_mm

        if not roll.cast or not self.has(roll.cast):
            return 0.0
        return taken_off_mm(logged(self.row(roll.cast)).thickness_mm, roll.readings_taken)

    def trim(self, cast_id: str, *, swarf_kg: float = 0.0) -> Written[None]:
        """Book what a cast sheet's roll does not hold: planing's swarf out of the shop, run-up and edges to the scrap lot.

        Errors: BookError where the sheet holds nothing any more.
        """
        with self._writer.writing(Action.SHEET_TRIMMED, f"cast:{cast_id}") as w:
            origin, cast = f"sheet:{cast_id}", w.get(CastRow, cast_id)
            if cast is None or not w.stock(origin):
                if cast is None:
                    raise NotInBookError(field="cast", value=cast_id, known=w.ids_of("casts"))
                raise BookError("holds no metal in this book", field="sheet", value=cast_id)
            if swarf_kg:
                w.book(move(share_of(w.stock(origin), swarf_kg), origin, "swarf"), why="swarf")
            melt = w.get(MeltRow, cast.melt)
            to_scrap(w, melt.recipe if melt else "", origin, "trimmed")
            return w.written()

    def failed(self) -> frozenset[str]:
        """The casts that came to nothing: all of their metal is booked away, and no roll of them is left."""
        with self._writer.reading() as connection:
            return casts_failed(connection)

    def booked(self, cast_id: str) -> tuple[Booked, ...]:
        """What was taken from a cast's sheet and was not taken back, in the order of events."""
        with self._writer.reading() as connection:
            return booked_from_sheet(connection, cast_id)

    def log(self) -> tuple[LoggedCast, ...]:
        """The casting log, in the order of day and id."""
        rows = sorted(self._writer.rows(CastRow), key=lambda row: (row.day, row.id))
        return tuple(logged(row) for row in rows)

    def _of(self, cast_id: str) -> CastRow:
        if not self.has(cast_id):
            raise NotInBookError(field="cast", value=cast_id, known=self._writer.ids(CastRow)[:MOST_NEAR])
        return self.row(cast_id)


def _refuse_second(w: Writing, order: str, cast: str) -> None:
    """Errors: BookError for a sheet that was cast already, and for the id of a cast that rolls name which hung before it."""
    line = w.get(CastOrderRow, order)
    if line is not None and line.state is OrderState.CAST:
        raise BookError(
            Text("is cast already, as {cast}", cast=line.cast),
            field="sheet",
            value=line.sheet,
            allowed="correct that cast",
        )
    r = schema.rolls.c
    query = select(r.id).where(r.cast == cast, r.withdrawn.is_(False)).order_by(r.id)
    hung = w.connection.execute(query.limit(1)).scalar()
    if hung is not None:
        raise BookError(Text("is the cast that roll {roll} came from", roll=str(hung)), field="id", value=cast)


def enter_cast(w: Writing, log: LoggedCast, melt: str) -> None:
    """A new cast within an event."""
    log = dataclasses.replace(log, day=parse_day(log.day))
    own = w.get(RollRow, log.id)
    w.refuse_elsewhere(log.id, "rolls", "lots", but="rolls" if own is not None and own.cast == log.id else "")
    w.add("casts", log.id, melt=melt, day=log.day, log=_text(log))


def logged(row: CastRow) -> LoggedCast:
    """The logged cast of a row. Errors: FileFormatError, CastingError."""
    return _read(row.log, f"log of cast {row.id}")


@lru_cache(maxsize=MOST_REMEMBERED)
def _read(text: str, name: str) -> LoggedCast:
    from pipemetal.files.log_file import log_of

    return log_of(text, name)[0]


def _text(log: LoggedCast) -> str:
    from pipemetal.files.log_file import log_text

    return log_text([log])


def _used_kg(log: LoggedCast) -> float | None:
    """What left the sled by the log; None where it does not say what was left."""
    return None if log.leftover_kg is None else log.charge_kg - log.leftover_kg
