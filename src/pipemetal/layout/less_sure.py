"""Where nothing sure serves a blank: the surest places that do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.bundles import loosened
from pipemetal.layout.guard import guarded, least_certainty
from pipemetal.layout.problem import LayoutProblem, LayoutRoll
from pipemetal.layout.sheet_for import profile_of_piece
from pipemetal.layout.windows import Piece, find_slots, sheet_table

__all__ = ["LESS_SURE", "with_some_place"]

LESS_SURE: Final = (0.9, 0.8, 0.6, 0.0)
"""Where nothing as sure as wanted serves a blank, places this sure are looked for, the surest first."""
ROLLS_AT_ONCE: Final = 5


def with_some_place(pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], problem: LayoutProblem) -> list[Piece]:
    """The pieces, those that no sheet serves as surely as wanted with the surest that some roll gives; bundles among them single.

    They take part in the search from the start: what is laid last lies where it takes most metal. What may be cast is cast.
    """
    found = list(pieces)
    if problem.certainty <= 0.0 or not rolls:
        return found
    lost = _without_place(found, range(len(found)), rolls, problem)
    apart = {k for k in lost if len(found[k].members) > 1}
    if apart:
        found = loosened(found, apart, problem.blanks)
        lost = _without_place(found, range(len(found)), rolls, problem)
    for level in LESS_SURE:
        if level < least_certainty(problem) and lost:
            for k in lost:
                found[k] = replace(found[k], certainty=level)
            lost = _without_place(found, lost, rolls, problem)
    return found


def _without_place(
    pieces: Sequence[Piece], among: Sequence[int], rolls: Sequence[LayoutRoll], problem: LayoutProblem
) -> list[int]:
    """The pieces among some that no roll serves as surely as wanted, and that may not be cast."""
    held = [guarded(pieces[k], problem.blanks, problem) for k in among]
    some = _served(held, rolls, problem.kerf_mm)
    castable = problem.castable
    if castable is None:
        return [k for k, serves in zip(among, some, strict=True) if not serves]
    alloy = problem.blanks[pieces[0].members[0][0]].alloy
    may_cast = castable.alloys is None or alloy in castable.alloys
    return [
        k
        for k, piece, serves in zip(among, held, some, strict=True)
        if not serves and not (may_cast and profile_of_piece(piece.as_cast, castable) is not None)
    ]


def _served(pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], kerf_mm: float) -> list[bool]:
    """Whether some roll serves each piece; some rolls at a time, for most pieces are served by the first few."""
    some = [False] * len(pieces)
    for first in range(0, len(rolls), ROLLS_AT_ONCE):
        left = [k for k, served in enumerate(some) if not served]
        if not left:
            break
        part = rolls[first : first + ROLLS_AT_ONCE]
        starts, _ = find_slots([pieces[k] for k in left], sheet_table(part), kerf_mm)
        for k, row in zip(left, (np.diff(starts) > 0).reshape(len(left), len(part)), strict=True):
            some[k] = bool(row.any())
    return some
