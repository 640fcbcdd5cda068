"""Sheets to come keep their names, their place on the list and their cards where they are nearly what they were."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.planning.anew_rest import Laid, Rest, free_names

__all__ = ["named_as_before"]

SAME_WALL, NEAR_WALL = 0.03, 0.12
"""Metal this near in thickness is the same to whoever casts it; farther off another sheet (estimates)."""
NEAR_LENGTH: Final = 0.25
MOSTLY: Final = 0.5
"""A sheet is nearly the old one where it carries so much of what that carried, by area (estimate)."""
MORE_METAL: Final = 1.02
"""The old sheet is cast as it was meant where the new one would save no more than this."""


@dataclass(frozen=True)
class _Sheet:
    """A sheet to come with what lies on it."""

    sheet: NewSheet
    places: tuple[Placement, ...]

    @property
    def blanks(self) -> frozenset[str]:
        return frozenset(p.blank for p in self.places)


def named_as_before(rest: Rest, laid: Laid) -> Laid:
    """The rest laid anew, its sheets to come called as those of before that they nearly are, whatever the order.

    Nearly: of about the same thickness and mostly with the same blanks, or of the same size; those most alike are matched
    first. A sheet with the very blanks of before is cast as it was meant, where that takes no more metal. Others have names
    that no sheet had.
    """
    pinned = {p.roll for p in rest.placements if p.blank in rest.pinned}
    old = [_Sheet(s, _on(rest.placements, s)) for s in rest.sheets if s.id not in pinned]
    new = [_Sheet(s, _on(laid.placements, s)) for s in laid.sheets if s.id not in pinned]
    if not new:
        return laid
    areas = {b.id: b.area_mm2() for b in rest.problem.blanks}
    alike = {(k, n): how for k, a in enumerate(old) for n, b in enumerate(new) if (how := _alike(a, b, areas)) > 0.0}
    matched = {n: old[k] for k, n in _best_pairs(alike)}
    names = free_names(rest, laid.sheets)
    known = {s.id for s in rest.sheets}
    made = [
        _again(s, matched[k]) if k in matched else _called(s, next(names) if s.sheet.id in known else s.sheet.id)
        for k, s in enumerate(new)
    ]
    mine = {s.sheet.id for s in new}
    return replace(
        laid,
        sheets=(*(s for s in laid.sheets if s.id in pinned), *(m.sheet for m in made)),
        placements=(*(p for p in laid.placements if p.roll not in mine), *(p for m in made for p in m.places)),
    )


def _best_pairs(alike: Mapping[tuple[int, int], float]) -> list[tuple[int, int]]:
    """Old and new in pairs, those most alike first; no blank lies twice, so hardly any two claim the same."""
    found: list[tuple[int, int]] = []
    for k, n in sorted(alike, key=lambda pair: (-alike[pair], pair)):
        if all(k != a and n != b for a, b in found):
            found.append((k, n))
    return found


def _on(placements: Sequence[Placement], sheet: NewSheet) -> tuple[Placement, ...]:
    return tuple(p for p in placements if p.roll == sheet.id)


def _called(held: _Sheet, name: str) -> _Sheet:
    return _Sheet(replace(held.sheet, id=name), tuple(replace(p, roll=name) for p in held.places))


def _again(new: _Sheet, old: _Sheet) -> _Sheet:
    """A new sheet by its old name; as it was before where it is for the very same blanks and takes no less metal to speak of."""
    if new.blanks == old.blanks and old.sheet.net_area_mm2() <= MORE_METAL * new.sheet.net_area_mm2():
        return old
    return _called(new, old.sheet.id)


def _alike(old: _Sheet, new: _Sheet, areas: Mapping[str, float]) -> float:
    """How much of a sheet of before a new one is: 0 for another sheet, above 1 for one that carries all the same."""
    a, b = old.sheet, new.sheet
    walls = ((a.thickness_start_mm, b.thickness_start_mm), (a.thickness_end_mm, b.thickness_end_mm))
    apart = max(abs(x / y - 1.0) for x, y in walls)
    near = a.width_mm == b.width_mm and abs(a.length_mm / b.length_mm - 1.0) < NEAR_LENGTH
    most = max(sum(areas.get(n, 0.0) for n in s.blanks) for s in (old, new))
    shared = sum(areas.get(n, 0.0) for n in old.blanks & new.blanks) / most if most > 0.0 else 0.0
    if shared >= MOSTLY and apart < NEAR_WALL:
        return 1.0 + shared - apart
    return shared + 0.5 * (SAME_WALL - apart) / SAME_WALL + 0.01 if near and apart < SAME_WALL else 0.0
