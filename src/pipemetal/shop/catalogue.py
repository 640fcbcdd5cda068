"""The catalogue: rolls and remnants with their fields, the one search, and cutting."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from sqlalchemy import select

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.errors import BookError, InputError
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll, cut_out, roll_mass_kg
from pipemetal.shop import schema
from pipemetal.shop.base import BookBase, Writing, dump
from pipemetal.shop.envelopes import Envelope, RackIndex, envelope_of
from pipemetal.shop.ledger import MICROGRAMS_PER_KG, elements_ug, move, share_of

__all__ = ["STATES", "Catalogue", "Found", "Piece", "RollEntry", "roll_from_row", "roll_values"]

STATES: Final = ("on rack", "reserved", "cut", "scrapped")


@dataclass(frozen=True)
class RollEntry:
    """A roll as the catalogue lists it, without its field."""

    id: str
    alloy: str
    length_mm: float
    width_mm: float
    trim_mm: float
    mean_mm: float
    thinnest_mm: float
    thickest_mm: float
    place: str
    parent: str
    state: str
    cast: str
    note: str
    version: int
    irregular: bool


@dataclass(frozen=True)
class Found:
    """An answer of the search: the roll, and where on it."""

    roll: RollEntry
    x_from_mm: float
    x_to_mm: float

    @property
    def stretch_mm(self) -> float:
        """Length of the place found."""
        return self.x_to_mm - self.x_from_mm


@dataclass(frozen=True)
class Piece:
    """A blank cut out of a roll: its name and the box x0, y0, x1, y1 in the roll's coordinates."""

    id: str
    box_mm: tuple[float, float, float, float]


def _field_json(field: ThicknessField) -> str:
    def grid(values: Any) -> list[list[float]]:
        return [[round(float(v), 5) for v in line] for line in values]

    return dump({
        "stations_mm": [round(float(s), 3) for s in field.stations_mm], "width_mm": field.width_mm,
        "thickness_mm": grid(field.thickness_mm), "standard_error_mm": grid(field.standard_error_mm),
        "noise_sd_mm": round(field.noise_sd_mm, 6), "readings_used": field.readings_used,
        "left_out": [
            [x.index, x.reading.x_mm, x.reading.y_mm, x.reading.thickness_mm, x.reason] for x in field.left_out
        ],
    })  # fmt: skip


def _field(text: str, length_mm: float) -> ThicknessField:
    from pipemetal.sheets.readings import LeftOut

    held = json.loads(text)
    stations = np.array(held["stations_mm"])
    stations[-1] = length_mm
    return ThicknessField(
        length_mm, held["width_mm"], stations, np.array(held["thickness_mm"]), np.array(held["standard_error_mm"]),
        tuple(LeftOut(i, Reading(x, y, t), why) for i, x, y, t, why in held["left_out"]), held["noise_sd_mm"],
        held["readings_used"],
    )  # fmt: skip


def roll_values(roll: Roll, readings: Sequence[Reading] = (), *, cast: str = "", note: str = "") -> dict[str, Any]:
    """A roll as the columns of its row."""
    return {
        "alloy": roll.alloy, "length_mm": roll.length_mm, "width_mm": roll.width_mm, "trim_mm": roll.trim_mm,
        "outline": dump(roll.outline or []), "no_go": dump(roll.no_go), "place": roll.place, "parent": roll.parent or "",
        "offset_x_mm": float(roll.offset_mm[0]), "offset_y_mm": float(roll.offset_mm[1]),
        "readings": dump([[r.x_mm, r.y_mm, r.thickness_mm] for r in readings]), "field": _field_json(roll.field),
        "envelope": envelope_of(roll).to_json(), "mean_mm": round(roll.field.mean_mm, 5), "state": "on rack", "cast": cast,
        "note": note,
    }  # fmt: skip


def roll_from_row(row: Mapping[str, Any]) -> Roll:
    """The roll of a row."""

    def corners(polygon: Any) -> tuple[tuple[float, float], ...]:
        return tuple((float(x), float(y)) for x, y in polygon)

    outline = json.loads(row["outline"])
    return Roll(
        row["id"], row["alloy"], row["length_mm"], row["width_mm"], row["trim_mm"], _field(row["field"], row["length_mm"]),
        outline=corners(outline) if outline else None, no_go=tuple(corners(p) for p in json.loads(row["no_go"])),
        place=row["place"], parent=row["parent"] or None, offset_mm=(row["offset_x_mm"], row["offset_y_mm"]),
    )  # fmt: skip


