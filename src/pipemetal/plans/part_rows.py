"""Pipes and their parts as a plan"s record holds them, and the sheets that they are cut from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from pipemetal.plans.row import Amount, Count, Name, Number, Point, Row, Said, Turn

__all__ = [
    "BlankRow",
    "Cut",
    "CutSheet",
    "NewSheet",
    "NoteRow",
    "PipeRow",
    "Remnant",
    "Ring",
    "SheetBought",
    "Thickness",
]


@dataclass(frozen=True)
class Ring(Row):
    """A flat sector of a ring: the development of a cone or of a piece of one."""

    outer_radius_mm: Amount
    inner_radius_mm: Amount
    angle_deg: Amount


@dataclass(frozen=True)
class PipeRow(Row):
    """A pipe without its parts. `chance`: that all its blanks fit as they are laid."""

    leaves_out_none: ClassVar[bool] = True

    id: Name
    rank: Name
    note: str
    alloy: str
    division: str = ""
    construction: str = ""
    key: Count = 0
    choir: Count = 1
    footage: str = ""
    frequency_hz: Amount = 0.0
    diameter_mm: Amount = 0.0
    top_diameter_mm: Amount = 0.0
    half_tones: Number = 0.0
    mouth_width_mm: Amount = 0.0
    cut_up_mm: Amount = 0.0
    body_length_mm: Amount = 0.0
    cut_length_mm: Amount = 0.0
    foot_length_mm: Amount = 0.0
    chimney_diameter_mm: Amount = 0.0
    chimney_length_mm: Amount = 0.0
    thickness_mouth_mm: Amount = 0.0
    thickness_top_mm: Amount = 0.0
    thickness_foot_mm: Amount = 0.0
    languid_thickness_mm: Amount = 0.0
    mass_kg: Amount = 0.0
    cast_kg: Amount = 0.0
    finished_area_mm2: Amount = 0.0
    blank_area_mm2: Amount = 0.0
    made: str = ""
    wall_source: Said = ""
    lip: str = ""
    flue_mm: Amount = 0.0
    toe_bore_mm: Amount = 0.0
    toe_diameter_mm: Amount = 0.0
    cap_kind: str = ""
    cap_stands_mm: Amount = 0.0
    cap_rim_mm: Amount = 0.0
    cap_sharp_cents: Amount = 0.0
    cap_flat_cents: Amount = 0.0
    tip_diameter_mm: Amount = 0.0
    hole_diameter_mm: Amount = 0.0
    visible_length_mm: Amount = 0.0
    ising: Number | None = None
    stress_mouth_mpa: Amount = 0.0
    stress_toe_mpa: Amount = 0.0
    toe_flag: bool = False
    remarks: Said = ""
    chance: Amount | None = None


@dataclass(frozen=True)
class BlankRow(Row):
    """A part of a pipe as a flat blank, before it is laid on metal; `mouth_at_small_arc` as of `Cut`."""

    leaves_out_none: ClassVar[bool] = True

    id: Name
    kind: Name
    alloy: str
    length_mm: Amount
    width_mm: Amount
    mouth_thickness_mm: Amount
    top_thickness_mm: Amount
    tolerance_mm: Amount
    turns_deg: tuple[Turn, ...] = (0, 180)
    sector: Ring | None = None
    offsets: dict[str, tuple[Point, ...]] | None = None
    area_mm2: Amount = 0.0
    mass_kg: Amount = 0.0
    bought: bool = False
    mouth_at_small_arc: bool = False


@dataclass(frozen=True)
class NoteRow(Row):
    """A note that has no pipe of its own, and who lends it one."""

    rank: str
    note: str
    key: Count
    lender: str | None = None
    lender_note: str | None = None


@dataclass(frozen=True)
class SheetBought(Row):
    """Flat sheet to buy: area and mass of its blanks, without the waste of cutting."""

    metal: str
    thickness_mm: Amount
    blanks: Count
    blank_area_m2: Amount
    blank_kg: Amount


@dataclass(frozen=True)
class Cut(Row):
    """A blank where it lies. `length_mm` and `width_mm` run along and across the sheet, as it is turned.

    `x_mm`, `y_mm`: its lower left corner from the end at x = 0, which the cutting sheet
    names, and the lower edge. `corners_mm`: some points of a sector's outline.
    `mouth_at_small_arc`: a sector whose mouth, or lower end of a reed, is at its small arc; a turn of 0 has the large arc at x.
    `chance`: that the metal there keeps within the tolerance. `thicker_mm`: how much thicker the metal may be, where that is not
    the tolerance; `worked_mm`: so much thicker still, where it is then `worked`.
    """

    leaves_out_none: ClassVar[bool] = True

    blank: Name
    kind: Name
    rank: Name
    x_mm: Number
    y_mm: Number
    length_mm: Amount
    width_mm: Amount
    mass_kg: Amount
    pipe: str = ""
    number: Count = 0
    note: str = ""
    turn_deg: Turn = 0
    wanted_mouth_mm: Amount = 0.0
    wanted_top_mm: Amount = 0.0
    tolerance_mm: Amount = 0.0
    actual_mouth_mm: Amount = 0.0
    actual_top_mm: Amount = 0.0
    turns_deg: tuple[Turn, ...] = (0, 180)
    sector: Ring | None = None
    corners_mm: tuple[Point, ...] | None = None
    mouth_at_small_arc: bool = False
    chance: Amount | None = None
    thicker_mm: Amount | None = None
    worked_mm: Amount | None = None
    worked: str | None = None

    @property
    def layout_walls_mm(self) -> tuple[float, float]:
        """The thickness wanted at both ends in the layout's order: of a sector at the large arc, then at the small one."""
        walls = self.wanted_mouth_mm, self.wanted_top_mm
        return walls[::-1] if self.mouth_at_small_arc else walls

    @property
    def accepted_mm(self) -> tuple[float, float, float]:
        """The middle of what it accepts at both ends in the layout's order, and half of what it accepts."""
        over = (self.tolerance_mm if self.thicker_mm is None else self.thicker_mm) + (self.worked_mm or 0.0)
        middle = (over - self.tolerance_mm) / 2.0
        first, last = self.layout_walls_mm
        return first + middle, last + middle, (over + self.tolerance_mm) / 2.0

    @property
    def is_across(self) -> bool:
        """Whether its length lies across the sheet."""
        return self.turn_deg in (90, 270)


