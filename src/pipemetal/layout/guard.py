"""What a wanted certainty asks of a place: how far inside its tolerance a blank must lie, on rolls and on sheets to cast."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

import numpy as np

from pipemetal.layout.problem import Blank, LayoutProblem
from pipemetal.layout.sheet_for import profile_of_piece
from pipemetal.layout.windows import Piece, Variant

__all__ = [
    "AS_NORMAL",
    "FREEDOM",
    "WORKING_MM2",
    "guard_factor",
    "guarded",
    "least_certainty",
    "miss_mm2",
    "missed_share",
]

FREEDOM: Final = 10.0
"""Degrees of freedom of an error: misread and unlucky readings give it longer tails than the normal curve's (estimate)."""
AS_NORMAL: Final = ((FREEDOM - 2.0) / FREEDOM) ** 0.5
"""Makes the standard deviation of Student's t one."""
MOST_PLACES: Final = 4.0
"""A blank is taken to hold no more places that err apart: only some lie at the edge of its tolerance (estimate)."""
SHARED: Final = 8.0
"""Where metal is saved a blank may lie so many times less sure than wanted: misses are kept down over all blanks."""
MISS_COSTS: Final = 0.15
"""A miss costs this much of what the certainty wanted says against metal: certainty over doubt, in mean blanks (measured)."""
MISSED_SHARE: Final = 0.6
"""Where metal is saved, this share of what the certainty leaves in doubt may be expected to miss over all blanks (measured)."""
COUNTED_TWICE: Final = 1.7
"""Misses by the worst place under each blank are so many times those that drawings of the sheets give (measured)."""
WORKED: Final = ((0.0, 0.0), (0.25, 1.0), (1.0, 2.0))
"""Of what may be worked off a blank so much, and how often working it a little is paid for that: unworked metal goes first
(estimates)."""
WORKING_MM2: Final = 40_000.0
"""What working a blank a little costs, as metal, where nobody says (estimate)."""
MISSES_AT_EDGE: Final = 0.5
"""Of blanks at the edge of their tolerance so many do not fit."""


def places_apart(length_mm: float, reach_mm: float) -> float:
    """How many places of a blank at the edge of its tolerance err apart from each other.

    >>> places_apart(300.0, 500.0), places_apart(1500.0, 250.0)
    (1.0, 2.0)
    """
    return min(max(0.5 + length_mm / (4.0 * reach_mm), 1.0), MOST_PLACES)


def guard_factor(certainty: float, length_mm: float, reach_mm: float) -> float:
    """So many times its error the metal must keep within a blank's tolerance, that all of the blank fits with this certainty.

    Sources: Bonferroni's inequality over the places that err apart; Student's t with ten degrees of freedom, estimate.

    >>> round(guard_factor(0.95, 300.0, 500.0), 2), guard_factor(0.0, 300.0, 500.0)
    (1.62, 0.0)
    """
    if certainty <= 0.0:
        return 0.0
    return _errors_of((1.0 - certainty) / places_apart(length_mm, reach_mm))


@lru_cache(4096)
def _errors_of(tail: float) -> float:
    """So many standard deviations are passed on one side with this chance."""
    low, high = 0.0, 30.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _beyond(middle) > tail else (low, middle)
    return high * AS_NORMAL


def _beyond(t: float) -> float:
    """The chance that Student's t of ten degrees of freedom is above t.

    Sources: Abramowitz & Stegun 1964, Handbook of Mathematical Functions, equation 26.7.4.
    """
    theta = math.atan(t / math.sqrt(FREEDOM))
    square = math.cos(theta) ** 2
    within = math.sin(theta) * (1.0 + square * (0.5 + square * (0.375 + square * (0.3125 + square * 35.0 / 128.0))))
    return 0.5 * (1.0 - within)


def least_certainty(problem: LayoutProblem) -> float:
    """The least certainty of a place, where a surer one serves: what is wanted, less where that may save metal.

    >>> problem = LayoutProblem((), (), certainty=0.95)
    >>> round(least_certainty(problem), 3), round(least_certainty(replace(problem, save_metal=True)), 3)
    (0.95, 0.6)
    """
    return max(1.0 - SHARED * (1.0 - problem.certainty), 0.0) if problem.save_metal else problem.certainty


def missed_share(certainty: float) -> float:
    """The share of the blanks on rolls that may be expected to miss, as the search counts them."""
    return COUNTED_TWICE * MISSED_SHARE * (1.0 - certainty)


def miss_mm2(problem: LayoutProblem) -> float:
    """What a blank costs that does not fit, as metal, at first, where chance is weighed against metal (else 0)."""
    if not problem.save_metal or problem.certainty <= 0.0:
        return 0.0
    mean = sum(b.area_mm2() for b in problem.blanks) / max(len(problem.blanks), 1)
    return MISS_COSTS * problem.certainty / (1.0 - problem.certainty) * mean


