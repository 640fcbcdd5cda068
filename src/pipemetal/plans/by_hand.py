"""A plan's sheets changed by hand: from its record to a placing problem and back, with every figure of a sheet made anew."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean
from typing import Final, TypeVar

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.layout.chance import chances_of, unsure_of
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, CastSpread, LayoutProblem, LayoutRoll, Sector
from pipemetal.planning.chances import with_error
from pipemetal.planning.cuts import CutRoll, ForPipe, GaugeMark, cut_rolls, marked
from pipemetal.planning.planing import level_left
from pipemetal.plans.making import cut_row, remnant_rows
from pipemetal.plans.record import Chances, Cut, CutSheet, Plan
from pipemetal.plans.record import NewSheet as NewSheetRow
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.sheets.unsure import FieldError
from pipemetal.texts import Text

__all__ = [
    "Bench",
    "HandFault",
    "bench_of",
    "blank_of",
    "changed_plan",
    "cut_rolls_of",
    "faults_of",
    "fits_along",
    "new_sheet_of",
]

MOST_STRETCHES: Final = 64
Sheet = TypeVar("Sheet", bound=CutSheet)


@dataclass(frozen=True)
class HandFault:
    """What the independent check finds wrong with a blank where somebody laid it."""

    blank: str
    sheet: str
    kind: str
    words: str


@dataclass(frozen=True)
class Bench:
    """Some sheets of a plan on the bench: the problem that they pose, what lies where, and the plan's own rows.

    `rolls`: the sheets with their fields; `cuts`: the plan's row of each blank; `kerf_mm`: what the saw takes; `spreads`: how
    each sheet to cast scatters; `gauge`: where the plan asks for a reading; `from_right`: from
    which end blanks are numbered.
    """

    problem: LayoutProblem
    placements: tuple[Placement, ...]
    rolls: Mapping[str, Roll]
    sheets: Mapping[str, CutSheet]
    cuts: Mapping[str, Cut]
    new: tuple[NewSheet, ...]
    kerf_mm: float
    spreads: Mapping[str, CastSpread] = field(default_factory=dict)
    gauge: tuple[GaugeMark, ...] = ()
    from_right: bool = False

    def layout(self, placements: Sequence[Placement]) -> LayoutPlan:
        """A layout with these placements, its totals left at zero."""
        laid = {p.blank for p in placements}
        left = tuple(Unplaced(b.id, Text("taken off the sheet")) for b in self.problem.blanks if b.id not in laid)
        unsure = unsure_of(self.problem, placements)
        return LayoutPlan(tuple(placements), left, (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0, unsure)

    def chances(self, placements: Sequence[Placement]) -> dict[str, float]:
        """The chance of each blank at its place: as planned where it did not move, else worked out anew; where it can be.

        On a sheet to cast the band of its push card is taken as the whole sheet's.
        """
        stayed = set(self.placements)
        known = {p.blank: self.cuts[p.blank].chance for p in placements if p in stayed}
        sure = {r.id for r in self.problem.rolls if r.error_mm is not None} | set(self.spreads)
        moved = tuple(p for p in placements if p not in stayed and p.roll in sure)
        layout = replace(self.layout(()), placements=moved, new_sheets=tuple(s for s in self.new if s.id in sure))
        found = chances_of(self.problem, layout, lambda sheet: self.spreads.get(sheet.id)) if moved else None
        anew = {p.blank: found.of(p.blank) for p in moved} if found is not None else {}
        return {blank: chance for blank, chance in known.items() if chance is not None} | anew


def bench_of(
    plan: Plan,
    sheet_ids: Iterable[str],
    rack: Mapping[str, Roll],
    *,
    trim_mm: float,
    kerf_mm: float,
    errors: Mapping[str, FieldError] | None = None,
    most_planing_mm: float = 0.0,
) -> Bench:
    """Sheets of a plan as a bench; `rack` holds the rolls that hang there.

    `trim_mm`, `kerf_mm`: the shop's own, for a plan that does not name what it was made with. `errors`: how far the metal of
    rolls may be from their fields; with them blanks that are moved keep a chance. `most_planing_mm`: what may be planed off a
    sheet to cast, once it is measured.
    Errors: LayoutError for a sheet the plan lacks.
    """
    known = {s.id: s for s in plan.sheets}
    kerf = kerf_mm if plan.kerf_mm is None else plan.kerf_mm
    rolls: dict[str, Roll] = {}
    sheets: dict[str, CutSheet] = {}
    for name in sheet_ids:
        if name not in known:
            raise LayoutError("is no sheet of this plan", field="sheet", value=name)
        sheets[name] = known[name]
        rolls[name] = rack[name] if name in rack else _to_be_cast(known[name], trim_mm)
    blanks = tuple(blank_of(cut, sheet.alloy) for sheet in sheets.values() for cut in sheet.cuts)
    laid = tuple(
        with_error(_layout_roll(r), r, errors[r.id]) if errors and r.id in errors else _layout_roll(r)
        for r in rolls.values()
    )
    return Bench(
        LayoutProblem(blanks, laid, None, kerf, plan.chances.certainty if plan.chances else 0.0),
        tuple(Placement(c.blank, s.id, c.x_mm, c.y_mm, c.turn_deg) for s in sheets.values() for c in s.cuts),
        rolls,
        sheets,
        {cut.blank: cut for sheet in sheets.values() for cut in sheet.cuts},
        tuple(new_sheet_of(s, trim_mm) for s in sheets.values() if isinstance(s, NewSheetRow)),
        kerf,
        {s.id: spread for s in sheets.values() if (spread := _spread(plan, s, most_planing_mm)) is not None},
        tuple(
            GaugeMark(k, r.roll, r.x_mm, r.y_mm)
            for k, r in enumerate(plan.chances.gauge_next if plan.chances else (), start=1)
            if r.cut
        ),
        bool(plan.cut_from_right),
    )


def _spread(plan: Plan, sheet: CutSheet, most_planing_mm: float) -> CastSpread | None:
    """How a sheet to cast scatters, by the 95 % band of its push card; None where no card tells it."""
    card = next((p.card for p in plan.pours if p.sheet == sheet.id), None)
    if card is None or not card.thickness_mm or not isinstance(sheet, NewSheetRow):
        return None
    level = fmean(math.log(s.high / s.low) / (2.0 * 1.96) for s in card.thickness_mm)
    wall_mm = (sheet.thickness_start_mm + sheet.thickness_end_mm) / 2.0 + sheet.planing_mm
    left = level_left(level * wall_mm, sheet.planing_mm, most_planing_mm)
    return CastSpread(sheet.alloy, left * level, 0.0, 0.0, sheet.planing_mm)


def _to_be_cast(sheet: CutSheet, trim_mm: float) -> Roll:
    ends = (sheet.thickness_start_mm, sheet.thickness_end_mm) if isinstance(sheet, NewSheetRow) else (1.0, 1.0)
    field = ThicknessField.from_grid([0.0, sheet.length_mm], [ends] * 2, width_mm=sheet.width_mm)
    return Roll(
        sheet.id, sheet.alloy, sheet.length_mm, sheet.width_mm, _trim_mm(sheet, trim_mm), field, place=sheet.place
    )


def _trim_mm(sheet: CutSheet, trim_mm: float) -> float:
    return trim_mm if sheet.trim_mm is None else sheet.trim_mm


def new_sheet_of(sheet: NewSheetRow, trim_mm: float) -> NewSheet:
    """A sheet to cast as the layout knows it, from its row; `trim_mm` where the row does not say."""
    return NewSheet(
        sheet.id,
        sheet.alloy,
        sheet.length_mm,
        sheet.width_mm,
        sheet.thickness_start_mm,
        sheet.thickness_end_mm,
        _trim_mm(sheet, trim_mm),
    )


def _layout_roll(roll: Roll) -> LayoutRoll:
    return LayoutRoll(
        roll.id,
        roll.alloy,
        roll.length_mm,
        roll.width_mm,
        roll.trim_mm,
        tuple(float(s) for s in roll.field.stations_mm),
        roll.field.thickness_mm,
        no_go=roll.no_go,
        outline=roll.trimmed_outline(),
    )


def blank_of(cut: Cut, alloy: str) -> Blank:
    """A blank as the layout knows it, from its row."""
    ring = cut.sector
    length, width = (cut.width_mm, cut.length_mm) if cut.is_across else (cut.length_mm, cut.width_mm)
    return Blank(
        cut.blank,
        cut.kind,
        alloy,
        length,
        width,
        *cut.layout_walls_mm,
        cut.tolerance_mm,
        cut.turns_deg,
        sector=Sector(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None,
        thicker_mm=cut.thicker_mm,
        worked_mm=cut.worked_mm or 0.0,
        worked=cut.worked or "",
    )


def faults_of(bench: Bench, placements: Sequence[Placement]) -> tuple[HandFault, ...]:
    """What the independent check finds wrong with these places.

    Errors: LayoutError for a blank or sheet that is not on the bench, or a turn that the blank may not take.
    """
    from pipemetal.layout.verify import verify

    known = {b.id: b for b in bench.problem.blanks}
    for p in placements:
        if p.blank not in known or p.roll not in bench.rolls:
            raise LayoutError("is not on the bench", field="blank", value=p.blank)
        if p.turn_deg not in known[p.blank].turns_deg:
            raise LayoutError("may not be taken", field="turn_deg", value=p.turn_deg, where=p.blank)
    laid = {p.blank for p in placements}
    problem = replace(bench.problem, blanks=tuple(b for b in bench.problem.blanks if b.id in laid))
    found = verify(problem, replace(bench, problem=problem).layout(placements))
    return tuple(HandFault(f.blank, f.roll, f.kind, f.detail) for f in found if f.kind != "totals")


def fits_along(bench: Bench, place: Placement) -> tuple[tuple[float, float], ...]:
    """The stretches of x at which a blank finds its thickness on its sheet, at the y where it lies.

    The exact windows that the search uses; edges, neighbours and blemishes are not in them.
    """
    from pipemetal.sheets.fitness import line_values, windows_along

    blank = next(b for b in bench.problem.blanks if b.id == place.blank)
    roll = bench.rolls[place.roll]
    across = place.turn_deg in (90, 270)
    length, width = (blank.width_mm, blank.length_mm) if across else (blank.length_mm, blank.width_mm)
    if length > roll.length_mm:
        return ()
    middle, half = blank.accepts_mm
    mouth, top = blank.mouth_thickness_mm + middle, blank.top_thickness_mm + middle
    if place.turn_deg in (180, 270):
        mouth, top = top, mouth
    low = min(max(place.y_mm, 0.0), roll.width_mm)
    lines = np.ascontiguousarray(
        line_values(roll.field.thickness_mm, roll.width_mm, low, min(low + width, roll.width_mm))
    )
    out = np.empty((MOST_STRETCHES * 4, 2))
    stations = np.asarray(roll.field.stations_mm, dtype=float)
    slope = 0.0 if across else (top - mouth) / length
    count = windows_along(
        stations, lines, lines.shape[0], length, mouth, slope, half, 0.0, roll.length_mm - length, out
    )
    return tuple((float(a), float(b)) for a, b in out[: min(int(count), MOST_STRETCHES)])


def cut_rolls_of(
    bench: Bench, placements: Sequence[Placement], density_g_cm3: Mapping[str, float]
) -> tuple[CutRoll, ...]:
    """The bench's sheets as the planning and the printing room know them; `density_g_cm3` by alloy."""
    chances = bench.chances(placements)
    blanks = [
        ForPipe(b, cut.pipe, cut.rank, cut.note, cut.mouth_at_small_arc, chances.get(b.id))
        for b, cut in ((b, bench.cuts[b.id]) for b in bench.problem.blanks)
    ]
    masses = {name: sheet.mass_kg for name, sheet in bench.sheets.items()}
    layout = replace(bench.layout(placements), new_sheets=bench.new)
    made = cut_rolls(layout, bench.rolls, blanks, density_g_cm3, masses, bench.kerf_mm, bench.from_right)
    return marked(made, bench.problem.certainty, bench.gauge)