@dataclass(frozen=True)
class Remnant(Row):
    """What is left of a sheet and worth keeping, in the sheet's coordinates."""

    id: Name
    area_mm2: Amount
    corners_mm: tuple[Point, ...] = ()


@dataclass(frozen=True)
class Thickness(Row):
    """A roll's thickness when the plan was made: `lines_mm` evenly spaced from edge to edge, each with a value at every station
    along the sheet."""

    stations_mm: tuple[Amount, ...]
    lines_mm: tuple[tuple[Amount, ...], ...]


@dataclass(frozen=True)
class CutSheet(Row):
    """A roll to take down, with what is cut from it and what becomes of the rest.

    `thickness` and `outline_mm` are the roll's, so that its map can be drawn again; `no_go_mm` its blemishes; `parent`: the roll
    that it is a remnant of.
    """

    leaves_out_none: ClassVar[bool] = True

    id: Name
    alloy: str = ""
    length_mm: Amount = 0.0
    width_mm: Amount = 0.0
    place: str = ""
    mass_kg: Amount = 0.0
    blanks_kg: Amount = 0.0
    offcut_kg: Number = 0.0
    kerf_kg: Amount = 0.0
    remnants: tuple[Remnant, ...] = ()
    remnants_kg: Amount = 0.0
    cuts: tuple[Cut, ...] = ()
    trim_mm: Amount | None = None
    thickness: Thickness | None = None
    outline_mm: tuple[Point, ...] | None = None
    no_go_mm: tuple[tuple[Point, ...], ...] | None = None
    parent: str | None = None


@dataclass(frozen=True)
class NewSheet(CutSheet):
    """A sheet still to be cast: what it is to measure finished, and as it is cast before planing."""

    thickness_start_mm: Amount = 0.0
    thickness_end_mm: Amount = 0.0
    planing_mm: Amount = 0.0
    cast_start_mm: Amount = 0.0
    cast_end_mm: Amount = 0.0
    sled: str = ""
    sled_length_mm: Amount = 0.0
    table: str = ""
    used_width_mm: Amount = 0.0
