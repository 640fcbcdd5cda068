"""From what the main job computed to the record of a plan."""

from __future__ import annotations

from dataclasses import replace

from pydantic import TypeAdapter

from pipemetal import __version__
from pipemetal.layout.waste import told_of_waste
from pipemetal.pipes.borrowed import notes_without_pipe
from pipemetal.pipes.totals import sheets_to_buy
from pipemetal.planning.account import SINKS, SOURCES, Account
from pipemetal.planning.cautions import CAUTIONS, EXPOSURE_LIMITS
from pipemetal.planning.cuts import Cut, CutRoll
from pipemetal.planning.plan import Plan as Planned
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder
from pipemetal.planning.sure_words import trial_sheets
from pipemetal.plans import record
from pipemetal.plans.rows import (
    blank_row,
    day_row,
    melt_rows,
    note_row,
    pipe_row,
    pour_row,
    season_row,
    sheet_bought_row,
)
from pipemetal.sheets.ends import which_end
from pipemetal.sheets.field import ThicknessField

__all__ = ["cut_row", "metal_row", "new_sheet_row", "plan_record", "remnant_rows", "roll_row"]

CORNERS_AN_ARC = 9
"""Points of each arc of a sector that are kept: enough for a picture; the sector itself stands beside them."""


def printed_row(settings: ShopSettings) -> record.Printed:
    """How a shop with these settings has its papers printed."""
    return TypeAdapter(record.Printed).validate_python(
        {
            "paper": settings.paper,
            "language": settings.language,
            "lengths_in": settings.length_unit,
            "masses_in": settings.mass_unit,
            "temperatures_in": settings.temperature_unit,
        }
    )


def plan_record(planned: Planned) -> record.Plan:
    """A whole plan. The fields are explained in docs/plan-file.md."""
    layout, settings = planned.layout, planned.settings
    return record.Plan(
        organ=planned.organ.name,
        program=f"pipemetal {__version__}",
        shop=settings.name,
        settings_from=settings.source,
        printed=printed_row(settings),
        notes=_notes(planned),
        seed=layout.seed,
        iterations=layout.iterations,
        pipes_served=planned.pipes_served,
        pipes=tuple(replace(pipe_row(p), chance=planned.chances.pipe.get(p.id)) for p in planned.pipes),
        chances=_chances(planned),
        blanks=tuple(blank_row(part) for pipe in planned.pipes for part in pipe.parts if not part.bought),
        notes_without_pipe=tuple(note_row(n) for n in notes_without_pipe(planned.organ)),
        sheets_to_buy=tuple(sheet_bought_row(s) for s in sheets_to_buy(planned.served)),
        rolls_used=tuple(roll_row(c) for c in planned.cut_rolls if not c.is_new),
        new_sheets=_new_sheets(planned),
        melts=melt_rows(planned.melts, planned.pours, settings, planned.days),
        pours=tuple(pour_row(p, settings) for p in planned.pours),
        days=tuple(day_row(d) for d in planned.days),
        season=season_row(planned.season),
        metal=metal_row(planned.account),
        to_buy_kg=planned.to_buy_kg,
        consumed_mm2=layout.consumed_mm2,
        opened_mm2=layout.opened_mm2,
        utilisation=layout.utilisation,
        lower_bound_mm2=layout.lower_bound_mm2,
        gap_percent=layout.gap_percent,
        unserved=tuple(record.Unserved(u.blank, u.reason, u.kind, u.nearest_roll, u.miss_mm) for u in layout.unplaced),
        readings_left_out=tuple(
            record.LeftOut(r.id, x.reading.x_mm, x.reading.y_mm, x.reading.thickness_mm, x.reason)
            for r in planned.rack
            for x in r.field.left_out
        ),
        lots_without_analysis=tuple(planned.cannot_charge),
        learned=planned.learned.words,
        faults=tuple(record.FaultRow(f.kind, f.blank, f.roll, f.detail) for f in planned.faults),
        cautions=tuple(CAUTIONS),
        exposure_limits=tuple(record.ExposureLimit(*row) for row in EXPOSURE_LIMITS),
        kerf_mm=settings.sheets.kerf_mm,
        cut_from_right=settings.cut_from == "right" or None,
        tin_wt_pct={name: r.target.as_wt_pct().get("Sn", 0.0) for name, r in planned.recipes.items()},
    )


def _notes(planned: Planned) -> tuple[str, ...]:
    """The notes of a plan; the first says where the metal goes that becomes no blank."""
    wasted = told_of_waste(planned.waste)
    return (*([wasted] if wasted is not None else []), *planned.notes)


def _chances(planned: Planned) -> record.Chances:
    found = planned.chances
    ends = {roll.id: which_end(roll.field) for roll in planned.rack}
    return record.Chances(
        certainty=planned.settings.sure.certainty,
        pipes=record.Expected(**vars(found.pipes)),
        by_rank={rank: record.Expected(**vars(count)) for rank, count in found.by_rank.items()},
        on_rolls=record.Expected(**vars(found.on_rolls)),
        on_sheets=record.Expected(**vars(found.on_sheets)),
        less_sure=found.less_sure,
        gauge_next=tuple(record.GaugeNext(**vars(r), end=ends.get(r.roll, "")) for r in found.next_readings),
        spare=tuple(
            record.Spare(
                s.alloy,
                tuple(
                    record.SpareSheet(x.length_mm, x.width_mm, x.thickness_start_mm, x.thickness_end_mm)
                    for x in s.sheets
                ),
                s.sure_without,
                s.sure_with,
                s.mass_kg,
                s.worth,
            )
            for s in found.spare
            if s.sheets
        ),
        trial=tuple(s.id for s in trial_sheets(planned.layout, found.blank))
        if not planned.learned.law.casts_used
        else (),
    )


