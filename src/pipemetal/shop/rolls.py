"""Rolls and remnants: entered, found, changed, cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select

from pipemetal.errors import BookError
from pipemetal.files.plain import parse_day
from pipemetal.plans.record import CutSheet
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll, roll_mass_kg
from pipemetal.shop import schema
from pipemetal.shop.cutting import Cutting, Piece, check_apart, give_up_reservations, piece_names
from pipemetal.shop.ledger import elements_ug, move
from pipemetal.shop.orders import reserve_as_ordered
from pipemetal.shop.recipes import density_of, target_of
from pipemetal.shop.roles import Action
from pipemetal.shop.roll_rows import roll_of, roll_values
from pipemetal.shop.rows import CastRow, PieceRow, RollRow, RollState, Stored, state_of
from pipemetal.shop.searching import ALL_STANDING, STANDING, Among, Found, RackSearch, Sizes, Words
from pipemetal.shop.sheet_metal import take_from_sheet
from pipemetal.shop.writer import Kept, Writer
from pipemetal.shop.writing import Writing, Written
from pipemetal.texts import Text

__all__ = ["NewRoll", "Pieces", "Rolls", "enter_roll"]


@dataclass(frozen=True)
class NewRoll:
    """A roll to be entered. `day` is when it was cast, that of its cast where empty; `origin` the account that its metal
    comes from, where that is not the sheet of its cast. `values`: its columns where they are worked out already."""

    roll: Roll
    readings: Sequence[Reading] = ()
    cast: str = ""
    note: str = ""
    origin: str | None = None
    day: str = ""
    values: Stored | None = None


class Pieces(Kept[PieceRow]):
    """Blanks that were cut."""

    KIND = PieceRow

    def cut_alone(self, roll_id: str, plan_id: str, sheet: CutSheet) -> frozenset[str]:
        """The blanks of a plan's sheet that were cut out of its roll already, one by one or all together."""
        p = schema.pieces.c
        query = select(p.id).where(p.roll == roll_id, p.plan == plan_id, p.withdrawn.is_(False))
        with self._writer.reading() as connection:
            gone = set(connection.execute(query).scalars())
        return frozenset(c.blank for c in sheet.cuts if gone & set(piece_names(c.blank, plan_id)))