def guarded(
    piece: Piece,
    blanks: Sequence[Blank],
    problem: LayoutProblem,
    missed_mm2: float = 0.0,
    working_mm2: float = WORKING_MM2,
) -> Piece:
    """The piece with the guard that the certainty wanted of it asks for; as it is where that is 0 or nothing is unsure.

    `missed_mm2`: what a blank that does not fit costs, as metal, where chance is weighed within the guard (0: it is not).
    `working_mm2`: what working a blank a little costs.
    """
    certainty = least_certainty(problem) if piece.certainty is None else piece.certainty
    dear_mm2 = missed_mm2 * len(piece.members) ** 0.5
    reach = min((r.error_reach_mm[0] for r in problem.rolls if r.error_mm is not None), default=np.inf)
    alloy = blanks[piece.members[0][0]].alloy
    castable = problem.castable
    spread = castable.spread_of(alloy) if castable is not None else None
    held = [blanks[index] for index, *_ in piece.members]
    found = []
    for v in _worked(piece, held, working_mm2):
        factor = guard_factor(certainty, v.dx_mm, reach) if np.isfinite(reach) else 0.0
        miss = dear_mm2 * places_apart(v.dx_mm, reach) if np.isfinite(reach) else 0.0
        made = replace(v, guard=factor, miss_mm2=miss, misfit_mm2=0.0, missed_mm2=0.0)
        if castable is not None and spread is not None and problem.certainty > 0.0:
            v = v.as_cast
            thick_mm = v.start_mm + max(v.slope * v.dx_mm, 0.0) + spread.planing_mm
            sd = float(np.sqrt(spread.level**2 + spread.taper**2 + spread.scatter**2)) * thick_mm
            room = 1.0 - guard_factor(problem.certainty, v.dx_mm, v.dx_mm) * sd / max(v.tolerance_mm, 1e-9)
            cast = _within(v, held, min(max(room, castable.least_room), 1.0))
            made = replace(made, cast_start_mm=cast.cast_start_mm, cast_tolerance_mm=cast.cast_tolerance_mm)
            own_mm2 = castable.misfit_costs * piece.area_mm2
            missed = min(2.0 * _beyond(v.tolerance_mm / max(sd, 1e-9) / AS_NORMAL), 1.0)
            made = replace(made, misfit_mm2=MISSES_AT_EDGE * own_mm2, missed_mm2=missed * own_mm2)
        found.append(made)
    made_piece = replace(piece, variants=tuple(found))
    if castable is not None and profile_of_piece(made_piece.as_cast, castable) is None:
        return replace(
            made_piece,
            variants=tuple(replace(v, cast_start_mm=None, cast_tolerance_mm=None) for v in made_piece.variants),
        )
    return made_piece


def _worked(piece: Piece, held: Sequence[Blank], working_mm2: float) -> tuple[Variant, ...]:
    """A piece's ways to lie; of a blank that may be worked as it is, worked a little, and worked as much as it may be.

    Sheets are cast for it as it is.
    """
    most_mm2 = max(v.worked_mm2 for v in piece.variants)  # of a piece that is guarded anew all that is accepted
    plain = tuple(
        replace(v, cast_start_mm=None, cast_tolerance_mm=None) for v in piece.variants if v.worked_mm2 == most_mm2
    )
    worked_mm = held[0].worked_mm
    if len(held) > 1 or worked_mm <= 0.0:
        return plain
    found = []
    for share, costs in WORKED:
        less_mm = (1.0 - share) * worked_mm / 2.0
        for v in plain:
            as_is = (v.start_mm - worked_mm / 2.0, v.tolerance_mm - worked_mm / 2.0)
            found.append(
                replace(
                    v,
                    start_mm=v.start_mm - less_mm,
                    tolerance_mm=v.tolerance_mm - less_mm,
                    cast_start_mm=as_is[0],
                    cast_tolerance_mm=as_is[1],
                    worked_mm2=costs * working_mm2,
                )
            )
    return tuple(found)


def _within(v: Variant, held: Sequence[Blank], room: float) -> Variant:
    """A variant that lies, on sheets to cast, within this share of the tolerance of all that it holds."""
    if len(held) == 1:
        return replace(v, cast_start_mm=v.start_mm, cast_tolerance_mm=room * v.tolerance_mm)
    low = max(b.mouth_thickness_mm + b.accepts_mm[0] - room * b.accepts_mm[1] for b in held)
    high = min(b.mouth_thickness_mm + b.accepts_mm[0] + room * b.accepts_mm[1] for b in held)
    if high - low < 0.5 * room * v.tolerance_mm:
        return replace(v, cast_start_mm=v.start_mm, cast_tolerance_mm=room * v.tolerance_mm)
    return replace(v, cast_start_mm=(low + high) / 2.0, cast_tolerance_mm=(high - low) / 2.0)
