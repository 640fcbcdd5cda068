"""The record of a plan: what the main job found, as frozen values that are written whole and read back the same.

Every quantity stands at full precision; rounding happens where something is shown. The names are those of the file
(docs/plan-file.md). A value that a plan need not have is None, and is then left out of the file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Final

from pydantic import ConfigDict, Field, PlainValidator

from pipemetal.plans.said import said

__all__ = [
    "PLAN_FORMAT",
    "Beat",
    "BlankRow",
    "Blockage",
    "Blocked",
    "CastingDay",
    "Charged",
    "Cut",
    "CutSheet",
    "DayStep",
    "ExposureLimit",
    "FaultRow",
    "Freezing",
    "Heat",
    "LeftOut",
    "LotLine",
    "Melt",
    "Metal",
    "NewSheet",
    "NoteRow",
    "PipeRow",
    "Plan",
    "Pour",
    "PourRange",
    "PushCard",
    "Remnant",
    "Ring",
    "Season",
    "SheetBought",
    "Station",
    "Unserved",
]

PLAN_FORMAT: Final = "pipemetal plan 2"
MOST: Final = 1e9
"""No size, mass or time of a pipe shop comes near this."""

Number = Annotated[float, Field(gt=-MOST, lt=MOST)]
Amount = Annotated[float, Field(ge=0.0, lt=MOST)]
Count = Annotated[int, Field(ge=0, lt=10**9)]
Name = Annotated[str, Field(min_length=1, pattern=r"\S")]
Turn = Annotated[int, Field(ge=0, lt=360)]
Point = tuple[Number, Number]
Said = Annotated[str, PlainValidator(said)]
"""What a room has to say: a text with its template and values, or plain words from an older plan."""
ByElement = dict[str, Number]


class _Row:
    """How a record is checked when it is read: no infinity, no nonsense, whole numbers stay whole."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(allow_inf_nan=False, extra="ignore")
    leaves_out_none: ClassVar[bool] = False
    """Whether a value that is None is left out of the file; elsewhere it is written as null."""
    flat: ClassVar[dict[str, str]] = {}
    """Fields whose own fields stand beside them in the file, each with a name that tells that they are there."""


@dataclass(frozen=True)
class Ring(_Row):
    """A flat sector of a ring: the development of a cone or of a piece of one."""

    outer_radius_mm: Amount
    inner_radius_mm: Amount
    angle_deg: Amount


@dataclass(frozen=True)
class PipeRow(_Row):
    """A pipe without its parts."""

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


@dataclass(frozen=True)
class BlankRow(_Row):
    """A part of a pipe as a flat blank, before it is laid on metal."""

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


@dataclass(frozen=True)
class NoteRow(_Row):
    """A note that has no pipe of its own, and who lends it one."""

    rank: str
    note: str
    key: Count
    lender: str | None = None
    lender_note: str | None = None


@dataclass(frozen=True)
class SheetBought(_Row):
    """Flat sheet to buy: area and mass of its blanks, without the waste of cutting."""

    metal: str
    thickness_mm: Amount
    blanks: Count
    blank_area_m2: Amount
    blank_kg: Amount


@dataclass(frozen=True)
class Cut(_Row):
    """A blank where it lies. `length_mm` and `width_mm` run along and across the sheet, as it is turned.

    `x_mm`, `y_mm`: its lower left corner from the thick end and the lower edge. `corners_mm`: some points of a sector's outline.
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

    @property
    def is_across(self) -> bool:
        """Whether its length lies across the sheet."""
        return self.turn_deg in (90, 270)


@dataclass(frozen=True)
class Remnant(_Row):
    """What is left of a sheet and worth keeping, in the sheet's coordinates."""

    id: Name
    area_mm2: Amount
    corners_mm: tuple[Point, ...] = ()


@dataclass(frozen=True)
class CutSheet(_Row):
    """A roll to take down, with what is cut from it and what becomes of the rest."""

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


@dataclass(frozen=True)
class LotLine(_Row):
    """A line of a weighing list."""

    id: Name
    kind: Name
    mass_kg: Amount
    pieces: Count | None = None
    composition: str = ""
    note: str = ""


@dataclass(frozen=True)
class Blockage(_Row):
    """The element that keeps a melt from being charged."""

    element: str
    reached_wt_pct: Number
    low_wt_pct: Number
    high_wt_pct: Number


@dataclass(frozen=True)
class Heat(_Row):
    """What it takes to melt a charge."""

    metal_mj: Amount = 0.0
    pot_mj: Amount = 0.0
    fuel_kwh: Amount = 0.0
    natural_gas_m3: Amount = 0.0
    propane_kg: Amount = 0.0
    hours: Amount = 0.0


