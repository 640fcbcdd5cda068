"""Can straight cuts, each across the whole piece in hand, take a plan apart, and in which order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.totals import size_on_sheet

__all__ = ["Cut", "CutList", "straight_cuts"]

SLACK_MM = 1e-6
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Cut:
    """A straight cut: along "x" (at this x, from y `start_mm` to `end_mm`) or "y" (at this y, from x to x).

    >>> Cut("x", 100.0, 15.0, 585.0).axis
    'x'
    """

    axis: str
    at_mm: float
    start_mm: float
    end_mm: float


@dataclass(frozen=True)
class CutList:
    """How a roll is cut: the straight cuts in order, and the blanks that they leave together in one piece.

    `inside_corners` is empty where straight cuts alone free every blank (its box; a sector is then cut out of its box).
    Blanks of a bundle stand closer than their boxes, so they always stay together.

    >>> CutList("R1", (), ()).inside_corners
    ()
    """

    roll: str
    cuts: tuple[Cut, ...]
    inside_corners: tuple[tuple[str, ...], ...]

    @property
    def straight(self) -> bool:
        """Whether straight cuts alone are enough."""
        return not self.inside_corners


def straight_cuts(problem: LayoutProblem, plan: LayoutPlan) -> tuple[CutList, ...]:
    """For every sheet in use, the straight cuts that take it apart, and what they cannot part.

    A cut runs across the whole piece in hand and touches no blank. Where several will do, the one that leaves the two
    most even pieces goes first. The trim is taken as cut off before.
    Raises: KeyError never for a plan that `verify` finds without fault.

    >>> import numpy as np
    >>> roll = LayoutRoll("R1", "A", 1000.0, 500.0, 0.0, (0.0, 1000.0), np.array([[1.0, 1.0]]))
    >>> blanks = tuple(Blank(n, "body", "A", 400.0, 500.0, 1.0, 1.0, 0.1) for n in "CD")
    >>> placed = (Placement("C", "R1", 0.0, 0.0), Placement("D", "R1", 400.0, 0.0))
    >>> plan = LayoutPlan(placed, (), (), 5e5, 5e5, 0.8, 4e5, 25.0, 0, 0)
    >>> [c.at_mm for c in straight_cuts(LayoutProblem(blanks, (roll,)), plan)[0].cuts]
    [400.0, 800.0]
    """
    blanks = {b.id: b for b in problem.blanks}
    by_roll: dict[str, list[Placement]] = {}
    for p in plan.placements:
        by_roll.setdefault(p.roll, []).append(p)
    sheets: list[LayoutRoll | NewSheet] = [*problem.rolls, *plan.new_sheets]
    lists: list[CutList] = []
    for sheet in sheets:
        if sheet.id in by_roll:
            t = sheet.trim_mm
            piece = (t, sheet.length_mm - t, t, sheet.width_mm - t)
            boxes = [(p.blank, _box(p, blanks[p.blank])) for p in by_roll[sheet.id]]
            lists.append(_taken_apart(sheet.id, piece, boxes))
    return tuple(lists)


def _box(p: Placement, blank: Blank) -> Box:
    dx, dy = size_on_sheet(blank, p.turn_deg)
    return (p.x_mm, p.x_mm + dx, p.y_mm, p.y_mm + dy)


def _taken_apart(roll: str, piece: Box, boxes: Sequence[tuple[str, Box]]) -> CutList:
    cuts: list[Cut] = []
    stuck: list[tuple[str, ...]] = []
    pending = [(piece, list(boxes))]
    while pending:
        (x0, x1, y0, y1), inside = pending.pop()
        if len(inside) == 1 and _fills((x0, x1, y0, y1), inside[0][1]):
            continue
        best: tuple[float, str, float] | None = None
        for axis, low, high in (("x", x0, x1), ("y", y0, y1)):
            for at in _free_places(axis, low, high, inside):
                even = min(at - low, high - at)
                if best is None or even > best[0] + SLACK_MM:
                    best = (even, axis, at)
        if best is None:
            stuck.append(tuple(sorted(name for name, _ in inside)))
            continue
        _, axis, at = best
        k = 0 if axis == "x" else 2
        cuts.append(Cut("x", at, y0, y1) if axis == "x" else Cut("y", at, x0, x1))
        low_side = [b for b in inside if b[1][k + 1] <= at + SLACK_MM]
        high_side = [b for b in inside if b[1][k + 1] > at + SLACK_MM]
        low_piece = (x0, at, y0, y1) if axis == "x" else (x0, x1, y0, at)
        high_piece = (at, x1, y0, y1) if axis == "x" else (x0, x1, at, y1)
        pending += [(p, some) for p, some in ((high_piece, high_side), (low_piece, low_side)) if some]
    return CutList(roll, tuple(cuts), tuple(stuck))


def _fills(piece: Box, box: Box) -> bool:
    return all(abs(a - b) <= SLACK_MM for a, b in zip(piece, box, strict=True))


def _free_places(axis: str, low: float, high: float, inside: Sequence[tuple[str, Box]]) -> list[float]:
    """Edges of blanks, strictly inside the piece, at which a cut across it meets no blank."""
    k = 0 if axis == "x" else 2
    spans = sorted((box[k], box[k + 1]) for _, box in inside)
    edges = {edge for span in spans for edge in span if low + SLACK_MM < edge < high - SLACK_MM}
    covered: list[tuple[float, float]] = []
    for a, b in spans:
        if covered and a < covered[-1][1] - SLACK_MM:
            covered[-1] = (covered[-1][0], max(covered[-1][1], b))
        else:
            covered.append((a, b))
    return sorted(e for e in edges if all(e <= a + SLACK_MM or e >= b - SLACK_MM for a, b in covered))
