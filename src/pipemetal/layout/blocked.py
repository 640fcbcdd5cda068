"""Places of a sheet that nothing may use, as rectangles for the core: no-go areas, and what an outline cuts off."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from pipemetal.layout.problem import LayoutRoll, Point

__all__ = ["blocked_rectangles"]

SLABS = 24
Rectangle = tuple[float, float, float, float]
Span = tuple[float, float]


def blocked_rectangles(roll: LayoutRoll, kerf_mm: float) -> list[Rectangle]:
    """Rectangles (x0, x1, y0, y1) that together cover all that may not be used inside the trim.

    A slanting edge is covered by steps, a little more than it takes. Within the box of a no-go area or along an
    outline the sheet is looked at in 24 slabs.
    """
    t = roll.trim_mm
    x0, x1, y0, y1 = t, roll.length_mm - t + kerf_mm, t, roll.width_mm - t + kerf_mm
    found: list[Rectangle] = []
    for polygon in roll.no_go:
        if box := _as_box(polygon):
            low, high = max(x0, box[0]), min(x1, box[1])
            found += [(low, high, box[2], box[3])] if high > low else []
            continue
        for a, b in _slabs(polygon, max(x0, min(p[0] for p in polygon)), min(x1, max(p[0] for p in polygon))):
            spans = [span for c, d in _elements(polygon, a, b) for span in _covered(polygon, c, d)]
            if spans:
                found.append((a, b, min(s[0] for s in spans), max(s[1] for s in spans)))
    if roll.outline is not None:
        for a, b in _slabs(roll.outline, x0, x1):
            inside = [(y0, y1)]
            for c, d in _elements(roll.outline, a, min(b, x1 - kerf_mm)):
                inside = _common(inside, _clear(roll.outline, c, d))
            at = y0
            for low, high in [*inside, (y1, y1)]:
                # The kerf may stand over the edge of the sheet: it is already off the sheet.
                end = high + kerf_mm if high < y1 else high
                if low > at + 1e-9:
                    found.append((a, b, at, low))
                at = max(at, end)
    return found


def _as_box(polygon: Sequence[Point]) -> Rectangle | None:
    """The polygon where it is an upright rectangle: most are, and one rectangle then covers it."""
    xs, ys = sorted({p[0] for p in polygon}), sorted({p[1] for p in polygon})
    upright = len(polygon) == 4 and len(xs) == 2 and len(ys) == 2
    steps = all((a[0] == b[0]) != (a[1] == b[1]) for a, b in pairwise([*polygon, polygon[0]]))
    return (xs[0], xs[1], ys[0], ys[1]) if upright and steps else None


def _slabs(polygon: Sequence[Point], low: float, high: float) -> list[Span]:
    if high <= low:
        return []
    marks = sorted({low, high, *(p[0] for p in polygon if low < p[0] < high)})
    step = (high - low) / SLABS
    slabs: list[Span] = []
    for a, b in pairwise(marks):
        parts = max(1, round((b - a) / step))
        slabs += [(a + (b - a) * k / parts, a + (b - a) * (k + 1) / parts) for k in range(parts)]
    return slabs


def _elements(polygon: Sequence[Point], a: float, b: float) -> list[Span]:
    marks = sorted({a, b, *(p[0] for p in polygon if a < p[0] < b)})
    return [(c, d) for c, d in pairwise(marks) if d > c]


def _edges(polygon: Sequence[Point], a: float, b: float) -> list[tuple[float, float]]:
    """Heights at a and at b of the edges that run over the slab a..b, from low to high in its middle."""
    middle, found = 0.5 * (a + b), []
    for (px, py), (qx, qy) in zip(polygon, [*polygon[1:], polygon[0]], strict=True):
        if min(px, qx) < middle < max(px, qx):
            rise = (qy - py) / (qx - px)
            found.append((py + rise * (middle - px), py + rise * (a - px), py + rise * (b - px)))
    return [(at_a, at_b) for _, at_a, at_b in sorted(found)]


def _covered(polygon: Sequence[Point], a: float, b: float) -> list[Span]:
    edges = _edges(polygon, a, b)
    return [(min(edges[k]), max(edges[k + 1])) for k in range(0, len(edges) - 1, 2)]


def _clear(polygon: Sequence[Point], a: float, b: float) -> list[Span]:
    edges = _edges(polygon, a, b)
    return [(max(edges[k]), min(edges[k + 1])) for k in range(0, len(edges) - 1, 2)]


def _common(first: list[Span], second: list[Span]) -> list[Span]:
    both = [(max(a, c), min(b, d)) for a, b in first for c, d in second]
    return sorted((a, b) for a, b in both if b > a)
