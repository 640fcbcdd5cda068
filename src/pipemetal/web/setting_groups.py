"""Which settings of the shop stand in which form, and what the trade calls each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.files.shop_file import CHOICES
from pipemetal.melts.lots import LOT_KINDS
from pipemetal.web.show import Show

__all__ = ["BY_KEY", "GROUPS", "Group", "Setting", "setting_of"]


@dataclass(frozen=True)
class Setting:
    """One setting: its key, what the trade calls it, and what kind of value it is."""

    key: str
    label: str
    kind: str
    of: str = ""

    def name(self, show: Show) -> str:
        """Its label in a person's language."""
        return show.say(self.label, of=show.say(self.of)) if self.of else show.say(self.label)

    @property
    def choices(self) -> tuple[str, ...]:
        """What can be chosen, nothing where it is typed."""
        return CHOICES.get(self.key, ())


@dataclass(frozen=True)
class Group:
    """Settings that stand in one form."""

    name: str
    title: str
    settings: tuple[Setting, ...]


def _group(name: str, title: str, *settings: tuple[str, str, str]) -> Group:
    return Group(name, title, tuple(Setting(f"{name}.{key}", label, kind) for key, label, kind in settings))


GROUPS: Final = (
    _group(
        "shop",
        "Shop and paper",
        ("name", "Name of the shop", "text"),
        ("currency", "Currency", "text"),
        ("lengths_in", "Lengths on paper", "choice"),
        ("masses_in", "Masses on paper", "choice"),
        ("temperatures_in", "Temperatures on paper", "choice"),
        ("language", "Language on paper", "choice"),
        ("paper", "Paper", "choice"),
        ("cut_from", "Sheets, as they are drawn, are cut from the", "choice"),
        ("mandrels", "Mandrels in mm, a cone by both its ends: 12, 60, 10-150", "text"),
        ("crew", "Crew that casts, by its name in the log", "text"),
        ("emptying_costs_kg", "Emptying the pot for another alloy costs as much as", "mass"),
        ("errand_costs_kg", "Fetching one metal from a dealer costs as much as, in lead", "mass"),
        ("melt_costs_kg", "Opening one melt more costs as much as", "mass"),
        ("saw_costs_kg", "Sawing a pig costs as much as, in lead", "mass"),
        ("sled_costs_kg", "Setting up another sled costs as much as, in lead", "mass"),
        ("take_down_costs_kg", "Taking a roll down costs as much as", "mass"),
        ("working_costs_kg", "Planing, hammering or scraping a part to fit costs as much as", "mass"),
    ),
    _group(
        "sheets",
        "Sheets",
        ("least_length_mm", "Shortest sheet", "length"),
        ("most_length_mm", "Longest sheet", "length"),
        ("least_width_mm", "Narrowest sheet", "length"),
        ("most_width_mm", "Widest sheet", "length"),
        ("thinnest_mm", "Thinnest, finished", "length"),
        ("thickest_mm", "Thickest, finished", "length"),
        ("most_taper_mm_per_m", "Most taper", "taper"),
        ("trim_mm", "Trim off every edge", "length"),
        ("kerf_mm", "Kerf", "length"),
        ("planing_mm", "Planed off", "length"),
        ("most_planing_mm", "Planed off at most, where a sheet came out thick", "length"),
        ("planed_up_to_mm", "Planed where finished up to", "length"),
        ("thinnest_cast_mm", "Thinnest that casts whole", "length"),
    ),
    _group(
        "pot",
        "Pot and burner",
        ("capacity_kg", "Pot holds", "mass"),
        ("heel_kg", "Heel stays", "mass"),
        ("steel_kg", "Steel of the pot", "mass"),
        ("efficiency", "Heat that reaches the metal", "share"),
        ("burner_kw", "Burner", "power"),
        ("spare_kg", "Spare in every melt", "mass"),
        ("weigh_step_kg", "Weighed in steps of", "mass"),
        ("least_weighed_kg", "Less of a lot is not weighed", "mass"),
        ("most_sheets", "Sheets from one melt, at most", "whole"),
    ),
    _group(
        "casting",
        "Casting table and sled",
        ("sled_length_mm", "Sled, inner length", "length"),
        ("scoop_kg", "Scoop", "mass"),
        ("run_up_mm", "Run-up", "length"),
        ("stone_mm", "Stone", "length"),
        ("cloth_mm", "Cloth", "length"),
        ("air_c", "Air", "temperature"),
        ("table_c", "Table before the first cast", "temperature"),
        ("minutes_between", "From cast to cast", "minutes"),
        ("minutes_on_table", "Sheet lies on the table", "minutes"),
        ("casts_a_day", "Casts a day", "whole"),
    ),
    _group(
        "owned",
        "Sleds and tables",
        (
            "sleds",
            "Sleds, inner length x width and empty weight: wide 250 x 900, 16 kg; narrow 250 x 600, 11 kg",
            "text",
        ),
        ("pots", "Further pots, emptied after every melt: small 60 kg 8 kW", "text"),
        ("planes", "Planes, widest sheet and thickness in mm: long 650 0.4-2.5; hand 1000 0.8-5", "text"),
        ("tables", "Casting tables: long 5500 x 1000 level stone; old 4000 x 800, 3 mm/m sand", "text"),
    ),
    _group(
        "day",
        "Hours and people",
        ("shift", "From when to when somebody works: 7:00-16:00", "text"),
        ("breaks", "Breaks: 9:30-9:45, 12:00-12:30", "text"),
        ("people", "People at the casting", "whole"),
        ("melts", "Melts a day, at most", "whole"),
        ("skim_minutes", "Skimming and stirring", "minutes"),
        ("sample_minutes", "Waiting for a sample or an assay", "minutes"),
        ("ladle_minutes", "A scoop into the sled", "minutes"),
        ("sled_minutes", "Setting up another sled", "minutes"),
        ("alloy_minutes", "Changing the alloy on one day", "minutes"),
        ("lay_aside_minutes", "Laying a sheet aside, where there are two people only", "minutes"),
        ("starts_on", "First casting day: 2026-12-07", "text"),
        ("weekdays", "Days of the week for casting: Mon-Fri", "text"),
        ("free_days", "Free days: 2026-12-24..2027-01-02, 2027-05-14", "text"),
        ("holidays", "Public holidays of: DE-BY", "text"),
        ("lost_days", "Days lost, on which nothing was cast: 2026-12-08", "text"),
    ),
    _group(
        "habits",
        "Habits",
        ("usual_scoops", "Scoops for a sheet, at most (0: as the sled holds)", "whole"),
        ("least_charge_kg", "Less metal is not worth a push", "mass"),
        ("least_bought_kg", "Less bought metal does not go into a melt", "mass"),
        ("lots_within", "Fewer lots may cost more by", "share"),
        ("aim", "Tin aimed at the target, by this share of the range between its limits", "share"),
    ),
    _group(
        "sure",
        "How sure a place must be",
        ("certainty", "How sure a blank's metal is to fit (0: taken as it is given)", "share"),
        ("save_metal", "Blanks may lie less sure where that saves metal", "choice"),
        ("cast_room", "On sheets to cast, of its tolerance a blank may use", "share"),
        ("tolerances", "Tolerances: languid -10 % +20 %, planed 0.5 mm; foot of spotted-50 -0.05 mm +0.1 mm", "text"),
        ("misfit_costs", "A blank to cast that does not fit costs so many times its metal", "number"),
    ),
    _group(
        "lengths",
        "Lengths, by the ear",
        ("by_diameter", "Open bodies longer than the rule, by the diameter", "number"),
        ("by_octave", "More of it by each octave above middle C", "number"),
        ("by_mouth", "More of it where the mouth is wider by a tenth of the circumference", "number"),
        ("by_cut_up", "More of it where the cut-up is higher by a tenth of the mouth", "number"),
        ("by_wind", "More of it for 10 mm of wind more", "number"),
        ("tapered", "Tapered pipes beyond open ones, by the diameter", "number"),
        ("harmonic", "Harmonic pipes beyond open ones, by the diameter", "number"),
        ("stepped", "Stepped pipes beyond open ones, by the diameter", "number"),
        ("stopped", "Stopped bodies longer than the rule, by the diameter (0: left to the rule)", "number"),
    ),
    Group(
        "losses",
        "Dross and losses",
        (
            *(Setting(f"losses.{kind}", "Dross of what is charged, {of}", "share", kind) for kind in LOT_KINDS),
            Setting("losses.oxide_share", "Oxide in the dross", "share"),
            *(Setting(f"losses.factor_{e}", "{of} in the dross, times that of lead", "number", e) for e in ELEMENTS),
        ),
    ),
)
BY_KEY: Final = {setting.key: setting for group in GROUPS for setting in group.settings}


def setting_of(key: str) -> Setting:
    """A setting by its key."""
    return BY_KEY[key]