def changed_plan(plan: Plan, bench: Bench, placements: Sequence[Placement], density_g_cm3: Mapping[str, float]) -> Plan:
    """The plan with the bench's sheets as they are laid now: places, thicknesses, masses, remnants and offcuts anew.

    Melts, pours and the plan's metal account stay as they were planned, and so do the counts of pipes that are expected to fit.
    """
    made = {c.roll.id: c for c in cut_rolls_of(bench, placements, density_g_cm3)}
    return replace(
        plan,
        chances=_chances_of(plan, bench, placements),
        rolls_used=tuple(_again(s, bench, made) for s in plan.rolls_used),
        new_sheets=tuple(_again(s, bench, made) for s in plan.new_sheets),
        changed_by_hand=True,
    )


def _chances_of(plan: Plan, bench: Bench, placements: Sequence[Placement]) -> Chances | None:
    """What the plan says of how sure it is, with the blanks that are less sure than wanted named anew."""
    if plan.chances is None:
        return None
    elsewhere = {blank for blank in plan.chances.less_sure if blank not in bench.cuts}
    to_cast, chances = {s.id for s in bench.new}, bench.chances(placements)
    here = {p.blank for p in placements if p.roll not in to_cast and chances.get(p.blank, 1.0) < plan.chances.certainty}
    return replace(plan.chances, less_sure=tuple(sorted(elsewhere | here)))


def _again(sheet: Sheet, bench: Bench, made: Mapping[str, CutRoll]) -> Sheet:
    if sheet.id not in bench.rolls:
        return sheet
    cut = made.get(sheet.id)
    if cut is None:
        return replace(
            sheet, cuts=(), remnants=(), blanks_kg=0.0, kerf_kg=0.0, remnants_kg=0.0, offcut_kg=sheet.mass_kg
        )
    return replace(
        sheet,
        blanks_kg=cut.blanks_kg,
        offcut_kg=cut.offcut_kg,
        kerf_kg=cut.kerf_kg,
        remnants=remnant_rows(cut),
        remnants_kg=cut.remnants_kg,
        cuts=tuple(cut_row(c) for c in cut.cuts),
    )
