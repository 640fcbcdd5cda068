"""Spare metal that pays: how many sheets more of an alloy, cast on the same day, make it sure that no melt is opened again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.layout.chance import Chances, Drawn, SpreadOf
from pipemetal.layout.plan import LayoutPlan, NewSheet
from pipemetal.layout.problem import Blank, CastSpread, LayoutProblem
from pipemetal.melts.worth import MetalPrices
from pipemetal.texts import Amount, Text

__all__ = ["SpareSheets", "spare_sheets", "told_of_spare"]

WANTED: Final = 0.9
MOST_SPARE: Final = 4
TRIED_DRAWINGS: Final = 200
OFFCUT_USE, SPARE_USE = 0.4, 0.7
"""Of what blanks leave of a sheet, and of a whole spare sheet, so much can be cut into other blanks (estimates)."""


@dataclass(frozen=True)
class SpareSheets:
    """Sheets more of an alloy: how sure it is without and with them that no melt of it has to be opened again, what they weigh,
    and what their metal is worth (it stays on the rack)."""

    alloy: str
    sheets: tuple[NewSheet, ...]
    sure_without: float
    sure_with: float
    mass_kg: float
    worth: float


def spare_sheets(
    problem: LayoutProblem,
    layout: LayoutPlan,
    chances: Chances,
    spread_of: SpreadOf,
    recipes: Mapping[str, Recipe],
    density_g_cm3: Mapping[str, float],
    prices: MetalPrices,
) -> tuple[SpareSheets, ...]:
    """For each alloy that is cast and not sure enough: the fewest sheets more that make it so, four at most.

    What does not fit is first looked for on what the other sheets leave, as thick as they come out in the same drawing.
    """
    found = []
    for alloy in sorted({s.alloy for s in layout.new_sheets}):
        sheets = [s for s in layout.new_sheets if s.alloy == alloy]
        case = _Case(problem, layout, sheets, chances, spread_of)
        without = case.sure(())
        if without >= WANTED:
            continue
        chosen: tuple[NewSheet, ...] = ()
        sure = without
        while sure < WANTED and len(chosen) < MOST_SPARE:
            tried = [(*chosen, _named(kind, alloy, len(chosen) + 1)) for kind in case.kinds]
            best = max(tried, key=case.sure)
            if case.sure(best) <= sure + 1e-9:
                break
            chosen, sure = best, case.sure(best)
        if chosen:
            kg = sum(_mass_kg(s, density_g_cm3[alloy]) for s in chosen)
            found.append(SpareSheets(alloy, chosen, without, sure, kg, kg * prices.of(recipes[alloy].target)))
    return tuple(found)


def told_of_spare(spare: Sequence[SpareSheets], currency: str) -> tuple[Text, ...]:
    """What a plan offers."""
    words = (
        "Spare metal of {alloy}: {count} more, cast on the same day ({kg}, its metal worth {worth} {currency} stays on the rack),"
        " make it {sure} % sure that no melt of it is opened again; without it is {without} %."
    )
    return tuple(
        Text(
            words,
            alloy=s.alloy,
            count=Text("1 sheet") if len(s.sheets) == 1 else Text("{n} sheets", n=len(s.sheets)),
            kg=Amount(s.mass_kg, "kg"),
            worth=Amount(s.worth),
            currency=currency,
            sure=Amount(100.0 * s.sure_with),
            without=Amount(100.0 * s.sure_without),
        )
        for s in spare
    )


def _named(sheet: NewSheet, alloy: str, number: int) -> NewSheet:
    return replace(sheet, id=f"spare {number} of {alloy}")


def _mass_kg(sheet: NewSheet, density_g_cm3: float) -> float:
    mean = (sheet.thickness_start_mm + sheet.thickness_end_mm) / 2.0
    return sheet.length_mm * sheet.width_mm * mean * density_g_cm3 * 1e-6


class _Case:
    """One alloy's sheets to cast in some drawings: what does not fit in each, after the offcuts have been looked through."""

    def __init__(
        self,
        problem: LayoutProblem,
        layout: LayoutPlan,
        sheets: Sequence[NewSheet],
        chances: Chances,
        spread_of: SpreadOf,
    ) -> None:
        self.spread_of = spread_of
        by_profile = {(s.length_mm, s.width_mm, s.thickness_start_mm, s.thickness_end_mm): s for s in sheets}
        self.kinds = list(by_profile.values())
        blanks, mine = {b.id: b for b in problem.blanks}, {s.id for s in sheets}
        on = [blanks[p.blank] for p in layout.placements if p.roll in mine]
        used = {s.id: sum(_box_mm2(blanks[p.blank]) for p in layout.placements if p.roll == s.id) for s in sheets}
        ranges = [self._range(s) for s in sheets]
        self.left: list[list[Blank]] = []
        for d in range(TRIED_DRAWINGS):
            out = sorted((b for b in on if not chances.fits[b.id][d]), key=lambda b: -_box_mm2(b))
            room = [OFFCUT_USE * max(s.net_area_mm2() - used[s.id], 0.0) for s in sheets]
            self.left.append(_still_out(out, [r[d] for r in ranges], room))

    def sure(self, spare: Sequence[NewSheet]) -> float:
        """In which share of the drawings nothing is left out, with these sheets more."""
        ranges = [self._range(s) for s in spare]
        rooms = [SPARE_USE * s.net_area_mm2() for s in spare]
        held = [not _still_out(out, [r[d] for r in ranges], list(rooms)) for d, out in enumerate(self.left)]
        return sum(held) / len(held)

    def _range(self, sheet: NewSheet) -> list[tuple[float, float]]:
        """The thinnest and the thickest that a sheet comes out, in each drawing."""
        spread = self.spread_of(sheet) or CastSpread(sheet.alloy, 0.0, 0.0, 0.0)
        metal = Drawn.of_sheet(sheet, spread).metal_mm[0, :, :TRIED_DRAWINGS]
        return list(zip(metal.min(axis=0).tolist(), metal.max(axis=0).tolist(), strict=True))


def _box_mm2(blank: Blank) -> float:
    return blank.length_mm * blank.width_mm


def _still_out(out: Sequence[Blank], ranges: Sequence[tuple[float, float]], room_mm2: list[float]) -> list[Blank]:
    """What finds no sheet with its thickness and with room; `room_mm2` is used up."""
    left = []
    for b in out:
        wanted = 0.5 * (b.mouth_thickness_mm + b.top_thickness_mm)
        low, high, area = wanted - 0.5 * b.tolerance_mm, wanted + 0.5 * b.over_mm, _box_mm2(b)
        for k, (thin, thick) in enumerate(ranges):
            if room_mm2[k] >= area and thin <= high and thick >= low:
                room_mm2[k] -= area
                break
        else:
            left.append(b)
    return left
