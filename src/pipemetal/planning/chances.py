"""How sure a plan is: the errors of the rack's rolls, the spread of sheets to cast, and what is expected to fit as laid."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median

import numpy as np

from pipemetal.alloys.recipe import Recipe
from pipemetal.casting.push import SheetSpread
from pipemetal.errors import InputError
from pipemetal.layout.chance import Chances, Count, chances_of
from pipemetal.layout.gauging import NextReading, next_readings
from pipemetal.layout.plan import LayoutPlan, NewSheet
from pipemetal.layout.problem import CastSpread, LayoutProblem, LayoutRoll
from pipemetal.melts.worth import MetalPrices
from pipemetal.planning.blanks import OrderedBlank
from pipemetal.planning.learning import Learned
from pipemetal.planning.planing import level_left
from pipemetal.planning.pours import Pour, prepare_pour
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder, sheet_order
from pipemetal.planning.spare import SpareSheets, spare_sheets
from pipemetal.planning.sureness import SureSettings
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.sheets.unsure import FieldError, error_of, waves_of

__all__ = [
    "CardGives",
    "PlanChances",
    "Priced",
    "as_cards_give",
    "cast_spreads",
    "hardly_known",
    "plan_chances",
    "roll_errors",
    "with_error",
    "with_errors",
]

TOLD_STATIONS, TOLD_LINES = 9, 3
"""Nodes at which the error of a roll that was not gauged stands."""
LEAST_MM = 0.05
"""No sheet is thinner."""
USUAL_LENGTH = 0.75
"""Of the longest sheet: so long is the sheet that an alloy's spread is worked out for, before any is laid."""


@dataclass(frozen=True, eq=False)
class PlanChances:
    """What is expected of a plan as laid: the chance of each blank and of each pipe, and how many pipes, in all and by rank,
    and blanks, on rolls and on sheets to cast; where to gauge next, the roll that gains most first; and which sheets more of an
    alloy would make it sure that no melt of it is opened again. `less_sure` are the blanks on rolls whose chance is below the
    certainty wanted.
    """

    blank: Mapping[str, float]
    pipe: Mapping[str, float]
    pipes: Count
    by_rank: Mapping[str, Count]
    on_rolls: Count
    on_sheets: Count
    next_readings: tuple[NextReading, ...] = ()
    spare: tuple[SpareSheets, ...] = ()
    less_sure: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Priced:
    """What spare metal is reckoned with: recipes, densities in g/cm3, and prices."""

    recipes: Mapping[str, Recipe]
    density_g_cm3: Mapping[str, float]
    prices: MetalPrices


def roll_errors(rack: Sequence[Roll], of: Collection[str] | None = None) -> dict[str, FieldError]:
    """The error of each roll's field, by its id, or of some; what the rolls have in common is learned from all of them.

    A roll that only two figures tell of is as unsure as one that was gauged once at each end.
    """
    waves = waves_of([roll.field for roll in rack])
    return {roll.id: error_of(_as_gauged(roll.field), waves) for roll in rack if of is None or roll.id in of}


def hardly_known(rack: Sequence[Roll]) -> tuple[str, ...]:
    """The rolls that only two figures tell of, by their ids."""
    return tuple(roll.id for roll in rack if _as_gauged(roll.field) is not roll.field)


def _as_gauged(field: ThicknessField) -> ThicknessField:
    if len(field.readings) or field.thickness_mm.shape != (1, 2) or field.standard_error_mm.any():
        return field
    middle, (first, last) = field.width_mm / 2.0, field.thickness_mm[0]
    told = np.array([(0.0, middle, first), (field.length_mm, middle, last)])
    return replace(field.grid(TOLD_STATIONS, TOLD_LINES), readings=told)


def cast_spreads(
    problem: LayoutProblem, recipes: Mapping[str, Recipe], settings: ShopSettings, learned: Learned
) -> tuple[CastSpread, ...]:
    """How sheets to cast of each alloy wanted scatter, by the card of a usual sheet of it; none where no push gives one."""
    walls: dict[str, list[float]] = {}
    for b in problem.blanks:
        walls.setdefault(b.alloy, []).append(fmean((b.mouth_thickness_mm, b.top_thickness_mm)))
    found = []
    for alloy, mine in walls.items():
        sled = settings.sleds[0]
        length = max(USUAL_LENGTH * settings.longest_mm(sled), settings.sheets.least_length_mm)
        wall = min(max(median(mine), settings.sheets.thinnest_mm), settings.sheets.thickest_mm)
        most = settings.section_mm2(sled, min(settings.usual_charge_kg, settings.most_charge_kg))
        length = min(length, max(most / wall, settings.sheets.least_length_mm))
        sheet = NewSheet("usual", alloy, length, sled.width_mm, wall, wall, settings.sheets.trim_mm)
        try:
            order = sheet_order(sheet, settings)
            card = prepare_pour(order, recipes[alloy].target, settings, learned).card
        except InputError:
            card = None
        if card is not None:
            found.append(_as_cast(alloy, card.spread, order, settings.sheets.most_planing_mm))
    return tuple(found)


def _as_cast(alloy: str, spread: SheetSpread, order: SheetOrder, most_planing_mm: float) -> CastSpread:
    wall_mm = (order.cast_start_mm + order.cast_end_mm) / 2.0
    level = spread.level * level_left(spread.level * wall_mm, order.planing_mm, most_planing_mm)
    return CastSpread(alloy, level, spread.taper, spread.scatter, order.planing_mm)


