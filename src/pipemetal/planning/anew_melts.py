"""Melts that are charged anew keep the names of those of before that they are most like, of the same alloy."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from pipemetal.melts.charge import Charge
from pipemetal.melts.lots import Lot
from pipemetal.planning.melting import PlannedMelt

__all__ = ["MeltName", "called", "melt_names"]


@dataclass(frozen=True)
class MeltName:
    """A melt that is charged anew: whatever is most like it is called so again."""

    name: str
    recipe: str
    sheets: tuple[str, ...] = ()


def melt_names(melts: Sequence[MeltName], before: Sequence[MeltName], further: Iterator[str]) -> tuple[str, ...]:
    """Names for melts: those of the melts of `before` of their alloy with most of their sheets, in the order in which those
    stood; further ones for the last of an alloy of which there are more than before.

    >>> old = [MeltName("M1", "a", ("A",)), MeltName("M2", "b", ("B", "C"))]
    >>> melt_names([MeltName("", "b", ("C", "D")), MeltName("", "a", ("E",)), MeltName("", "b", ("B",))], old, iter(["M3"]))
    ('M2', 'M1', 'M3')
    """
    found: dict[int, str] = {}
    for recipe in dict.fromkeys(m.recipe for m in melts):
        mine = [n for n, m in enumerate(melts) if m.recipe == recipe]
        old = [m for m in before if m.recipe == recipe]
        found |= zip(mine, _most_alike([melts[n] for n in mine], old), strict=False)
    return tuple(found[n] if n in found else next(further) for n in range(len(melts)))


def _most_alike(new: Sequence[MeltName], old: Sequence[MeltName]) -> list[str]:
    """The names of as many old melts as there are new ones, those that share most sheets with one of them, in their order."""
    shared = [max(len(set(a.sheets) & set(b.sheets)) for b in new) for a in old]
    kept = sorted(range(len(old)), key=lambda k: (-shared[k], k))[: len(new)]
    return [old[k].name for k in sorted(kept)]


def called(melts: Sequence[PlannedMelt], before: Sequence[MeltName], further: Iterator[str]) -> tuple[PlannedMelt, ...]:
    """Melts with names of their own, their ingots called after them, and charged by that name."""
    asked = [MeltName("", m.melt.recipe, tuple(s.id for s in m.melt.sheets)) for m in melts]
    new = melt_names(asked, before, further)
    ids = {m.ingots.id: f"{m.melt.recipe} {name}" for m, name in zip(melts, new, strict=True) if m.ingots is not None}

    def named(lot: Lot) -> Lot:
        return replace(lot, id=ids.get(lot.id, lot.id))

    return tuple(
        replace(
            m,
            melt=replace(m.melt, name=name),
            ingots=named(m.ingots) if m.ingots is not None else None,
            charge=replace(m.charge, lines=tuple(replace(line, lot=named(line.lot)) for line in m.charge.lines))
            if isinstance(m.charge, Charge)
            else m.charge,
        )
        for m, name in zip(melts, new, strict=True)
    )
