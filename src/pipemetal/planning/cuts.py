"""What is cut from each roll or sheet, in the order of marking out, with the thickness that is really there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank
from pipemetal.layout.totals import size_on_sheet
from pipemetal.layout.verify import shape_on_sheet
from pipemetal.sheets.roll import Remnant, Roll, cut_out

__all__ = ["Cut", "CutRoll", "ForPipe", "GaugeMark", "cut_rolls", "ends_in_pipe", "in_pencil", "marked"]

USUAL_CERTAINTY: Final = 0.95
"""What is drawn in ink where a plan wants no certainty."""
LEAST_WORK_MM: Final = 0.005
"""Less than this nobody takes off."""
ROW_MM: Final = 25.0
"""Blanks whose near ends are no further apart are one row across the sheet."""

Point = tuple[float, float]
MOUTH_AT_END = {180, 270}


@dataclass(frozen=True)
class ForPipe:
    """A blank with the pipe that it is for, its rank and its note.

    The layout counts a sector from its large arc, as if the mouth were there; `mouth_at_small_arc` where the pipe's mouth, or the
    lower end of a reed, is at the small one. `chance`: that its metal fits where it is laid; None where nobody worked it out.
    """

    blank: Blank
    pipe: str
    rank: str
    note: str
    mouth_at_small_arc: bool = False
    chance: float | None = None


@dataclass(frozen=True)
class Cut:
    """One blank on a roll. `number` is its place in the order of marking out; the corners are those of its true shape.

    `actual_mouth_mm` and `actual_top_mm` are the thickness of the metal in the middle of its two ends as they stand in the pipe,
    `mass_kg` what the blank weighs of that metal; `mouth_at_small_arc` and `chance` as of `ForPipe`; in `pencil` where that
    chance is less than wanted.
    """

    number: int
    blank: Blank
    pipe: str
    rank: str
    note: str
    placement: Placement
    corners: tuple[Point, ...]
    actual_mouth_mm: float
    actual_top_mm: float
    mass_kg: float
    mouth_at_small_arc: bool = False
    chance: float | None = None
    pencil: bool = False

    @property
    def to_work_mm(self) -> float:
        """How much the metal is thicker than the part may be as it is, to be planed, hammered or scraped off; 0 for none."""
        walls = zip((self.actual_mouth_mm, self.actual_top_mm), self.wanted_mm, strict=True)
        over = max(has - wants for has, wants in walls) - self.blank.over_mm
        return over if self.blank.worked and over > LEAST_WORK_MM else 0.0

    @property
    def wanted_mm(self) -> tuple[float, float]:
        """The thickness wanted at the pipe's mouth and at its top."""
        return ends_in_pipe(self.blank.mouth_thickness_mm, self.blank.top_thickness_mm, self.mouth_at_small_arc)

    @property
    def mouth_turn_deg(self) -> int:
        """The turn of a blank that has its mouth where this one has the pipe's."""
        turn = self.placement.turn_deg
        return (turn + 180) % 360 if self.mouth_at_small_arc else turn

    @property
    def box(self) -> tuple[float, float]:
        """Extent along and across the sheet."""
        blank = self.blank
        if self.placement.turn_deg in (90, 270):
            return blank.width_mm, blank.length_mm
        return blank.length_mm, blank.width_mm


@dataclass(frozen=True)
class GaugeMark:
    """A place worth one more reading; `number` is its place among those of the whole plan."""

    number: int
    roll: str
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class CutRoll:
    """A roll taken down, or a sheet to cast, with its cuts, remnants and masses.

    `is_new` says that it is still to be cast. `offcut_kg` is what the blanks, the kerf and the remnants leave; at `gauge` one
    more reading tells most.
    """

    roll: Roll
    is_new: bool
    cuts: tuple[Cut, ...]
    remnants: tuple[Remnant, ...]
    mass_kg: float
    remnants_kg: float
    kerf_kg: float
    gauge: tuple[GaugeMark, ...] = ()

    @property
    def blanks_kg(self) -> float:
        """Mass of the blanks cut from it."""
        return sum(cut.mass_kg for cut in self.cuts)

    @property
    def used_width_mm(self) -> float:
        """Width of the strip that the blanks are cut from, with its trims: what is left beside it need not be planed."""
        low = min(c.placement.y_mm for c in self.cuts)
        high = max(c.placement.y_mm + c.box[1] for c in self.cuts)
        return min(high - low + 2.0 * self.roll.trim_mm, self.roll.width_mm)

    @property
    def offcut_kg(self) -> float:
        """What goes to the scrap bin of its alloy."""
        return self.mass_kg - self.blanks_kg - self.remnants_kg - self.kerf_kg


def ends_in_pipe(first: float, last: float, mouth_at_small_arc: bool) -> tuple[float, float]:
    """What is known at a blank's two ends, from the layout's order to that of the pipe, or back: they change places where
    the pipe's mouth is at the small arc."""
    return (last, first) if mouth_at_small_arc else (first, last)


def marked(rolls: Sequence[CutRoll], certainty: float, gauge: Sequence[GaugeMark]) -> tuple[CutRoll, ...]:
    """The sheets with the certainty that a plan wants (0: the usual one) and the places where it asks for a reading."""
    return tuple(
        replace(
            roll,
            gauge=tuple(m for m in gauge if m.roll == roll.roll.id),
            cuts=tuple(replace(c, pencil=in_pencil(c.chance, certainty)) for c in roll.cuts),
        )
        for roll in rolls
    )


