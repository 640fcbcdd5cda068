"""What a shop has and how it works: table, sled, pot, limits of its sheets, and its habits.

The defaults are those of no particular shop: common practice, no source, or estimates that the casting log replaces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from typing import Final

from pipemetal.layout.problem import Castable, CastWidth
from pipemetal.melts.losses import LossModel
from pipemetal.pipes.mandrels import parse_mandrels
from pipemetal.planning.agreement import check_agreement
from pipemetal.planning.equipment import OwnedSettings, OwnedSled, OwnedTable, parse_pots, parse_sleds, parse_tables
from pipemetal.planning.habits import DaySettings, HabitSettings, Limits, check_limits
from pipemetal.planning.learned_lengths import LengthSettings
from pipemetal.planning.sureness import SureSettings

__all__ = ["CastingSettings", "Limits", "PotSettings", "SheetSettings", "ShopSettings", "rests_on"]

ESTIMATED: Final = frozenset(
    {
        "shop.emptying_costs_kg",
        "shop.errand_costs_kg",
        "shop.melt_costs_kg",
        "shop.saw_costs_kg",
        "shop.sled_costs_kg",
        "shop.take_down_costs_kg",
        "shop.working_costs_kg",
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
        "sure.certainty",
        "sure.cast_room",
        "sure.misfit_costs",
    }
)
"""Defaults that are an engineer's guess; all other figures are common practice, no source, but where SOURCES says more."""
SOURCES: Final = {
    "losses.oxide_share": "common practice, no source: a review of drossing in agitated pots says 90 % metal, its "
    "authors were not kept",
    **{f"lengths.{f.name}": "the length rule alone, until the ear has learned" for f in fields(LengthSettings)},
}

CUT_FROM: Final = ("left", "right")
"""The ends of a sheet, as cutting sheets draw it, from which it may be cut."""
SLED_WALL_MM = 120.0
SHARE_ON_TABLE = 0.62
"""Share of a full sled that lies on the table as sheet; run-up, slosh and what must stay above the gate take the rest
(estimate)."""
USUAL_SHARE: Final = 0.88
"""Share of a usual charge that lies on the table, run-up and all (estimate); what is left keeps the metal above the gate."""
LEAST_SECTION: Final = 1.05
"""Of the shortest and thinnest sheet: so much a shop is taken to cast with the smallest pot."""
PRICED_KG_MM2: Final = 11.34e-6
"""A square millimetre of lead sheet of 1 mm: what setting up a sled costs is turned into area by it, whatever the alloy."""


def rests_on(key: str) -> str:
    """What the program's own value of a setting rests on; nothing for what is a matter of taste.

    >>> rests_on("pot.efficiency"), rests_on("pot.capacity_kg"), rests_on("shop.paper")
    ('estimate', 'common practice, no source', '')
    """
    if key in SOURCES or key in ESTIMATED:
        return SOURCES.get(key, "estimate")
    if key.startswith("losses.factor_"):
        return "as much as of lead, where nothing is known"
    return "" if key.startswith(("shop.", "owned.", "sure.save_metal")) else "common practice, no source"


