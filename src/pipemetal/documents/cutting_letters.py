"""What is written on the blanks of a cutting sheet's map: names and numbers, as large as there is room, never on each other."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.documents.chances import blank_name
from pipemetal.documents.drawing import LEAST_LETTERS_MM, text_width_mm
from pipemetal.planning.cuts import Cut
from pipemetal.words import Words

__all__ = ["CAPITAL", "LETTERS_MM", "Label", "hull_of", "labels_of", "middle_of", "neighbours", "number_mm"]

Box = tuple[float, float, float, float]
LETTERS_MM: Final = LEAST_LETTERS_MM
NUMBER_MM: Final = 3.6
CAPITAL: Final = 0.73
"""Height of a figure of the face that prints, as a share of the letters' size."""
APART_MM: Final = 40.0
"""Small blanks farther from each other are no neighbours."""
MOST_ASIDE: Final = 3
"""Of so few small blanks the numbers stand beside them, of more they are drawn enlarged."""
AWAY_MM: Final = (2.6, 3.6, 4.8)


@dataclass(frozen=True)
class Label:
    """What is written on a blank, how large, and whether along the sheet; `box` from the sheet's corner, in mm of paper.

    `aside_mm`: how far from the blank's middle it stands, joined by a line.
    """

    text: str
    size_mm: float
    lying: bool
    box: Box
    aside_mm: tuple[float, float] = (0.0, 0.0)


def labels_of(cuts: Sequence[Cut], factor: float, say: Words) -> dict[int, Label]:
    """What is written on each blank at this factor, by its number: its name where there is room, else its number.

    A number may stand out over its blank where it lies on no other lettering and on no other blank's middle. A blank that is
    not here is too small to carry its own.
    """
    found: dict[int, Label] = {}
    small = []
    for cut in cuts:
        along, across, lying = _room(cut, factor)
        for text in (f"{cut.number}  {blank_name(cut, say)}", str(cut.number)):
            size = _letters_mm(text, along, across)
            if size >= LETTERS_MM:
                found[cut.number] = _label_of(cut, text, size, lying, factor)
                break
        else:
            small.append(cut)
    boxes = [label.box for label in found.values()]
    middles = {c.number: (middle_of(c)[0] * factor, middle_of(c)[1] * factor) for c in cuts}
    for cut in small:
        label = _label_of(cut, str(cut.number), LETTERS_MM, True, factor)
        x0, y0, x1, y1 = label.box
        meets = any(a < x1 and b < y1 and c > x0 and d > y0 for a, b, c, d in boxes)
        if not meets and not any(x0 < x < x1 and y0 < y < y1 for n, (x, y) in middles.items() if n != cut.number):
            found[cut.number] = label
            boxes.append(label.box)
    for group in neighbours([c for c in small if c.number not in found]):
        if len(group) <= MOST_ASIDE and (aside := _aside(group, cuts, boxes, factor)):
            found |= aside
            boxes += [label.box for label in aside.values()]
    return found


def _aside(group: Sequence[Cut], cuts: Sequence[Cut], boxes: Sequence[Box], factor: float) -> dict[int, Label]:
    """Numbers of a few blanks just beside them, within the sheet's used part and on no other lettering; none where one fails."""
    edges = tuple(side * factor for side in hull_of(cuts))
    taken, found = list(boxes), {}
    for cut in group:
        label = _label_of(cut, str(cut.number), LETTERS_MM, True, factor)
        for away, angle in itertools.product(AWAY_MM, range(0, 360, 30)):
            dx, dy = away * math.cos(math.radians(angle)), away * math.sin(math.radians(angle))
            x0, y0, x1, y1 = (side + shift for side, shift in zip(label.box, (dx, dy, dx, dy), strict=True))
            inside = x0 >= edges[0] and y0 >= edges[1] and x1 <= edges[2] and y1 <= edges[3]
            if inside and not any(a < x1 and b < y1 and c > x0 and d > y0 for a, b, c, d in taken):
                found[cut.number] = replace(label, box=(x0, y0, x1, y1), aside_mm=(dx, dy))
                taken.append((x0, y0, x1, y1))
                break
        else:
            return {}
    return found


def hull_of(cuts: Sequence[Cut]) -> Box:
    """The box around some blanks on their sheet."""
    return (
        min(c.placement.x_mm for c in cuts),
        min(c.placement.y_mm for c in cuts),
        max(c.placement.x_mm + c.box[0] for c in cuts),
        max(c.placement.y_mm + c.box[1] for c in cuts),
    )


def neighbours(cuts: Sequence[Cut]) -> list[list[Cut]]:
    """Groups of blanks none of which is far from the rest of its group."""
    groups: list[list[Cut]] = []
    for cut in sorted(cuts, key=lambda c: (c.placement.x_mm, c.placement.y_mm)):
        near = [group for group in groups if any(_apart_mm(cut, other) <= APART_MM for other in group)]
        joined = [cut, *(member for group in near for member in group)]
        groups = [group for group in groups if group not in near] + [joined]
    return sorted(groups, key=lambda group: hull_of(group)[:2])


def _apart_mm(one: Cut, other: Cut) -> float:
    a, b = hull_of([one]), hull_of([other])
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3], 0.0)


def _label_of(cut: Cut, text: str, size_mm: float, lying: bool, factor: float) -> Label:
    x, y = middle_of(cut)
    half = (text_width_mm(text, size_mm) / 2.0 + 0.15, CAPITAL * size_mm / 2.0 + 0.25)
    w, h = half if lying else half[::-1]
    return Label(text, size_mm, lying, (x * factor - w, y * factor - h, x * factor + w, y * factor + h))


def middle_of(cut: Cut) -> tuple[float, float]:
    """The middle of a blank on its sheet."""
    return cut.placement.x_mm + cut.box[0] / 2.0, cut.placement.y_mm + cut.box[1] / 2.0


def _room(cut: Cut, factor: float) -> tuple[float, float, bool]:
    """What a blank's lettering may take on the paper: along it, across it, and whether it lies along the sheet."""
    w, h = cut.box[0] * factor, cut.box[1] * factor
    ring = cut.blank.sector
    if ring is None:
        return (0.92 * w, h, True) if w >= h else (0.92 * h, w, False)
    # along its axis, and short of the corners that a sector leaves to its neighbours
    free = max(0.4, 0.9 * min(1.0, ring.inner_radius_mm / ring.outer_radius_mm))
    lying = cut.placement.turn_deg in (0, 180)
    return (0.72 * w, free * h, True) if lying else (0.72 * h, free * w, False)


def _letters_mm(text: str, along: float, across: float) -> float:
    """The largest letters that fit: figures and capitals are lower than their size."""
    return min(NUMBER_MM, 0.95 * across / CAPITAL, along / max(text_width_mm(text, 1.0), 0.1))


def number_mm(cut: Cut, factor: float) -> float:
    """How large a blank's number stands on it."""
    along, across, _ = _room(cut, factor)
    return _letters_mm(str(cut.number), along, across)
