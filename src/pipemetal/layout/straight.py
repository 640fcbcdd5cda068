"""Compiled: sorting without a library, and whether straight cuts part a set of boxes."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipemetal.sheets.fitness import inner

__all__ = ["parts_straight", "sort_by"]


@inner
def sort_by(keys, items, n):  # type: ignore[no-untyped-def]
    """Sorts the first n items and keys, least key first, equal keys as they stood (shell sort, ties by number)."""
    gap = n // 2
    while gap > 0:
        for j in range(gap, n):
            key, item, at = keys[j], items[j], j
            while at >= gap and (keys[at - gap] > key or (keys[at - gap] == key and items[at - gap] > item)):
                keys[at], items[at] = keys[at - gap], items[at - gap]
                at -= gap
            keys[at], items[at] = key, item
        gap //= 2


@inner
def parts_straight(boxes, n):  # type: ignore[no-untyped-def]
    """Whether n boxes (x0, x1, y0, y1) come apart by straight cuts: each group splits along x or y until one is left."""
    order, keys = np.arange(n), np.empty(n)
    firsts, lasts = np.empty(n + 1, np.int64), np.empty(n + 1, np.int64)
    firsts[0], lasts[0] = 0, n
    depth: Any = np.int64(1)
    while depth > 0:
        depth -= 1
        first, last = firsts[depth], lasts[depth]
        if last - first < 2:
            continue
        split = -1
        for axis in range(0, 4, 2):
            group = order[first:last]
            for j in range(last - first):
                keys[j] = boxes[group[j], axis]
            sort_by(keys, group, last - first)
            reach = boxes[group[0], axis + 1]
            for j in range(1, last - first):
                if boxes[group[j], axis] >= reach - 1e-7:
                    split = first + j
                    break
                reach = max(reach, boxes[group[j], axis + 1])
            if split >= 0:
                break
        if split < 0:
            return False
        firsts[depth], lasts[depth] = first, split
        firsts[depth + 1], lasts[depth + 1] = split, last
        depth += 2
    return True
