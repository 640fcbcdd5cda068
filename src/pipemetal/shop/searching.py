"""The one search over the rack: this alloy, this thickness, over this length, and where on the roll."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
from sqlalchemy import func, select

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.base import BookBase
from pipemetal.shop.envelopes import RackIndex

__all__ = ["STANDING", "Found", "RollEntry", "Searching"]

STANDING: Final = ("on rack", "reserved")
"""States of a roll that hangs there."""
MANY: Final = 500


@dataclass(frozen=True, slots=True)
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
    day: str
    melt: str
    reserved_for: str


class Found(NamedTuple):
    """An answer of the search: the roll, and where on it."""

    roll: RollEntry
    x_from_mm: float
    x_to_mm: float

    @property
    def stretch_mm(self) -> float:
        """Length of the place found."""
        return self.x_to_mm - self.x_from_mm


@dataclass(frozen=True)
class _Rack:
    """All rolls by id, what the words of the search are looked for in, and their envelopes."""

    entries: list[RollEntry]
    words: list[str]
    index: RackIndex
    width_mm: npt.NDArray[np.float64]


class Searching(BookBase):
    """The search, over an index of the rack that follows the book's events."""

    _seen = -1
    _held: _Rack

    def _rack_index(self) -> _Rack:
        """The envelopes of all rolls; what was changed since the last look is read again, the rest is kept."""
        with self._looking:
            now = self.last_event()
            if now == self._seen:
                return self._held
            changed = None if self._seen < 0 else self._rolls_changed(self._seen, now)
            if changed is None or len(changed) > MANY:
                self._held = self._read_rolls(None)
            elif changed:
                self._held = _updated(self._held, changed, self._read_rolls(changed))
            self._seen = now
            return self._held

    def _rolls_changed(self, after: int, until: int) -> set[str] | None:
        """The rolls changed between two events, None where a change of casts may have changed any."""
        e = schema.events.c
        with self.reading() as connection:
            texts = connection.execute(select(e.changes).where(e.id > after, e.id <= until)).scalars().all()
        changes = [c for text in texts for c in json.loads(text)]
        if any(c["table"] == "casts" and c["before"] is not None for c in changes):
            return None
        return {c["id"] for c in changes if c["table"] == "rolls"}

    def _read_rolls(self, ids: set[str] | None) -> _Rack:
        r = schema.rolls.c
        columns = (
            r.id,
            r.alloy,
            r.length_mm,
            r.width_mm,
            r.trim_mm,
            r.mean_mm,
            r.place,
            r.parent,
            r.state,
            r.cast,
            r.note,
            r.version,
            func.length(r.outline) > 2,
            r.day,
            r.reserved_for,
            r.envelope,
        )
        query = select(*columns).where(r.withdrawn.is_(False)).order_by(r.id)
        if ids is not None:
            query = query.where(r.id.in_(sorted(ids)))
        c = schema.casts.c
        with self.reading() as connection:
            rows = connection.execute(query).all()
            melts = {
                str(row[0]): str(row[1])
                for row in connection.execute(select(c.id, c.melt).where(c.withdrawn.is_(False)))
            }
        found: list[Any] = sorted(
            rows, key=lambda row: str(row[0])
        )  # as Python orders texts, whatever the database does
        index = RackIndex.from_texts([row[-1] for row in found])
        thin, thick = (values.tolist() for values in index.extremes())
        entries = [
            _entry(row, low, high, melts.get(row[9], "")) for row, low, high in zip(found, thin, thick, strict=True)
        ]
        return _rack_of(entries, index)

    def find_rolls(
        self,
        alloy: str | None = None,
        thickness_mm: tuple[float, float] | None = None,
        length_mm: float | None = None,
        width_mm: float | None = None,
        text: str | None = None,
        *,
        state: str | Sequence[str] | None = STANDING,
        place: str | None = None,
        melt: str | None = None,
        made: tuple[str, str] | None = None,
    ) -> list[Found]:
        """The rolls that give this alloy, this thickness over this length, and where on the roll; longest place first.

        The thickness must hold across the whole width within the trim. `text`: all its words must stand in id, alloy, place,
        note, cast, melt or whom it is reserved for; `place` is the beginning of one. `made`: first and last day (or month, or
        year) it was cast, empty where open; rolls of unknown age are left out then. `state`: one, several, or None for all.
        Errors: BookError for a range that is none.
        """
        _check_sizes(thickness_mm, length_mm, width_mm)
        rack = self._rack_index()
        if not rack.entries:
            return []
        keep = _kept(rack, alloy, text, state, place, melt, made)
        if width_mm is not None:
            keep &= rack.width_mm >= width_mm - 1e-6
        rows = np.flatnonzero(keep)
        places = rack.index.whole()[rows] if thickness_mm is None else rack.index.longest(*thickness_mm, rows)
        reach = places[:, 1] - places[:, 0]
        good = np.isfinite(reach) & (reach >= (length_mm or 0.0) - 1e-6)
        order = np.argsort(-np.where(good, reach, -1.0), kind="stable")[: int(good.sum())]
        entries, begins, ends = rack.entries, places[order, 0].tolist(), places[order, 1].tolist()
        return [Found(entries[k], a, b) for k, a, b in zip(rows[order].tolist(), begins, ends, strict=True)]


