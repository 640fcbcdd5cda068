"""Spare metal that pays: how many sheets more of an alloy, cast on the same day, make it sure that no melt is opened again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.alloys.recipe import Recipe
from pipemetal.layout.chance import Drawn, SpreadOf
from pipemetal.layout.plan import LayoutPlan, NewSheet, size_words
from pipemetal.layout.problem import Blank, CastSpread, LayoutProblem
from pipemetal.melts.worth import MetalPrices
from pipemetal.sheets.field import FloatArray
from pipemetal.texts import Amount, Text, joined

__all__ = ["SpareSheets", "spare_sheets", "sure_without", "told_of_spare"]

WANTED: Final = 0.9
MOST_SPARE: Final = 4
TRIED_DRAWINGS: Final = 60
MOST_KINDS: Final = 12
"""So many profiles of the sheets that are needed are tried as spare ones."""
OFFCUT_USE, SPARE_USE = 0.3, 0.75
"""Of what blanks leave of a sheet, and of a whole spare sheet, so much can be cut into other blanks (estimates)."""
TOLERANCE_USE: Final = 0.8
"""Of its tolerance so much is left to a blank that is laid anew: it lies over a stretch of the sheet (estimate)."""
BIN_MM, BINS = 0.02, 400
BEYOND: Final = 0.06
"""Spare sheets so much thicker and thinner than those that are needed are tried too (a share, estimate)."""
LEAST_MISSING_MM2: Final = 100.0


@dataclass(frozen=True)
class SpareSheets:
    """Sheets more of an alloy: how sure it is without and with them that no melt of it has to be opened again, what they weigh,
    and what their metal is worth (it stays on the rack). No sheets: none helps. `short_mm`: how thick metal is that may be short.
    """

    alloy: str
    sheets: tuple[NewSheet, ...]
    sure_without: float
    sure_with: float
    mass_kg: float
    worth: float
    short_mm: tuple[float, float] = (0.0, 0.0)


def spare_sheets(
    problem: LayoutProblem,
    layout: LayoutPlan,
    spread_of: SpreadOf,
    recipes: Mapping[str, Recipe],
    density_g_cm3: Mapping[str, float],
    prices: MetalPrices,
) -> tuple[SpareSheets, ...]:
    """For each alloy that is cast and not sure enough: the fewest sheets more that make it so (four at most; none if none helps).

    Once measured, the rest is laid anew on the sheets as they came out: only what finds no place then asks for a melt.
    """
    found = []
    for alloy in sorted({s.alloy for s in layout.new_sheets}):
        sheets = [s for s in layout.new_sheets if s.alloy == alloy]
        case = _Case(problem, layout, sheets, spread_of)
        without, _ = now = case.sure(())
        chosen: tuple[NewSheet, ...] = ()
        while now[0] < WANTED and len(chosen) < MOST_SPARE:
            tried = [(*chosen, _named(kind, alloy, len(chosen) + 1)) for kind in case.kinds]
            found_sure = [case.sure(sheets_more) for sheets_more in tried]
            best = max(found_sure)
            if best <= now:
                break
            chosen, now = tried[found_sure.index(best)], best
        if without < WANTED:
            kg = sum(_mass_kg(s, density_g_cm3[alloy]) for s in chosen)
            worth = kg * prices.of(recipes[alloy].target)
            found.append(SpareSheets(alloy, chosen, without, now[0], kg, worth, case.short_mm(chosen)))
    return tuple(found)


def sure_without(problem: LayoutProblem, layout: LayoutPlan, sheets: Sequence[NewSheet], spread_of: SpreadOf) -> float:
    """The chance that sheets to cast, one at least, of one alloy give metal for all that is laid on them, as they come out."""
    return _Case(problem, layout, sheets, spread_of).sure(())[0]


def told_of_spare(spare: Sequence[SpareSheets], currency: str) -> tuple[Text, ...]:
    """What a plan offers."""
    words = (
        "Spare metal of {alloy}: {count} more, cast on the same day ({sizes}; {kg}, its metal worth {worth} {currency} is kept),"
        " make it {sure} % sure that no melt of it is opened again; without it is {without} %."
    )
    found = []
    for s in spare:
        if not s.sheets:
            found.append(_none_helps(s))
            continue
        told = Text(
            words,
            alloy=s.alloy,
            count=Text("1 sheet") if len(s.sheets) == 1 else Text("{n} sheets", n=len(s.sheets)),
            sizes=joined(
                [size_words(x.length_mm, x.width_mm, x.thickness_start_mm, x.thickness_end_mm) for x in s.sheets]
            ),
            kg=Amount(s.mass_kg, "kg"),
            worth=Amount(s.worth),
            currency=currency,
            sure=Amount(100.0 * s.sure_with),
            without=Amount(100.0 * s.sure_without),
        )
        found += [told, *_short(s)]
    return tuple(found)


def _none_helps(spare: SpareSheets) -> Text:
    """Why no sheet more makes it surer."""
    low, high = spare.short_mm
    return Text(
        "Spare metal of {alloy}: no sheet more makes it surer than {without} % that no melt of it is opened again. Short may be"
        " metal of {low} to {high}, and none of the profiles tried gives more of it. Cast and measure the first, then"
        " plan again.",
        alloy=spare.alloy,
        without=Amount(100.0 * spare.sure_without),
        low=Amount(low, "mm", 2),
        high=Amount(high, "mm", 2),
    )


def _short(spare: SpareSheets) -> list[Text]:
    """Why spare metal does not make it as sure as wanted."""
    if spare.sure_with >= WANTED:
        return []
    wanted = Amount(100.0 * WANTED)
    if len(spare.sheets) < MOST_SPARE:
        words = "That is short of {wanted} %, and no sheet more helps. Cast and measure the first, then plan again."
        return [Text(words, wanted=wanted)]
    words = (
        "That is short of {wanted} %: {most} sheets more are the most that is tried. Cast and measure the first, then plan"
        " again."
    )
    return [Text(words, wanted=wanted, most=MOST_SPARE)]


def _named(sheet: NewSheet, alloy: str, number: int) -> NewSheet:
    return replace(sheet, id=f"spare {number} of {alloy}")


def _mass_kg(sheet: NewSheet, density_g_cm3: float) -> float:
    mean = (sheet.thickness_start_mm + sheet.thickness_end_mm) / 2.0
    return sheet.length_mm * sheet.width_mm * mean * density_g_cm3 * 1e-6


class _Case:
    """One alloy's sheets to cast in some drawings: whether all blanks can be laid anew on the sheets as they come out.

    Every sheet offers its area evenly between the thicknesses of its two ends; a blank takes its area at some thickness near
    what it wants. The thinnest are served first, which leaves least over. Shapes are passed over.
    """

    def __init__(
        self, problem: LayoutProblem, layout: LayoutPlan, sheets: Sequence[NewSheet], spread_of: SpreadOf
    ) -> None:
        self.spread_of = spread_of
        by_profile = {(s.length_mm, s.width_mm, s.thickness_start_mm, s.thickness_end_mm): s for s in sheets}
        kinds = sorted(by_profile.values(), key=lambda s: s.thickness_start_mm + s.thickness_end_mm)
        some = [kinds[round(k)] for k in np.linspace(0, len(kinds) - 1, min(len(kinds), MOST_KINDS))]
        # what lies at either end of the alloy's range lacks metal where its sheet comes out short of it
        self.kinds = [*some, _scaled(some[0], 1.0 - BEYOND), _scaled(some[-1], 1.0 + BEYOND)]
        blanks, mine = {b.id: b for b in problem.blanks}, {s.id for s in sheets}
        laid = [(blanks[p.blank], p.roll) for p in layout.placements if p.roll in mine]
        on = {s.id: sum(_box_mm2(b) for b, roll in laid if roll == s.id) for s in sheets}
        offered = [on[s.id] + OFFCUT_USE * max(s.net_area_mm2() - on[s.id], 0.0) for s in sheets]
        self.supply = np.sum([self._offered(s, area) for s, area in zip(sheets, offered, strict=True)], axis=0)
        demand: dict[tuple[int, int], float] = {}
        for blank, _ in laid:
            wanted = 0.5 * (blank.mouth_thickness_mm + blank.top_thickness_mm)
            low, high = wanted - TOLERANCE_USE * blank.tolerance_mm, wanted + TOLERANCE_USE * blank.most_over_mm
            key = (int(low / BIN_MM), int(high / BIN_MM))
            demand[key] = demand.get(key, 0.0) + _box_mm2(blank)
        self.demand = sorted(((high, low, area) for (low, high), area in demand.items()))

    def sure(self, spare: Sequence[NewSheet]) -> tuple[float, float]:
        """In which share of the drawings all can be laid, with these sheets more; and less the area that cannot, on average."""
        missing = [sum(row) for row in self._missing_with(spare)]
        return sum(m <= LEAST_MISSING_MM2 for m in missing) / len(missing), -sum(missing) / len(missing)

    def short_mm(self, spare: Sequence[NewSheet]) -> tuple[float, float]:
        """Of what thickness most metal is missing, on average, with these sheets more."""
        missing = np.sum(self._missing_with(spare), axis=0)
        high, low, _ = self.demand[int(np.argmax(missing))]
        return low * BIN_MM, (high + 1) * BIN_MM

    def _missing_with(self, spare: Sequence[NewSheet]) -> list[list[float]]:
        supply = np.sum([self.supply, *(self._offered(s, SPARE_USE * s.net_area_mm2()) for s in spare)], axis=0)
        return [_missing_mm2(row, self.demand) for row in supply.tolist()]

    def _offered(self, sheet: NewSheet, area_mm2: float) -> FloatArray:
        """The area that a sheet offers at each thickness, as it comes out in each drawing; shape (drawings, bins)."""
        spread = self.spread_of(sheet) or CastSpread(sheet.alloy, 0.0, 0.0, 0.0)
        metal = Drawn.of_sheet(sheet, spread).metal_mm[0, :, :TRIED_DRAWINGS]
        bins = np.clip((metal / BIN_MM).astype(np.int64), 0, BINS - 1)
        found = np.zeros((TRIED_DRAWINGS, BINS))
        np.add.at(found, (np.arange(TRIED_DRAWINGS)[None, :], bins), area_mm2 / len(metal))
        return found


def _box_mm2(blank: Blank) -> float:
    return blank.length_mm * blank.width_mm


def _scaled(sheet: NewSheet, factor: float) -> NewSheet:
    start, end = factor * sheet.thickness_start_mm, factor * sheet.thickness_end_mm
    return replace(sheet, thickness_start_mm=start, thickness_end_mm=end)


def _missing_mm2(supply_mm2: list[float], demand: Sequence[tuple[int, int, float]]) -> list[float]:
    """What of each that is asked (highest and lowest bin, area) areas by thickness do not serve, the lowest upper end first."""
    left = supply_mm2
    missing = []
    for high, low, area in demand:
        for k in range(max(low, 0), min(high + 1, len(left))):
            taken = min(left[k], area)
            left[k] -= taken
            area -= taken
            if area <= 0.0:
                break
        missing.append(area)
    return missing
