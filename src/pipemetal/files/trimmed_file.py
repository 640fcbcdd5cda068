"""Pipes that were trimmed to their pitch and heard: what their lengths are learned from."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipemetal.files.csv_table import read_csv
from pipemetal.pipes.learned import LEARNED_OF
from pipemetal.pipes.notes import parse_note
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ
from pipemetal.sound.trimmed import Trimmed, trimmed_of

__all__ = ["read_trimmed"]


def read_trimmed(path: Path, organ: Organ, pipes: Sequence[Pipe]) -> list[Trimmed]:
    """The pipes of a table: columns rank, note, length_mm, heard_hz, and air_c where it is not the tuning temperature.

    Errors: FileFormatError with the row: no such pipe, or a reed, whose length teaches nothing here.
    """
    table = read_csv(path)
    table.check(["rank", "note", "length_mm", "heard_hz"], ["air_c"])
    by_place = {(p.rank, p.key): p for p in reversed(pipes)}
    ranks = {r.name: r for r in organ.ranks}
    found = []
    for row in table:
        name, note = row.text("rank"), row.text("note")
        pipe = by_place.get((name, parse_note(note, naming=organ.naming)))
        if pipe is None:
            raise row.error("has no such pipe", "rank", name, ", ".join(ranks))
        if pipe.construction not in LEARNED_OF:
            raise row.error("has no length to learn", "rank", name, ", ".join(LEARNED_OF))
        air = row.maybe_number("air_c", 0.0, 40.0)
        found.append(
            trimmed_of(
                organ,
                pipe,
                row.number("length_mm", 3.0, 12_000.0),
                row.number("heard_hz", 15.0, 12_000.0),
                organ.pitch.tuning_c if air is None else air,
            )
        )
    return found
