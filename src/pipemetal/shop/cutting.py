"""A roll under the saw: pieces out of it, remnants to the rack, kerf booked, the rest to the scrap bin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select

from pipemetal.errors import BookError
from pipemetal.sheets.roll import cut_out, roll_mass_kg
from pipemetal.shop import schema
from pipemetal.shop.ledger import MICROGRAMS_PER_KG, kilograms, move, share_of
from pipemetal.shop.rebooking import to_scrap
from pipemetal.shop.recipes import density_of, target_of
from pipemetal.shop.roll_rows import roll_of, roll_values
from pipemetal.shop.rows import ReservationState, RollRow, RollState
from pipemetal.shop.searching import STANDING
from pipemetal.shop.writing import Writing, dump
from pipemetal.texts import Text

__all__ = ["Cutting", "Piece", "check_apart", "give_up_reservations"]


@dataclass(frozen=True)
class Piece:
    """A blank cut out of a roll: its name and the box x0, y0, x1, y1 in the roll's coordinates."""

    id: str
    box_mm: tuple[float, float, float, float]


Box = tuple[float, float, float, float]
LAID_OVER_MM = 0.1
"""So far may two boxes lie on each other, for sizes are rounded."""


def check_apart(pieces: Sequence[Piece]) -> None:
    """Refuse boxes that lie on each other, whose metal would be booked twice. Errors: BookError.

    >>> check_apart([Piece("a", (0.0, 0.0, 100.0, 50.0)), Piece("b", (100.0, 0.0, 200.0, 50.0))])
    """
    for number, piece in enumerate(pieces):
        for other in pieces[:number]:
            if _overlap_mm(piece.box_mm, other.box_mm) > LAID_OVER_MM:
                allowed = Text("a place beside {roll}", roll=other.id)
                raise BookError("lies on another piece", field="piece", value=piece.id, allowed=allowed)


def _overlap_mm(one: Box, other: Box) -> float:
    """By how much two boxes lie on each other, the lesser way; 0 or less where they do not."""
    along = min(one[2], other[2]) - max(one[0], other[0])
    across = min(one[3], other[3]) - max(one[1], other[1])
    return min(along, across)


class Cutting:
    """A roll under the saw, within one event: pieces are taken, then remnants go to the rack and the rest to the scrap."""

    def __init__(self, w: Writing, roll_id: str, version: int | None, kerf_mm: float) -> None:
        row = w.get(RollRow, roll_id)
        if row is None or row.state not in STANDING:
            raise BookError("is not there to be cut", field="roll", value=roll_id)
        self.w, self.row, self.kerf_mm = w, row, kerf_mm
        self.roll, self.account = roll_of(row), f"roll:{roll_id}"
        self.density = density_of(target_of(w, self.roll.alloy))
        self.boxes: list[tuple[float, float, float, float]] = []
        w.change("rolls", roll_id, version, state=RollState.CUT, reserved_for="")

    def take(self, piece: Piece, mass_kg: float, **values: str) -> None:
        """Book one piece out of the roll."""
        held = {"organ": "", "plan": "", "rank": "", "pipe": ""} | values
        self.w.add("pieces", piece.id, roll=self.roll.id, box=dump(piece.box_mm), mass_kg=round(mass_kg, 6), **held)
        stock = self.w.stock(self.account)
        self.w.book(move(share_of(stock, mass_kg), self.account, f"pipe:{piece.id}"), why="cut")
        self.boxes.append(piece.box_mm)

    def finish(self) -> tuple[str, ...]:
        """Book remnants, kerf and offcuts; gives the ids of the remnants.

        Every cut edge is shared with a neighbour or the offcut, so half of every outline is sawn once.
        """
        out = cut_out(self.roll, self.boxes, kerf_mm=self.kerf_mm)
        for remnant in out.remnants:
            child = remnant.as_roll()
            values = roll_values(child, cast=self.row.cast, day=self.row.day) | {"parent": self.roll.id}
            self.w.add("rolls", child.id, **values)
            masses = share_of(self.w.stock(self.account), roll_mass_kg(child, self.density))
            self.w.book(move(masses, self.account, f"roll:{child.id}"), why="remnant")
        sawn_mm2 = sum(self.kerf_mm * (x1 - x0 + y1 - y0) for x0, y0, x1, y1 in self.boxes)
        stock = self.w.stock(self.account)
        kerf = min(
            round(sawn_mm2 * self.roll.field.mean_mm * self.density * 1e-6 * MICROGRAMS_PER_KG), sum(stock.values())
        )
        if kerf > 0:
            self.w.book(move(share_of(stock, kilograms(kerf)), self.account, "kerf"), why="kerf")
        to_scrap(self.w, self.roll.alloy, self.account, "offcut")
        return tuple(r.id for r in out.remnants)


def give_up_reservations(w: Writing, roll_id: str) -> None:
    """What plans had reserved of a roll that somebody frees or cuts by hand is reserved no more."""
    r = schema.reservations.c
    query = select(r.id).where(
        r.about == f"roll:{roll_id}", r.state == ReservationState.OPEN.value, r.withdrawn.is_(False)
    )
    for key in w.connection.execute(query).scalars().all():
        w.change("reservations", key, None, state=ReservationState.GIVEN_UP)
