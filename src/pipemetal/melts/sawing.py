"""A piece that may be sawn: offered beside the whole pieces of its lot, and put back on its lot's line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pipemetal.melts.lots import Lot
from pipemetal.melts.request import Charge, ChargeLine
from pipemetal.texts import Amount, Text

__all__ = ["SAWN", "is_sawn", "is_sawn_off", "rejoined", "sawable"]

SAWN: Final = " (sawn)"
"""Marks what is sawn off a piece while a list is searched for; no lot is called so."""


def sawable(lots: Sequence[Lot]) -> list[Lot]:
    """The lots, with one piece of each that may be sawn: a lot of its own that can be divided.

    >>> from pipemetal.alloys.composition import Composition
    >>> pigs = Lot("P", "pig", Composition.parse("Pb 100"), 75.0, 25.0)
    >>> [(lot.id, lot.mass_kg, lot.piece_kg) for lot in sawable([pigs])]
    [('P (sawn)', 25.0, None), ('P', 50.0, 25.0)]
    """
    found: list[Lot] = []
    for lot in lots:
        if lot.piece_kg is None:
            found.append(lot)
            continue
        whole_kg = (lot.pieces - 1) * lot.piece_kg
        found.append(replace(lot, id=f"{lot.id}{SAWN}", mass_kg=lot.mass_kg - whole_kg, piece_kg=None))
        if whole_kg > 0.0:
            found.append(replace(lot, mass_kg=whole_kg))
    return found


def is_sawn_off(lot: Lot) -> bool:
    """Whether a lot of `sawable` is the piece that may be sawn."""
    return lot.id.endswith(SAWN)


def is_sawn(line: ChargeLine) -> bool:
    """Whether a line takes more than whole pieces of a lot that comes in pieces."""
    piece_kg = line.lot.piece_kg
    return piece_kg is not None and abs(line.mass_kg - line.pieces * piece_kg) > 1e-6


def rejoined(answer: Charge, lots: Sequence[Lot]) -> Charge:
    """A list from `sawable` lots with what is sawn off a piece on the line of its lot, which says so; `lots` are as they lie."""
    held = {lot.id: lot for lot in lots}
    taken: dict[str, float] = {}
    for line in answer.lines:
        name = line.lot.id.removesuffix(SAWN)
        taken[name] = taken.get(name, 0.0) + line.mass_kg
    lines = []
    for name, mass_kg in taken.items():
        if name not in held:
            lines += [line for line in answer.lines if line.lot.id == name]
            continue
        lot = held[name]
        pieces = math.floor(mass_kg / lot.piece_kg + 1e-6) if lot.piece_kg is not None else 0
        line = ChargeLine(lot, mass_kg, pieces)
        lines.append(replace(line, lot=replace(lot, note=_words(line))) if is_sawn(line) else line)
    return replace(answer, lines=tuple(lines))


def _words(line: ChargeLine) -> Text:
    off = Amount.short(round(line.mass_kg - line.pieces * (line.lot.piece_kg or 0.0), 3), "kg")
    if not line.pieces:
        return Text("saw {off} off one piece", off=off)
    return Text("{pieces} whole, and saw {off} off another", pieces=line.pieces, off=off)
