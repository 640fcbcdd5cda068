"""A plan changed by hand: blanks moved, turned, swapped, pinned to their place or barred from rolls, the rest laid anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.layout.bound import consumed_bound_mm2
from pipemetal.layout.chance import unsure_of
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.shelf import Hands, Place, box_mm, overhang_mm
from pipemetal.layout.totals import totals_of
from pipemetal.layout.verify import verify
from pipemetal.layout.windows import Piece
from pipemetal.sheets.field import FloatArray
from pipemetal.texts import Text

__all__ = ["ByHand", "better_than_start", "check_pins", "moved", "swapped", "with_new_sheets", "with_sheets_as_rolls"]

MEET_MM = 0.01
"""Boxes that reach farther into each other lie within each other."""


@dataclass(frozen=True)
class ByHand:
    """What a person has settled before the solver goes on.

    `pinned`: blanks that stay exactly where they are put. `barred`: pairs (blank, roll) that may not be. `start`: the plan to
    go on from; its other blanks may move.

    >>> ByHand(barred=(("C1", "R1"),)).blanks()
    frozenset({'C1'})
    """

    pinned: tuple[Placement, ...] = ()
    barred: tuple[tuple[str, str], ...] = ()
    start: LayoutPlan | None = None

    def blanks(self) -> frozenset[str]:
        """The blanks that are pinned or barred from somewhere."""
        return frozenset([p.blank for p in self.pinned] + [blank for blank, _ in self.barred])

    def on_shelf(self, pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], blanks: Sequence[Blank]) -> Hands:
        """The same by the numbers of one alloy's pieces and sheets; what belongs to other alloys is passed over."""
        piece = {blanks[p.members[0][0]].id: k for k, p in enumerate(pieces) if len(p.members) == 1}
        sheet = {roll.id: k for k, roll in enumerate(rolls)}
        pinned = {
            piece[p.blank]: (sheet[p.roll], _place(p, blanks[pieces[piece[p.blank]].members[0][0]]))
            for p in self.pinned
            if p.blank in piece and p.roll in sheet
        }
        barred = {(piece[b], sheet[r]) for b, r in self.barred if b in piece and r in sheet}
        return Hands(pinned, frozenset(barred))

    def places(
        self, pieces: Sequence[Piece], rolls: Sequence[LayoutRoll], blanks: Sequence[Blank]
    ) -> dict[int, tuple[int, Place]]:
        """Where the plan to start from lays each single piece (bundles are laid anew)."""
        if self.start is None:
            return {}
        lies = {p.blank: p for p in self.start.placements}
        sheet = {roll.id: k for k, roll in enumerate(rolls)}
        found: dict[int, tuple[int, Place]] = {}
        alone = _not_interlocked(self.start.placements, {b.id: b for b in blanks})
        for k, piece in enumerate(pieces):
            p = lies.get(blanks[piece.members[0][0]].id) if len(piece.members) == 1 else None
            if p is not None and p.roll in sheet and p.blank in alone:
                found[k] = (sheet[p.roll], _place(p, blanks[piece.members[0][0]]))
        return found


def _not_interlocked(placements: Sequence[Placement], blanks: Mapping[str, Blank]) -> set[str]:
    """The blanks whose boxes meet no other box: those of a bundle may lie within each other, by themselves they may not."""
    on: dict[str, list[tuple[str, FloatArray]]] = {}
    for p in placements:
        if p.blank in blanks:
            place, (dx, dy) = _place(p, blanks[p.blank]), box_mm(blanks[p.blank])
            dx, dy = (dx, dy) if p.turn_deg in (0, 180) else (dy, dx)
            on.setdefault(p.roll, []).append(
                (p.blank, np.array([place.x_mm, place.y_mm, place.x_mm + dx, place.y_mm + dy]))
            )
    alone: set[str] = set()
    for held in on.values():
        x0, y0, x1, y1 = np.array([box for _, box in held]).T
        meet = (np.minimum(x1[:, None], x1) - np.maximum(x0[:, None], x0) > MEET_MM) & (
            np.minimum(y1[:, None], y1) - np.maximum(y0[:, None], y0) > MEET_MM
        )
        alone |= {name for (name, _), others in zip(held, meet.sum(axis=1) - 1, strict=True) if not others}
    return alone


def check_pins(problem: LayoutProblem, hand: ByHand) -> None:
    """Raises LayoutError where the pinned blanks could not lie so: the verifier's own words, about the pinned alone."""
    if not hand.pinned:
        return
    pinned = {p.blank for p in hand.pinned}
    alone = replace(problem, blanks=tuple(b for b in problem.blanks if b.id in pinned))
    empty = LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    faults = [f for f in verify(alone, _with(alone, empty, hand.pinned)) if f.kind not in ("totals", "certainty")]
    if faults:
        raise LayoutError("cannot lie there", field="pinned", value=faults[0].blank, where=faults[0].detail)


