"""Area and mass by part, rank, alloy, and what must be bought as flat sheet."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from pipemetal.pipes.pipe import Part, Pipe

__all__ = ["SheetToBuy", "Total", "sheets_to_buy", "totals"]


@dataclass(frozen=True)
class Total:
    """Number of parts, and their areas and masses: finished, and as blanks cut out of the sheet."""

    name: tuple[str, ...]
    parts: int
    finished_area_m2: float
    finished_kg: float
    blank_area_m2: float
    blank_kg: float


@dataclass(frozen=True)
class SheetToBuy:
    """Flat sheet of one metal and thickness: the area of the blanks, without the waste of cutting."""

    metal: str
    thickness_mm: float
    blank_area_m2: float
    blank_kg: float
    parts: int


def totals(pipes: Iterable[Pipe], by: Callable[[Pipe, Part], tuple[str, ...]]) -> tuple[Total, ...]:
    """Sums over all parts, grouped by what `by` gives, in the order in which groups appear.

    >>> totals([], lambda pipe, part: (part.alloy,))
    ()
    """
    sums: dict[tuple[str, ...], list[float]] = defaultdict(lambda: [0.0] * 5)
    for pipe in pipes:
        for part in pipe.parts:
            row = sums[by(pipe, part)]
            values = (1.0, part.finished_area_mm2, part.finished_mass_kg, part.blank_area_mm2, part.blank_mass_kg)
            for index, value in enumerate(values):
                row[index] += value
    return tuple(Total(name, int(row[0]), row[1] / 1e6, row[2], row[3] / 1e6, row[4]) for name, row in sums.items())


def sheets_to_buy(pipes: Iterable[Pipe]) -> tuple[SheetToBuy, ...]:
    """Flat sheet that is bought, by metal and thickness, thickest first."""
    held: dict[tuple[str, float], list[Part]] = defaultdict(list)
    for pipe in pipes:
        for part in pipe.parts:
            if part.bought:
                held[part.alloy, round(part.thickness_mouth_mm, 3)].append(part)
    return tuple(
        SheetToBuy(
            metal,
            thickness,
            sum(p.blank_area_mm2 for p in parts) / 1e6,
            sum(p.blank_mass_kg for p in parts),
            len(parts),
        )
        for (metal, thickness), parts in sorted(held.items(), key=lambda item: (item[0][0], -item[0][1]))
    )
