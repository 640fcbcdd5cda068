"""Where nothing sure serves a blank: the surest places that do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.bundles import loosened
from pipemetal.layout.guard import guarded
from pipemetal.layout.problem import LayoutProblem, LayoutRoll
from pipemetal.layout.sheet_for import profile_of_piece
from pipemetal.layout.windows import Piece, find_slots, sheet_table

__all__ = ["LESS_SURE", "with_some_place"]

LESS_SURE: Final = (0.9, 0.8, 0.6, 0.0)
"""Where nothing as sure as wanted serves a blank, places this sure are looked for, the surest first."""


def with_some_place(pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], problem: LayoutProblem) -> list[Piece]:
    """The pieces, those that no sheet serves as surely as wanted with the surest that some roll gives; bundles among them single.

    They take part in the search from the start: what is laid last lies where it takes most metal. What may be cast is cast.
    """
    found = list(pieces)
    if problem.certainty <= 0.0 or not rolls:
        return found
    apart = {k for k in _without_place(found, rolls, problem) if len(found[k].members) > 1}
    if apart:
        found = loosened(found, apart, problem.blanks)
    for level in LESS_SURE:
        lost = _without_place(found, rolls, problem)
        if level >= problem.certainty or not lost:
            continue
        for k in lost:
            found[k] = replace(found[k], certainty=level)
    return found


def _without_place(pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], problem: LayoutProblem) -> list[int]:
    """The pieces that no roll serves as surely as wanted, and that may not be cast."""
    held = [guarded(p, problem.blanks, problem) for p in pieces]
    starts, _ = find_slots(held, sheet_table(rolls), problem.kerf_mm)
    some: list[bool] = (np.diff(starts) > 0).reshape(len(pieces), len(rolls)).any(axis=1).tolist()
    castable = problem.castable
    if castable is None:
        return [k for k in range(len(pieces)) if not some[k]]
    alloy = problem.blanks[pieces[0].members[0][0]].alloy
    may_cast = castable.alloys is None or alloy in castable.alloys
    return [
        k
        for k, piece in enumerate(held)
        if not some[k] and not (may_cast and profile_of_piece(piece.as_cast, castable) is not None)
    ]
