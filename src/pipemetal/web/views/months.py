"""Metal by month as a river: what came in from above, what stands in the shop, what went away below, and as what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.shop.accounts import MonthFlow

__all__ = ["Months", "Part", "months_of"]

MOST: Final = 12
"""Months that are drawn; the table beside has them all."""
WIDE: Final = 944.0
LEFT: Final = 8.0
HIGHEST: Final = 170.0
"""The most that stands, came or went in a month is drawn so high; all else by the same scale."""
LEAST: Final = 1.5
"""What is there is seen."""
WORDS: Final = 22.0
KINDS: Final = ("pipes", "sold", "dross", "cut away", "missing")


@dataclass(frozen=True)
class Part:
    """A block of the picture: what it is, where it lies, and its mass."""

    kind: str
    x: float
    y: float
    wide: float
    high: float
    mass_kg: float


@dataclass(frozen=True)
class Months:
    """The whole picture: its size, the river's outline, the blocks; each month's name, place and what stands at its end."""

    wide: float
    high: float
    floor_y: float
    river: str
    parts: tuple[Part, ...]
    names: tuple[tuple[str, float, float, float], ...]
    kinds: tuple[str, ...]


def months_of(flows: Sequence[MonthFlow]) -> Months | None:
    """The picture of the latest months; None where nothing moved.

    >>> months_of([]) is None
    True
    >>> months_of([MonthFlow("2026-05", 100.0, 40.0, 0.0, 2.0, 1.0, 0.0, 97.0)]).kinds
    ('came', 'pipes', 'dross', 'cut away')
    """
    if not flows:
        return None
    shown = flows[-MOST:]
    before = flows[-MOST - 1].standing_kg if len(flows) > MOST else 0.0
    came, went = (max(_sum(side(f)) for f in shown) for side in (_came, _went))
    scale = HIGHEST / max(*(f.standing_kg for f in shown), before, came, went, 1e-9)
    step = (WIDE - 2 * LEFT) / len(shown)
    floor = WORDS + HIGHEST + scale * came / 2.0
    parts: list[Part] = []
    upper = [(LEFT, floor - scale * before)]
    names = []
    for k, flow in enumerate(shown):
        x, wide = LEFT + k * step, min(0.5 * step, 90.0)
        middle = x + step / 2.0
        upper.append((x + step, floor - scale * flow.standing_kg))
        over = (upper[-1][1] + upper[-2][1]) / 2.0
        y = over
        for kind, mass in _came(flow):
            high = max(scale * mass, LEAST)
            y -= high
            parts.append(Part(kind, middle - wide / 2.0, y, wide, high, mass))
        y = floor
        for kind, mass in _went(flow):
            high = max(scale * mass, LEAST)
            parts.append(Part(kind, middle - wide / 2.0, y, wide, high, mass))
            y += high
        names.append((flow.month, middle, upper[-1][1], flow.standing_kg))
    outline = [(LEFT, floor), *upper, (WIDE - LEFT, floor)]
    river = " ".join(f"{x:.1f},{y:.1f}" for x, y in outline)
    kinds = tuple(kind for kind in ("came", "more found", *KINDS) if any(p.kind == kind for p in parts))
    return Months(WIDE, floor + scale * went + 2.0 * WORDS, floor, river, tuple(parts), tuple(names), kinds)


def _sum(parts: Sequence[tuple[str, float]]) -> float:
    return sum(mass for _, mass in parts)


def _came(flow: MonthFlow) -> list[tuple[str, float]]:
    held = [("came", flow.came_kg), ("more found", flow.found_kg)]
    return [(kind, mass) for kind, mass in held if mass > 1e-6]


def _went(flow: MonthFlow) -> list[tuple[str, float]]:
    masses = (flow.pipes_kg, flow.sold_kg, flow.dross_kg, flow.cut_away_kg, -flow.found_kg)
    return [(kind, mass) for kind, mass in zip(KINDS, masses, strict=True) if mass > 1e-6]
