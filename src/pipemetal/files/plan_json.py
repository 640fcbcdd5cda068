"""Pipes, blanks and plans as plain dictionaries whose keys carry their units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from pipemetal import __version__
from pipemetal.alloys.composition import ELEMENTS
from pipemetal.files.casting_json import card_dict, window_dict
from pipemetal.files.pipe_json import blank_dict, note_dict, pipe_dict, sheet_dict
from pipemetal.melts.charge import Charge
from pipemetal.melts.heat import heat_to_melt
from pipemetal.pipes.borrowed import notes_without_pipe
from pipemetal.pipes.totals import sheets_to_buy
from pipemetal.planning.account import SINKS, SOURCES, Account
from pipemetal.planning.cautions import CAUTIONS, EXPOSURE_LIMITS
from pipemetal.planning.cuts import Cut, CutRoll
from pipemetal.planning.melting import PlannedMelt, Season
from pipemetal.planning.plan import Plan
from pipemetal.planning.pours import Pour
from pipemetal.planning.settings import ShopSettings

__all__ = ["PLAN_FORMAT", "blank_dict", "melt_dict", "pipe_dict", "plan_dict", "pour_dict", "season_dict"]

PLAN_FORMAT = "pipemetal plan 1"


def _r(value: float, places: int = 4) -> float:
    return round(float(value), places) + 0.0


def _cut(cut: Cut) -> dict[str, Any]:
    blank = cut.ordered.blank
    shape = {"corners_mm": _few_corners(cut)} if blank.sector is not None else {}
    return {
        "number": cut.number,
        "blank": blank.id,
        "kind": blank.kind,
        "rank": cut.ordered.pipe.rank,
        "note": cut.ordered.pipe.note,
        "x_mm": _r(cut.placement.x_mm, 2),
        "y_mm": _r(cut.placement.y_mm, 2),
        "turn_deg": cut.placement.turn_deg,
        "length_mm": _r(cut.box[0], 2),
        "width_mm": _r(cut.box[1], 2),
        "wanted_mouth_mm": _r(blank.mouth_thickness_mm),
        "wanted_top_mm": _r(blank.top_thickness_mm),
        "tolerance_mm": _r(blank.tolerance_mm),
        "actual_mouth_mm": _r(cut.actual_mouth_mm),
        "actual_top_mm": _r(cut.actual_top_mm),
        "mass_kg": _r(cut.mass_kg, 5),
    } | shape


def _few_corners(cut: Cut) -> list[list[float]]:
    """A sector's outline by a few points on each arc, its sharp corners among them: enough for a picture."""
    half = (len(cut.corners) + 1) // 2
    arcs = (cut.corners[:half], cut.corners[half:])
    return [
        [_r(x, 1), _r(y, 1)]
        for arc in arcs
        for x, y in (arc[round(k * (len(arc) - 1) / 8)] for k in range(9 if len(arc) > 8 else 1))
    ]


def _cut_roll(cut: CutRoll) -> dict[str, Any]:
    roll = cut.roll
    return {
        "id": roll.id,
        "alloy": roll.alloy,
        "length_mm": _r(roll.length_mm, 1),
        "width_mm": _r(roll.width_mm, 1),
        "place": roll.place,
        "mass_kg": _r(cut.mass_kg, 3),
        "blanks_kg": _r(cut.blanks_kg, 3),
        "offcut_kg": _r(cut.offcut_kg, 3),
        "kerf_kg": _r(cut.kerf_kg, 4),
        "remnants": [
            {"id": r.id, "area_mm2": _r(r.area_mm2, 0), "corners_mm": [[_r(x, 1), _r(y, 1)] for x, y in r.polygon]}
            for r in cut.remnants
        ],
        "remnants_kg": _r(cut.remnants_kg, 3),
        "cuts": [_cut(c) for c in cut.cuts],
    }


LADLING_LOSES_K: Final = 20.0
"""Between the pot and the table (estimate)."""
USUAL_POT_C: Final = 350.0
"""Where no pour says how hot (estimate)."""