@dataclass(frozen=True)
class SheetSettings:
    """Sheets that can be cast, and what is taken off them.

    Sizes are those of the sheet before its edges are trimmed; thicknesses are finished ones, after planing. A sheet is
    cast thicker by `planing_mm`, up to `planed_up_to_mm` of finished thickness, and never thinner than
    `thinnest_cast_mm`, below which cast sheets tear (an estimate). Of a sheet that was measured as much is planed off as makes
    it what it was meant to be, up to `most_planing_mm` and half of the planned at least; 0 planes as planned.
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
    most_planing_mm: float = 0.40

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
            "most_planing_mm": (0.0, 3.0),
        }

    def __post_init__(self) -> None:
        check_limits("sheets", self, self.limits)

    def section_mm2(self, sled_length_mm: float) -> float:
        """The most length times finished thickness that one filling of a sled of this inner length gives."""
        return SLED_WALL_MM * sled_length_mm * SHARE_ON_TABLE - self.planing_mm * self.most_length_mm

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

    @classmethod
    def usual(cls, capacity_kg: float) -> PotSettings:
        """A pot of this size as the program takes it: of a smaller one than its own heel, steel and spare go with the size.

        >>> PotSettings.usual(90.0).heel_kg
        3.0
        """
        own, share = cls(), min(capacity_kg / cls.capacity_kg, 1.0)
        return replace(
            own,
            capacity_kg=capacity_kg,
            heel_kg=round(own.heel_kg * share, 1),
            steel_kg=round(own.steel_kg * share, 1),
            spare_kg=round(own.spare_kg * share, 1),
        )

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
        check_limits("pot", self, self.limits)


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
        check_limits("casting", self, self.limits)


@dataclass(frozen=True)
class ShopSettings:
    """All settings of a shop.

    Work is priced as metal, so that it holds in any currency (all are estimates). `emptying_costs_kg`: ladling a pot
    out, in kilograms of its metal. `errand_costs_kg`: fetching one metal from a dealer beside its price, in kilograms of
    lead: the order, the drive, an hour of a person; no errand is run that saves less. `melt_costs_kg`: heating, skimming
    and watching one melt more, in kilograms of its metal. `saw_costs_kg`: sawing a pig, `sled_costs_kg`: setting up another
    sled, both in kilograms of lead. `take_down_costs_kg`: taking a roll down, unrolling it and putting its rest back,
    `working_costs_kg`: planing, hammering or scraping one part a little to fit, both in kilograms of its metal.

    `crew` is who casts, by its name in the casting log (empty: any).
    `cut_from` is the end from which sheets are taken apart, as they lie drawn: blanks are numbered from there.
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
    owned: OwnedSettings = field(default_factory=OwnedSettings)
    day: DaySettings = field(default_factory=DaySettings)
    habits: HabitSettings = field(default_factory=HabitSettings)
    sure: SureSettings = field(default_factory=SureSettings)
    lengths: LengthSettings = field(default_factory=LengthSettings)
    emptying_costs_kg: float = 20.0
    errand_costs_kg: float = 20.0
    melt_costs_kg: float = 10.0
    saw_costs_kg: float = 5.0
    sled_costs_kg: float = 5.0
    take_down_costs_kg: float = 3.0
    working_costs_kg: float = 0.5
    mandrels: str = ""
    crew: str = ""
    cut_from: str = CUT_FROM[0]
    source: str = field(default="the program's own", compare=False)
    said: frozenset[str] = field(default=frozenset(), compare=False)

    def __post_init__(self) -> None:
        parse_mandrels(self.mandrels)
        check_agreement(self)

    @property
    def sleds(self) -> tuple[OwnedSled, ...]:
        """The shop's sleds, the widest first; one whose bars can be set to any width of its tables where it names none."""
        sheets, casting = self.sheets, self.casting
        tables = [table.width_mm for table in parse_tables(self.owned.tables)]
        widest = min(sheets.most_width_mm, max(tables, default=math.inf))
        own = OwnedSled("", casting.sled_length_mm, widest, None, min(sheets.least_width_mm, widest))
        return parse_sleds(self.owned.sleds) or (own,)

    @property
    def further_pots(self) -> dict[str, PotSettings]:
        """The shop's further pots by name, the smallest first, each as the program takes one of its size, with no heel."""
        return {
            pot.name: replace(
                PotSettings.usual(pot.capacity_kg),
                heel_kg=0.0,
                burner_kw=pot.burner_kw,
                efficiency=self.pot.efficiency,
                weigh_step_kg=self.pot.weigh_step_kg,
                least_weighed_kg=self.pot.least_weighed_kg,
            )
            for pot in parse_pots(self.owned.pots)
        }

    def pot_of(self, name: str) -> PotSettings:
        """A pot by its name: the main one where it has none."""
        return self.further_pots[name] if name else self.pot

    @property
    def tables(self) -> tuple[OwnedTable, ...]:
        """The shop's tables; one level one for the longest sheet of the widest sled where it names none."""
        widest = max(self.sleds[0].width_mm, self.sheets.most_width_mm)
        own = OwnedTable("", self.sheets.most_length_mm + self.casting.run_up_mm, widest)
        return parse_tables(self.owned.tables) or (own,)

    def longest_mm(self, sled: OwnedSled) -> float:
        """The longest sheet that a sled casts on the tables that carry it, zero where none does."""
        carrying = [t.length_mm for t in self.tables if sled.width_mm <= t.width_mm + 0.1]
        return min(max(carrying, default=0.0) - self.casting.run_up_mm, self.sheets.most_length_mm)

    @property
    def usual_charge_kg(self) -> float:
        """The most that the shop ladles for a sheet; infinite where it has no such habit."""
        return self.habits.usual_scoops * self.casting.scoop_kg or math.inf

    @property
    def most_charge_kg(self) -> float:
        """The most that the pot gives for one sheet, above its heel."""
        return self.pot.capacity_kg - self.pot.spare_kg - self.pot.heel_kg

    def limited_by(self, sled: OwnedSled, charge_kg: float) -> str:
        """What limits the sheets of a sled with no more than this charge: the sled, the pot or the usual charge."""
        if self.section_mm2(sled, charge_kg) >= self.section_mm2(sled, math.inf):
            return "sled"
        return "charge" if charge_kg < self.most_charge_kg else "pot"

    def section_mm2(self, sled: OwnedSled, charge_kg: float) -> float:
        """The most length times finished thickness that a sled gives with no more than this charge, of lead."""
        planed = self.sheets.planing_mm * self.sheets.most_length_mm
        of_charge = USUAL_SHARE * charge_kg / (sled.width_mm * PRICED_KG_MM2) - planed
        least = LEAST_SECTION * self.sheets.least_length_mm * self.sheets.thinnest_mm
        return max(min(self.sheets.section_mm2(sled.length_mm), of_charge), least)

    def castable(self) -> Castable:
        """What the sleds and tables can cast, as the layout room wants it."""
        sheets, sleds = self.sheets, self.sleds
        ladled = min(self.usual_charge_kg, self.most_charge_kg)
        sections = [self.section_mm2(sled, ladled) for sled in sleds]
        lengths = [self.longest_mm(sled) for sled in sleds]
        named = tuple(
            CastWidth(sled.width_mm, length, section, self.limited_by(sled, ladled))
            for sled, length, section in zip(sleds, lengths, sections, strict=True)
            if sled.narrowest_mm is None
        )
        return Castable(
            min_width_mm=min(sled.narrowest_mm or sled.width_mm for sled in sleds),
            max_width_mm=sleds[0].width_mm,
            min_length_mm=sheets.least_length_mm,
            max_length_mm=max(lengths),
            min_thickness_mm=sheets.thinnest_mm,
            max_thickness_mm=sheets.thickest_mm,
            max_taper_mm_m=sheets.most_taper_mm_per_m,
            trim_mm=sheets.trim_mm,
            max_section_mm2=max(sections),
            widths=named,
            limited_by=self.limited_by(sleds[0], ladled),
            width_change_mm2=self.sled_costs_kg / PRICED_KG_MM2 if named else 0.0,
        )
