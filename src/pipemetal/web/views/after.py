"""The page after a cast: what its sheet is for now, on a picture and as a list, and what else changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipemetal.plans.differences import Difference, Kind, differences, summary
from pipemetal.plans.record import Cut, CutSheet, Pour
from pipemetal.web.views.walls import Run, runs_of

if TYPE_CHECKING:
    from pipemetal.planning.anew_casting import PotNow
    from pipemetal.planning.anew_stop import Stop
    from pipemetal.plans.anew import Anew
    from pipemetal.sheets.roll import Roll
    from pipemetal.texts import Text

__all__ = ["AfterView", "Box", "SheetPicture", "after_view", "picture_of"]

WIDE: Final = 936.0
LEAST_HIGH, MOST_HIGH = 60.0, 150.0
PARTS: Final = 72
LEAST_FOR_NUMBER: Final = 16.0


@dataclass(frozen=True)
class Box:
    """A blank on the picture: its corners or its box, its number where there is room, and whether it goes elsewhere."""

    points: str
    x: float
    y: float
    number: str
    gone: bool


@dataclass(frozen=True)
class SheetPicture:
    """A sheet in the colours of its metal with the blanks on it."""

    wide: float
    high: float
    runs: tuple[Run, ...]
    boxes: tuple[Box, ...]


@dataclass(frozen=True)
class AfterView:
    """What the page shows: of the blanks that were meant for the sheet so many stay, those that it carries, what changes,
    what is cast next and why, and what is left to do where nothing is."""

    sheet: str
    roll: str
    alloy: str
    meant: int
    stay: int
    cuts: tuple[Cut, ...]
    picture: SheetPicture | None
    changes: tuple[Difference, ...]
    moved: tuple[Difference, ...]
    told: Text
    next: Pour | None
    next_number: int
    pots: tuple[PotNow, ...]
    stops: tuple[Stop, ...]
    why: tuple[Text, ...] = ()
    left: tuple[Text, ...] = ()
    unexplained: tuple[Text, ...] = ()


def picture_of(roll: Roll, cuts: Sequence[Cut], gone: Sequence[Cut]) -> SheetPicture:
    """The picture of a measured sheet: blanks that lie on it now, and those that were meant for it and go elsewhere."""
    scale = WIDE / roll.length_mm
    high = min(max(roll.width_mm * scale, LEAST_HIGH), MOST_HIGH)
    up = high / roll.width_mm
    xs = (np.arange(PARTS) + 0.5) / PARTS * roll.length_mm
    walls = [float(t) for t in roll.field.at(xs, np.full(PARTS, roll.width_mm / 2.0))]
    boxes = [_box(c, scale, up, high, gone=True) for c in gone] + [_box(c, scale, up, high, gone=False) for c in cuts]
    return SheetPicture(WIDE, high, tuple(runs_of(walls, WIDE)), tuple(boxes))


def _box(cut: Cut, scale: float, up: float, high: float, *, gone: bool) -> Box:
    x0, y0, x1, y1 = cut.x_mm, cut.y_mm, cut.x_mm + cut.length_mm, cut.y_mm + cut.width_mm
    corners = cut.corners_mm or ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
    points = " ".join(f"{x * scale:.1f},{high - y * up:.1f}" for x, y in corners)
    room = min((x1 - x0) * scale, (y1 - y0) * up) >= LEAST_FOR_NUMBER
    number = str(cut.number) if room and not gone else ""
    return Box(points, (x0 + x1) / 2.0 * scale, high - (y0 + y1) / 2.0 * up + 7.0, number, gone)


def after_view(anew: Anew, sheet: str, hung: Mapping[str, Roll]) -> AfterView:
    """The page of a sheet that was measured; `sheet`: its name in the plan before."""
    before, plan = anew.before, anew.plan
    was = next((s for s in before.sheets if s.id == sheet), None)
    name = anew.now.measured.get(sheet, sheet)
    now = next((s for s in plan.sheets if s.id == name), None)
    meant, here = _blanks(was), _blanks(now)
    gone = [c for c in (was.cuts if was is not None else ()) if c.blank not in here]
    found = differences(before, plan, hung=anew.now.measured)
    coming = _next(anew)
    return AfterView(
        sheet,
        name,
        next((s.alloy for s in (now, was) if s is not None), ""),
        len(meant),
        len(meant & here),
        tuple(sorted(now.cuts, key=lambda c: c.number)) if now is not None else (),
        picture_of(hung[name], now.cuts if now is not None else (), gone) if name in hung else None,
        tuple(d for d in found if d.kind is not Kind.BLANK),
        tuple(d for d in found if d.kind is Kind.BLANK),
        summary(found),
        coming,
        next((n for n, p in enumerate(plan.pours) if coming is not None and p.sheet == coming.sheet), 0),
        anew.pots,
        anew.stops,
        anew.why,
        anew.left,
        anew.unexplained,
    )


def _blanks(sheet: CutSheet | None) -> set[str]:
    return {c.blank for c in sheet.cuts} if sheet is not None else set()


def _next(anew: Anew) -> Pour | None:
    """What to cast next: the first of the plan's pours to come that can be poured, as the pages of the day have it."""
    to_come = {s.id for s in anew.plan.new_sheets} - anew.now.poured - anew.now.cut
    pours = [p for p in anew.plan.pours if p.sheet in to_come and p.card is not None]
    return next((p for p in pours if p.pour_window_c is not None), next(iter(pours), None))
