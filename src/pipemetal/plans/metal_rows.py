"""Melts as a plan"s record holds them: what is weighed, what it gives, why a melt cannot be charged."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from pipemetal.plans.row import Amount, ByElement, Count, Name, Number, Point, Row, Said
from pipemetal.texts import Text

__all__ = ["Blockage", "Blocked", "Charged", "Heat", "LotLine", "Melt"]


@dataclass(frozen=True)
class LotLine(Row):
    """A line of a weighing list."""

    id: Name
    kind: Name
    mass_kg: Amount
    pieces: Count | None = None
    composition: str = ""
    note: Said = ""

    @property
    def shown(self) -> str:
        """The lot's name as it is shown: bought metal has none yet."""
        return Text("{metal}, bought", metal=self.composition.partition(" ")[0]) if self.kind == "buy" else self.id


@dataclass(frozen=True)
class Blockage(Row):
    """The element that keeps a melt from being charged."""

    element: str
    reached_wt_pct: Number
    low_wt_pct: Number
    high_wt_pct: Number


@dataclass(frozen=True)
class Heat(Row):
    """What it takes to melt a charge."""

    metal_mj: Amount = 0.0
    pot_mj: Amount = 0.0
    fuel_kwh: Amount = 0.0
    natural_gas_m3: Amount = 0.0
    propane_kg: Amount = 0.0
    hours: Amount = 0.0


@dataclass(frozen=True)
class Charged(Row):
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
    unexplained_kg: Number = 0.0
    gap_percent: Number = 0.0
    to_buy_kg: ByElement = field(default_factory=dict)
    heat: Heat = field(default_factory=Heat)


@dataclass(frozen=True)
class Blocked(Row):
    """Why a melt cannot be charged, and the smallest additions that would mend it."""

    blocked_by: tuple[Blockage, ...]
    missing_kg: ByElement = field(default_factory=dict)
    words: Said = ""


@dataclass(frozen=True)
class Melt(Row):
    """A melt: what it is for, and its weighing list or why there is none."""

    leaves_out_none: ClassVar[bool] = True
    flat: ClassVar[dict[str, str]] = {"charge": "lots", "blocked": "blocked_by"}

    name: Name
    recipe: Name
    sheets: tuple[str, ...] = ()
    pot: str = ""
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
