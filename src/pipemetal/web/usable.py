"""What a cast sheet is still good for: the blanks of the plan in hand that find their thickness on it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipemetal.layout.problem import Blank, LayoutRoll
from pipemetal.layout.shelf import piece_of
from pipemetal.layout.windows import find_slots, sheet_table

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.plans.record import Cut, Plan

__all__ = ["GoodFor", "good_for"]

LEAST_BLANK_MM = 1.0


@dataclass(frozen=True)
class GoodFor:
    """Blanks of a rank that fit somewhere, and from where to where along the sheet they may begin or end."""

    rank: str
    blanks: tuple[str, ...]
    low_mm: float
    high_mm: float


def good_for(cast: LoggedCast, alloy: str, plan: Plan | None, trim_mm: float) -> list[GoodFor]:
    """The ranks of a plan that a measured cast could serve, each blank for itself, by the readings along it as they are.

    Where it fits is asked of the same search that lays blanks on the racks. Errors: SheetError for a trim that leaves nothing.
    """
    wanted = [cut for sheet in plan.sheets if sheet.alloy == alloy for cut in sheet.cuts] if plan else []
    wanted = [cut for cut in wanted if min(cut.length_mm, cut.width_mm) > LEAST_BLANK_MM]
    if not cast.thickness_mm or not wanted:
        return []
    roll = _as_roll(cast, alloy, trim_mm)
    pieces = [piece_of(_blank(cut, alloy), k) for k, cut in enumerate(wanted)]
    starts, rows = find_slots(pieces, sheet_table([roll]), 0.0)
    found: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    for k, cut in enumerate(wanted):
        mine = rows[starts[k] : starts[k + 1]]
        if len(mine):
            found[cut.rank].append((cut.blank, float(mine[:, 0].min()), float((mine[:, 1] + mine[:, 4]).max())))
    return [
        GoodFor(rank, tuple(name for name, _, _ in held), min(a for _, a, _ in held), max(b for _, _, b in held))
        for rank, held in sorted(found.items(), key=lambda item: -len(item[1]))
    ]


def _as_roll(cast: LoggedCast, alloy: str, trim_mm: float) -> LayoutRoll:
    by_place: dict[float, list[float]] = defaultdict(list)
    for at, thickness in cast.thickness_mm:
        by_place[at].append(thickness)
    places = sorted(by_place)
    stations = np.array(sorted({0.0, *places, cast.length_mm}))
    along = np.interp(stations, places, [float(np.mean(by_place[at])) for at in places])
    width = cast.sled.inner_width_mm
    return LayoutRoll(cast.id, alloy, cast.length_mm, width, trim_mm, tuple(map(float, stations)), along[None, :])


def _blank(cut: Cut, alloy: str) -> Blank:
    length, width = (cut.width_mm, cut.length_mm) if cut.is_across else (cut.length_mm, cut.width_mm)
    turns: Sequence[int] = cut.turns_deg or (0, 180)
    return Blank(
        cut.blank,
        cut.kind,
        alloy,
        length,
        width,
        *cut.layout_walls_mm,
        cut.tolerance_mm,
        tuple(turns),
    )