@dataclass(frozen=True)
class CardGives:
    """The likely thickness of a sheet as cast at its thick and at its thin end, by its card, and how much is planned to be planed
    off; all in mm."""

    first_mm: float
    last_mm: float
    planing_mm: float

    @classmethod
    def of(cls, pour: Pour) -> CardGives | None:
        """By a pour's card; None without one."""
        if pour.card is None or not pour.card.thickness:
            return None
        stations = pour.card.thickness
        return cls(stations[0].thickness_mm, stations[-1].thickness_mm, pour.order.planing_mm)

    def planed(self, sheet: NewSheet, most_planing_mm: float) -> NewSheet:
        """The sheet once it is planed to what it was meant to be, as far as that may be."""
        too_thick = (self.first_mm + self.last_mm - sheet.thickness_start_mm - sheet.thickness_end_mm) / 2.0
        planed = min(max(too_thick, 0.0), max(self.planing_mm, most_planing_mm))
        ends = [max(t - planed, LEAST_MM) for t in (self.first_mm, self.last_mm)]
        if sheet.thickness_start_mm < sheet.thickness_end_mm:
            ends.reverse()
        return replace(sheet, thickness_start_mm=ends[0], thickness_end_mm=ends[1])


def as_cards_give(
    sheets: Sequence[NewSheet], gives: Mapping[str, CardGives], most_planing_mm: float
) -> tuple[NewSheet, ...]:
    """Sheets to cast as their own cards give them, once they are planed; those without a card as they are meant."""
    return tuple(gives[s.id].planed(s, most_planing_mm) if s.id in gives else s for s in sheets)


def plan_chances(
    problem: LayoutProblem,
    layout: LayoutPlan,
    blanks: Sequence[OrderedBlank],
    pours: Sequence[Pour],
    priced: Priced | None = None,
    most_planing_mm: float = 0.0,
) -> PlanChances:
    """What is expected of a plan: rolls by their errors, sheets to cast by their own cards. Spare metal where it is `priced`.

    `most_planing_mm`: what may be planed off a sheet so that it becomes what it was meant to be; 0: it is planed as planned.
    """
    spreads = {
        p.order.sheet.id: _as_cast(p.order.sheet.alloy, p.card.spread, p.order, most_planing_mm)
        for p in pours
        if p.card is not None
    }

    def spread_of(sheet: NewSheet) -> CastSpread | None:
        known = problem.castable.spread_of(sheet.alloy) if problem.castable is not None else None
        return spreads.get(sheet.id, known)

    gives = {p.order.sheet.id: found for p in pours if (found := CardGives.of(p)) is not None}
    as_carded = replace(layout, new_sheets=as_cards_give(layout.new_sheets, gives, most_planing_mm))
    chances = chances_of(problem, as_carded, spread_of)
    laid = {p.blank: p.roll for p in layout.placements}
    of_pipe: dict[str, list[str]] = {}
    of_rank: dict[str, dict[str, list[str]]] = {}
    for b in blanks:
        if b.blank.id in laid:
            of_pipe.setdefault(b.pipe.id, []).append(b.blank.id)
            of_rank.setdefault(b.pipe.rank, {}).setdefault(b.pipe.id, []).append(b.blank.id)
    new = {sheet.id for sheet in layout.new_sheets}
    return PlanChances(
        {blank: chances.of(blank) for blank in laid},
        {pipe: chances.together(mine) for pipe, mine in of_pipe.items()},
        chances.count(list(of_pipe.values())),
        {rank: chances.count(list(mine.values())) for rank, mine in of_rank.items()},
        _count_of(chances, [b for b, roll in laid.items() if roll not in new]),
        _count_of(chances, [b for b, roll in laid.items() if roll in new]),
        next_readings(problem, layout),
        spare_sheets(problem, layout, spread_of, priced.recipes, priced.density_g_cm3, priced.prices)
        if priced is not None
        else (),
        tuple(b for b, roll in laid.items() if roll not in new and chances.of(b) < problem.certainty),
    )


def _count_of(chances: Chances, blanks: Sequence[str]) -> Count:
    return chances.count([[blank] for blank in blanks])


def with_error(roll: LayoutRoll, held: Roll, error: FieldError) -> LayoutRoll:
    """A roll of a layout with what is known of how far its metal may be from its field."""
    field = _as_gauged(held.field)
    return replace(
        roll,
        stations_mm=tuple(float(s) for s in field.stations_mm),
        thickness_mm=field.thickness_mm,
        error_mm=error.sd_mm,
        error_reach_mm=error.reach_mm,
    )


def with_errors(
    problem: LayoutProblem, rack: Sequence[Roll], spreads: Sequence[CastSpread], sure: SureSettings
) -> LayoutProblem:
    """The problem with what is known of how unsure its metal is, and the certainty that is wanted."""
    errors, held = roll_errors(rack, {r.id for r in problem.rolls}), {roll.id: roll for roll in rack}
    rolls = tuple(with_error(roll, held[roll.id], errors[roll.id]) for roll in problem.rolls)
    castable = (
        replace(problem.castable, spread=tuple(spreads), least_room=sure.cast_room, misfit_costs=sure.misfit_costs)
        if problem.castable is not None
        else None
    )
    return replace(
        problem, rolls=rolls, castable=castable, certainty=sure.certainty, save_metal=sure.save_metal == "yes"
    )