@dataclass(frozen=True)
class Charged(_Row):
    """The weighing list of a melt, in the order of loading, and what it gives."""

    leaves_out_none: ClassVar[bool] = True

    lots: tuple[LotLine, ...]
    mass_kg: Amount = 0.0
    charged_kg: Amount = 0.0
    new_kg: Amount = 0.0
    dross_kg: Amount = 0.0
    left_kg: Number = 0.0
    composition_wt_pct: ByElement = field(default_factory=dict)
    interval_wt_pct: dict[str, Point] = field(default_factory=dict)
    window_wt_pct: dict[str, Point] = field(default_factory=dict)
    binding: tuple[Said, ...] = ()
    cost: Number = 0.0
    left_worth: Number = 0.0
    ingots_kg: Amount = 0.0
    ingots_lot: str = ""
    gap_percent: Number = 0.0
    to_buy_kg: ByElement = field(default_factory=dict)
    heat: Heat = field(default_factory=Heat)


@dataclass(frozen=True)
class Blocked(_Row):
    """Why a melt cannot be charged, and the smallest additions that would mend it."""

    blocked_by: tuple[Blockage, ...]
    missing_kg: ByElement = field(default_factory=dict)
    words: Said = ""


@dataclass(frozen=True)
class Melt(_Row):
    """A melt: what it is for, and its weighing list or why there is none."""

    leaves_out_none: ClassVar[bool] = True
    flat: ClassVar[dict[str, str]] = {"charge": "lots", "blocked": "blocked_by"}

    name: Name
    recipe: Name
    sheets: tuple[str, ...] = ()
    wanted_kg: Amount = 0.0
    sheets_take_kg: Amount = 0.0
    pot_emptied_before: bool = False
    heel_kg: Amount = 0.0
    charge: Charged | None = None
    blocked: Blocked | None = None

    @property
    def lots(self) -> tuple[LotLine, ...]:
        """The weighing list, empty where the melt cannot be charged."""
        return self.charge.lots if self.charge is not None else ()


@dataclass(frozen=True)
class PourRange(_Row):
    """The pouring range in degrees C: in slush or hot, why, and what sets its cold and its hot end."""

    too_cold_below: Number
    try_low: Number
    try_high: Number
    too_hot_above: Number
    rests_on: Said = ""
    regime: str = ""
    why: Said = ""
    cold_end: Said = ""
    hot_end: Said = ""


@dataclass(frozen=True)
class Beat(_Row):
    """Where the sled's gate is, when, and how fast it goes."""

    distance_m: Number
    time_s: Number
    speed_m_s: Number


@dataclass(frozen=True)
class Station(_Row):
    """The thickness that should come at a place along the sheet, with its 95 % band, in mm."""

    distance_m: Number
    thickness: Number
    low: Number
    high: Number


@dataclass(frozen=True)
class PushCard(_Row):
    """How a sheet is pushed: what to ladle, how to set the gate, where the sled is when, and what should come of it."""

    gate_mm: Amount
    scoops: Count = 0
    marks: tuple[Beat, ...] = ()
    beats: tuple[Beat, ...] = ()
    beat_s: Amount = 0.0
    push_time_s: Amount = 0.0
    run_up_mm: Amount = 0.0
    thickness_mm: tuple[Station, ...] = ()
    head_start_mm: Amount = 0.0
    head_end_mm: Number = 0.0
    speed_change: Said = ""
    rests_on: Said = ""


@dataclass(frozen=True)
class Freezing(_Row):
    """When a sheet stops running, is solid, and may be lifted."""

    time_to_solid_s: Amount
    time_to_30pct_s: Amount = 0.0
    lift_after_s: Amount = 0.0


@dataclass(frozen=True)
class Pour(_Row):
    """A pour: its sheet, its place in the day, and its push card; where no push gives the sheet, `problem` says why."""

    leaves_out_none: ClassVar[bool] = True
    flat: ClassVar[dict[str, str]] = {"card": "gate_mm", "freezing": "time_to_solid_s"}

    sheet: Name
    alloy: Name
    melt: Name
    day: Count
    number: Count
    length_mm: Amount = 0.0
    width_mm: Amount = 0.0
    cast_start_mm: Amount = 0.0
    cast_end_mm: Amount = 0.0
    charge_kg: Amount = 0.0
    used_kg: Amount = 0.0
    left_kg: Number = 0.0
    stone_temperature_c: Number = 0.0
    starts_after_min: Amount = 0.0
    starts_at_min: Amount = 0.0
    sled: str = ""
    sled_length_mm: Amount = 0.0
    table: str = ""
    side_bars: bool = False
    problem: Said = ""
    pour_window_c: PourRange | None = None
    freezing: Freezing | None = None
    card: PushCard | None = None
    warnings: tuple[Said, ...] = ()


