"""The one search over the rack: this alloy, this thickness, over this length, and where on the roll."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
from sqlalchemy import func, select

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.envelopes import RackIndex
from pipemetal.shop.rows import RollState, state_of
from pipemetal.shop.writer import Writer

__all__ = ["STANDING", "Found", "RackSearch", "RollEntry", "Sizes", "Words", "said_by"]

# a line of the rack as the database gives it: more columns than its library has types for
Line: TypeAlias = Any
STANDING: Final = (RollState.ON_RACK, RollState.RESERVED)
"""States of a roll that hangs there."""
MANY: Final = 500
SHORT: Final = 2
"""Letters of a word that stands in too many others to be looked for as a part of them."""


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
    state: RollState
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
class Sizes:
    """What a roll must give: a thickness from and to across its whole width, over a length, on a usable width; None: any."""

    thickness_mm: tuple[float, float] | None = None
    length_mm: float | None = None
    width_mm: float | None = None


@dataclass(frozen=True)
class Among:
    """Which rolls are searched: of one state, several, or None for all; whose place begins so; of a melt.

    `made`: first and last day (or month, or year) it was cast, empty where open; rolls of unknown age are left out then.
    """

    state: str | Sequence[str] | None = STANDING
    place: str | None = None
    melt: str | None = None
    made: tuple[str, str] | None = None


ALL_STANDING: Final = Among()


@dataclass(frozen=True)
class Words:
    """What must be said of a roll; None for anything. As `Rolls.find` takes them."""

    alloy: str | None = None
    text: str | None = None
    among: Among = ALL_STANDING


@dataclass(frozen=True)
class _Rack:
    """All rolls by id, what the words of the search are looked for in, and their envelopes."""

    entries: list[RollEntry]
    words: list[str]
    index: RackIndex
    width_mm: npt.NDArray[np.float64]


class RackSearch:
    """The search, over an index of the rack that follows the book's events."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._looking = threading.Lock()
        self._seen = -1
        self._held: _Rack

    def _rack_index(self) -> _Rack:
        """The envelopes of all rolls; what was changed since the last look is read again, the rest is kept."""
        with self._looking:
            now = self._writer.last_event()
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
        with self._writer.reading() as connection:
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
        with self._writer.reading() as connection:
            rows = connection.execute(query).all()
            melts = {
                str(row[0]): str(row[1])
                for row in connection.execute(select(c.id, c.melt).where(c.withdrawn.is_(False)))
            }
        found: list[Line] = sorted(
            rows, key=lambda row: str(row[0])
        )  # as Python orders texts, whatever the database does
        index = RackIndex.from_texts([row[-1] for row in found])
        thin, thick = (values.tolist() for values in index.extremes())
        entries = [
            _entry(row, low, high, melts.get(row[9], "")) for row, low, high in zip(found, thin, thick, strict=True)
        ]
        return _rack_of(entries, index)

    def find(self, sizes: Sizes, words: Words) -> list[Found]:
        """The rolls that answer, and where on each; longest place first. Errors: BookError for a range that is none."""
        _check_sizes(sizes)
        rack = self._rack_index()
        if not rack.entries:
            return []
        keep = _kept(rack, words)
        if sizes.width_mm is not None:
            keep &= rack.width_mm >= sizes.width_mm - 1e-6
        rows, wanted = np.flatnonzero(keep), sizes.thickness_mm
        places = rack.index.whole()[rows] if wanted is None else rack.index.longest(*wanted, rows)
        reach = places[:, 1] - places[:, 0]
        good = np.isfinite(reach) & (reach >= (sizes.length_mm or 0.0) - 1e-6)
        order = np.argsort(-np.where(good, reach, -1.0), kind="stable")[: int(good.sum())]
        entries, begins, ends = rack.entries, places[order, 0].tolist(), places[order, 1].tolist()
        return [Found(entries[k], a, b) for k, a, b in zip(rows[order].tolist(), begins, ends, strict=True)]


def _entry(row: Line, thinnest_mm: float, thickest_mm: float, melt: str) -> RollEntry:
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
        state_of(RollState, state, f"roll {key}"),
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


def _check_sizes(sizes: Sizes) -> None:
    low, high = sizes.thickness_mm or (0.001, 100.0)
    named = (("thickness", low), ("thickness", high), ("length_mm", sizes.length_mm), ("width_mm", sizes.width_mm))
    for name, value in named:
        if value is not None and not 0.0 < value < 1e6:
            raise BookError("is not a size", field=name, value=value, allowed="above 0")
    if low > high:
        raise BookError(
            "has the greater value first", field="thickness", value=f"{low:g}..{high:g}", example=f"{high:g}..{low:g}"
        )


def said_by(word: str) -> Callable[[str], bool]:
    """Whether a text says a word that somebody looks for: a part of one; of one or two letters the whole word.

    >>> [said_by("a")(text) for text in ("rack a, arm 3", "rack b, arm 3")], said_by("flut")("flute 8")
    ([True, False], True)
    """
    if len(word) > SHORT:
        return lambda text: word in text
    whole = re.compile(rf"(?<!\w){re.escape(word)}(?!\w)")
    return lambda text: whole.search(text) is not None


def _kept(rack: _Rack, words: Words) -> npt.NDArray[np.bool_]:
    """Which rolls answer to the words of the search."""
    keep = np.ones(len(rack.entries), dtype=bool)

    def only(values: Any) -> None:
        nonlocal keep
        keep &= np.fromiter(values, dtype=bool, count=len(rack.entries))

    among = words.among
    if among.state is not None:
        states = (among.state,) if isinstance(among.state, str) else tuple(among.state)
        only(e.state in states for e in rack.entries)
    if words.alloy is not None:
        only(e.alloy == words.alloy for e in rack.entries)
    for word in (words.text or "").casefold().split():
        only(map(said_by(word), rack.words))
    if among.place is not None:
        begins = among.place.casefold()
        only(e.place.casefold().startswith(begins) for e in rack.entries)
    if among.melt is not None:
        only(e.melt == among.melt for e in rack.entries)
    if among.made is not None:
        first, last = among.made
        only(bool(e.day) and first <= e.day and (not last or e.day[: len(last)] <= last) for e in rack.entries)
    return keep
