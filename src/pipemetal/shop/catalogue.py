"""The catalogue: rolls and remnants with their fields, the one search, and cutting."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from sqlalchemy import select

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError, InputError
from pipemetal.files.plain import parse_day
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll, cut_out, roll_mass_kg
from pipemetal.shop import schema
from pipemetal.shop.base import Writing, dump
from pipemetal.shop.envelopes import envelope_of
from pipemetal.shop.ledger import MICROGRAMS_PER_KG, elements_ug, kilograms, move, share_of
from pipemetal.shop.rebooking import to_scrap
from pipemetal.shop.searching import Searching

__all__ = ["STATES", "Catalogue", "Cutting", "Piece", "roll_from_row", "roll_values"]

STATES: Final = ("on rack", "reserved", "cut", "scrapped", "sold")


@dataclass(frozen=True)
class Piece:
    """A blank cut out of a roll: its name and the box x0, y0, x1, y1 in the roll's coordinates."""

    id: str
    box_mm: tuple[float, float, float, float]


def _field_json(field: ThicknessField) -> str:
    def grid(values: Any) -> list[list[float]]:
        return [[round(float(v), 5) for v in line] for line in values]

    return dump(
        {
            "stations_mm": [round(float(s), 3) for s in field.stations_mm],
            "width_mm": field.width_mm,
            "thickness_mm": grid(field.thickness_mm),
            "standard_error_mm": grid(field.standard_error_mm),
            "noise_sd_mm": round(field.noise_sd_mm, 6),
            "readings_used": field.readings_used,
            "left_out": [
                [x.index, x.reading.x_mm, x.reading.y_mm, x.reading.thickness_mm, x.reason] for x in field.left_out
            ],
        }
    )


def _field(text: str, length_mm: float) -> ThicknessField:
    from pipemetal.sheets.readings import LeftOut

    held = json.loads(text)
    stations = np.array(held["stations_mm"])
    stations[-1] = length_mm
    return ThicknessField(
        length_mm,
        held["width_mm"],
        stations,
        np.array(held["thickness_mm"]),
        np.array(held["standard_error_mm"]),
        tuple(LeftOut(i, Reading(x, y, t), why) for i, x, y, t, why in held["left_out"]),
        held["noise_sd_mm"],
        held["readings_used"],
    )


def roll_values(
    roll: Roll, readings: Sequence[Reading] = (), *, cast: str = "", note: str = "", day: str = ""
) -> dict[str, Any]:
    """A roll as the columns of its row."""
    return {
        "alloy": roll.alloy,
        "length_mm": roll.length_mm,
        "width_mm": roll.width_mm,
        "trim_mm": roll.trim_mm,
        "outline": dump(roll.outline or []),
        "no_go": dump(roll.no_go),
        "place": roll.place,
        "parent": roll.parent or "",
        "offset_x_mm": float(roll.offset_mm[0]),
        "offset_y_mm": float(roll.offset_mm[1]),
        "readings": dump([[r.x_mm, r.y_mm, r.thickness_mm] for r in readings]),
        "field": _field_json(roll.field),
        "envelope": envelope_of(roll).to_json(),
        "mean_mm": round(roll.field.mean_mm, 5),
        "state": "on rack",
        "cast": cast,
        "note": note,
        "day": day,
        "reserved_for": "",
    }


def roll_from_row(row: Mapping[str, Any]) -> Roll:
    """The roll of a row."""

    def corners(polygon: Any) -> tuple[tuple[float, float], ...]:
        return tuple((float(x), float(y)) for x, y in polygon)

    outline = json.loads(row["outline"])
    return Roll(
        row["id"],
        row["alloy"],
        row["length_mm"],
        row["width_mm"],
        row["trim_mm"],
        _field(row["field"], row["length_mm"]),
        outline=corners(outline) if outline else None,
        no_go=tuple(corners(p) for p in json.loads(row["no_go"])),
        place=row["place"],
        parent=row["parent"] or None,
        offset_mm=(row["offset_x_mm"], row["offset_y_mm"]),
    )