def melt_dict(planned: PlannedMelt, pours: Sequence[Pour], settings: ShopSettings) -> dict[str, Any]:
    """A melt: its weighing list and what it gives, or why there is none."""
    melt, answer = planned.melt, planned.charge
    result: dict[str, Any] = {
        "name": melt.name,
        "recipe": melt.recipe,
        "sheets": [s.id for s in melt.sheets],
        "wanted_kg": _r(melt.wanted_kg, 2),
        "sheets_take_kg": _r(melt.used_kg, 2),
        "pot_emptied_before": planned.emptied,
        "heel_kg": _r(planned.heel.mass_kg if planned.heel else 0.0, 2),
    }
    if not isinstance(answer, Charge):
        return result | {
            "blocked_by": [
                {
                    "element": b.element,
                    "reached_wt_pct": _r(b.reached_wt_pct, 3),
                    "low_wt_pct": b.low_wt_pct,
                    "high_wt_pct": b.high_wt_pct,
                }
                for b in answer.blockages
            ],
            "missing_kg": {e: _r(m, 2) for e, m in answer.missing_kg},
            "words": answer.words,
        }
    half = dict(answer.half_width_wt_pct)
    pot = settings.pot
    heat = heat_to_melt(
        answer.composition,
        answer.mass_kg,
        _hottest(pours, melt.name),
        pot_kg=pot.steel_kg,
        efficiency=pot.efficiency,
        burner_kw=pot.burner_kw,
    )
    values = answer.composition.as_wt_pct()
    return result | {
        "lots": [
            {
                "id": line.lot.id,
                "kind": line.lot.kind,
                "mass_kg": _r(line.mass_kg, 2),
                "pieces": line.pieces,
                "composition": line.lot.composition.text(),
                "note": line.lot.note,
            }
            for line in answer.lines
        ],
        "mass_kg": _r(answer.mass_kg, 3),
        "charged_kg": _r(answer.charged_kg, 2),
        "new_kg": _r(answer.new_kg, 2),
        "dross_kg": _r(answer.dross_kg, 3),
        "left_kg": _r(planned.left_kg, 2),
        "composition_wt_pct": {e: _r(values[e], 4) for e in ELEMENTS if values[e] > 0.0},
        "interval_wt_pct": {
            e: [_r(max(values[e] - half[e], 0.0), 3), _r(values[e] + half[e], 3)] for e in ELEMENTS if values[e] > 0.0
        },
        "window_wt_pct": {e: [low, high] for e, low, high in answer.request.recipe.windows_wt_pct},
        "binding": list(answer.binding),
        "cost": _r(answer.cost, 2),
        "left_worth": _r(planned.left_worth, 2),
        "gap_percent": _r(answer.gap_percent, 3),
        "to_buy_kg": {e: _r(m, 2) for e, m in planned.bought_kg.items()},
        "heat": {
            "metal_mj": _r(heat.metal_mj, 1),
            "pot_mj": _r(heat.pot_mj, 1),
            "fuel_kwh": _r(heat.fuel_kwh, 1),
            "natural_gas_m3": _r(heat.natural_gas_m3, 2),
            "propane_kg": _r(heat.propane_kg, 2),
            "hours": _r(heat.hours, 2),
        },
    }


def season_dict(season: Season) -> dict[str, Any]:
    """How near the best the melts are, and what changing alloys costs."""
    return {
        "melts": len(season.melts),
        "fewest_melts": season.fewest_melts,
        "change_cost": _r(season.change_cost, 2),
        "change_cost_at_least": _r(season.change_bound, 2),
        "gap_percent": _r(season.gap_percent, 3) if math.isfinite(season.gap_percent) else None,
    }


def _hottest(pours: Sequence[Pour], melt: str) -> float:
    """The pot must be hotter than the hottest pour by what ladling loses."""
    tops = [p.window.try_high_c for p in pours if p.melt == melt and p.window is not None]
    return max(tops) + LADLING_LOSES_K if tops else USUAL_POT_C


def pour_dict(pour: Pour) -> dict[str, Any]:
    """A pour: push card, band, and when the sheet may be lifted."""
    sheet, card, window = pour.order.sheet, pour.card, pour.window
    result: dict[str, Any] = {
        "sheet": sheet.id,
        "alloy": sheet.alloy,
        "melt": pour.melt,
        "day": pour.day,
        "number": pour.number,
        "length_mm": _r(sheet.length_mm, 1),
        "width_mm": _r(sheet.width_mm, 1),
        "cast_start_mm": _r(pour.order.cast_start_mm, 3),
        "cast_end_mm": _r(pour.order.cast_end_mm, 3),
        "charge_kg": _r(pour.charge_kg, 2),
        "used_kg": _r(pour.used_kg, 2),
        "left_kg": _r(pour.charge_kg - pour.used_kg, 2),
        "stone_temperature_c": _r(pour.stone_c, 1),
        "starts_after_min": _r(pour.start_s / 60.0, 0),
        "problem": pour.problem,
    }
    if window is not None:
        result["pour_window_c"] = window_dict(window)
    if pour.freezing is not None:
        result["time_to_30pct_s"] = _r(pour.freezing.time_to_30pct_s, 1)
        result["time_to_solid_s"] = _r(pour.freezing.time_to_solid_s, 1)
        result["lift_after_s"] = _r(pour.lift_after_s, 0)
    if card is not None:
        result |= card_dict(card)
    result["warnings"] = [*(card.warnings if card else ()), *(window.warnings if window else ())]
    return result


