"""Pipes, blanks, melts and pours as rows of a plan's record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.casting.push import Mark, PushCard
from pipemetal.casting.window import PourWindow
from pipemetal.melts.charge import Charge
from pipemetal.melts.mend import Blocked
from pipemetal.pipes.borrowed import NoteWithoutPipe
from pipemetal.pipes.development import offset_table_mm
from pipemetal.pipes.pipe import Part, Pipe, RingSector, footage_text
from pipemetal.pipes.statics import standing_stress
from pipemetal.pipes.totals import SheetToBuy
from pipemetal.planning.day import CastingDay
from pipemetal.planning.day_work import melt_heat
from pipemetal.planning.melting import PlannedMelt, Season
from pipemetal.planning.pours import Pour
from pipemetal.planning.practice import practice_of
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.warned import warnings_of
from pipemetal.plans import record
from pipemetal.texts import joined

__all__ = [
    "blank_row",
    "day_row",
    "melt_row",
    "melt_rows",
    "note_row",
    "offsets_of",
    "pipe_row",
    "pour_row",
    "season_row",
    "sheet_bought_row",
    "wants_offsets",
]

SWUNG_UP_TO_MM: Final = 1500.0
"""Radius past which an arc is marked out by offsets from its chord: nobody swings it with a trammel."""


def pipe_row(pipe: Pipe) -> record.PipeRow:
    """A pipe without its parts."""
    stress = standing_stress(pipe)
    return record.PipeRow(
        id=pipe.id,
        rank=pipe.rank,
        note=pipe.note,
        alloy=pipe.alloy,
        division=pipe.division,
        construction=pipe.construction,
        key=pipe.key,
        choir=pipe.choir,
        footage=footage_text(pipe.footage),
        frequency_hz=pipe.frequency_hz,
        diameter_mm=pipe.diameter_mm,
        top_diameter_mm=pipe.top_diameter_mm,
        half_tones=pipe.half_tones,
        mouth_width_mm=pipe.mouth_width_mm,
        cut_up_mm=pipe.cut_up_mm,
        body_length_mm=pipe.body_length_mm,
        cut_length_mm=pipe.cut_length_mm,
        foot_length_mm=pipe.foot_length_mm,
        chimney_diameter_mm=pipe.chimney_diameter_mm,
        chimney_length_mm=pipe.chimney_length_mm,
        thickness_mouth_mm=pipe.thickness_mouth_mm,
        thickness_top_mm=pipe.thickness_top_mm,
        thickness_foot_mm=pipe.thickness_foot_mm,
        languid_thickness_mm=pipe.languid_thickness_mm,
        mass_kg=pipe.mass_kg,
        cast_kg=pipe.cast_kg,
        finished_area_mm2=math.fsum(part.finished_area_mm2 for part in pipe.parts),
        blank_area_mm2=math.fsum(part.blank_area_mm2 for part in pipe.parts),
        made=pipe.made,
        wall_source=pipe.wall_source,
        lip=pipe.lip,
        flue_mm=pipe.flue_mm,
        toe_bore_mm=pipe.toe_bore_mm,
        toe_diameter_mm=pipe.toe_diameter_mm,
        cap_kind=pipe.cap.kind if pipe.cap else "",
        cap_stands_mm=pipe.cap.stands_mm if pipe.cap else 0.0,
        cap_rim_mm=pipe.cap.rim_mm if pipe.cap else 0.0,
        cap_sharp_cents=pipe.cap.sharp_cents if pipe.cap else 0.0,
        cap_flat_cents=pipe.cap.flat_cents if pipe.cap else 0.0,
        tip_diameter_mm=pipe.tip_diameter_mm,
        hole_diameter_mm=pipe.hole_diameter_mm,
        visible_length_mm=pipe.visible_length_mm,
        ising=pipe.ising,
        stress_mouth_mpa=stress.mouth_mpa,
        stress_toe_mpa=stress.toe_mpa,
        toe_flag=stress.toe_flag,
        remarks=joined(pipe.remarks),
    )


def offsets_of(ring: RingSector, stations: int = 11) -> dict[str, tuple[tuple[float, float], ...]]:
    """Offsets of both arcs of a sector from their chords: (along the chord, height above it) in mm."""
    return {
        name: tuple(offset_table_mm(radius_mm, ring.angle_deg, stations))
        for name, radius_mm in (("outer_arc_mm", ring.outer_radius_mm), ("inner_arc_mm", ring.inner_radius_mm))
    }


def wants_offsets(ring: RingSector | None) -> bool:
    """Whether a sector is too shallow to be swung."""
    return ring is not None and ring.outer_radius_mm > SWUNG_UP_TO_MM and ring.angle_deg <= 180.0


def blank_row(part: Part) -> record.BlankRow:
    """A blank as in the layout problem, with its area and mass; shallow cones with their offset tables."""
    ring = part.sector
    return record.BlankRow(
        id=part.id,
        kind=part.kind,
        alloy=part.alloy,
        length_mm=part.length_mm,
        width_mm=part.width_mm,
        mouth_thickness_mm=part.wall_below_mm,
        top_thickness_mm=part.wall_above_mm,
        tolerance_mm=part.tolerance_mm,
        turns_deg=part.turns_deg,
        sector=record.Ring(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None,
        offsets=offsets_of(ring) if ring is not None and wants_offsets(ring) else None,
        area_mm2=part.blank_area_mm2,
        mass_kg=part.blank_mass_kg,
        bought=part.bought,
        mouth_at_small_arc=part.lower_at_small_arc,
    )


def note_row(note: NoteWithoutPipe) -> record.NoteRow:
    """A note that has no pipe of its own."""
    return record.NoteRow(note.rank, note.note, note.key, note.lender or None, note.lender_note or None)


def sheet_bought_row(sheet: SheetToBuy) -> record.SheetBought:
    """Flat sheet to buy: the area and mass of its blanks, without the waste of cutting."""
    return record.SheetBought(sheet.metal, sheet.thickness_mm, sheet.parts, sheet.blank_area_m2, sheet.blank_kg)


def melt_rows(
    melts: Sequence[PlannedMelt], pours: Sequence[Pour], settings: ShopSettings, days: Sequence[CastingDay]
) -> tuple[record.Melt, ...]:
    """The melts in their order; one that follows another of its day finds the pot hot."""
    pots = {m.melt.name: m.melt.pot for m in melts}
    later = {
        name
        for day in days
        for place, name in enumerate(day.melts)
        if pots.get(name) in [pots.get(before) for before in day.melts[:place]]
    }
    return tuple(melt_row(m, pours, settings, hot_pot=m.melt.name in later) for m in melts)


def melt_row(
    planned: PlannedMelt, pours: Sequence[Pour], settings: ShopSettings, *, hot_pot: bool = False
) -> record.Melt:
    """A melt: its weighing list and what it gives, or why there is none."""
    melt, answer = planned.melt, planned.charge
    return record.Melt(
        name=melt.name,
        recipe=melt.recipe,
        pot=melt.pot,
        sheets=tuple(s.id for s in melt.sheets),
        wanted_kg=melt.wanted_kg,
        sheets_take_kg=melt.used_kg,
        pot_emptied_before=planned.emptied,
        heel_kg=planned.heel.mass_kg if planned.heel else 0.0,
        charge=_charged(planned, answer, _heat(planned, pours, settings, hot_pot))
        if isinstance(answer, Charge)
        else None,
        blocked=None if isinstance(answer, Charge) else _blocked(answer),
    )


def _blocked(answer: Blocked) -> record.Blocked:
    return record.Blocked(
        tuple(record.Blockage(b.element, b.reached_wt_pct, b.low_wt_pct, b.high_wt_pct) for b in answer.blockages),
        dict(answer.missing_kg),
        answer.words,
    )


def _charged(planned: PlannedMelt, answer: Charge, heat: record.Heat) -> record.Charged:
    values = answer.composition.as_wt_pct()
    half = dict(answer.half_width_wt_pct)
    held = [e for e in ELEMENTS if values[e] > 0.0]
    return record.Charged(
        lots=tuple(
            record.LotLine(
                line.lot.id, line.lot.kind, line.mass_kg, line.pieces, line.lot.composition.text(), line.lot.note
            )
            for line in answer.lines
        ),
        mass_kg=answer.mass_kg,
        charged_kg=answer.charged_kg,
        new_kg=answer.new_kg,
        dross_kg=answer.dross_kg,
        left_kg=planned.left_kg,
        composition_wt_pct={e: values[e] for e in held},
        interval_wt_pct={e: (max(values[e] - half[e], 0.0), values[e] + half[e]) for e in held},
        window_wt_pct={e: (low, high) for e, low, high in answer.request.recipe.windows_wt_pct},
        binding=tuple(answer.binding),
        cost=answer.cost,
        left_worth=planned.left_worth,
        ingots_kg=planned.ingots.mass_kg if planned.ingots is not None else 0.0,
        ingots_lot=planned.ingots.id if planned.ingots is not None else "",
        gap_percent=answer.gap_percent,
        to_buy_kg=dict(planned.bought_kg),
        heat=heat,
    )


def _heat(planned: PlannedMelt, pours: Sequence[Pour], settings: ShopSettings, hot_pot: bool) -> record.Heat:
    mine = [pour for pour in pours if pour.melt == planned.melt.name]
    heat = melt_heat(planned, mine, settings, hot_pot=hot_pot)
    return record.Heat(heat.metal_mj, heat.pot_mj, heat.fuel_kwh, heat.natural_gas_m3, heat.propane_kg, heat.hours)


def season_row(season: Season) -> record.Season:
    """How near the best the melts are, and what changing alloys costs."""
    return record.Season(
        len(season.melts),
        season.fewest_melts,
        season.change_cost,
        season.change_bound,
        season.gap_percent if math.isfinite(season.gap_percent) else None,
    )


def day_row(day: CastingDay) -> record.CastingDay:
    """A casting day hour by hour."""
    return record.CastingDay(
        day.number,
        day.date.isoformat() if day.date is not None else "",
        float(day.shift[0]),
        float(day.shift[1]),
        day.over_min,
        day.melts,
        tuple(record.DayStep(s.kind, s.what, s.from_min, s.to_min) for s in day.steps),
        tuple((float(low), float(high)) for low, high in day.pauses),
    )


def pour_row(pour: Pour, settings: ShopSettings) -> record.Pour:
    """A pour: push card, pouring range, and when the sheet may be lifted."""
    sheet, card, window = pour.order.sheet, pour.card, pour.window
    return record.Pour(
        sheet=sheet.id,
        alloy=sheet.alloy,
        melt=pour.melt,
        day=pour.day,
        number=pour.number,
        length_mm=sheet.length_mm,
        width_mm=sheet.width_mm,
        cast_start_mm=pour.order.cast_start_mm,
        cast_end_mm=pour.order.cast_end_mm,
        charge_kg=pour.charge_kg,
        used_kg=pour.used_kg,
        left_kg=card.left_kg if card is not None else pour.charge_kg - pour.used_kg,
        stone_temperature_c=pour.stone_c,
        starts_after_min=pour.start_s / 60.0,
        starts_at_min=pour.at_min,
        sled=pour.order.sled.name,
        sled_length_mm=pour.order.sled.length_mm,
        table=pour.order.table.name,
        problem=pour.problem,
        pour_window_c=_range(window) if window is not None else None,
        freezing=_freezing(pour),
        card=_card(card) if card is not None else None,
        side_bars=pour.bars_from_mm > 0.0,
        warnings=warnings_of(pour),
        beside=tuple(record.Beside(b.what, b.practice, b.model, b.log) for b in practice_of(pour, settings)),
    )


def _freezing(pour: Pour) -> record.Freezing | None:
    found = pour.freezing
    if found is None:
        return None
    return record.Freezing(found.time_to_solid_s, found.time_to_30pct_s, pour.lift_after_s)


def _card(card: PushCard) -> record.PushCard:
    return record.PushCard(
        gate_mm=card.gate_mm,
        scoops=card.scoops,
        marks=_beats(card.marks),
        beats=_beats(card.beats),
        beat_s=card.beat_s,
        push_time_s=card.push_time_s,
        run_up_mm=card.run_up_mm,
        thickness_mm=tuple(record.Station(s.distance_m, s.thickness_mm, s.low_mm, s.high_mm) for s in card.thickness),
        head_start_mm=card.head_start_mm,
        head_end_mm=card.head_end_mm,
        speed_change=card.speed_change,
        rests_on=card.rests_on,
    )


def _range(window: PourWindow) -> record.PourRange | None:
    """The pouring range; None where no temperature suits."""
    if window.empty:
        return None
    return record.PourRange(
        window.too_cold_below_c,
        window.try_low_c,
        window.try_high_c,
        window.too_hot_above_c,
        window.rests_on,
        window.regime,
        window.why,
        window.band.cold_end,
        window.band.hot_end,
    )


def _beats(marks: Sequence[Mark]) -> tuple[record.Beat, ...]:
    return tuple(record.Beat(m.distance_m, m.time_s, m.speed_m_s) for m in marks)
