"""A plan's sheets changed by hand: from its dictionary to a placing problem and back, with every figure of a sheet made anew."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, Unplaced
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll, Sector
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll

if TYPE_CHECKING:
    from pipemetal.layout.verify import Fault
    from pipemetal.planning.cuts import CutRoll

__all__ = ["Bench", "as_cut_rolls", "bench_of", "faults_of", "fits_along", "plan_changed", "plan_sheets", "settled"]

_STRIP: Final = re.compile(r" \d+ of \d+$")
MOST_STRETCHES: Final = 64
ROUNDING_MM: Final = 0.03
"""A plan writes places and sizes to 0.01 mm: what touches an edge or a neighbour may seem to stand over by as much."""


def plan_sheets(plan: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rolls taken down and sheets to cast, in the plan's order."""
    return [*plan["rolls_used"], *plan["new_sheets"]]


@dataclass(frozen=True)
class Bench:
    """Some sheets of a plan on the bench: the problem that they pose, what lies where, and the plan's own rows.

    `rolls`: the sheets with their fields; `cuts`: the plan's row of each blank; `density_g_cm3` by alloy.
    """

    problem: LayoutProblem
    placements: tuple[Placement, ...]
    rolls: Mapping[str, Roll]
    cuts: Mapping[str, Mapping[str, Any]]
    new: tuple[NewSheet, ...]

    def layout(self, placements: Sequence[Placement]) -> LayoutPlan:
        """A layout with these placements, its totals left at nought."""
        laid = {p.blank for p in placements}
        left = tuple(Unplaced(b.id, "taken off the sheet") for b in self.problem.blanks if b.id not in laid)
        return LayoutPlan(tuple(placements), left, (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)


def bench_of(
    plan: Mapping[str, Any], sheet_ids: Iterable[str], rack: Mapping[str, Roll], *, trim_mm: float, kerf_mm: float
) -> Bench:
    """Sheets of a plan as a bench; `rack` holds the rolls that hang there. Errors: LayoutError for a sheet the plan lacks."""
    known = {s["id"]: s for s in plan_sheets(plan)}
    parts = {b["id"]: b for b in plan["blanks"]}
    rolls: dict[str, Roll] = {}
    new, blanks, placements, cuts = [], [], [], {}
    for name in sheet_ids:
        if name not in known:
            raise LayoutError("is no sheet of this plan", field="sheet", value=name)
        sheet = known[name]
        rolls[name] = rack[name] if name in rack else _to_be_cast(sheet, trim_mm)
        if "thickness_start_mm" in sheet:
            new.append(_new_sheet(sheet, trim_mm))
        for cut in sheet["cuts"]:
            blanks.append(_blank(cut, sheet["alloy"], parts.get(_STRIP.sub("", cut["blank"]))))
            placements.append(Placement(cut["blank"], name, cut["x_mm"], cut["y_mm"], int(cut["turn_deg"])))
            cuts[cut["blank"]] = cut
    kerf = max(kerf_mm - ROUNDING_MM, 0.0)
    problem = LayoutProblem(tuple(blanks), tuple(_layout_roll(r) for r in rolls.values()), None, kerf)
    bench = Bench(problem, tuple(placements), rolls, cuts, tuple(new))
    return replace(bench, placements=tuple(settled(bench, p) for p in placements))


def _to_be_cast(sheet: Mapping[str, Any], trim_mm: float) -> Roll:
    start, end = sheet.get("thickness_start_mm", 1.0), sheet.get("thickness_end_mm", 1.0)
    field = ThicknessField.from_grid([0.0, sheet["length_mm"]], [[start, end]] * 2, width_mm=sheet["width_mm"])
    return Roll(
        sheet["id"], sheet["alloy"], sheet["length_mm"], sheet["width_mm"], trim_mm, field, place=sheet.get("place", "")
    )


def _new_sheet(sheet: Mapping[str, Any], trim_mm: float) -> NewSheet:
    return NewSheet(
        sheet["id"],
        sheet["alloy"],
        sheet["length_mm"],
        sheet["width_mm"],
        sheet["thickness_start_mm"],
        sheet["thickness_end_mm"],
        trim_mm,
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


def _blank(cut: Mapping[str, Any], alloy: str, part: Mapping[str, Any] | None) -> Blank:
    """A blank as the plan lays it; a cone's strip keeps the outline that it lies in."""
    turn = int(cut["turn_deg"])
    length, width = cut["length_mm"], cut["width_mm"]
    if turn in (90, 270):
        length, width = width, length
    turns = tuple(int(t) for t in part.get("turns_deg", (turn,))) if part is not None else (turn,)
    whole = part is not None and part["id"] == cut["blank"]
    sector = outline = None
    if whole and part is not None and "sector" in part:
        ring = part["sector"]
        sector = Sector(ring["outer_radius_mm"], ring["inner_radius_mm"], ring["angle_deg"])
        length, width = part["length_mm"], part["width_mm"]
    elif "corners_mm" in cut and turn == 0:
        outline = tuple(
            (min(max(x - cut["x_mm"], 0.0), length), min(max(y - cut["y_mm"], 0.0), width))
            for x, y in cut["corners_mm"]
        )
        turns = (0,)
    return Blank(
        cut["blank"],
        cut["kind"],
        alloy,
        length,
        width,
        cut["wanted_mouth_mm"],
        cut["wanted_top_mm"],
        cut["tolerance_mm"] + 1e-3,
        turns if turn in turns else (*turns, turn),
        sector=sector,
        outline=outline,
    )


def faults_of(bench: Bench, placements: Sequence[Placement]) -> list[dict[str, str]]:
    """What the checker that stands apart finds wrong with these places, in its own words."""
    from pipemetal.layout.verify import verify

    known = {b.id: b for b in bench.problem.blanks}
    for p in placements:
        if p.blank not in known or p.roll not in bench.rolls:
            raise LayoutError("is not on the bench", field="blank", value=p.blank)
        if p.turn_deg not in known[p.blank].turns_deg:
            raise LayoutError("may not be taken", field="turn_deg", value=p.turn_deg, where=p.blank)
    laid = {p.blank for p in placements}
    problem = replace(bench.problem, blanks=tuple(b for b in bench.problem.blanks if b.id in laid))
    alone = replace(bench, problem=problem)
    return [
        {"blank": f.blank, "sheet": f.roll, "kind": f.kind, "words": f.detail}
        for f in verify(problem, alone.layout([settled(bench, p) for p in placements]))
        if f.kind != "totals" and not _by_rounding(f)
    ]


def _by_rounding(fault: Fault) -> bool:
    """Whether a blank only seems to stand over an edge, by no more than a plan's rounding (a remnant has no trim to spare)."""
    over = re.match(r"stands ([\d.]+) mm over", fault.detail)
    return fault.kind == "outside_sheet" and over is not None and float(over[1]) <= ROUNDING_MM


def fits_along(bench: Bench, place: Placement) -> list[list[float]]:
    """The stretches of x at which a blank finds its thickness on its sheet, at the y where it lies.

    The exact windows that the search uses; edges, neighbours and blemishes are not in them.
    """
    from pipemetal.sheets.fitness import line_values, windows_along

    blank = next(b for b in bench.problem.blanks if b.id == place.blank)
    roll = bench.rolls[place.roll]
    across = place.turn_deg in (90, 270)
    length, width = (blank.width_mm, blank.length_mm) if across else (blank.length_mm, blank.width_mm)
    mouth, top = blank.mouth_thickness_mm, blank.top_thickness_mm
    if place.turn_deg in (180, 270):
        mouth, top = top, mouth
    low = min(max(place.y_mm, 0.0), roll.width_mm)
    lines = np.ascontiguousarray(
        line_values(roll.field.thickness_mm, roll.width_mm, low, min(low + width, roll.width_mm))
    )
    out = np.empty((MOST_STRETCHES * 4, 2))
    stations = np.asarray(roll.field.stations_mm, dtype=float)
    slope = 0.0 if across else (top - mouth) / length
    if length > roll.length_mm:
        return []
    count = windows_along(
        stations, lines, lines.shape[0], length, mouth, slope, blank.tolerance_mm, 0.0, roll.length_mm - length, out
    )
    return [[round(float(a), 1), round(float(b), 1)] for a, b in out[: min(int(count), MOST_STRETCHES)]]


def as_cut_rolls(
    plan: Mapping[str, Any],
    bench: Bench,
    placements: Sequence[Placement],
    density_g_cm3: Mapping[str, float],
    kerf_mm: float,
) -> tuple[CutRoll, ...]:
    """The bench's sheets as the planning and the printing room know them."""
    from pipemetal.planning.blanks import OrderedBlank
    from pipemetal.planning.cuts import cut_rolls

    ordered = [
        OrderedBlank(
            b,
            cast("Any", SimpleNamespace(rank=bench.cuts[b.id]["rank"], note=bench.cuts[b.id]["note"])),
            cast("Any", None),
            1.0,
        )
        for b in bench.problem.blanks
    ]
    sheets = {s["id"]: s for s in plan_sheets(plan)}
    masses = {name: float(sheets[name]["mass_kg"]) for name in bench.rolls}
    layout = replace(bench.layout([settled(bench, p) for p in placements]), new_sheets=bench.new)
    return cut_rolls(layout, bench.rolls, ordered, density_g_cm3, masses, kerf_mm)


def settled(bench: Bench, place: Placement) -> Placement:
    """The place moved off the trimmed edge by what rounding let it stand over."""
    blank, roll = next(b for b in bench.problem.blanks if b.id == place.blank), bench.rolls[place.roll]
    length, width = blank.length_mm, blank.width_mm
    if place.turn_deg in (90, 270):
        length, width = width, length

    def within(at: float, size: float, whole: float) -> float:
        low, high = roll.trim_mm, whole - roll.trim_mm - size
        nearest = min(max(at, low), max(high, low))
        return nearest if abs(nearest - at) <= 2 * ROUNDING_MM else at

    x, y = within(place.x_mm, length, roll.length_mm), within(place.y_mm, width, roll.width_mm)
    return replace(place, x_mm=x, y_mm=y)


def plan_changed(
    plan: Mapping[str, Any],
    bench: Bench,
    placements: Sequence[Placement],
    density_g_cm3: Mapping[str, float],
    kerf_mm: float,
) -> dict[str, Any]:
    """The plan with the bench's sheets as they are laid now: places, thicknesses, masses, remnants and offcuts anew.

    Melts, pours and the plan's metal account stay as they were planned.
    """
    made = {c.roll.id: c for c in as_cut_rolls(plan, bench, placements, density_g_cm3, kerf_mm)}

    def again(sheet: Mapping[str, Any]) -> dict[str, Any]:
        if sheet["id"] not in bench.rolls:
            return dict(sheet)
        found = made.get(sheet["id"])
        if found is None:
            return dict(sheet) | {
                "cuts": [],
                "remnants": [],
                "blanks_kg": 0.0,
                "kerf_kg": 0.0,
                "remnants_kg": 0.0,
                "offcut_kg": sheet["mass_kg"],
            }
        return dict(sheet) | _figures(found, bench)

    return dict(plan) | {
        "rolls_used": [again(s) for s in plan["rolls_used"]],
        "new_sheets": [again(s) for s in plan["new_sheets"]],
        "changed_by_hand": True,
    }


def _figures(made: CutRoll, bench: Bench) -> dict[str, Any]:
    def row(number: int) -> dict[str, Any]:
        cut = made.cuts[number]
        held = dict(bench.cuts[cut.ordered.blank.id]) | {
            "number": cut.number,
            "x_mm": round(cut.placement.x_mm, 6),
            "y_mm": round(cut.placement.y_mm, 6),
            "turn_deg": cut.placement.turn_deg,
            "length_mm": round(cut.box[0], 2),
            "width_mm": round(cut.box[1], 2),
            "actual_mouth_mm": round(cut.actual_mouth_mm, 4),
            "actual_top_mm": round(cut.actual_top_mm, 4),
            "mass_kg": round(cut.mass_kg, 5),
        }
        if "corners_mm" in held:
            held["corners_mm"] = [[round(x, 1), round(y, 1)] for x, y in cut.corners]
        return held

    return {
        "blanks_kg": round(made.blanks_kg, 3),
        "offcut_kg": round(made.offcut_kg, 3),
        "kerf_kg": round(made.kerf_kg, 4),
        "remnants": [
            {
                "id": r.id,
                "area_mm2": round(r.area_mm2),
                "corners_mm": [[round(x, 1), round(y, 1)] for x, y in r.polygon],
            }
            for r in made.remnants
        ],
        "remnants_kg": round(made.remnants_kg, 3),
        "cuts": [row(k) for k in range(len(made.cuts))],
    }
