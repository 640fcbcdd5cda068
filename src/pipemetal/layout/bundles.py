"""Bundles: ring sectors (feet) laid head to tail by their true shape and placed as one piece."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipemetal.layout.problem import Blank
from pipemetal.layout.shelf import box_mm, piece_of
from pipemetal.layout.windows import Piece, Variant
from pipemetal.sheets.field import FloatArray

__all__ = ["bundled", "half_widths_mm", "loosened", "row_of"]

STEP_MM = 0.25
# Sectors of one bundle differ by less than this in length, and share this much of the narrowest tolerance.
LENGTH_SHARE = 0.12
TOLERANCE_SHARE = 0.8
WIDEST_HALF_ANGLE_DEG = 80.0
# A bundle is only made where it saves more than this share of the boxes of its blanks.
LEAST_SAVING = 0.04


def bundled(blanks: Sequence[tuple[int, Blank]], kerf_mm: float, net_width_mm: float, largest: int) -> list[Piece]:
    """The pieces of one alloy: sectors of one thickness that may lie either way in bundles, all others single.

    Arguments: `blanks` with their numbers in the problem; `net_width_mm`: no bundle is wider; `largest`: most sectors
    in one. A bundle wants the thickness that all its members accept.
    """
    free = [(i, b) for i, b in blanks if _may_join(b)]
    free.sort(key=lambda item: (-item[1].length_mm, item[0]))
    taken: set[int] = set()
    pieces: list[Piece] = []
    for i, blank in free:
        if i in taken:
            continue
        group, piece = [(i, blank)], None
        low, high = _accepts(blank)
        for j, other in free:
            if len(group) >= largest or blank.length_mm - other.length_mm > LENGTH_SHARE * blank.length_mm:
                break
            if j == i or j in taken or other.length_mm > blank.length_mm:
                continue
            both = (max(low, _accepts(other)[0]), min(high, _accepts(other)[1]))
            narrowest = min(b.accepts_mm[1] for _, b in [*group, (j, other)])
            if both[1] - both[0] < 2.0 * TOLERANCE_SHARE * narrowest:
                continue
            trial = row_of([*group, (j, other)], kerf_mm, both)
            if trial.variants[0].dy_mm > net_width_mm:
                break
            group, (low, high), piece = [*group, (j, other)], both, trial
        if piece is not None:
            boxes = sum(b.length_mm * b.width_mm for _, b in group)
            if piece.variants[0].dx_mm * piece.variants[0].dy_mm < (1.0 - LEAST_SAVING) * boxes:
                pieces.append(piece)
                taken |= {j for j, _ in group}
    pieces += [piece_of(b, i) for i, b in blanks if i not in taken]
    return pieces


def loosened(pieces: Sequence[Piece], lost: set[int], blanks: Sequence[Blank]) -> list[Piece]:
    """The pieces with the bundles named by their number taken apart into single blanks."""
    kept = [p for k, p in enumerate(pieces) if k not in lost]
    single = [piece_of(blanks[index], index) for k in sorted(lost) for index, *_ in pieces[k].members]
    return kept + single


def row_of(group: Sequence[tuple[int, Blank]], kerf_mm: float, accepts_mm: tuple[float, float]) -> Piece:
    """Sectors in a row across the sheet, turned 0 and 180 by turns, each as close to those before as shapes allow.

    The shapes are compared in steps of 0.25 mm along x, each step at its widest: never too close, by 0.5 mm or so too
    wide at most.
    """
    length = max(box_mm(b)[0] for _, b in group)
    places: list[tuple[int, Blank, float, float, int]] = []
    profiles: list[FloatArray] = []
    for number, (index, blank) in enumerate(group):
        turn = 0 if number % 2 == 0 else 180
        best: tuple[float, float, FloatArray] | None = None
        over = box_mm(blank)[0] - blank.length_mm if turn == 180 else 0.0
        for shift in sorted({over, length - box_mm(blank)[0] + over}):
            profile = half_widths_mm(blank, turn, shift, length)
            middle = blank.width_mm / 2.0
            for other, (_, _, _, y, _) in zip(profiles, places, strict=True):
                both = (profile > -np.inf) & (other > -np.inf)
                if np.any(both):
                    middle = max(middle, y + float((_widened(other, kerf_mm) + profile)[both].max()))
            if best is None or middle < best[0]:
                best = (middle, shift, profile)
        assert best is not None
        places.append((index, blank, best[1], best[0], turn))
        profiles.append(best[2])
    low = min(y - box_mm(b)[1] / 2.0 for _, b, _, y, _ in places)
    high = max(y + box_mm(b)[1] / 2.0 for _, b, _, y, _ in places)
    members = tuple((index, shift, y - b.width_mm / 2.0 - low, turn) for index, b, shift, y, turn in places)
    middle_mm, half_mm = sum(accepts_mm) / 2.0, (accepts_mm[1] - accepts_mm[0]) / 2.0
    variant = Variant(length, high - low, middle_mm, 0.0, half_mm, 0)
    return Piece((variant,), sum(b.area_mm2() for _, b in group), members)


def half_widths_mm(blank: Blank, turn_deg: int, shift_mm: float, length_mm: float) -> FloatArray:
    """Half the width of a sector in each step of 0.25 mm along 0..length, at its widest there; -inf where it is not.

    >>> from pipemetal.layout.problem import Sector
    >>> b = Blank("F", "foot", "A", 60.0, 100.0, 1.0, 1.0, 0.05, (0, 180), Sector(100.0, 50.0, 53.0))
    >>> bool(half_widths_mm(b, 0, 0.0, 60.0).max() < 44.7)
    True
    """
    assert blank.sector is not None
    outer, half = blank.sector.outer_radius_mm, math.radians(blank.sector.angle_deg) / 2.0
    corner = outer - outer * math.cos(half)
    own_length = blank.sector.box_mm()[0]
    steps = math.ceil(length_mm / STEP_MM)
    edges = np.arange(steps + 1) * STEP_MM - shift_mm
    if turn_deg == 180:
        edges = blank.length_mm - edges
    start, end = np.minimum(edges[:-1], edges[1:]), np.maximum(edges[:-1], edges[1:])
    # Half the width rises along the arc up to its corner and falls behind it: the widest place of a step is the one
    # nearest to the corner.
    widest = np.clip(np.clip(corner, start, end), 0.0, own_length)
    on_arc = np.sqrt(np.maximum(outer**2 - (outer - widest) ** 2, 0.0))
    widths = np.where(widest < corner, on_arc, (outer - widest) * math.tan(half))
    return np.where((end < -1e-9) | (start > own_length + 1e-9), -np.inf, widths)


def _widened(profile: FloatArray, kerf_mm: float) -> FloatArray:
    """The half widths of a shape grown by the kerf all round."""
    if kerf_mm <= 0.0:
        return profile
    reach = math.ceil(kerf_mm / STEP_MM) + 1
    grown = profile + kerf_mm
    for step in range(1, reach + 1):
        # Two steps may touch: what lies `step` steps away is (step - 1) steps away at the nearest.
        rise = math.sqrt(max(kerf_mm**2 - ((step - 1) * STEP_MM) ** 2, 0.0))
        grown[step:] = np.maximum(grown[step:], profile[:-step] + rise)
        grown[:-step] = np.maximum(grown[:-step], profile[step:] + rise)
    return grown


def _accepts(blank: Blank) -> tuple[float, float]:
    return blank.mouth_thickness_mm - blank.tolerance_mm, blank.mouth_thickness_mm + blank.most_over_mm


def _may_join(blank: Blank) -> bool:
    flat = abs(blank.mouth_thickness_mm - blank.top_thickness_mm) < 1e-9
    return (
        blank.sector is not None
        and flat
        and 0 in blank.turns_deg
        and 180 in blank.turns_deg
        and blank.sector.angle_deg / 2.0 <= WIDEST_HALF_ANGLE_DEG
    )
