"""Totals of a plan: metal opened and consumed, with credit for useful remnants, and how well it is used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll

__all__ = ["LEAST_END_PIECE_MM", "LEAST_STRIP_MM", "Totals", "consumed_of_sheet_mm2", "totals_of"]

# common practice, no source: a shorter or narrower rest goes back to the pot
LEAST_END_PIECE_MM = 500.0
LEAST_STRIP_MM = 150.0
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Totals:
    """Areas in mm2 inside the trim; `utilisation` is the true area of the blanks over the metal consumed."""

    opened_mm2: float
    consumed_mm2: float
    blank_area_mm2: float

    @property
    def utilisation(self) -> float:
        """Share of the metal consumed that became blanks; 0 where nothing is consumed."""
        return self.blank_area_mm2 / self.consumed_mm2 if self.consumed_mm2 > 0.0 else 0.0


def size_on_sheet(blank: Blank, turn_deg: int) -> tuple[float, float]:
    """Size along x and y of a blank's box as it is turned."""
    return (blank.length_mm, blank.width_mm) if turn_deg in (0, 180) else (blank.width_mm, blank.length_mm)


def consumed_of_sheet_mm2(net: Box, used: Box, kerf_mm: float) -> float:
    """Metal consumed of one sheet: its net area less what goes back to the rack.

    Arguments: `net` and `used` as (x0, x1, y0, y1). Credit: full-width end pieces of 500 mm or more, or full-length
    strips of 150 mm or more, whichever keeps more; each begins a kerf from the blanks.
    Sources: least sizes: common practice, no source.

    >>> consumed_of_sheet_mm2((0.0, 2000.0, 0.0, 500.0), (0.0, 1000.0, 0.0, 500.0), 0.0)
    500000.0
    """
    length, width = net[1] - net[0], net[3] - net[2]
    gaps_x = (used[0] - net[0] - kerf_mm, net[1] - used[1] - kerf_mm)
    gaps_y = (used[2] - net[2] - kerf_mm, net[3] - used[3] - kerf_mm)
    ends = sum(gap for gap in gaps_x if gap >= LEAST_END_PIECE_MM) * width
    strips = sum(gap for gap in gaps_y if gap >= LEAST_STRIP_MM) * length
    return length * width - max(ends, strips)


def totals_of(problem: LayoutProblem, placements: Sequence[Placement], new_sheets: Sequence[NewSheet]) -> Totals:
    """Totals of a plan; every sheet to cast counts as opened. Names that the problem does not know are passed over.

    >>> totals_of(LayoutProblem((), ()), (), ()).utilisation
    0.0
    """
    nets: dict[str, Box] = {}
    sheets: list[LayoutRoll | NewSheet] = [*problem.rolls, *new_sheets]
    for sheet in sheets:
        t = sheet.trim_mm
        nets[sheet.id] = (t, sheet.length_mm - t, t, sheet.width_mm - t)
    blanks: Mapping[str, Blank] = {b.id: b for b in problem.blanks}
    used: dict[str, Box] = {}
    area = 0.0
    for p in placements:
        if p.blank not in blanks or p.roll not in nets:
            continue
        dx, dy = size_on_sheet(blanks[p.blank], p.turn_deg)
        x0, x1, y0, y1 = used.get(p.roll, (p.x_mm, p.x_mm, p.y_mm, p.y_mm))
        used[p.roll] = (min(x0, p.x_mm), max(x1, p.x_mm + dx), min(y0, p.y_mm), max(y1, p.y_mm + dy))
        area += blanks[p.blank].area_mm2()
    opened = consumed = 0.0
    new_ids = {sheet.id for sheet in new_sheets}
    for name, (x0, x1, y0, y1) in nets.items():
        if name in used:
            consumed += consumed_of_sheet_mm2(nets[name], used[name], problem.kerf_mm)
        if name in used or name in new_ids:
            opened += (x1 - x0) * (y1 - y0)
    return Totals(opened, consumed, area)