def _metal(account: Account) -> dict[str, Any]:
    def by_alloy(alloy: str) -> dict[str, Any]:
        places = by_place(alloy)
        lost = places["dross_kg"] + places["kerf_kg"]
        return {"new_kg": places["new_metal_kg"], "loss_kg": _r(lost, 3)} | places

    def by_place(alloy: str | None) -> dict[str, Any]:
        return {place.replace(" ", "_") + "_kg": _r(account.total_kg(place, alloy), 3) for place in (*SOURCES, *SINKS)}

    return {
        "new_kg": _r(account.new_kg, 2),
        "remelt_kg": _r(account.remelt_kg, 2),
        "loss_kg": _r(account.loss_kg, 3),
        "by_alloy": {alloy: by_alloy(alloy) for alloy in account.alloys()},
        "in_all": by_place(None),
        "by_element_kg": {
            place: {e: _r(m, 4) for e, m in account.elements_kg(place).items() if m > 0.0}
            for place in (*SOURCES, *SINKS)
        },
        "unexplained_kg": _r(account.unexplained_kg(), 6),
    }


def plan_dict(plan: Plan) -> dict[str, Any]:
    """A whole plan. The keys are documented in docs/plan-file.md."""
    layout = plan.layout
    sheets = {o.order.sheet.id: o.order for o in plan.pours}
    new = []
    for cut in plan.cut_rolls:
        if cut.is_new:
            sheet, order = sheets[cut.roll.id].sheet, sheets[cut.roll.id]
            new.append(
                _cut_roll(cut)
                | {
                    "thickness_start_mm": _r(sheet.thickness_start_mm),
                    "thickness_end_mm": _r(sheet.thickness_end_mm),
                    "planing_mm": _r(order.planing_mm, 3),
                    "cast_start_mm": _r(order.cast_start_mm, 3),
                    "cast_end_mm": _r(order.cast_end_mm, 3),
                }
            )
    return {
        "format": PLAN_FORMAT,
        "program": f"pipemetal {__version__}",
        "organ": plan.organ.name,
        "shop": plan.settings.name,
        "settings_from": plan.settings.source,
        "notes": list(plan.notes),
        "seed": layout.seed,
        "iterations": layout.iterations,
        "pipes_served": plan.pipes_served,
        "pipes": [pipe_dict(p) for p in plan.pipes],
        "blanks": [blank_dict(part) for pipe in plan.pipes for part in pipe.parts if not part.bought],
        "notes_without_pipe": [note_dict(n) for n in notes_without_pipe(plan.organ)],
        "sheets_to_buy": [sheet_dict(s) for s in sheets_to_buy(plan.pipes)],
        "rolls_used": [_cut_roll(c) for c in plan.cut_rolls if not c.is_new],
        "new_sheets": new,
        "melts": [melt_dict(m, plan.pours, plan.settings) for m in plan.melts],
        "pours": [pour_dict(p) for p in plan.pours],
        "season": season_dict(plan.season),
        "metal": _metal(plan.account),
        "to_buy_kg": {e: _r(m, 2) for e, m in plan.to_buy_kg.items()},
        "consumed_mm2": _r(layout.consumed_mm2, 1),
        "opened_mm2": _r(layout.opened_mm2, 1),
        "utilisation": _r(layout.utilisation, 5),
        "lower_bound_mm2": _r(layout.lower_bound_mm2, 1),
        "gap_percent": _r(layout.gap_percent, 3),
        "unserved": [
            {"blank": u.blank, "reason": u.reason, "kind": u.kind, "nearest_roll": u.nearest_roll, "miss_mm": u.miss_mm}
            for u in layout.unplaced
        ],
        "readings_left_out": [
            {
                "roll": r.id,
                "x_mm": _r(x.reading.x_mm, 1),
                "y_mm": _r(x.reading.y_mm, 1),
                "thickness_mm": x.reading.thickness_mm,
                "reason": x.reason,
            }
            for r in plan.rack
            for x in r.field.left_out
        ],
        "lots_without_analysis": list(plan.cannot_charge),
        "learned": plan.learned.words,
        "faults": [vars(f) for f in plan.faults],
        "cautions": list(CAUTIONS),
        "exposure_limits": [dict(zip(("law", "what", "limit", "seen"), row, strict=True)) for row in EXPOSURE_LIMITS],
    }
