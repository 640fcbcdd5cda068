"""A roll under the saw: pieces out of it, remnants to the rack, kerf booked, the rest to the scrap bin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from sqlalchemy import select

from pipemetal.errors import BookError
from pipemetal.sheets.roll import cut_out, roll_mass_kg
from pipemetal.shop import schema
from pipemetal.shop.ledger import MICROGRAMS_PER_KG, kilograms, move, share_of
from pipemetal.shop.rebooking import to_scrap
from pipemetal.shop.recipes import density_of, target_of
from pipemetal.shop.roll_rows import roll_of, roll_values
from pipemetal.shop.rows import PieceRow, ReservationState, RollRow, RollState
from pipemetal.shop.searching import STANDING
from pipemetal.shop.writing import Writing, dump
from pipemetal.texts import Text

__all__ = ["Cutting", "Piece", "check_apart", "free_roll", "give_up_reservations", "piece_names", "pieces_of"]


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
    """A roll under the saw, within one event: pieces are taken, then remnants go to the rack and the rest to the scrap.

    `gone`: the pieces that were cut out of it alone before. Not `whole`: more pieces are cut alone, and the roll stays.
    """

    def __init__(self, w: Writing, roll_id: str, version: int | None, kerf_mm: float, *, whole: bool = True) -> None:
        row = w.get(RollRow, roll_id)
        if row is None or row.state not in STANDING:
            raise BookError("is not there to be cut", field="roll", value=roll_id)
        self.w, self.row, self.kerf_mm = w, row, kerf_mm
        self.roll, self.account = roll_of(row), f"roll:{roll_id}"
        self.density = density_of(target_of(w, self.roll.alloy))
        self.boxes: list[Box] = []
        self.gone = pieces_of(w, roll_id)
        if whole:
            w.change("rolls", roll_id, version, state=RollState.CUT, reserved_for="")

    def take(self, piece: Piece, mass_kg: float, **values: str) -> None:
        """Book one piece out of the roll."""
        check_apart([*(Piece(p.id, p.box_mm) for p in self.gone), piece])
        held = {"organ": "", "plan": "", "rank": "", "pipe": ""} | values
        self.w.add("pieces", piece.id, roll=self.roll.id, box=dump(piece.box_mm), mass_kg=round(mass_kg, 6), **held)
        stock = self.w.stock(self.account)
        self.w.book(move(share_of(stock, mass_kg), self.account, f"pipe:{piece.id}"), why="cut")
        self.boxes.append(piece.box_mm)

    def finish(self) -> tuple[str, ...]:
        """Book remnants, kerf and offcuts; gives the ids of the remnants.

        Every cut edge is shared with a neighbour or the offcut, so half of every outline is sawn once.
        """
        usable = self.roll.usable()
        before = [p.box_mm for p in self.gone if usable.buffer(LAID_OVER_MM).covers(shapely.box(*p.box_mm))]
        out = cut_out(self.roll, [*before, *self.boxes], kerf_mm=self.kerf_mm)
        for remnant in out.remnants:
            child = remnant.as_roll()
            values = roll_values(child, cast=self.row.cast, day=self.row.day) | {"parent": self.roll.id}
            self.w.add("rolls", child.id, **values)
            masses = share_of(self.w.stock(self.account), roll_mass_kg(child, self.density))
            self.w.book(move(masses, self.account, f"roll:{child.id}"), why="remnant")
        self.saw()
        to_scrap(self.w, self.roll.alloy, self.account, "offcut")
        hold(self.w, self.gone)
        return tuple(r.id for r in out.remnants)

    def saw(self) -> None:
        """Book the kerf of what was taken."""
        sawn_mm2 = sum(self.kerf_mm * (x1 - x0 + y1 - y0) for x0, y0, x1, y1 in self.boxes)
        stock = self.w.stock(self.account)
        kerf = min(
            round(sawn_mm2 * self.roll.field.mean_mm * self.density * 1e-6 * MICROGRAMS_PER_KG), sum(stock.values())
        )
        if kerf > 0:
            self.w.book(move(share_of(stock, kilograms(kerf)), self.account, "kerf"), why="kerf")


def pieces_of(w: Writing, roll_id: str) -> tuple[PieceRow, ...]:
    """What was cut out of a roll."""
    p = schema.pieces.c
    query = select(p.id).where(p.roll == roll_id, p.withdrawn.is_(False)).order_by(p.id)
    rows = (w.get(PieceRow, str(key)) for key in w.connection.execute(query).scalars().all())
    return tuple(row for row in rows if row is not None)


def piece_names(blank: str, plan_id: str) -> tuple[str, str]:
    """What a blank of a plan is called as a piece: by its own id, and where another piece has that."""
    return blank, f"{blank[:100]} ({plan_id[:90]})"


def hold(w: Writing, pieces: Sequence[PieceRow]) -> None:
    """What now rests on pieces being out of their roll: they are taken back only after it."""
    for piece in pieces:
        w.change("pieces", piece.id, None, roll=piece.roll)


def free_roll(w: Writing, row: RollRow) -> None:
    """A roll that its plan keeps no more hangs free again; where pieces were cut out of it alone, nothing more is cut."""
    gone = pieces_of(w, row.id)
    holes = [[[x0, y0], [x1, y0], [x1, y1], [x0, y1]] for x0, y0, x1, y1 in (p.box_mm for p in gone)]
    areas = {"no_go": dump([*roll_of(row).no_go, *holes])} if holes else {}
    w.change("rolls", row.id, None, state=RollState.ON_RACK, reserved_for="", **areas)
    hold(w, gone)


def give_up_reservations(w: Writing, roll_id: str) -> None:
    """What plans had reserved of a roll that somebody frees or cuts by hand is reserved no more."""
    r = schema.reservations.c
    query = select(r.id).where(
        r.about == f"roll:{roll_id}", r.state == ReservationState.OPEN.value, r.withdrawn.is_(False)
    )
    for key in w.connection.execute(query).scalars().all():
        w.change("reservations", key, None, state=ReservationState.GIVEN_UP)
