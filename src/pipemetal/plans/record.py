"""The record of a plan: what the main job found, as frozen values that are written whole and read back the same.

Every quantity stands at full precision; rounding happens where something is shown. The names are those of the file
(docs/plan-file.md). A value that a plan need not have is None, and is then left out of the file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Final, Literal

from pipemetal.plans.cast_rows import Beat, Beside, CastingDay, DayStep, Freezing, Pour, PourRange, PushCard, Station
from pipemetal.plans.metal_rows import Blockage, Blocked, Charged, Heat, LotLine, Melt
from pipemetal.plans.part_rows import (
    BlankRow,
    Cut,
    CutSheet,
    NewSheet,
    NoteRow,
    PipeRow,
    Remnant,
    Ring,
    SheetBought,
    Thickness,
)
from pipemetal.plans.row import Amount, ByElement, Count, Name, Number, Point, Row, Said, Turn

__all__ = [
    "PLAN_FORMAT",
    "Amount",
    "Beat",
    "Beside",
    "BlankRow",
    "Blockage",
    "Blocked",
    "ByElement",
    "CastingDay",
    "Chances",
    "Charged",
    "Count",
    "Cut",
    "CutSheet",
    "DayStep",
    "Expected",
    "ExposureLimit",
    "FaultRow",
    "Freezing",
    "GaugeNext",
    "Heat",
    "LeftOut",
    "LotLine",
    "Melt",
    "Metal",
    "Name",
    "NewSheet",
    "NoteRow",
    "Number",
    "PipeRow",
    "Plan",
    "Point",
    "Pour",
    "PourRange",
    "Printed",
    "PushCard",
    "Remnant",
    "Ring",
    "Row",
    "Said",
    "Season",
    "SheetBought",
    "Spare",
    "SpareSheet",
    "Station",
    "Thickness",
    "Turn",
    "Unserved",
    "planned_name",
]

PLAN_FORMAT: Final = "pipemetal plan 2"


@dataclass(frozen=True)
class Season(Row):
    """How near the best the melts are, and what changing alloys costs."""

    melts: Count = 0
    fewest_melts: Count = 0
    change_cost: Number = 0.0
    change_cost_at_least: Number = 0.0
    gap_percent: Number | None = None


@dataclass(frozen=True)
class Metal(Row):
    """The metal account: what comes in and where it goes, in all, by alloy and by element, in kg."""

    new_kg: Number = 0.0
    remelt_kg: Number = 0.0
    loss_kg: Number = 0.0
    by_alloy: dict[str, dict[str, Number]] = field(default_factory=dict)
    in_all: dict[str, Number] = field(default_factory=dict)
    by_element_kg: dict[str, ByElement] = field(default_factory=dict)
    unexplained_kg: Number = 0.0


@dataclass(frozen=True)
class Unserved(Row):
    """A blank that nothing can serve, why, and the nearest miss."""

    blank: Name
    reason: Said
    kind: str = ""
    nearest_roll: str | None = None
    miss_mm: Number | None = None


@dataclass(frozen=True)
class LeftOut(Row):
    """A gauge reading that was not trusted."""

    roll: str
    x_mm: Number
    y_mm: Number
    thickness_mm: Number
    reason: Said


@dataclass(frozen=True)
class FaultRow(Row):
    """What the independent check found."""

    kind: str
    blank: str
    roll: str
    detail: str


@dataclass(frozen=True)
class ExposureLimit(Row):
    """A dated limit with its law."""

    law: str
    what: str
    limit: str
    seen: str


@dataclass(frozen=True)
class Expected(Row):
    """How many of some things are expected to fit, and between how many 95 in 100 times."""

    expected: Amount = 0.0
    low: Count = 0
    high: Count = 0
    of: Count = 0


@dataclass(frozen=True)
class GaugeNext(Row):
    """Where one more reading of a roll tells most: of its blanks so many are in doubt, and of these it settles so many.

    `end`: which end x counts from, "thick", "thin" or both "alike"; empty in older plans. `cut`: the roll is cut by the plan,
    and the blanks are those on it; else blanks that would lie on it if it were surer.
    """

    roll: str
    x_mm: Number
    y_mm: Number
    unsure: Amount
    settled: Amount
    blanks: Count
    end: str = ""
    cut: bool = True


@dataclass(frozen=True)
class SpareSheet(Row):
    """A sheet that might be cast beside those that are needed, finished."""

    length_mm: Amount
    width_mm: Amount
    thickness_start_mm: Amount
    thickness_end_mm: Amount


@dataclass(frozen=True)
class Spare(Row):
    """Sheets more of an alloy, how sure it is with and without them that no melt of it is opened again, and their metal."""

    alloy: str
    sheets: tuple[SpareSheet, ...]
    sure_without: Amount
    sure_with: Amount
    mass_kg: Amount
    worth: Amount


@dataclass(frozen=True)
class Chances(Row):
    """What is expected to fit as laid: pipes, in all and by rank, and blanks on rolls and on sheets to cast; `less_sure` are
    blanks on rolls whose places are less sure than `certainty`; `trial` are sheets to cast
    first where no cast is logged."""

    certainty: Amount = 0.0
    pipes: Expected = field(default_factory=Expected)
    by_rank: dict[str, Expected] = field(default_factory=dict)
    on_rolls: Expected = field(default_factory=Expected)
    on_sheets: Expected = field(default_factory=Expected)
    less_sure: tuple[str, ...] = ()
    gauge_next: tuple[GaugeNext, ...] = ()
    spare: tuple[Spare, ...] = ()
    trial: tuple[str, ...] = ()


@dataclass(frozen=True)
class Printed(Row):
    """How the papers of a plan are printed, by the shop's settings when it was made."""

    paper: Literal["a4", "letter"] = "a4"
    language: Literal["en", "de"] = "en"
    lengths_in: Literal["mm", "in"] = "mm"
    masses_in: Literal["kg", "lb"] = "kg"
    temperatures_in: Literal["C", "F"] = "C"


@dataclass(frozen=True)
class Plan(Row):
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
    cut_from_right: bool | None = None
    chances: Chances | None = None
    tin_wt_pct: ByElement | None = None
    printed: Printed | None = None

    @property
    def sheets(self) -> tuple[CutSheet, ...]:
        """Rolls to take down, then sheets to cast."""
        return self.rolls_used + self.new_sheets

    def day_of(self, melt: str) -> CastingDay | None:
        """The casting day of a melt; None in a plan that holds no days."""
        return next((day for day in self.days if melt in day.melts), None)

    @property
    def ingots_of(self) -> dict[str, Melt]:
        """The melt that leaves it, for each lot of ingots that the plan makes and may charge again."""
        return {m.charge.ingots_lot: m for m in self.melts if m.charge is not None and m.charge.ingots_lot}


def planned_name(melt_id: str, plan: Plan) -> str:
    """The planned melt that a booked one was made of, by its id, which ends in that name; nothing where none was."""
    names = sorted((m.name for m in plan.melts), key=len, reverse=True)
    return next((n for n in names if melt_id == n or melt_id.endswith(f"-{n}")), "")