def in_pencil(chance: float | None, certainty: float) -> bool:
    """Whether a blank is less sure than wanted, so that it is looked at again when its sheet is measured.

    >>> in_pencil(0.93, 0.95), in_pencil(0.97, 0.95), in_pencil(None, 0.95), in_pencil(0.93, 0.0)
    (True, False, False, True)
    """
    return chance is not None and chance < (certainty or USUAL_CERTAINTY)


def _end_points(placement: Placement, box: Point) -> tuple[Point, Point]:
    """Middle of the mouth end and of the top end, in the sheet's coordinates."""
    x, y = placement.x_mm, placement.y_mm
    if placement.turn_deg in (90, 270):
        near, far = (x + box[0] / 2, y), (x + box[0] / 2, y + box[1])
    else:
        near, far = (x, y + box[1] / 2), (x + box[0], y + box[1] / 2)
    return (far, near) if placement.turn_deg in MOUTH_AT_END else (near, far)


def _cut(number: int, made_for: ForPipe, placement: Placement, roll: Roll, density_g_cm3: float) -> Cut:
    blank = made_for.blank
    box = (blank.length_mm, blank.width_mm) if placement.turn_deg in (0, 180) else (blank.width_mm, blank.length_mm)
    mouth, top = _end_points(placement, box)
    x, y = placement.x_mm, placement.y_mm
    under = roll.field.cropped(
        max(x, 0.0), min(x + box[0], roll.length_mm), max(y, 0.0), min(y + box[1], roll.width_mm)
    ).mean_mm
    corners = tuple((float(a), float(b)) for a, b in shape_on_sheet(blank, placement).exterior.coords[:-1])
    return Cut(
        number,
        blank,
        made_for.pipe,
        made_for.rank,
        made_for.note,
        placement,
        corners,
        *ends_in_pipe(float(roll.field.at(*mouth)), float(roll.field.at(*top)), made_for.mouth_at_small_arc),
        blank.area_mm2() * under * density_g_cm3 * 1e-6,
        made_for.mouth_at_small_arc,
        made_for.chance,
    )


def _remnant_kg(remnant: Remnant, roll: Roll, density_g_cm3: float) -> float:
    xs, ys = [p[0] for p in remnant.polygon], [p[1] for p in remnant.polygon]
    mean = roll.field.cropped(max(min(xs), 0.0), max(xs), max(min(ys), 0.0), max(ys)).mean_mm
    return remnant.area_mm2 * mean * density_g_cm3 * 1e-6


def _in_order(place: Placement, blank: Blank, from_right: bool) -> tuple[float, float, float, str]:
    """Where a blank stands in the order of marking out: by its near end, a row across the sheet together."""
    near = -(place.x_mm + size_on_sheet(blank, place.turn_deg)[0]) if from_right else place.x_mm
    return round(near / ROW_MM), place.y_mm, near, place.blank


def cut_rolls(
    layout: LayoutPlan,
    rolls: Mapping[str, Roll],
    blanks: Sequence[ForPipe],
    density_g_cm3: Mapping[str, float],
    roll_mass_kg: Mapping[str, float],
    kerf_mm: float,
    from_right: bool = False,
) -> tuple[CutRoll, ...]:
    """Every roll and new sheet that a layout uses, rack first, in the order of their ids.

    `rolls` holds the rack and the new sheets (as rolls with the field that they are to have). `from_right`: blanks are numbered
    from the end of their sheet that x runs to, for shears that cut from there.
    """
    by_id = {b.blank.id: b for b in blanks}
    new = {sheet.id for sheet in layout.new_sheets}
    places: dict[str, list[Placement]] = defaultdict(list)
    for placement in layout.placements:
        places[placement.roll].append(placement)
    found = []
    for roll_id in sorted(places, key=lambda r: (r in new, r)):
        roll, density = rolls[roll_id], density_g_cm3[rolls[roll_id].alloy]
        ordered = sorted(places[roll_id], key=lambda p: _in_order(p, by_id[p.blank].blank, from_right))
        cuts = tuple(_cut(i, by_id[p.blank], p, roll, density) for i, p in enumerate(ordered, start=1))
        boxes = [
            (c.placement.x_mm, c.placement.y_mm, c.placement.x_mm + c.box[0], c.placement.y_mm + c.box[1]) for c in cuts
        ]
        rest = cut_out(roll, boxes, kerf_mm=kerf_mm)
        remnants_kg = sum(_remnant_kg(r, roll, density) for r in rest.remnants)
        # each cut edge is shared with a neighbour or the offcut: half of every outline is sawn once
        sawn_mm2 = sum(kerf_mm * (c.box[0] + c.box[1]) for c in cuts)
        kerf_kg = sawn_mm2 * roll.field.mean_mm * density * 1e-6
        room = roll_mass_kg[roll_id] - sum(c.mass_kg for c in cuts) - remnants_kg
        found.append(
            CutRoll(
                roll,
                roll_id in new,
                cuts,
                rest.remnants,
                roll_mass_kg[roll_id],
                remnants_kg,
                max(min(kerf_kg, room), 0.0),
            )
        )
    return tuple(found)
