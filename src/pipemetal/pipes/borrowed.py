"""Notes that have no pipe of their own: borrowed from another rank, or silent."""

from __future__ import annotations

from dataclasses import dataclass

from pipemetal.errors import PipeError
from pipemetal.pipes.pitch import note_name, sounding_semitones
from pipemetal.pipes.ranges import NoteRange
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.texts import Text

__all__ = ["NoteWithoutPipe", "notes_without_pipe"]

SAME_PITCH = 0.005
"""Semitones within which two ranks sound alike: pure and tempered mutations of one footage do not."""


@dataclass(frozen=True)
class NoteWithoutPipe:
    """A note of a rank that gets no pipe, and the pipe it sounds; `lender` is empty where it is silent."""

    rank: str
    key: int
    note: str
    lender: str = ""
    lender_key: int | None = None
    lender_note: str = ""


def notes_without_pipe(organ: Organ) -> tuple[NoteWithoutPipe, ...]:
    """All notes without a pipe of their own.

    Errors: PipeError where a lender does not exist, has no pipe at that pitch, or borrows that note itself.
    """
    found = []
    for rank in organ.ranks:
        for item in rank.ranges:
            if item.has_pipes():
                continue
            for key in range(item.first_key, item.last_key + 1):
                note = note_name(key, organ.naming)
                if item.made == "silent":
                    found.append(NoteWithoutPipe(rank.name, key, note))
                    continue
                try:
                    found.append(_borrowed(organ, rank, item, key, note))
                except PipeError as error:
                    raise error.at(Text("rank {name} note {note}", name=repr(rank.name), note=note)) from None
    return tuple(found)


def _borrowed(organ: Organ, rank: Rank, item: NoteRange, key: int, note: str) -> NoteWithoutPipe:
    lender = next((r for r in organ.ranks if r.name == item.lender), None)
    if lender is None or lender is rank:
        names = ", ".join(r.name for r in organ.ranks if r is not rank)
        raise PipeError("is not another rank of this organ", field="lender", value=item.lender, allowed=names)
    if lender.footage is None or rank.footage is None:
        raise PipeError("is a compound rank", field="lender", value=item.lender, allowed="a simple rank")
    there = sounding_semitones(key, rank.footage, pure=rank.pure_mutations) - sounding_semitones(
        0, lender.footage, pure=lender.pure_mutations
    )
    if abs(there - round(there)) > SAME_PITCH:
        raise PipeError(
            "does not sound this pitch", field="lender", value=item.lender, allowed="a rank of the same row of octaves"
        )
    other = lender.range_at(round(there))
    if round(there) not in lender.keys or (other is not None and not other.has_pipes()):
        raise PipeError(
            Text("has no pipe of its own at {note_name}", note_name=note_name(round(there), organ.naming)),
            field="lender",
            value=item.lender,
            allowed="a rank whose compass holds that pitch",
        )
    return NoteWithoutPipe(rank.name, key, note, lender.name, round(there), note_name(round(there), organ.naming))
