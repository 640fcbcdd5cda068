"""The half tones of a rank over its keys, before and after a change, as a picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.plans.record import PipeRow

__all__ = ["ScalePicture", "scale_picture"]

WIDE: Final = 610.0
HIGH: Final = 300.0
LEFT: Final = 52.0
TOP: Final = 16.0
LEAST_SPAN: Final = 4.0
MOST_LINES: Final = 8


@dataclass(frozen=True)
class ScalePicture:
    """Lines across at round half tones, lines up at each C and the last key, and one curve for each choir."""

    wide: float
    high: float
    left: float
    top: float
    across: tuple[tuple[float, float], ...]
    up: tuple[tuple[float, str], ...]
    before: tuple[str, ...]
    after: tuple[str, ...]
    hatch: tuple[tuple[float, float, float], ...]


def scale_picture(before: Sequence[PipeRow], after: Sequence[PipeRow] | None = None) -> ScalePicture | None:
    """The picture; None where there is nothing to draw. `after` is what was tried, pipe by pipe as `before`."""
    shown = [*before, *(after or ())]
    if not shown:
        return None
    low, high = min(p.half_tones for p in shown), max(p.half_tones for p in shown)
    spare = max(LEAST_SPAN - (high - low), 0.0) / 2.0
    step = _step(high - low + 2 * spare)
    low, high = step * math.floor((low - spare) / step), step * math.ceil((high + spare) / step)
    keys = (min(p.key for p in shown), max(p.key for p in shown))
    across = (WIDE - LEFT - 30.0) / max(keys[1] - keys[0], 1)
    down = (HIGH - TOP - 34.0) / max(high - low, 1e-9)

    def place(pipe: PipeRow) -> tuple[float, float]:
        return LEFT + (pipe.key - keys[0]) * across, TOP + (high - pipe.half_tones) * down

    lines = tuple((TOP + (high - v) * down, v) for v in _between(low, high, step))
    named = {p.key: p.note for p in before if p.choir == 1}
    marks = [k for k in named if k % 12 == keys[0] % 12] + [keys[1]]
    up = tuple((LEFT + (k - keys[0]) * across, named[k]) for k in sorted(set(marks)) if k in named)
    changed = [(place(a), place(b)) for a, b in zip(before, after or (), strict=False)]
    hatch = tuple((a[0], a[1], b[1]) for a, b in changed if abs(a[1] - b[1]) > 2.0)
    return ScalePicture(
        WIDE, HIGH, LEFT, TOP, lines, up, _curves(before, place), _curves(after or before, place), hatch
    )


def _curves(pipes: Sequence[PipeRow], place: Callable[[PipeRow], tuple[float, float]]) -> tuple[str, ...]:
    choirs = sorted({p.choir for p in pipes})
    return tuple(" ".join("{:.1f},{:.1f}".format(*place(p)) for p in pipes if p.choir == choir) for choir in choirs)


def _step(span: float) -> float:
    return next((s for s in (1.0, 2.0, 4.0, 8.0, 16.0) if span / s <= MOST_LINES), 32.0)


def _between(low: float, high: float, step: float) -> list[float]:
    return [low + k * step for k in range(round((high - low) / step) + 1)]