class Catalogue(Searching):
    """Rolls and remnants."""

    def add_roll(
        self,
        roll: Roll,
        *,
        readings: Sequence[Reading] = (),
        cast: str = "",
        note: str = "",
        origin: str | None = None,
        day: str = "",
    ) -> int:
        """Enter a roll; gives the event. `day` is when it was cast, that of its cast where empty.

        Its metal comes out of the cast's sheet where one is booked, else it is counted in.

        Errors: BookError for an id that is used or an alloy that is no recipe.
        """
        with self.writing("roll entered", f"roll:{roll.id}") as w:
            self._enter_roll(w, roll, readings, cast, note, origin, day)
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
        """`values`: the roll's columns where they are worked out already."""
        metal = target_of(w, roll.alloy)
        logged = w.row("casts", cast) if cast else None
        made = parse_day(day) or (logged["day"] if logged else "")
        _refuse_circle(w, roll)
        columns = dict(values or roll_values(roll, readings)) | {"cast": cast, "note": note, "day": made}
        w.add("rolls", roll.id, **columns)
        mass = roll_mass_kg(roll, density_of(metal))
        sheet = w.stock(f"sheet:{cast}") if cast else {}
        if origin is None and sum(sheet.values()) >= mass * MICROGRAMS_PER_KG:
            w.book(move(share_of(sheet, mass), f"sheet:{cast}", f"roll:{roll.id}"), why="rolled")
        else:
            came = origin or "counted"
            w.book(move(elements_ug(mass, metal), came, f"roll:{roll.id}"), why=came)

    def change_roll(
        self, roll_id: str, version: int, *, place: str | None = None, state: str | None = None, note: str | None = None
    ) -> int:
        """Change a roll's place, state or note. Errors: StaleSaveError where it was changed meanwhile, BookError."""
        if state is not None and state not in STATES:
            raise BookError("is not a state of a roll", field="state", value=state, allowed=", ".join(STATES))
        values = {k: v for k, v in (("place", place), ("state", state), ("note", note)) if v is not None}
        with self.writing("roll changed", f"roll:{roll_id}") as w:
            before = w.row("rolls", roll_id)
            freed = (
                before is not None and before["state"] == "reserved" and values.get("state", "reserved") != "reserved"
            )
            w.change("rolls", roll_id, version, **values, **({"reserved_for": ""} if freed else {}))
            if freed:
                _give_up_reservations(w, roll_id)
            return w.event_id

    def roll(self, roll_id: str) -> Roll:
        """One roll with its field."""
        return roll_from_row(self.row("rolls", roll_id))

    def children(self, roll_id: str) -> list[str]:
        """The ids of the remnants that were cut from a roll."""
        r = schema.rolls.c
        query = select(r.id).where(r.parent == roll_id, r.withdrawn.is_(False)).order_by(r.id)
        with self.reading() as connection:
            return list(connection.execute(query).scalars())

    def readings(self, roll_id: str) -> tuple[Reading, ...]:
        """The gauge readings of a roll as they were taken."""
        return tuple(Reading(x, y, t) for x, y, t in json.loads(self.row("rolls", roll_id)["readings"]))

    def rack(self, *, reserved: bool = False) -> tuple[Roll, ...]:
        """The rolls on the rack with their fields; those that a plan has reserved only where asked for."""
        states = ("on rack", "reserved") if reserved else ("on rack",)
        return tuple(roll_from_row(row) for row in self.rows("rolls") if row["state"] in states)

    def cut_roll(
        self,
        roll_id: str,
        pieces: Sequence[Piece],
        *,
        organ: str = "",
        kerf_mm: float = 1.0,
        version: int | None = None,
    ) -> tuple[int, tuple[str, ...]]:
        """Cut pieces out of a roll: remnants become child rolls, the rest goes to the scrap lot of the alloy.

        Gives the event and the ids of the remnants. Errors: SheetError, BookError, StaleSaveError.
        """
        with self.writing("roll cut", f"roll:{roll_id}") as w:
            cutting = Cutting(w, roll_id, version, kerf_mm)
            for piece in pieces:
                x0, y0, x1, y1 = piece.box_mm
                mass = (
                    cutting.roll.field.cropped(x0, x1, y0, y1).mean_mm * (x1 - x0) * (y1 - y0) * cutting.density * 1e-6
                )
                cutting.take(piece, mass, organ=organ)
            _give_up_reservations(w, roll_id)
            return w.event_id, cutting.finish()


def _refuse_circle(w: Writing, roll: Roll) -> None:
    """Errors: BookError for a roll that would be cut from itself, at whatever distance."""
    above, seen = roll.parent or "", {""}
    while above not in seen:
        if above == roll.id:
            raise BookError("would be cut from itself", field="parent", value=roll.parent, where=f"roll {roll.id}")
        seen.add(above)
        above = str((w.row("rolls", above) or {"parent": ""})["parent"])


class Cutting:
    """A roll under the saw, within one event: pieces are taken, then remnants go to the rack and the rest to the scrap."""

    def __init__(self, w: Writing, roll_id: str, version: int | None, kerf_mm: float) -> None:
        row = w.row("rolls", roll_id)
        if row is None or row["withdrawn"] or row["state"] in ("cut", "scrapped", "sold"):
            raise BookError("is not there to be cut", field="roll", value=roll_id)
        self.w, self.row, self.kerf_mm = w, row, kerf_mm
        self.roll, self.account = roll_from_row(row), f"roll:{roll_id}"
        self.density = density_of(target_of(w, self.roll.alloy))
        self.boxes: list[tuple[float, float, float, float]] = []
        w.change("rolls", roll_id, version, state="cut", reserved_for="")

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
            values = roll_values(child, cast=self.row["cast"], day=self.row["day"]) | {"parent": self.roll.id}
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


def _give_up_reservations(w: Writing, roll_id: str) -> None:
    """What plans had reserved of a roll that somebody frees or cuts by hand is reserved no more."""
    r = schema.reservations.c
    query = select(r.id).where(r.about == f"roll:{roll_id}", r.state == "open", r.withdrawn.is_(False))
    for key in w.connection.execute(query).scalars().all():
        w.change("reservations", key, None, state="given up")


def density_of(metal: Composition) -> float:
    """Density of solid metal in g/cm3. What it is computed with is loaded when it is first asked for."""
    from pipemetal.alloys.properties import solid_density_g_cm3

    return solid_density_g_cm3(metal)


def target_of(w: Writing, alloy: str) -> Composition:
    recipe = w.row("recipes", alloy)
    if recipe is None or recipe["withdrawn"]:
        raise BookError("is not a recipe of this shop", field="alloy", value=alloy)
    try:
        return Composition.parse(recipe["target"])
    except InputError as error:
        raise BookError(str(error), field="recipe", value=alloy) from None