@dataclass(frozen=True)
class DayStep(_Row):
    """A stretch of a casting day: alloy, melt, skim, sample, sled, pour or rest, of which melt, sheet or sled, from when to when
    in minutes since midnight."""

    kind: Name
    what: str
    from_min: Amount
    to_min: Amount


@dataclass(frozen=True)
class CastingDay(_Row):
    """A casting day hour by hour: its date where the shop said when it begins, its shift, and what is done in it."""

    day: Count
    date: str = ""
    shift_from_min: Amount = 0.0
    shift_to_min: Amount = 0.0
    over_min: Amount = 0.0
    melts: tuple[str, ...] = ()
    steps: tuple[DayStep, ...] = ()

    @property
    def lit_min(self) -> float:
        """When the burner is lit, or the first step begins."""
        return min((step.from_min for step in self.steps), default=self.shift_from_min)

    @property
    def first_pour_min(self) -> float:
        """When the first sheet is poured."""
        return min((step.from_min for step in self.steps if step.kind == "pour"), default=self.lit_min)

    @property
    def end_min(self) -> float:
        """When the last step ends."""
        return max((step.to_min for step in self.steps), default=self.shift_from_min)


@dataclass(frozen=True)
class Season(_Row):
    """How near the best the melts are, and what changing alloys costs."""

    melts: Count = 0
    fewest_melts: Count = 0
    change_cost: Number = 0.0
    change_cost_at_least: Number = 0.0
    gap_percent: Number | None = None


@dataclass(frozen=True)
class Metal(_Row):
    """The metal account: what comes in and where it goes, in all, by alloy and by element, in kg."""

    new_kg: Number = 0.0
    remelt_kg: Number = 0.0
    loss_kg: Number = 0.0
    by_alloy: dict[str, dict[str, Number]] = field(default_factory=dict)
    in_all: dict[str, Number] = field(default_factory=dict)
    by_element_kg: dict[str, ByElement] = field(default_factory=dict)
    unexplained_kg: Number = 0.0


@dataclass(frozen=True)
class Unserved(_Row):
    """A blank that nothing can serve, why, and the nearest miss."""

    blank: Name
    reason: Said
    kind: str = ""
    nearest_roll: str | None = None
    miss_mm: Number | None = None


@dataclass(frozen=True)
class LeftOut(_Row):
    """A gauge reading that was not trusted."""

    roll: str
    x_mm: Number
    y_mm: Number
    thickness_mm: Number
    reason: Said


@dataclass(frozen=True)
class FaultRow(_Row):
    """What the independent check found."""

    kind: str
    blank: str
    roll: str
    detail: str


@dataclass(frozen=True)
class ExposureLimit(_Row):
    """A dated limit with its law."""

    law: str
    what: str
    limit: str
    seen: str


@dataclass(frozen=True)
class Plan(_Row):
    """A whole plan, from the pipes to the metal account."""

    leaves_out_none: ClassVar[bool] = True

    organ: Name
    format: str = PLAN_FORMAT
    program: str = ""
    shop: str = ""
    settings_from: Said = ""
    notes: tuple[Said, ...] = ()
    seed: Count = 0
    iterations: Count = 0
    pipes_served: Count = 0
    pipes: tuple[PipeRow, ...] = ()
    blanks: tuple[BlankRow, ...] = ()
    notes_without_pipe: tuple[NoteRow, ...] = ()
    sheets_to_buy: tuple[SheetBought, ...] = ()
    rolls_used: tuple[CutSheet, ...] = ()
    new_sheets: tuple[NewSheet, ...] = ()
    melts: tuple[Melt, ...] = ()
    pours: tuple[Pour, ...] = ()
    days: tuple[CastingDay, ...] = ()
    season: Season = field(default_factory=Season)
    metal: Metal = field(default_factory=Metal)
    to_buy_kg: ByElement = field(default_factory=dict)
    consumed_mm2: Amount = 0.0
    opened_mm2: Amount = 0.0
    utilisation: Amount = 0.0
    lower_bound_mm2: Amount = 0.0
    gap_percent: Number = 0.0
    unserved: tuple[Unserved, ...] = ()
    readings_left_out: tuple[LeftOut, ...] = ()
    lots_without_analysis: tuple[str, ...] = ()
    learned: Said = ""
    faults: tuple[FaultRow, ...] = ()
    cautions: tuple[Said, ...] = ()
    exposure_limits: tuple[ExposureLimit, ...] = ()
    kerf_mm: Amount | None = None
    changed_by_hand: bool | None = None

    @property
    def sheets(self) -> tuple[CutSheet, ...]:
        """Rolls to take down, then sheets to cast."""
        return self.rolls_used + self.new_sheets
