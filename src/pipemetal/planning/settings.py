"""What a shop has and how it works: table, sled, pot, limits of its sheets, and its habits.

The defaults are those of no particular shop: common practice, no source, or estimates that the casting log replaces.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from pipemetal.errors import PlanError
from pipemetal.layout.problem import Castable
from pipemetal.melts.losses import LossModel
from pipemetal.pipes.mandrels import parse_mandrels

__all__ = ["CastingSettings", "Limits", "PotSettings", "SheetSettings", "ShopSettings", "rests_on"]

Limits = dict[str, tuple[float, float]]
"""The least and the most of every setting of a table; some hang on others of the same table."""

ESTIMATED: Final = frozenset(
    {
        "shop.emptying_costs_kg",
        "shop.errand_costs_kg",
        "shop.melt_costs_kg",
        "shop.take_down_costs_kg",
        "sheets.thinnest_mm",
        "sheets.most_taper_mm_per_m",
        "sheets.thinnest_cast_mm",
        "pot.steel_kg",
        "pot.efficiency",
        "pot.spare_kg",
        "casting.run_up_mm",
        "casting.cloth_mm",
        "casting.minutes_between",
        "casting.minutes_on_table",
    }
)
"""Defaults that are an engineer's guess; all other figures are common practice, no source, but where SOURCES says more."""
SOURCES: Final = {
    "losses.oxide_share": "common practice, no source: a review of drossing in agitated pots says 90 % metal, its "
    "authors were not kept"
}

SLED_WALL_MM = 120.0
SHARE_ON_TABLE = 0.62
"""Share of a full sled that lies on the table as sheet; run-up, slosh and what must stay above the gate take the rest
(estimate)."""


def rests_on(key: str) -> str:
    """What the program's own value of a setting rests on; nothing for what is a matter of taste.

    >>> rests_on("pot.efficiency"), rests_on("pot.capacity_kg"), rests_on("shop.paper")
    ('estimate', 'common practice, no source', '')
    """
    if key in SOURCES or key in ESTIMATED:
        return SOURCES.get(key, "estimate")
    if key.startswith("losses.factor_"):
        return "as much as of lead, where nothing is known"
    return "" if key.startswith("shop.") else "common practice, no source"


def _check(table: str, settings: object, limits: Limits) -> None:
    for name, (low, high) in limits.items():
        value = getattr(settings, name)
        if not low <= value <= high:
            raise PlanError("is out of range", field=f"{table}.{name}", value=value, limits=(low, high))


@dataclass(frozen=True)
class SheetSettings:
    """Sheets that can be cast, and what is taken off them.

    Sizes are those of the sheet before its edges are trimmed; thicknesses are finished ones, after planing. A sheet is
    cast thicker by `planing_mm`, up to `planed_up_to_mm` of finished thickness, and never thinner than
    `thinnest_cast_mm`, below which cast sheets tear (an estimate).
    """

    least_length_mm: float = 1000.0
    most_length_mm: float = 5200.0
    least_width_mm: float = 300.0
    most_width_mm: float = 900.0
    thinnest_mm: float = 0.35
    thickest_mm: float = 5.5
    most_taper_mm_per_m: float = 0.14
    trim_mm: float = 15.0
    kerf_mm: float = 1.0
    planing_mm: float = 0.20
    planed_up_to_mm: float = 2.5
    thinnest_cast_mm: float = 0.80

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {
            "least_length_mm": (200.0, 10_000.0),
            "most_length_mm": (self.least_length_mm, 15_000.0),
            "least_width_mm": (60.0, 2000.0),
            "most_width_mm": (self.least_width_mm, 3000.0),
            "thinnest_mm": (0.2, 8.0),
            "thickest_mm": (self.thinnest_mm, 12.0),
            "most_taper_mm_per_m": (0.0, 2.0),
            "trim_mm": (0.0, 100.0),
            "kerf_mm": (0.0, 20.0),
            "planing_mm": (0.0, 2.0),
            "planed_up_to_mm": (0.0, 12.0),
            "thinnest_cast_mm": (0.1, 3.0),
        }

    def __post_init__(self) -> None:
        _check("sheets", self, self.limits)

    def castable(self, sled_length_mm: float) -> Castable:
        """The limits as the layout room wants them, with what one filling of the sled gives."""
        return Castable(
            min_width_mm=self.least_width_mm,
            max_width_mm=self.most_width_mm,
            min_length_mm=self.least_length_mm,
            max_length_mm=self.most_length_mm,
            min_thickness_mm=self.thinnest_mm,
            max_thickness_mm=self.thickest_mm,
            max_taper_mm_m=self.most_taper_mm_per_m,
            trim_mm=self.trim_mm,
            max_section_mm2=SLED_WALL_MM * sled_length_mm * SHARE_ON_TABLE - self.planing_mm * self.most_length_mm,
        )

    def planing_for(self, thin_end_mm: float) -> float:
        """How much thicker than finished a sheet with this thin end is cast.

        >>> round(SheetSettings().planing_for(1.0), 2), round(SheetSettings().planing_for(0.4), 2)
        (0.2, 0.4)
        """
        planing = self.planing_mm if thin_end_mm <= self.planed_up_to_mm else 0.0
        return max(planing, self.thinnest_cast_mm - thin_end_mm)


