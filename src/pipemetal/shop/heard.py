"""Finished pipes that were heard: what each sounded, how far it was off, and the length that it had."""

from __future__ import annotations

import datetime
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from sqlalchemy import select

from pipemetal.errors import BookError
from pipemetal.quantities import HEARD
from pipemetal.shop import schema
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import Row
from pipemetal.shop.writer import Kept
from pipemetal.shop.writing import Written, dump

__all__ = ["Heard", "HeardRow", "NewHeard"]


@dataclass(frozen=True)
class NewHeard:
    """A pipe as it was heard.

    Parameters
    ----------
    organ, rank, note, key : which pipe; the organ by its id in the book
    hertz : what it sounded, clock and air taken out where a reference was heard
    cents, half_cents : how far it was above what it should sound in that air, with the 95 % half-width
    air_c : the air
    shorten_mm : how much too long it was, under 0 too short
    length_mm : its body from lower lip to top, or to the cap's inner face; None where it was not measured
    partials : number and level in dB by the strongest
    """

    organ: str
    rank: str
    note: str
    key: int
    hertz: float
    cents: float
    half_cents: float
    air_c: float
    shorten_mm: float
    length_mm: float | None = None
    partials: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class HeardRow(Row):
    """A finished pipe as it was heard; `partials` is JSON, `pitch_key` its key, `organ` an id of the book."""

    TABLE: ClassVar[str] = "heard"

    organ: str
    rank: str
    note: str
    pitch_key: int
    day: str
    hertz: float
    cents: float
    half_cents: float
    air_c: float
    shorten_mm: float
    length_mm: float | None
    partials: str

    @property
    def order(self) -> tuple[int, int]:
        """Where it stands in time: its event, and its place there."""
        event, _, number = self.id.removeprefix("E").partition("-")
        return int(event), int(number)

    @property
    def levels_db(self) -> tuple[tuple[int, float], ...]:
        """Partials by number, in dB by the strongest."""
        return tuple((int(n), float(level)) for n, level in json.loads(self.partials))


class Heard(Kept[HeardRow]):
    """What the ear heard; the sound itself is not kept."""

    KIND = HeardRow

    def add(self, pipes: Sequence[NewHeard]) -> Written[None]:
        """Keep one pipe, or the pipes of a rank, as one event. Errors: BookError for none, or a length that no body has."""
        if not pipes:
            raise BookError("holds no pipe", field="heard")
        first = pipes[0]
        about = f"pipe:{first.rank} {first.note}" if len(pipes) == 1 else f"rank:{first.rank}"
        with self._writer.writing(Action.PIPE_HEARD, about) as w:
            for number, pipe in enumerate(pipes, 1):
                if pipe.length_mm is not None:
                    HEARD["body_mm"].checked(pipe.length_mm, error=BookError)
                values: dict[str, object] = {k: v for k, v in vars(pipe).items() if k not in ("key", "partials")}
                w.add(
                    "heard",
                    f"E{w.event_id}-{number}",
                    **values,
                    pitch_key=pipe.key,
                    day=datetime.date.today().isoformat(),
                    partials=dump([[n, round(level, 2)] for n, level in pipe.partials]),
                )
            return w.written()

    def of_rank(self, organ: str, rank: str) -> list[HeardRow]:
        """What was heard of a rank, in the order in which it was heard."""
        h = schema.heard.c
        query = select(schema.heard).where(h.organ == organ, h.rank == rank, h.withdrawn.is_(False))
        return sorted(self._writer.found(HeardRow, query), key=lambda row: row.order)

    def with_length(self) -> list[HeardRow]:
        """Pipes whose length was measured, each as it was heard last: what the rule of lengths is learned from."""
        h = schema.heard.c
        rows = self._writer.found(
            HeardRow, select(schema.heard).where(h.length_mm.is_not(None), h.withdrawn.is_(False))
        )
        return list({(r.organ, r.rank, r.pitch_key): r for r in sorted(rows, key=lambda row: row.order)}.values())