def better_than_start(problem: LayoutProblem, found: LayoutPlan, hand: ByHand) -> LayoutPlan:
    """What the search found, or the plan it started from with the pins in place, where that is the better of the two.

    A plan in hand is never given up for one that leaves more blanks without a place, uses more metal, or has a fault.
    """
    if hand.start is None:
        return found
    pins = {p.blank: p for p in hand.pinned}
    barred = set(hand.barred)
    lies = tuple(pins.get(p.blank, p) for p in hand.start.placements)
    if any((p.blank, p.roll) in barred for p in lies):
        return found
    known = {p.blank for p in lies}
    added = tuple(p for p in hand.pinned if p.blank not in known)
    unplaced = {b.id for b in problem.blanks} - known - set(pins)
    start = _with(problem, hand.start, (*lies, *added))
    if len(start.unplaced) != len(unplaced) or _faulty(problem, start):
        return found
    rank = (len(found.unplaced), found.consumed_mm2)
    return found if rank < (len(start.unplaced), start.consumed_mm2) and not _faulty(problem, found) else start


def _faulty(problem: LayoutProblem, plan: LayoutPlan) -> bool:
    return any(fault.kind != "totals" for fault in verify(problem, plan))


def _place(p: Placement, blank: Blank) -> Place:
    over_x, over_y = overhang_mm(blank, p.turn_deg)
    return Place(p.x_mm - over_x, p.y_mm - over_y, float("nan"), float(p.turn_deg))


def moved(
    problem: LayoutProblem, plan: LayoutPlan, blank: str, roll: str, x_mm: float, y_mm: float, turn_deg: int
) -> LayoutPlan:
    """The plan with one blank laid elsewhere (or laid at last), its totals made anew; `verify` tells what is wrong with it.

    Raises: LayoutError for a blank or roll that the problem and plan do not know, or a turn that the blank may not take.

    >>> import numpy as np
    >>> sheet = LayoutRoll("R1", "A", 1000.0, 500.0, 0.0, (0.0, 1000.0), np.array([[1.0, 1.0]]))
    >>> problem = LayoutProblem((Blank("C", "body", "A", 400.0, 500.0, 1.0, 1.0, 0.1),), (sheet,))
    >>> empty = LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    >>> moved(problem, empty, "C", "R1", 600.0, 0.0, 0).opened_mm2
    500000.0
    """
    known = {b.id: b for b in problem.blanks}
    sheets = [r.id for r in problem.rolls] + [s.id for s in plan.new_sheets]
    if blank not in known:
        raise LayoutError("is not in the problem", field="blank", value=blank)
    if roll not in sheets:
        raise LayoutError("is neither on the rack nor to be cast", field="roll", value=roll)
    if turn_deg not in known[blank].turns_deg:
        allowed = ", ".join(str(t) for t in known[blank].turns_deg)
        raise LayoutError(
            "may not be taken",
            field="turn_deg",
            value=turn_deg,
            where=Text("blank {blank}", blank=repr(blank)),
            allowed=allowed,
        )
    others = tuple(p for p in plan.placements if p.blank != blank)
    return _with(problem, plan, (*others, Placement(blank, roll, float(x_mm), float(y_mm), turn_deg)))


def swapped(problem: LayoutProblem, plan: LayoutPlan, one: str, other: str) -> LayoutPlan:
    """The plan with two blanks in each other's place, corner for corner; each keeps its turn.

    Raises: LayoutError for a blank that the plan does not lay.
    """
    lies = {p.blank: p for p in plan.placements}
    for name in (one, other):
        if name not in lies:
            raise LayoutError("lies nowhere in this plan", field="blank", value=name)
    a, b = lies[one], lies[other]
    lies[one] = Placement(one, b.roll, b.x_mm, b.y_mm, a.turn_deg)
    lies[other] = Placement(other, a.roll, a.x_mm, a.y_mm, b.turn_deg)
    return _with(problem, plan, tuple(lies.values()))


def _with(problem: LayoutProblem, plan: LayoutPlan, placements: tuple[Placement, ...]) -> LayoutPlan:
    placed = {p.blank for p in placements}
    totals = totals_of(problem, placements, plan.new_sheets)
    bound = consumed_bound_mm2(problem, (b for b in problem.blanks if b.id in placed))
    gap = (totals.consumed_mm2 / bound - 1.0) * 100.0 if bound > 0.0 else 0.0
    return replace(
        plan,
        placements=placements,
        unplaced=tuple(u for u in plan.unplaced if u.blank not in placed),
        opened_mm2=totals.opened_mm2,
        consumed_mm2=totals.consumed_mm2,
        utilisation=totals.utilisation,
        lower_bound_mm2=bound,
        gap_percent=gap,
        unsure=unsure_of(problem, placements),
    )


def with_sheets_as_rolls(problem: LayoutProblem, plan: LayoutPlan) -> LayoutProblem:
    """The problem in which the plan's sheets to cast hang on the rack as they are to be: to go on by hand around them."""
    sheets = tuple(
        LayoutRoll(
            s.id,
            s.alloy,
            s.length_mm,
            s.width_mm,
            s.trim_mm,
            (0.0, s.length_mm),
            np.array([[s.thickness_start_mm, s.thickness_end_mm]]),
        )
        for s in plan.new_sheets
    )
    return replace(problem, rolls=problem.rolls + sheets, castable=None)


def with_new_sheets(plan: LayoutPlan, start: LayoutPlan) -> LayoutPlan:
    """A plan made on `with_sheets_as_rolls`, its sheets to cast told as such again; those that carry nothing fall away."""
    used = {p.roll for p in plan.placements}
    return replace(plan, new_sheets=tuple(s for s in start.new_sheets if s.id in used))