class Catalogue(BookBase):
    """Rolls and remnants."""

    _seen = -1
    _held: dict[str, tuple[RollEntry, Envelope]]
    _index: tuple[list[RollEntry], RackIndex, np.ndarray]

    def add_roll(
        self, roll: Roll, *, readings: Sequence[Reading] = (), cast: str = "", note: str = "", origin: str | None = None
    ) -> int:
        """Enter a roll; gives the event. Its metal comes out of the cast's sheet where one is booked, else it is counted in.

        Errors: BookError for an id that is used or an alloy that is no recipe.
        """
        with self.writing("roll entered", f"roll:{roll.id}") as w:
            self._enter_roll(w, roll, readings, cast, note, origin)
            return w.event_id

    def _enter_roll(
        self, w: Writing, roll: Roll, readings: Sequence[Reading], cast: str, note: str, origin: str | None
    ) -> None:
        metal = _target(w, roll.alloy)
        w.add("rolls", roll.id, **roll_values(roll, readings, cast=cast, note=note))
        mass = roll_mass_kg(roll, solid_density_g_cm3(metal))
        sheet = w.stock(f"sheet:{cast}") if cast else {}
        if origin is None and sum(sheet.values()) >= mass * MICROGRAMS_PER_KG:
            w.book(move(share_of(sheet, mass), f"sheet:{cast}", f"roll:{roll.id}"))
        else:
            w.book(move(elements_ug(mass, metal), origin or "counted", f"roll:{roll.id}"))

    def change_roll(self, roll_id: str, version: int, *, place: str | None = None, state: str | None = None,
                    note: str | None = None) -> int:  # fmt: skip
        """Change a roll's place, state or note. Errors: StaleSaveError where it was changed meanwhile, BookError."""
        if state is not None and state not in STATES:
            raise BookError("is not a state of a roll", field="state", value=state, allowed=", ".join(STATES))
        values = {k: v for k, v in (("place", place), ("state", state), ("note", note)) if v is not None}
        with self.writing("roll changed", f"roll:{roll_id}") as w:
            w.change("rolls", roll_id, version, **values)
            return w.event_id

    def roll(self, roll_id: str) -> Roll:
        """One roll with its field."""
        return roll_from_row(self.row("rolls", roll_id))

    def readings(self, roll_id: str) -> tuple[Reading, ...]:
        """The gauge readings of a roll as they were taken."""
        return tuple(Reading(x, y, t) for x, y, t in json.loads(self.row("rolls", roll_id)["readings"]))

    def rack(self) -> tuple[Roll, ...]:
        """All rolls on the rack with their fields."""
        return tuple(roll_from_row(row) for row in self.rows("rolls") if row["state"] == "on rack")

    def _rack_index(self) -> tuple[list[RollEntry], RackIndex, np.ndarray]:
        """The envelopes of all rolls; what was changed since the last look is read again, the rest is kept."""
        with self._looking:
            now = self.last_event()
            if now == self._seen:
                return self._index
            held = {} if self._seen < 0 else dict(self._held)
            changed = None if self._seen < 0 else self._rolls_changed(self._seen, now)
            if changed is None or changed:
                for key in changed or ():
                    held.pop(key, None)
                held |= self._read_entries(changed)
                kept = sorted(held.items())
                entries = [entry for _, (entry, _) in kept]
                sizes = np.array([(e.length_mm, e.width_mm - 2.0 * e.trim_mm) for e in entries]).reshape(-1, 2)
                self._held, self._index = held, (entries, RackIndex([e for _, (_, e) in kept]), sizes)
            self._seen = now
            return self._index

    def _rolls_changed(self, after: int, until: int) -> set[str]:
        e = schema.events.c
        with self.reading() as connection:
            texts = connection.execute(select(e.changes).where(e.id > after, e.id <= until)).scalars().all()
        return {c["id"] for text in texts for c in json.loads(text) if c["table"] == "rolls"}

    def _read_entries(self, ids: set[str] | None) -> dict[str, tuple[RollEntry, Envelope]]:
        r = schema.rolls.c
        columns = (r.id, r.alloy, r.length_mm, r.width_mm, r.trim_mm, r.mean_mm, r.place, r.parent, r.state, r.cast, r.note,
                   r.version, r.outline, r.envelope)  # fmt: skip
        query = select(*columns).where(r.withdrawn.is_(False))
        if ids is not None and len(ids) <= 500:
            query = query.where(r.id.in_(sorted(ids)))
        with self.reading() as connection:
            found = connection.execute(query).all()
        held = {}
        for row in found:
            e = Envelope.from_json(row[13])
            entry = RollEntry(
                row[0], row[1], row[2], row[3], row[4], row[5], _least(e.thinnest_mm), _most(e.thickest_mm), row[6], row[7],
                row[8], row[9], row[10], row[11], row[12] != "[]",
            )  # fmt: skip
            held[entry.id] = (entry, e)
        return held

    def find_rolls(
        self, alloy: str | None = None, thickness_mm: tuple[float, float] | None = None, length_mm: float | None = None,
        width_mm: float | None = None, text: str | None = None, *, state: str | None = "on rack",
    ) -> list[Found]:  # fmt: skip
        """The rolls that give this alloy, this thickness over this length, and where on the roll; longest place first.

        The thickness must hold across the whole width within the trim; `text` is looked for in id, place, note and cast.
        Errors: BookError for a range that is none.
        """
        low, high = thickness_mm or (0.001, 100.0)
        for name, value in (("thickness", low), ("thickness", high), ("length_mm", length_mm), ("width_mm", width_mm)):
            if value is not None and not 0.0 < value < 1e6:
                raise BookError("is not a size", field=name, value=value, allowed="above 0")
        if low > high:
            raise BookError("runs the wrong way", field="thickness", value=f"{low:g}..{high:g}", allowed="low..high")
        entries, index, sizes = self._rack_index()
        if not entries:
            return []
        words = (text or "").casefold()
        keep = np.array([
            (alloy is None or e.alloy == alloy) and (state is None or e.state == state)
            and (not words or words in f"{e.id} {e.place} {e.note} {e.cast}".casefold()) for e in entries
        ])  # fmt: skip
        if width_mm is not None:
            keep &= sizes[:, 1] >= width_mm - 1e-6
        rows = np.flatnonzero(keep)
        places = index.longest(low, high, rows)
        reach = places[:, 1] - places[:, 0]
        good = np.isfinite(reach) & (reach >= (length_mm or 0.0) - 1e-6)
        order = np.argsort(-np.where(good, reach, -1.0), kind="stable")[: int(good.sum())]
        return [Found(entries[rows[k]], float(places[k, 0]), float(places[k, 1])) for k in order]

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
            row = w.row("rolls", roll_id)
            if row is None or row["withdrawn"] or row["state"] in ("cut", "scrapped"):
                raise BookError("is not there to be cut", field="roll", value=roll_id)
            roll = roll_from_row(row)
            density = solid_density_g_cm3(_target(w, roll.alloy))
            out = cut_out(roll, [p.box_mm for p in pieces], kerf_mm=kerf_mm)
            w.change("rolls", roll_id, version, state="cut")
            origin = f"roll:{roll_id}"
            for piece in pieces:
                x0, y0, x1, y1 = piece.box_mm
                mass = roll.field.cropped(x0, x1, y0, y1).mean_mm * (x1 - x0) * (y1 - y0) * density * 1e-6
                w.add("pieces", piece.id, roll=roll_id, organ=organ, box=dump(piece.box_mm), mass_kg=round(mass, 6))
                w.book(move(share_of(w.stock(origin), mass), origin, f"pipe:{piece.id}"))
            for remnant in out.remnants:
                child = remnant.as_roll()
                w.add("rolls", child.id, **roll_values(child, cast=row["cast"]) | {"parent": roll_id})
                w.book(move(share_of(w.stock(origin), roll_mass_kg(child, density)), origin, f"roll:{child.id}"))
            _scrap(w, roll.alloy, origin)
            return w.event_id, tuple(r.id for r in out.remnants)


def _target(w: Writing, alloy: str) -> Composition:
    recipe = w.row("recipes", alloy)
    if recipe is None or recipe["withdrawn"]:
        raise BookError("is not a recipe of this shop", field="alloy", value=alloy)
    try:
        return Composition.parse(recipe["target"])
    except InputError as error:
        raise BookError(str(error), field="recipe", value=alloy) from None


def _scrap(w: Writing, alloy: str, origin: str) -> None:
    """What is left in an account goes to the scrap lot of the alloy."""
    rest = {element: mass for element, mass in w.stock(origin).items() if mass > 0}
    if not rest:
        return
    lot = f"scrap-{alloy}"
    held = w.row("lots", lot)
    if held is None or held["withdrawn"]:
        w.add("lots", lot, kind="scrap", alloy=alloy, composition="", piece_kg=None, uncertainty="[]", price_per_kg=0.0,
              note="offcuts")  # fmt: skip
    w.book(move(rest, origin, f"lot:{lot}"))


def _least(values: Sequence[float]) -> float:
    return min((v for v in values if v > 0.0), default=0.0)


def _most(values: Sequence[float]) -> float:
    return max((v for v in values if v < 999.0), default=0.0)