def _entry(row: Any, thinnest_mm: float, thickest_mm: float, melt: str) -> RollEntry:
    key, alloy, length, width, trim, mean, place, parent, state, cast, note, version, irregular, day, reserved, _ = row
    return RollEntry(
        key,
        alloy,
        length,
        width,
        trim,
        mean,
        thinnest_mm,
        thickest_mm,
        place,
        parent,
        state,
        cast,
        note,
        version,
        bool(irregular),
        day,
        melt,
        reserved,
    )


def _rack_of(entries: list[RollEntry], index: RackIndex) -> _Rack:
    words = [f"{e.id} {e.alloy} {e.place} {e.note} {e.cast} {e.melt} {e.reserved_for}".casefold() for e in entries]
    return _Rack(entries, words, index, np.array([e.width_mm - 2.0 * e.trim_mm for e in entries]))


def _updated(held: _Rack, changed: set[str], fresh: _Rack) -> _Rack:
    """The rack with what was changed read again."""
    kept = [k for k, entry in enumerate(held.entries) if entry.id not in changed]
    both = [(held.entries[k].id, k) for k in kept]
    both += [(entry.id, len(held.entries) + k) for k, entry in enumerate(fresh.entries)]
    order = [k for _, k in sorted(both)]
    entries, words = held.entries + fresh.entries, held.words + fresh.words
    index = held.index.merged(fresh.index, np.array(order, dtype=np.intp))
    widths = np.concatenate([held.width_mm, fresh.width_mm])[order]
    return _Rack([entries[k] for k in order], [words[k] for k in order], index, widths)


def _check_sizes(thickness_mm: tuple[float, float] | None, length_mm: float | None, width_mm: float | None) -> None:
    low, high = thickness_mm or (0.001, 100.0)
    for name, value in (("thickness", low), ("thickness", high), ("length_mm", length_mm), ("width_mm", width_mm)):
        if value is not None and not 0.0 < value < 1e6:
            raise BookError("is not a size", field=name, value=value, allowed="above 0")
    if low > high:
        raise BookError("runs the wrong way", field="thickness", value=f"{low:g}..{high:g}", allowed="low..high")


def _kept(
    rack: _Rack,
    alloy: str | None,
    text: str | None,
    state: str | Sequence[str] | None,
    place: str | None,
    melt: str | None,
    made: tuple[str, str] | None,
) -> npt.NDArray[np.bool_]:
    """Which rolls answer to the words of the search."""
    keep = np.ones(len(rack.entries), dtype=bool)

    def only(values: Any) -> None:
        nonlocal keep
        keep &= np.fromiter(values, dtype=bool, count=len(rack.entries))

    if state is not None:
        states = (state,) if isinstance(state, str) else tuple(state)
        only(e.state in states for e in rack.entries)
    if alloy is not None:
        only(e.alloy == alloy for e in rack.entries)
    for word in (text or "").casefold().split():
        only(word in words for words in rack.words)
    if place is not None:
        begins = place.casefold()
        only(e.place.casefold().startswith(begins) for e in rack.entries)
    if melt is not None:
        only(e.melt == melt for e in rack.entries)
    if made is not None:
        first, last = made
        only(bool(e.day) and first <= e.day and (not last or e.day[: len(last)] <= last) for e in rack.entries)
    return keep