def cut_row(cut: Cut) -> record.Cut:
    """A blank where it lies, with the metal that is really there."""
    blank, place = cut.blank, cut.placement
    ring, (mouth, top) = blank.sector, cut.wanted_mm
    return record.Cut(
        blank=blank.id,
        kind=blank.kind,
        pipe=cut.pipe,
        rank=cut.rank,
        note=cut.note,
        number=cut.number,
        x_mm=place.x_mm,
        y_mm=place.y_mm,
        turn_deg=place.turn_deg,
        length_mm=cut.box[0],
        width_mm=cut.box[1],
        wanted_mouth_mm=mouth,
        wanted_top_mm=top,
        tolerance_mm=blank.tolerance_mm,
        actual_mouth_mm=cut.actual_mouth_mm,
        actual_top_mm=cut.actual_top_mm,
        mass_kg=cut.mass_kg,
        turns_deg=blank.turns_deg,
        sector=record.Ring(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None,
        corners_mm=_some_corners(cut) if ring or blank.outline else None,
        mouth_at_small_arc=cut.mouth_at_small_arc,
        chance=cut.chance,
        thicker_mm=blank.thicker_mm,
        worked_mm=blank.worked_mm or None,
        worked=blank.worked or None,
    )


def _some_corners(cut: Cut) -> tuple[tuple[float, float], ...]:
    """An outline by a few points on each half, its sharp corners among them."""
    half = (len(cut.corners) + 1) // 2
    arcs = (cut.corners[:half], cut.corners[half:])
    last = CORNERS_AN_ARC - 1
    return tuple(
        arc[round(k * (len(arc) - 1) / last)] for arc in arcs for k in range(CORNERS_AN_ARC if len(arc) > last else 1)
    )


def remnant_rows(cut: CutRoll) -> tuple[record.Remnant, ...]:
    """What is left of a sheet and worth keeping."""
    return tuple(record.Remnant(r.id, r.area_mm2, tuple(r.polygon)) for r in cut.remnants)


def roll_row(cut: CutRoll) -> record.CutSheet:
    """A roll with what is cut from it."""
    roll = cut.roll
    return record.CutSheet(
        id=roll.id,
        alloy=roll.alloy,
        length_mm=roll.length_mm,
        width_mm=roll.width_mm,
        place=roll.place,
        mass_kg=cut.mass_kg,
        blanks_kg=cut.blanks_kg,
        offcut_kg=cut.offcut_kg,
        kerf_kg=cut.kerf_kg,
        remnants=remnant_rows(cut),
        remnants_kg=cut.remnants_kg,
        cuts=tuple(cut_row(c) for c in cut.cuts),
        trim_mm=roll.trim_mm,
        thickness=None if cut.is_new else _thickness(roll.field),
        outline_mm=roll.outline,
        no_go_mm=roll.no_go or None,
        parent=roll.parent,
    )


def _thickness(field: ThicknessField) -> record.Thickness:
    lines = tuple(tuple(float(value) for value in line) for line in field.thickness_mm)
    return record.Thickness(tuple(float(x) for x in field.stations_mm), lines)


def _new_sheets(planned: Planned) -> tuple[record.NewSheet, ...]:
    orders = {pour.order.sheet.id: pour.order for pour in planned.pours}
    return tuple(new_sheet_row(cut, orders[cut.roll.id]) for cut in planned.cut_rolls if cut.is_new)


def new_sheet_row(cut: CutRoll, order: SheetOrder) -> record.NewSheet:
    """A sheet to cast with what is cut from it."""
    return record.NewSheet(
        **vars(roll_row(cut)),
        thickness_start_mm=order.sheet.thickness_start_mm,
        thickness_end_mm=order.sheet.thickness_end_mm,
        planing_mm=order.planing_mm,
        cast_start_mm=order.cast_start_mm,
        cast_end_mm=order.cast_end_mm,
        sled=order.sled.name,
        sled_length_mm=order.sled.length_mm,
        table=order.table.name,
        used_width_mm=cut.used_width_mm,
    )


def metal_row(account: Account) -> record.Metal:
    """The account in all, by alloy and by element."""

    def by_place(alloy: str | None) -> dict[str, float]:
        return {f"{place.replace(' ', '_')}_kg": account.total_kg(place, alloy) for place in (*SOURCES, *SINKS)}

    def by_alloy(alloy: str) -> dict[str, float]:
        places = by_place(alloy)
        return {"new_kg": places["new_metal_kg"], "loss_kg": places["dross_kg"] + places["kerf_kg"]} | places

    return record.Metal(
        new_kg=account.new_kg,
        remelt_kg=account.remelt_kg,
        loss_kg=account.loss_kg,
        by_alloy={alloy: by_alloy(alloy) for alloy in account.alloys()},
        in_all=by_place(None),
        by_element_kg={
            place: {e: m for e, m in account.elements_kg(place).items() if m > 0.0} for place in (*SOURCES, *SINKS)
        },
        unexplained_kg=account.unexplained_kg(),
    )
