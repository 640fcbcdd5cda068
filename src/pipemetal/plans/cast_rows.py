"""Pours and casting days as a plan"s record holds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from pipemetal.plans.row import Amount, Count, Name, Number, Point, Row, Said

__all__ = ["Beat", "Beside", "CastingDay", "DayStep", "Freezing", "Pour", "PourRange", "PushCard", "Station"]


@dataclass(frozen=True)
class PourRange(Row):
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
class Beat(Row):
    """Where the sled's gate is, when, and how fast it goes."""

    distance_m: Number
    time_s: Number
    speed_m_s: Number


@dataclass(frozen=True)
class Station(Row):
    """The thickness that should come at a place along the sheet, with its 95 % band, in mm."""

    distance_m: Number
    thickness: Number
    low: Number
    high: Number


@dataclass(frozen=True)
class PushCard(Row):
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
class Freezing(Row):
    """When a sheet stops running, is solid, and may be lifted."""

    time_to_solid_s: Amount
    time_to_30pct_s: Amount = 0.0
    lift_after_s: Amount = 0.0


@dataclass(frozen=True)
class Beside(Row):
    """A question of a pour: what practice says, what the model says, and what of the log decides between them."""

    what: Said
    practice: Said
    model: Said
    log: Said


@dataclass(frozen=True)
class Pour(Row):
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
    beside: tuple[Beside, ...] = ()


@dataclass(frozen=True)
class DayStep(Row):
    """A stretch of a casting day: alloy, melt, skim, sample, sled, pour or rest, of which melt, sheet or sled, from when to when
    in minutes since midnight."""

    kind: Name
    what: str
    from_min: Amount
    to_min: Amount


@dataclass(frozen=True)
class CastingDay(Row):
    """A casting day hour by hour: its date where the shop said when it begins, its shift, and what is done in it."""

    day: Count
    date: str = ""
    shift_from_min: Amount = 0.0
    shift_to_min: Amount = 0.0
    over_min: Amount = 0.0
    melts: tuple[str, ...] = ()
    steps: tuple[DayStep, ...] = ()
    breaks_min: tuple[Point, ...] = ()

    def fire_min(self, melt: str) -> tuple[float, float] | None:
        """From when to when the burner melts a melt of this day."""
        return next(((s.from_min, s.to_min) for s in self.steps if s.kind == "melt" and s.what == melt), None)

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
