"""The verifier: looks at a plan with its own geometry and its own interpolation, and names every fault.

Nothing here comes from the solver: shapes are shapely polygons, thickness is interpolated anew, and totals are
computed a second time, so that one mistake cannot hide behind itself.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon, box

from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll
from pipemetal.layout.verify_metal import certainty_fault, thickness_fault

__all__ = ["FAULT_KINDS", "Fault", "shape_on_sheet", "soundest", "verify"]

FAULT_KINDS = (
    "unknown_blank",
    "unknown_roll",
    "placed_twice",
    "forgotten",
    "wrong_alloy",
    "wrong_turn",
    "outside_sheet",
    "overlap",
    "kerf",
    "no_go",
    "thickness",
    "certainty",
    "new_sheet",
    "not_finite",
    "totals",
)
# Rounding of files and floats, far below what a shop can cut or gauge.
PLACE_SLACK_MM = 1e-4
AREA_SLACK_MM2 = 0.05
TOTALS_SLACK = 1e-6
CHORD_MM = 0.005


@dataclass(frozen=True)
class Fault:
    """One fault of a plan: its kind (one of FAULT_KINDS), the blank and the roll it concerns, and what is wrong.

    >>> Fault("overlap", "C1", "R1", "overlaps D1 by 12.0 mm2").kind
    'overlap'
    """

    kind: str
    blank: str
    roll: str
    detail: str


def shape_on_sheet(blank: Blank, placement: Placement) -> Polygon:
    """The true shape of a placed blank in the sheet's coordinates.

    Before it is turned, u runs from the mouth end along the length and v across. A turn of 180 lays the mouth end at
    x + length, 90 lays it at y, 270 at y + length; the box's least corner always stands at (x, y).

    >>> b = Blank("C1", "body", "A", 1000.0, 300.0, 1.0, 0.9, 0.06)
    >>> shape_on_sheet(b, Placement("C1", "R1", 15.0, 20.0)).bounds
    (15.0, 20.0, 1015.0, 320.0)
    """
    shape = _own_shape(blank)
    length, width = blank.length_mm, blank.width_mm
    # rows of (a, b, d, e, xoff, yoff): x = a u + b v + xoff, y = d u + e v + yoff
    matrix = {
        0: (1.0, 0.0, 0.0, 1.0, 0.0, 0.0),
        180: (-1.0, 0.0, 0.0, -1.0, length, width),
        90: (0.0, -1.0, 1.0, 0.0, width, 0.0),
        270: (0.0, 1.0, -1.0, 0.0, 0.0, length),
    }[placement.turn_deg]
    a, b, d, e, x, y = matrix
    return affinity.affine_transform(shape, (a, b, d, e, x + placement.x_mm, y + placement.y_mm))


def _own_shape(blank: Blank) -> Polygon:
    if blank.outline is not None:
        return Polygon(blank.outline)
    if blank.sector is None:
        return box(0.0, 0.0, blank.length_mm, blank.width_mm)
    outer, inner = blank.sector.outer_radius_mm, blank.sector.inner_radius_mm
    half = math.radians(blank.sector.angle_deg) / 2.0
    steps = max(8, math.ceil(2.0 * half / (2.0 * math.acos(max(1.0 - CHORD_MM / outer, -1.0)))))
    angles = np.linspace(-half, half, steps + 1)
    # The cone's point lies on the length axis, an outer radius behind the mouth end.
    rim = [(outer - outer * math.cos(t), outer * math.sin(t)) for t in angles]
    hole = [(outer - inner * math.cos(t), inner * math.sin(t)) for t in angles[::-1]]
    points = [*rim, *(hole if inner > 0.0 else [(outer, 0.0)])]
    return Polygon([(u, v + blank.width_mm / 2.0) for u, v in points])


def verify(problem: LayoutProblem, plan: LayoutPlan) -> tuple[Fault, ...]:
    """Every fault of a plan; an empty tuple says that the plan keeps every rule.

    Checked: identity, each blank served or named, alloy, turn, edges and trim, no-go areas, overlap of true shapes,
    kerf, thickness at every place that can hold an extreme, that each place on a roll is as sure as wanted or named, limits of
    new sheets, finite numbers, totals.

    >>> verify(LayoutProblem((), ()), LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0))
    ()
    """
    faults = _identity_faults(problem, plan)
    blanks = {b.id: b for b in problem.blanks}
    sheets: dict[str, LayoutRoll | NewSheet] = {r.id: r for r in problem.rolls}
    faults += _new_sheet_faults(problem, plan)
    for new in plan.new_sheets:
        if new.id not in sheets and _finite(new.length_mm, new.width_mm, new.thickness_start_mm, new.thickness_end_mm):
            sheets[new.id] = new
    on_sheet: dict[str, list[tuple[Placement, Polygon]]] = defaultdict(list)
    named = set(plan.unsure)
    for p in plan.placements:
        blank, sheet = blanks.get(p.blank), sheets.get(p.roll)
        if blank is None or sheet is None:
            continue
        if not _finite(p.x_mm, p.y_mm):
            faults.append(Fault("not_finite", p.blank, p.roll, f"lies at ({p.x_mm}, {p.y_mm})"))
            continue
        if blank.alloy != sheet.alloy:
            faults.append(Fault("wrong_alloy", p.blank, p.roll, f"blank is {blank.alloy}, sheet is {sheet.alloy}"))
        if p.turn_deg not in blank.turns_deg:
            faults.append(Fault("wrong_turn", p.blank, p.roll, f"turned {p.turn_deg}, allowed {blank.turns_deg}"))
        if p.turn_deg not in (0, 90, 180, 270):
            continue
        shape = shape_on_sheet(blank, p)
        faults += _edge_faults(p, shape, sheet)
        if wrong := thickness_fault(blank, p, shape, sheet):
            faults.append(Fault("thickness", p.blank, p.roll, wrong))
        if problem.certainty > 0.0 and isinstance(sheet, LayoutRoll) and p.blank not in named:
            doubt = certainty_fault(blank, p, shape, sheet, problem.certainty)
            faults += [Fault("certainty", p.blank, p.roll, doubt)] if doubt else []
        on_sheet[p.roll].append((p, shape))
    for placed in on_sheet.values():
        faults += _neighbour_faults(placed, problem.kerf_mm)
    faults += _totals_faults(problem, plan, on_sheet, sheets)
    return tuple(faults)


def soundest(problem: LayoutProblem, plans: Sequence[LayoutPlan]) -> LayoutPlan:
    """The first of some plans without a fault, so that a step that spoils a plan is not taken; else the one with fewest.

    Plans that are one and the same are looked at once.
    """
    least: tuple[int, LayoutPlan] | None = None
    for plan in plans:
        if least is not None and plan is least[1]:
            continue
        count = len(verify(problem, plan))
        if least is None or count < least[0]:
            least = (count, plan)
        if count == 0:
            break
    assert least is not None
    return least[1]


def _finite(*values: float) -> bool:
    return all(isinstance(v, int | float) and math.isfinite(v) for v in values)


def _identity_faults(problem: LayoutProblem, plan: LayoutPlan) -> list[Fault]:
    faults: list[Fault] = []
    known = {b.id for b in problem.blanks}
    sheets = {r.id for r in problem.rolls} | {s.id for s in plan.new_sheets}
    placed = Counter(p.blank for p in plan.placements)
    named = Counter(u.blank for u in plan.unplaced)
    strangers = sorted((set(placed) | set(named)) - known)
    faults += [Fault("unknown_blank", name, "", "is not in the problem") for name in strangers]
    faults += [
        Fault("unknown_roll", p.blank, p.roll, "is neither a roll nor a new sheet")
        for p in plan.placements
        if p.roll not in sheets
    ]
    for name in sorted(known):
        if placed[name] + named[name] > 1:
            faults.append(Fault("placed_twice", name, "", f"placed {placed[name]}, named unplaced {named[name]} times"))
        elif placed[name] + named[name] == 0:
            faults.append(Fault("forgotten", name, "", "is neither placed nor named as unplaced"))
    return faults


def _new_sheet_faults(problem: LayoutProblem, plan: LayoutPlan) -> list[Fault]:
    faults: list[Fault] = []
    used = Counter(p.roll for p in plan.placements)
    taken = Counter([r.id for r in problem.rolls] + [s.id for s in plan.new_sheets])
    limits = problem.castable
    for sheet in plan.new_sheets:
        ends = (sheet.thickness_start_mm, sheet.thickness_end_mm)
        if not _finite(sheet.length_mm, sheet.width_mm, sheet.trim_mm, *ends):
            faults.append(Fault("not_finite", "", sheet.id, "holds a number that is not finite"))
            continue
        wrong = ["has the id of another sheet"] if taken[sheet.id] > 1 else []
        wrong += ["carries no blank"] if used[sheet.id] == 0 else []
        wrong += _beyond_what_is_cast(sheet, limits)
        faults += [Fault("new_sheet", "", sheet.id, detail) for detail in wrong]
    if limits is not None and limits.max_sheets is not None and len(plan.new_sheets) > limits.max_sheets:
        faults.append(Fault("new_sheet", "", "", f"{len(plan.new_sheets)} sheets are above {limits.max_sheets}"))
    return faults


def _beyond_what_is_cast(sheet: NewSheet, limits: Castable | None) -> Iterator[str]:
    if limits is None:
        yield "nothing may be cast"
        return
    if limits.alloys is not None and sheet.alloy not in limits.alloys:
        yield f"alloy {sheet.alloy} is not cast"
    start, end = sheet.thickness_start_mm, sheet.thickness_end_mm
    for name, value, low, high in (
        ("length", sheet.length_mm, limits.min_length_mm, limits.max_length_mm),
        ("width", sheet.width_mm, limits.min_width_mm, limits.max_width_mm),
        ("thickness at the start", start, limits.min_thickness_mm, limits.max_thickness_mm),
        ("thickness at the end", end, limits.min_thickness_mm, limits.max_thickness_mm),
    ):
        if not low - PLACE_SLACK_MM <= value <= high + PLACE_SLACK_MM:
            yield f"{name} {value:g} mm is outside {low:g} to {high:g} mm"
    taper = abs(end - start) / max(sheet.length_mm, 1e-9) * 1000.0
    if taper > limits.max_taper_mm_m + 1e-6:
        yield f"taper {taper:.4f} mm/m is above {limits.max_taper_mm_m:g} mm/m"
    section = sheet.length_mm * (start + end) / 2.0
    if limits.max_section_mm2 is not None and section > limits.max_section_mm2 * (1.0 + 1e-9):
        yield f"length times thickness, {section:.0f} mm2, is above {limits.max_section_mm2:g} mm2"
    yield from _beyond_its_width(sheet, section, limits)
    if abs(sheet.trim_mm - limits.trim_mm) > PLACE_SLACK_MM:
        yield f"trim {sheet.trim_mm:g} mm is not {limits.trim_mm:g} mm"


def _beyond_its_width(sheet: NewSheet, section_mm2: float, limits: Castable) -> Iterator[str]:
    """What is wrong with a sheet where only some widths can be cast, each with limits of its own."""
    if not limits.widths:
        return
    mine = [w for w in limits.widths if abs(w.width_mm - sheet.width_mm) <= PLACE_SLACK_MM]
    if not mine:
        yield f"width {sheet.width_mm:g} mm is none of {', '.join(f'{w.width_mm:g}' for w in limits.widths)} mm"
        return
    if sheet.length_mm > mine[0].max_length_mm + PLACE_SLACK_MM:
        yield f"length {sheet.length_mm:g} mm is above {mine[0].max_length_mm:g} mm, the most of its width"
    most = mine[0].max_section_mm2
    if most is not None and section_mm2 > most * (1.0 + 1e-9):
        yield f"length times thickness, {section_mm2:.0f} mm2, is above {most:g} mm2, the most of its width"


def _edge_faults(p: Placement, shape: Polygon, sheet: LayoutRoll | NewSheet) -> list[Fault]:
    faults: list[Fault] = []
    t = sheet.trim_mm - PLACE_SLACK_MM
    x0, y0, x1, y1 = shape.bounds
    if x0 < t or y0 < t or x1 > sheet.length_mm - t or y1 > sheet.width_mm - t:
        beyond = max(t - x0, t - y0, x1 - sheet.length_mm + t, y1 - sheet.width_mm + t)
        faults.append(Fault("outside_sheet", p.blank, p.roll, f"stands {beyond:.3f} mm over the trimmed edge"))
    if isinstance(sheet, NewSheet):
        return faults
    if sheet.outline is not None and shape.difference(Polygon(sheet.outline)).area > AREA_SLACK_MM2:
        faults.append(Fault("outside_sheet", p.blank, p.roll, "stands over the outline of the sheet"))
    over = [g for g in sheet.no_go if shape.intersection(Polygon(g)).area > AREA_SLACK_MM2]
    return faults + [Fault("no_go", p.blank, p.roll, "lies over a no-go area") for _ in over]


def _neighbour_faults(placed: list[tuple[Placement, Polygon]], kerf_mm: float) -> list[Fault]:
    faults: list[Fault] = []
    shapes = [shape for _, shape in placed]
    tree = shapely.STRtree(shapes)
    pairs = tree.query(shapes, predicate="dwithin", distance=kerf_mm)
    for i, j in zip(*pairs, strict=True):
        if i >= j:
            continue
        first, second = placed[i][0], placed[j][0]
        shared = shapes[i].intersection(shapes[j]).area
        if shared > AREA_SLACK_MM2:
            detail = f"overlaps {second.blank} by {shared:.2f} mm2"
            faults.append(Fault("overlap", first.blank, first.roll, detail))
        elif kerf_mm > 0.0 and (gap := shapes[i].distance(shapes[j])) < kerf_mm - 2.0 * CHORD_MM:
            detail = f"lies {gap:.3f} mm from {second.blank}; the kerf is {kerf_mm:g} mm"
            faults.append(Fault("kerf", first.blank, first.roll, detail))
    return faults


def _totals_faults(
    problem: LayoutProblem,
    plan: LayoutPlan,
    on_sheet: dict[str, list[tuple[Placement, Polygon]]],
    sheets: dict[str, LayoutRoll | NewSheet],
) -> list[Fault]:
    opened = consumed = area = 0.0
    blanks = {b.id: b for b in problem.blanks}
    for name, sheet in sheets.items():
        net = (sheet.length_mm - 2.0 * sheet.trim_mm) * (sheet.width_mm - 2.0 * sheet.trim_mm)
        placed = on_sheet.get(name, [])
        if placed:
            rims = [
                box(
                    p.x_mm,
                    p.y_mm,
                    p.x_mm + (b.width_mm, b.length_mm)[p.turn_deg % 180 == 0],
                    p.y_mm + (b.length_mm, b.width_mm)[p.turn_deg % 180 == 0],
                )
                for p, _ in placed
                for b in (blanks[p.blank],)
            ]
            x0, y0, x1, y1 = shapely.union_all(rims).bounds
            t, k = sheet.trim_mm, problem.kerf_mm
            wide, long = sheet.width_mm - 2.0 * t, sheet.length_mm - 2.0 * t
            ends = [g for g in (x0 - t - k, sheet.length_mm - t - x1 - k) if g >= 500.0]
            strips = [g for g in (y0 - t - k, sheet.width_mm - t - y1 - k) if g >= 150.0]
            consumed += net - max(sum(ends) * wide, sum(strips) * long)
            area += sum(blanks[p.blank].area_mm2() for p, _ in placed)
        if placed or isinstance(sheet, NewSheet):
            opened += net
    faults: list[Fault] = []
    use = area / consumed if consumed > 0.0 else 0.0
    for name, said, found in (
        ("opened_mm2", plan.opened_mm2, opened),
        ("consumed_mm2", plan.consumed_mm2, consumed),
        ("utilisation", plan.utilisation, use),
    ):
        if not _finite(said):
            faults.append(Fault("not_finite", "", "", f"{name} is {said}"))
        elif abs(said - found) > TOTALS_SLACK * max(1.0, abs(found)):
            faults.append(Fault("totals", "", "", f"{name} is given as {said:.9g} and adds up to {found:.9g}"))
    if not _finite(plan.lower_bound_mm2, plan.gap_percent):
        faults.append(Fault("not_finite", "", "", "the lower bound or the gap is not finite"))
    elif plan.lower_bound_mm2 > consumed * (1.0 + TOTALS_SLACK) + 1.0:
        faults.append(Fault("totals", "", "", "the lower bound stands above the metal consumed"))
    return faults
