"""Which sheet that may be cast holds one piece alone: the exact answer, for the search and for what is said of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from pipemetal.layout.problem import Castable, CastWidth
from pipemetal.layout.windows import Piece, Variant

__all__ = ["Profile", "fits_in_size", "profile_for", "profile_of_piece", "sheet_length_mm"]

Span = tuple[float, float]


@dataclass(frozen=True)
class Profile:
    """Thickness at the start and slope (mm per mm) of a sheet that may be cast, and the width that it is cast in."""

    start_mm: float
    slope: float
    cast: CastWidth


def fits_in_size(variant: Variant, cast: CastWidth, castable: Castable) -> bool:
    """Whether the largest sheet of a width is long and wide enough inside its trim."""
    trims = 2.0 * castable.trim_mm
    return variant.dx_mm <= cast.max_length_mm - trims and variant.dy_mm <= cast.width_mm - trims


def sheet_length_mm(variant: Variant, cast: CastWidth, castable: Castable) -> float:
    """The shortest sheet that is long enough, in the steps that sheets are cast in."""
    over = max(variant.dx_mm + 2.0 * castable.trim_mm - castable.min_length_mm, 0.0)
    steps = math.ceil(over / castable.length_step_mm - 1e-9)
    return min(castable.min_length_mm + steps * castable.length_step_mm, cast.max_length_mm)


def profile_of_piece(piece: Piece, castable: Castable) -> Profile | None:
    """A sheet that holds a piece, in whichever way it may lie and whichever width; None where none may be cast."""
    found = (
        profile_for(variant, cast, castable)
        for cast in castable.choices
        for variant in piece.variants
        if fits_in_size(variant, cast, castable)
    )
    return next((profile for profile in found if profile is not None), None)


def profile_for(variant: Variant, cast: CastWidth, castable: Castable) -> Profile | None:
    """A straight profile that stays within the tolerance along the piece and within the limits along the shortest sheet.

    Of all slopes that serve, the gentlest leaves the most room at both ends of the sheet: where that one does not serve, none
    does. The piece's own slope is tried before it, for it lies in the middle of the tolerance.

    >>> limits = Castable()
    >>> found = profile_for(Variant(900.0, 200.0, 1.0, -1e-4, 0.05, 0), limits.choices[0], limits)
    >>> found.start_mm, found.slope
    (1.0015, -0.0001)
    """
    low, high = castable.min_thickness_mm, castable.max_thickness_mm
    end_mm = variant.start_mm + variant.slope * variant.dx_mm
    first = max(variant.start_mm - variant.tolerance_mm, low), min(variant.start_mm + variant.tolerance_mm, high)
    last = max(end_mm - variant.tolerance_mm, low), min(end_mm + variant.tolerance_mm, high)
    if first[0] > first[1] or last[0] > last[1]:
        return None
    steepest = castable.max_taper_mm_m / 1000.0
    gentlest = min(max(0.0, (last[0] - first[1]) / variant.dx_mm), (last[1] - first[0]) / variant.dx_mm)
    if abs(gentlest) > steepest:
        return None
    own = min(max(variant.slope, -steepest), steepest)
    for slope in (own, (own + gentlest) / 2.0, gentlest):
        for profile in _with_slope(variant, slope, (first, last), cast, castable):
            return profile
    return None


def _with_slope(
    variant: Variant, slope: float, ends: tuple[Span, Span], cast: CastWidth, castable: Castable
) -> Iterator[Profile]:
    """Profiles of a slope, the piece at the start of the shortest sheet or at its end, in the middle of its room or at its
    thinnest."""
    (first, last), length = ends, sheet_length_mm(variant, cast, castable)
    low, high = castable.min_thickness_mm, castable.max_thickness_mm
    rise = slope * variant.dx_mm
    for at in (castable.trim_mm, length - castable.trim_mm - variant.dx_mm):
        before, after = slope * at, slope * (length - at)
        least = max(first[0], last[0] - rise, low + before, low - after)
        most = min(first[1], last[1] - rise, high + before, high - after)
        for wall in ((least + most) / 2.0, least):
            mean = wall - before + slope * length / 2.0
            over = cast.max_section_mm2 is not None and length * mean > cast.max_section_mm2
            if least <= most and not over:
                yield Profile(wall - before, slope, cast)