class Rolls(Kept[RollRow]):
    """The rack."""

    KIND = RollRow

    def __init__(self, writer: Writer) -> None:
        super().__init__(writer)
        self._search = RackSearch(writer)

    def add(
        self,
        roll: Roll,
        *,
        readings: Sequence[Reading] = (),
        cast: str = "",
        note: str = "",
        origin: str | None = None,
        day: str = "",
    ) -> Written[None]:
        """Enter a roll. `day` is when it was cast, that of its cast where empty.

        Its metal comes out of the cast's sheet where one is booked, else it is counted in. A sheet cast for an accepted plan is
        reserved for it at once.
        Errors: BookError for an id that is used, an alloy that is no recipe, a cast whose metal has gone elsewhere.
        """
        with self._writer.writing(Action.ROLL_ENTERED, f"roll:{roll.id}") as w:
            enter_roll(w, NewRoll(roll, readings, cast, note, origin, day))
            return w.written()

    def change(
        self, roll_id: str, version: int, *, place: str | None = None, state: str | None = None, note: str | None = None
    ) -> Written[None]:
        """Change a roll's place, state or note. Errors: StaleSaveError where it was changed meanwhile, BookError."""
        if state is not None and state not in tuple(RollState):
            raise BookError("is not a state of a roll", field="state", value=state, allowed=", ".join(RollState))
        values = {k: v for k, v in (("place", place), ("state", state), ("note", note)) if v is not None}
        with self._writer.writing(Action.ROLL_CHANGED, f"roll:{roll_id}") as w:
            before = w.get(RollRow, roll_id)
            reserved = before is not None and before.state is RollState.RESERVED
            freed = reserved and values.get("state", RollState.RESERVED) != RollState.RESERVED
            w.change("rolls", roll_id, version, **values, **({"reserved_for": ""} if freed else {}))
            if freed:
                give_up_reservations(w, roll_id)
            return w.written()

    def cut(
        self,
        roll_id: str,
        pieces: Sequence[Piece],
        *,
        organ: str = "",
        kerf_mm: float = 1.0,
        version: int | None = None,
    ) -> Written[tuple[str, ...]]:
        """Cut pieces out of a roll: remnants become child rolls, the rest goes to the scrap lot of the alloy.

        Gives the ids of the remnants. Errors: SheetError, BookError, StaleSaveError.
        """
        with self._writer.writing(Action.ROLL_CUT, f"roll:{roll_id}") as w:
            cutting = Cutting(w, roll_id, version, kerf_mm)
            field = cutting.roll.field
            check_apart(pieces)
            for piece in pieces:
                x0, y0, x1, y1 = piece.box_mm
                volume_mm3 = field.cropped(x0, x1, y0, y1).mean_mm * (x1 - x0) * (y1 - y0)
                cutting.take(piece, volume_mm3 * cutting.density * 1e-6, organ=organ)
            give_up_reservations(w, roll_id)
            return Written(w.event_id, cutting.finish())

    def find(
        self,
        alloy: str | None = None,
        thickness_mm: tuple[float, float] | None = None,
        length_mm: float | None = None,
        width_mm: float | None = None,
        text: str | None = None,
        *,
        among: Among = ALL_STANDING,
    ) -> list[Found]:
        """The rolls that give this alloy, this thickness over this length, and where on the roll; longest place first.

        The thickness must hold across the whole width within the trim. `text`: all its words must stand in id, alloy, place,
        note, cast, melt or whom it is reserved for.
        Errors: BookError for a range that is none.
        """
        sizes = Sizes(thickness_mm, length_mm, width_mm)
        return self._search.find(sizes, Words(alloy, text, among))

    def roll(self, roll_id: str) -> Roll:
        """One roll with its field. Errors: BookError."""
        return roll_of(self.row(roll_id))

    def some(self, ids: Sequence[str]) -> dict[str, Roll]:
        """Rolls by id with their fields, those that are there, withdrawn ones too."""
        return {row.id: roll_of(row) for row in self._named(ids)}

    def states(self, ids: Sequence[str]) -> dict[str, RollState]:
        """The states of rolls by id, those that are there."""
        r = schema.rolls.c
        with self._writer.reading() as connection:
            query = select(r.id, r.state).where(r.id.in_(ids), r.withdrawn.is_(False))
            return {str(key): state_of(RollState, state, f"roll {key}") for key, state in connection.execute(query)}

    def rack(self, *, reserved: bool = False) -> tuple[Roll, ...]:
        """The rolls on the rack with their fields; those that a plan has reserved only where asked for."""
        states = STANDING if reserved else (RollState.ON_RACK,)
        return tuple(roll_of(row) for row in self.rows() if row.state in states)

    def children(self, roll_id: str) -> list[str]:
        """The ids of the remnants that were cut from a roll."""
        r = schema.rolls.c
        query = select(r.id).where(r.parent == roll_id, r.withdrawn.is_(False)).order_by(r.id)
        with self._writer.reading() as connection:
            return [str(key) for key in connection.execute(query).scalars()]

    def casts_named(self) -> list[str]:
        """The ids of the casts that rolls came from, of the log or not."""
        r = schema.rolls.c
        query = select(r.cast).where(r.cast != "", r.withdrawn.is_(False)).distinct().order_by(r.cast)
        with self._writer.reading() as connection:
            return [str(key) for key in connection.execute(query).scalars()]

    def cast_from(self, cast_id: str) -> list[str]:
        """The ids of the rolls that came of a cast."""
        r = schema.rolls.c
        query = select(r.id).where(r.cast == cast_id, r.withdrawn.is_(False)).order_by(r.id)
        with self._writer.reading() as connection:
            return [str(key) for key in connection.execute(query).scalars()]

    def came_of(self, casts: Sequence[str]) -> dict[str, dict[str, RollState]]:
        """The rolls that came of casts, by the cast; each with its state, in the order of their ids."""
        r = schema.rolls.c
        query = select(r.cast, r.id, r.state).where(r.cast.in_(casts), r.withdrawn.is_(False)).order_by(r.id)
        found: dict[str, dict[str, RollState]] = {}
        with self._writer.reading() as connection:
            for cast, key, state in connection.execute(query):
                found.setdefault(str(cast), {})[str(key)] = state_of(RollState, state, f"roll {key}")
        return found

    def _named(self, ids: Sequence[str]) -> list[RollRow]:
        held = schema.rolls
        return self._writer.found(RollRow, select(held).where(held.c.id.in_(ids)))


def enter_roll(w: Writing, new: NewRoll) -> None:
    """A new roll within an event, with its metal; one cast for an accepted plan is reserved for it. Errors: BookError."""
    roll, cast = new.roll, new.cast
    metal = target_of(w, roll.alloy)
    logged = w.get(CastRow, cast) if cast else None
    made = parse_day(new.day) or (logged.day if logged else "")
    _refuse_circle(w, roll)
    w.refuse_elsewhere(roll.id, "casts", "lots", but="casts" if cast == roll.id else "")
    columns = dict(new.values or roll_values(roll, new.readings)) | {"cast": cast, "note": new.note, "day": made}
    w.add("rolls", roll.id, **columns)
    mass = roll_mass_kg(roll, density_of(metal))
    if logged is not None and logged.melt:
        take_from_sheet(w, cast, roll.id, mass, metal)
    else:
        came = new.origin or "counted"
        w.book(move(elements_ug(mass, metal), came, f"roll:{roll.id}"), why=came)
    reserve_as_ordered(w, roll.id, cast)


def _refuse_circle(w: Writing, roll: Roll) -> None:
    """Errors: BookError for a roll that would be cut from itself, at whatever distance."""
    above, seen = roll.parent or "", {""}
    while above not in seen:
        if above == roll.id:
            raise BookError(
                "would be cut from itself", field="parent", value=roll.parent, where=Text("roll {id}", id=roll.id)
            )
        seen.add(above)
        above = held.parent if (held := w.get(RollRow, above)) is not None else ""