@dataclass(frozen=True)
class PotSettings:
    """The melting pot and its burner; `heel_kg` cannot be ladled out, less than `least_weighed_kg`
    of a lot is not worth weighing.
    A melt is cast into `most_sheets` at most: how long a shop keeps a pot at heat."""

    capacity_kg: float = 450.0
    heel_kg: float = 15.0
    steel_kg: float = 150.0
    efficiency: float = 0.30
    burner_kw: float = 20.0
    spare_kg: float = 12.0
    weigh_step_kg: float = 0.5
    least_weighed_kg: float = 4.0
    most_sheets: int = 1000

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {
            "capacity_kg": (5.0, 5000.0),
            "heel_kg": (0.0, 0.5 * self.capacity_kg),
            "steel_kg": (0.0, 2000.0),
            "efficiency": (0.05, 1.0),
            "burner_kw": (0.5, 500.0),
            "spare_kg": (0.0, 200.0),
            "weigh_step_kg": (0.01, 10.0),
            "least_weighed_kg": (0.0, 50.0),
            "most_sheets": (1, 1000),
        }

    def __post_init__(self) -> None:
        _check("pot", self, self.limits)


@dataclass(frozen=True)
class CastingSettings:
    """Sled, casting table and the air above it."""

    sled_length_mm: float = 250.0
    scoop_kg: float = 11.3
    run_up_mm: float = 300.0
    stone_mm: float = 75.0
    cloth_mm: float = 1.0
    air_c: float = 18.0
    table_c: float = 18.0
    minutes_between: float = 15.0
    minutes_on_table: float = 3.0
    casts_a_day: int = 8

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {
            "sled_length_mm": (50.0, 1000.0),
            "scoop_kg": (0.5, 50.0),
            "run_up_mm": (0.0, 1500.0),
            "stone_mm": (10.0, 300.0),
            "cloth_mm": (0.1, 10.0),
            "air_c": (-10.0, 50.0),
            "table_c": (-10.0, 150.0),
            "minutes_between": (2.0, 240.0),
            "minutes_on_table": (0.5, 60.0),
            "casts_a_day": (1, 40),
        }

    def __post_init__(self) -> None:
        _check("casting", self, self.limits)


@dataclass(frozen=True)
class ShopSettings:
    """All settings of a shop.

    Work is priced as metal, so that it holds in any currency (all four are estimates). `emptying_costs_kg`: ladling a pot
    out, in kilograms of its metal. `errand_costs_kg`: fetching one metal from a dealer beside its price, in kilograms of
    lead: the order, the drive, an hour of a person; no errand is run that saves less. `melt_costs_kg`: heating, skimming
    and watching one melt more, in kilograms of its metal. `take_down_costs_kg`: taking a roll down, unrolling it and
    putting its rest back, in kilograms of its metal.

    `crew` is who casts, by its name in the casting log (empty: any).
    `mandrels` are those that pipes are rolled on (`pipes/mandrels.py`): "12, 60, 10-150", in mm.

    Units, language and paper are those of pages and sheets; files and JSON stay metric.

    `source` says where they were read, in words that a plan repeats; `said` are the keys that the shop said itself.
    """

    name: str = "a shop"
    currency: str = "EUR"
    length_unit: str = "mm"
    mass_unit: str = "kg"
    temperature_unit: str = "C"
    language: str = "en"
    paper: str = "a4"
    sheets: SheetSettings = field(default_factory=SheetSettings)
    pot: PotSettings = field(default_factory=PotSettings)
    casting: CastingSettings = field(default_factory=CastingSettings)
    losses: LossModel = field(default_factory=LossModel)
    emptying_costs_kg: float = 20.0
    errand_costs_kg: float = 20.0
    melt_costs_kg: float = 10.0
    take_down_costs_kg: float = 3.0
    mandrels: str = ""
    crew: str = ""
    source: str = field(default="the program's own", compare=False)
    said: frozenset[str] = field(default=frozenset(), compare=False)

    def __post_init__(self) -> None:
        parse_mandrels(self.mandrels)
