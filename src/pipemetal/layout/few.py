"""The least metal that few blanks ask for, however they are laid: every way to share them among sheets, and what each loses.

Whatever lies on a sheet, its used stretch is as long as its longest blank, and its used width as wide as its widest. What is left
beside is credited only where it is large enough to keep. Blanks that no sheet can hold together need sheets of their own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.totals import LEAST_END_PIECE_MM, LEAST_STRIP_MM

__all__ = ["groups_apart", "least_for_few_mm2"]

FEW: Final = 7
"""Every way to share so many blanks among sheets is looked at."""
MOST_SHEETS: Final = 40
"""Of more rolls each may be taken as often as wanted: that can only weaken the bound."""
ROUNDING: Final = 1e-6
MOST_TURNED: Final = 16
"""Of more ways to turn blanks the least sides of each are taken."""
MOST_PAIRS: Final = 60_000
"""Of more blanks times rolls nothing is asked: their area says nearly all."""
SLACK_MM: Final = 0.05
"""Blanks are taken so much smaller, and their tolerances so much wider, than they are: rounding can only weaken the bound."""
Span = tuple[float, float]


@dataclass(frozen=True)
class _Sheet:
    """A sheet inside its trim: lengths and widths that it may have (roll: one each), which blanks it may hold, and
    whether there may be several of it."""

    lengths_mm: tuple[float, float, float]
    widths_mm: tuple[float, ...]
    holds: frozenset[int]
    again: bool = False


@dataclass(frozen=True)
class _Laid:
    """A blank as it may lie: its sides along and across the sheet in each way, its area, whether others may interlock with it."""

    ways: tuple[tuple[float, float], ...]
    area_mm2: float
    interlocks: bool

    @property
    def least(self) -> tuple[float, float]:
        """Its least sides along and across, of whichever way."""
        return min(a for a, _ in self.ways), min(c for _, c in self.ways)


def groups_apart(problem: LayoutProblem, blanks: Sequence[Blank]) -> list[list[Blank]]:
    """Blanks of one alloy in groups that share no sheet: neither a roll, nor the thickness of one sheet to cast.

    >>> from pipemetal.layout.problem import Blank, Castable
    >>> thin, thick = (Blank(f"C{t:g}", "body", "A", 500.0, 100.0, t, t, 0.05) for t in (0.5, 4.0))
    >>> len(groups_apart(LayoutProblem((thin, thick), (), Castable()), (thin, thick)))
    2
    """
    rolls = [r for r in problem.rolls if blanks and r.alloy == blanks[0].alloy]
    if len(blanks) * max(len(rolls), 1) > MOST_PAIRS or len(blanks) < 2:
        return [list(blanks)]
    head = list(range(len(blanks)))

    def top(i: int) -> int:
        while head[i] != i:
            head[i] = head[head[i]]
            i = head[i]
        return i

    for together in _together(problem, blanks, rolls):
        for i in together[1:]:
            head[top(i)] = top(together[0])
    found: dict[int, list[Blank]] = {}
    for i, blank in enumerate(blanks):
        found.setdefault(top(i), []).append(blank)
    return list(found.values())


def _together(problem: LayoutProblem, blanks: Sequence[Blank], rolls: Sequence[LayoutRoll]) -> Iterator[list[int]]:
    """Blanks that some roll holds, and such as follow each other in thickness closely enough for one sheet to cast."""
    for held in _held(blanks, rolls):
        if held:
            yield sorted(held)
    castable = problem.castable
    if castable is None:
        return
    apart = castable.max_taper_mm_m / 1000.0 * castable.max_length_mm
    spans = [_thickness_mm(blank) for blank in blanks]
    order = sorted(range(len(blanks)), key=lambda i: spans[i])
    reach = -math.inf
    run: list[int] = []
    for i in order:
        if run and spans[i][0] - reach > apart + SLACK_MM:
            yield run
            run = []
        run.append(i)
        reach = max(reach, spans[i][1]) if len(run) > 1 else spans[i][1]
    yield run


def _thickness_mm(blank: Blank) -> Span:
    ends = blank.mouth_thickness_mm, blank.top_thickness_mm
    return min(ends) - blank.tolerance_mm, max(ends) + blank.most_over_mm


def _held(blanks: Sequence[Blank], rolls: Sequence[LayoutRoll]) -> list[frozenset[int]]:
    """Which blanks each roll may hold: those that find their thickness at both ends somewhere on it."""
    if not blanks:
        return [frozenset() for _ in rolls]
    ends = np.array([(b.mouth_thickness_mm, b.top_thickness_mm) for b in blanks])
    thin = ends - np.array([[b.tolerance_mm + SLACK_MM] for b in blanks])
    thick = ends + np.array([[b.most_over_mm + SLACK_MM] for b in blanks])
    found = []
    for roll in rolls:
        low, high = float(roll.thickness_mm.min()), float(roll.thickness_mm.max())
        found.append(frozenset(np.nonzero(((thin <= high) & (thick >= low)).all(axis=1))[0].tolist()))
    return found


def least_for_few_mm2(problem: LayoutProblem, blanks: Sequence[Blank]) -> float:
    """Metal that no plan which serves these blanks of one alloy can consume less than; 0 where they are too many to ask.

    Of more than seven those are looked at that alone ask for most.

    >>> roll = LayoutRoll("R", "A", 2000.0, 600.0, 0.0, (0.0, 2000.0), np.ones((1, 2)))
    >>> blank = Blank("C", "body", "A", 1000.0, 400.0, 1.0, 1.0, 0.05)
    >>> round(least_for_few_mm2(LayoutProblem((blank,), (roll,)), (blank,)), -2)
    600000.0
    """
    alloy = blanks[0].alloy if blanks else ""
    rolls = [r for r in problem.rolls if r.alloy == alloy]
    if not blanks or len(blanks) * max(len(rolls), 1) > MOST_PAIRS:
        return 0.0
    sheets = [*_rolls(blanks, rolls), *_cast(problem.castable, blanks)]
    laid = [_laid(blank) for blank in blanks]
    kerf = problem.kerf_mm
    alone = [
        min((_on_sheet((b,), sheet, kerf) for sheet in sheets if i in sheet.holds), default=0.0)
        for i, b in enumerate(laid)
    ]
    chosen = sorted(range(len(blanks)), key=lambda i: -alone[i])[:FEW]
    return _shared_out(chosen, laid, sheets, kerf) * (1.0 - ROUNDING)


def _shared_out(chosen: Sequence[int], laid: Sequence[_Laid], sheets: Sequence[_Sheet], kerf: float) -> float:
    """The least over all ways to share blanks among sheets: each roll taken once, where they are not too many, others again."""
    few = len(sheets) <= MOST_SHEETS
    least = [0.0] + [math.inf] * ((1 << len(chosen)) - 1)
    again = [sheet for sheet in sheets if sheet.again or not few]
    one = _of_masks(chosen, laid, again, kerf)
    for mask in range(1, len(least)):
        least[mask] = min((one[part] + least[mask ^ part] for part in _parts(mask)), default=math.inf)
    for sheet in sheets if few else ():
        if not sheet.again:
            one = _of_masks(chosen, laid, [sheet], kerf)
            before = least
            least = [
                min([before[mask], *(one[part] + before[mask ^ part] for part in _parts(mask, any_part=True))])
                for mask in range(len(before))
            ]
    return least[-1] if math.isfinite(least[-1]) else 0.0


def _of_masks(chosen: Sequence[int], laid: Sequence[_Laid], sheets: Sequence[_Sheet], kerf: float) -> list[float]:
    """For every set of the chosen blanks the least that one of these sheets consumes with it; infinite where none holds it."""
    found = [math.inf] * (1 << len(chosen))
    for mask in range(1, len(found)):
        mine = [chosen[k] for k in range(len(chosen)) if mask >> k & 1]
        held = [sheet for sheet in sheets if sheet.holds.issuperset(mine)]
        found[mask] = min((_on_sheet([laid[i] for i in mine], sheet, kerf) for sheet in held), default=math.inf)
    return found


def _parts(mask: int, *, any_part: bool = False) -> Iterator[int]:
    """The sets within a set that are not empty; those with its first member alone, unless `any_part` is asked for."""
    part = mask
    while part:
        if any_part or part & mask & -mask:
            yield part
        part = (part - 1) & mask


def _rolls(blanks: Sequence[Blank], rolls: Sequence[LayoutRoll]) -> Iterator[_Sheet]:
    for roll, held in zip(rolls, _held(blanks, rolls), strict=True):
        length, width = roll.length_mm - 2.0 * roll.trim_mm, roll.width_mm - 2.0 * roll.trim_mm
        yield _Sheet((length, length, 1.0), (width,), held)


def _cast(castable: Castable | None, blanks: Sequence[Blank]) -> Iterator[_Sheet]:
    """The sheets that may be cast: one of each width, any length in steps; every blank is taken to fit."""
    if castable is None or (castable.alloys is not None and blanks[0].alloy not in castable.alloys):
        return
    trims = 2.0 * castable.trim_mm
    widths = tuple(w.width_mm - trims for w in castable.widths)
    if not widths:
        count = math.ceil((castable.max_width_mm - castable.min_width_mm) / castable.width_step_mm)
        steps = (castable.min_width_mm + k * castable.width_step_mm for k in range(count + 1))
        widths = tuple(min(width, castable.max_width_mm) - trims for width in steps)
    lengths = castable.min_length_mm - trims, castable.max_length_mm - trims, castable.length_step_mm
    yield _Sheet(lengths, widths, frozenset(range(len(blanks))), again=True)


def _laid(blank: Blank) -> _Laid:
    ways = {
        (blank.length_mm, blank.width_mm) if turn in (0, 180) else (blank.width_mm, blank.length_mm)
        for turn in blank.turns_deg
    }
    smaller = tuple(sorted((max(a - SLACK_MM, 0.0), max(c - SLACK_MM, 0.0)) for a, c in ways))
    return _Laid(smaller, blank.area_mm2(), blank.sector is not None or blank.outline is not None)


def _on_sheet(laid: Sequence[_Laid], sheet: _Sheet, kerf: float) -> float:
    """The least that a sheet with these blanks on it can consume, of all the ways that they may be turned."""
    area = math.fsum(b.area_mm2 for b in laid)
    turned: Iterable[tuple[tuple[float, float], ...]] = itertools.product(*(b.ways for b in laid))
    if math.prod(len(b.ways) for b in laid) > MOST_TURNED:
        turned = [tuple(b.least for b in laid)]
    found = (_as_turned(sides, [not b.interlocks for b in laid], area, sheet, kerf) for sides in turned)
    return max(min(found), area)


def _as_turned(
    sides: Sequence[tuple[float, float]], boxes: Sequence[bool], area: float, sheet: _Sheet, kerf: float
) -> float:
    """The least that a sheet consumes with blanks of these sides: whole, less ends, or less strips; infinite without room."""
    long, wide = max(a for a, _ in sides), max(c for _, c in sides)
    shortest, longest, step = sheet.lengths_mm
    least = math.inf
    for width in sheet.widths_mm:
        if wide > width or long > longest:
            continue
        # those of more than half the width lie one after the other, those of more than half the length one above the other
        row = [a for (a, c), box in zip(sides, boxes, strict=True) if box and 2.0 * c + kerf > width]
        pile = [c for (a, c), box in zip(sides, boxes, strict=True) if box and 2.0 * a + kerf > longest]
        used_x = max(long, area / width, _in_a_row(row, kerf))
        length = _stepped(used_x, shortest, longest, step)
        used_y = max(wide, area / length, _in_a_row(pile, kerf))
        if used_x > longest + SLACK_MM or used_y > width + SLACK_MM:
            continue
        least = min(least, length * width)
        if used_x + kerf + LEAST_END_PIECE_MM <= longest:
            least = min(least, (used_x + kerf) * width)
        if used_y + kerf + LEAST_STRIP_MM <= width:
            least = min(least, (used_y + kerf) * length)
    return least


def _in_a_row(sides: Sequence[float], kerf: float) -> float:
    return math.fsum(sides) + kerf * (len(sides) - 1) if sides else 0.0


def _stepped(used: float, shortest: float, longest: float, step: float) -> float:
    return min(shortest + max(math.ceil((used - shortest) / step - 1e-6), 0) * step, longest)
