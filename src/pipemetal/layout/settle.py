"""Blanks moved within the room that their neighbours leave them, to where the metal is surest: no more metal is taken."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import errors_off, field_of
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.shelf import box_mm, overhang_mm

__all__ = ["settled"]

SURE_ENOUGH: Final = 3.0
"""So many errors inside its tolerance everywhere, a blank is left where it lies."""
STEPS, ROUNDS = 9, 2
SLACK_MM: Final = 0.02
"""Kept beyond the kerf, against rounding."""
Box = tuple[float, float, float, float]


def settled(problem: LayoutProblem, placements: Sequence[Placement], pinned: Collection[str] = ()) -> list[Placement]:
    """The placements, each doubtful blank on a roll moved along and across to the surest place of its gap.

    Nothing leaves the rectangle that the blanks of its roll use. Rolls with no-go areas or an outline stay as they are.
    """
    if problem.certainty <= 0.0:
        return list(placements)
    blanks, places = {b.id: b for b in problem.blanks}, {p.blank: p for p in placements}
    laid: dict[str, list[str]] = {}
    for p in placements:
        laid.setdefault(p.roll, []).append(p.blank)
    for roll in problem.rolls:
        if roll.id in laid and roll.error_mm is not None and not roll.no_go and roll.outline is None:
            mine = {name: places[name] for name in laid[roll.id]}
            places |= _settled_on(roll, mine, blanks, problem.kerf_mm, pinned)
    return [places[p.blank] for p in placements]


def _settled_on(
    roll: LayoutRoll,
    places: dict[str, Placement],
    blanks: dict[str, Blank],
    kerf_mm: float,
    pinned: Collection[str],
) -> dict[str, Placement]:
    field, names = field_of(roll), list(places)
    boxes = np.array([_box(blanks[n], places[n]) for n in names])
    use = (boxes[:, 0].min(), boxes[:, 1].max(), boxes[:, 2].min(), boxes[:, 3].max())
    off = {n: errors_off(blanks[n], places[n], field) for n in names if n not in pinned}
    for n in sorted((n for n in off if off[n] < SURE_ENOUGH), key=lambda n: off[n]):
        k = names.index(n)
        for _ in range(ROUNDS):
            before = places[n]
            for axis in (0, 1):
                low, high = _gap(boxes, k, axis, use, kerf_mm + SLACK_MM)
                best, room = places[n], off[n]
                for by in np.linspace(low, high, STEPS) if high > low else ():
                    moved = _moved(places[n], axis, float(by))
                    if (found := errors_off(blanks[n], moved, field)) > room + 1e-6:
                        best, room = moved, found
                places[n], off[n], boxes[k] = best, room, _box(blanks[n], best)
            if places[n] is before:
                break
    return places


def _box(blank: Blank, p: Placement) -> Box:
    """The box of a blank's true shape: x0, x1, y0, y1."""
    (length, width), (over_x, over_y) = box_mm(blank), overhang_mm(blank, p.turn_deg)
    dx, dy = (length, width) if p.turn_deg in (0, 180) else (width, length)
    x, y = p.x_mm - over_x, p.y_mm - over_y
    return x, x + dx, y, y + dy


def _gap(boxes: np.ndarray, k: int, axis: int, use: Box, apart_mm: float) -> tuple[float, float]:
    """How far blank k may be moved along an axis, down and up; (0, 0) where a neighbour's box meets its own."""
    along, across = boxes[:, 2 * axis : 2 * axis + 2], boxes[:, 2 - 2 * axis : 4 - 2 * axis]
    beside = (across[:, 0] < across[k, 1] + apart_mm) & (across[:, 1] > across[k, 0] - apart_mm)
    beside[k] = False
    low, high = use[2 * axis] - along[k, 0], use[2 * axis + 1] - along[k, 1]
    middle = along.sum(axis=1)
    for other, after in zip(along[beside], middle[beside] > middle[k], strict=True):
        if after:
            high = min(high, other[0] - apart_mm - along[k, 1])
        else:
            low = max(low, other[1] + apart_mm - along[k, 0])
    # what already lies closer than the slack, or is interlocked, is not moved that way
    if low > SLACK_MM or high < -SLACK_MM:
        return 0.0, 0.0
    return min(float(low), 0.0), max(float(high), 0.0)


def _moved(p: Placement, axis: int, by_mm: float) -> Placement:
    return replace(p, x_mm=p.x_mm + by_mm) if axis == 0 else replace(p, y_mm=p.y_mm + by_mm)
