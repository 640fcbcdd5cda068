"""The shop's settings as fields of a form: in the trade's words and a person's units, read back without drift.

A field that is sent as it was shown is not touched, whatever its rounding; so nothing drifts through a person's units.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import InputError, PlanError
from pipemetal.files.shop_file import SHOWN_IN, limits_of, settings_of, value_of
from pipemetal.melts.lots import LOT_KINDS
from pipemetal.planning.settings import ShopSettings, rests_on
from pipemetal.shop.settings import InEffect
from pipemetal.units import MASS_KG, parse_number
from pipemetal.web.show import Show

__all__ = [
    "GROUPS",
    "Group",
    "Setting",
    "fault_words",
    "fields_of",
    "read_form",
    "setting_of",
    "shown",
    "told_changes",
    "typed_number",
    "with_unit",
]

Value = float | int | str
CHOICE_NAMES: Final = {"C": "°C", "F": "°F", "en": "English", "de": "Deutsch", "a4": "A4", "letter": "Letter"}


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
        return SHOWN_IN.get(self.key.partition(".")[2], ())


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
        ("mandrels", "Mandrels in mm, a cone by both its ends: 12, 60, 10-150", "text"),
        ("crew", "Crew that casts, by its name in the log", "text"),
        ("emptying_costs_kg", "Emptying the pot for another alloy costs as much as", "mass"),
        ("errand_costs_kg", "Fetching one metal from a dealer costs as much as, in lead", "mass"),
        ("melt_costs_kg", "Opening one melt more costs as much as", "mass"),
        ("sled_costs_kg", "Setting up another sled costs as much as, in lead", "mass"),
        ("take_down_costs_kg", "Taking a roll down costs as much as", "mass"),
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
        ("sled_minutes", "Setting up another sled", "minutes"),
        ("alloy_minutes", "Changing the alloy on one day", "minutes"),
        ("lay_aside_minutes", "Laying a sheet aside, where there are two people only", "minutes"),
        ("starts_on", "First casting day: 2026-12-07", "text"),
        ("weekdays", "Days of the week for casting: Mon-Fri", "text"),
        ("free_days", "Free days: 2026-12-24..2027-01-02, 2027-05-14", "text"),
        ("holidays", "Public holidays of: DE-BY", "text"),
    ),
    _group(
        "habits",
        "Habits",
        ("usual_scoops", "Scoops for a sheet, at most (0: as the sled holds)", "whole"),
        ("least_charge_kg", "Less metal is not worth a push", "mass"),
        ("least_bought_kg", "Less bought metal does not go into a melt", "mass"),
        ("lots_within", "Fewer lots may cost more by", "share"),
        ("aim", "Tin aimed at the target, by this share of its window", "share"),
    ),
    _group(
        "sure",
        "How sure a place must be",
        ("certainty", "Least chance that a blank's metal fits (0: taken as it is given)", "share"),
        ("cast_room", "On sheets to cast, of its tolerance a blank may use", "share"),
        ("tolerances", "Tolerances: languid -10 % +20 %, planed 0.5 mm; foot of spotted-50 -0.05 mm", "text"),
        ("misfit_costs", "A blank to cast that does not fit costs so many times its metal", "number"),
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
_BY_KEY: Final = {setting.key: setting for group in GROUPS for setting in group.settings}


def setting_of(key: str) -> Setting:
    """A setting by its key."""
    return _BY_KEY[key]


def _scale(show: Show, kind: str) -> tuple[float, float, int, str]:
    """How a value is shown: factor, what is added, most decimals, unit."""
    inches = show.units.length == "in"
    if kind == "length":
        return (1.0 / 25.4, 0.0, 4, "in") if inches else (1.0, 0.0, 3, "mm")
    if kind == "mass":
        return (1.0 / MASS_KG["lb"], 0.0, 3, "lb") if show.units.mass == "lb" else (1.0, 0.0, 3, "kg")
    if kind == "temperature":
        return (1.8, 32.0, 1, "°F") if show.units.temperature == "F" else (1.0, 0.0, 1, "°C")
    if kind == "taper":
        return (0.012, 0.0, 6, "in/ft") if inches else (1.0, 0.0, 4, "mm/m")
    return {
        "share": (100.0, 0.0, 4, "%"),
        "power": (1.0, 0.0, 3, "kW"),
        "minutes": (1.0, 0.0, 3, "min"),
        "whole": (1.0, 0.0, 0, ""),
    }.get(kind, (1.0, 0.0, 4, ""))


def typed_number(show: Show, value: float, decimals: int) -> str:
    """A number as it stands in a field: no more decimals than it needs.

    >>> from pipemetal.units import UnitSystem
    >>> typed_number(Show(), 450.0, 3), typed_number(Show(UnitSystem(comma=True)), 1.234, 3)
    ('450', '1,2340')
    """
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    if show.units.comma:
        # a comma before three figures can be read in two ways, so it is never written
        text = text.replace(".", ",")
        text += "0" if re.fullmatch(r"-?[1-9]\d{0,2},\d{3}", text) else ""
    return "0" if text == "-0" else text


def shown(show: Show, setting: Setting, value: Value) -> str:
    """A value as it stands in its field, without its unit."""
    if setting.kind in ("text", "choice") or isinstance(value, str):
        return str(value)
    factor, added, decimals, unit = _scale(show, setting.kind)
    told = value * factor + added
    if unit == "lb" and abs(told) >= 10.0:
        decimals = 2  # thousandths of a pound say something of small masses only
    return typed_number(show, told, decimals)


def with_unit(show: Show, setting: Setting, value: Value) -> str:
    """A value as it is told."""
    if setting.kind == "choice":
        return CHOICE_NAMES.get(str(value), str(value))
    unit = _scale(show, setting.kind)[3] if setting.kind != "text" else ""
    return f"{shown(show, setting, value)} {unit}".strip()


def allowed(show: Show, setting: Setting, limits: tuple[float, float] | None) -> str:
    """What may be typed, rounded inwards so that what is told is taken.

    >>> allowed(Show(), _BY_KEY["pot.capacity_kg"], (5.0, 5000.0))
    '5 to 5000 kg'
    """
    if limits is None:
        return ""
    factor, added, most, unit = _scale(show, setting.kind)
    texts = []
    for value, inwards in zip(limits, (math.ceil, math.floor), strict=True):
        told = value * factor + added
        decimals = min(most, 0 if abs(told) >= 100.0 else 1 if abs(told) >= 10.0 else 2 if abs(told) >= 1.0 else most)
        step = 10.0**decimals
        texts.append(typed_number(show, inwards(round(told * step, 6)) / step, decimals))
    return show.say("{low} to {high}", low=texts[0], high=f"{texts[1]} {unit}".strip())


def _read(show: Show, setting: Setting, text: str) -> Value | None:
    if setting.kind in ("text", "choice"):
        return text
    name = setting.name(show)
    if setting.kind == "length":
        return show.read_length(text, name)
    if setting.kind == "mass":
        return show.read_mass(text, name)
    if setting.kind == "temperature":
        return show.read_temperature(text, name)
    number = parse_number(text.removesuffix("%").strip() if setting.kind == "share" else text, field=name)
    if setting.kind == "whole":
        if not number.is_integer():
            raise PlanError("is not a whole number", field=name, value=text)
        return int(number)
    factor, added, _, _ = _scale(show, setting.kind)
    return (number - added) / factor


def read_form(
    show: Show, group: Group, form: Mapping[str, str], now: InEffect
) -> tuple[dict[str, Value | None], dict[str, str]]:
    """What a form changes, None for the program's own again; and what is wrong, by setting, in the person's words.

    A field `was:KEY` says what was shown; `own:KEY` asks for the program's own.
    """
    changes: dict[str, Value | None] = {}
    wrong: dict[str, str] = {}
    for setting in group.settings:
        key = setting.key
        text = form.get(key, "").strip()
        if f"own:{key}" in form or (not text and key in form):
            if key in now.said:
                changes[key] = None
        elif key in form and text != form.get(f"was:{key}", "").strip():
            try:
                value = _read(show, setting, text)
                if value != value_of(now.settings, key):
                    changes[key] = value
            except InputError as error:
                wrong[key] = fault_words(show, error.problem, error.allowed)
    _refuse(show, now, changes, wrong)
    return changes, wrong


def _refuse(show: Show, now: InEffect, changes: dict[str, Value | None], wrong: dict[str, str]) -> None:
    """Find everything that is out of range, together with what else is said."""
    tried = dict(changes)
    while True:
        try:
            settings_of({k: v for k, v in {**now.said, **tried}.items() if v is not None})
            return
        except InputError as error:
            key = _key_of(error)
            setting = _BY_KEY.get(key)
            told = error.allowed
            if setting is not None and error.limits is not None:
                # the limits beside the values that were typed, where the error is of these
                limits = error.limits if isinstance(error, PlanError) else limits_of(now.settings, key)
                told = allowed(show, setting, limits)
            wrong[key] = fault_words(show, error.problem, told)
            if tried.pop(key, None) is None:
                return


def _key_of(error: InputError) -> str:
    if error.field in _BY_KEY:
        return error.field
    table = re.search(r"\[(\w+)\]", error.where)
    named = f"{table[1]}.{error.field}" if table else error.field
    # a quantity is named without its unit where it was given as a text
    return named if named in _BY_KEY else next((k for k in _BY_KEY if k.startswith(f"{named}_")), named)


def fault_words(show: Show, problem: str, told: str = "") -> str:
    """What is wrong with a field that is named already, and what may stand there."""
    words = show.read(problem)
    return f"{words} ({show.say('allowed')}: {show.read(told)})" if told else words


def fields_of(
    show: Show,
    group: Group,
    now: InEffect,
    form: Mapping[str, str] | None = None,
    wrong: Mapping[str, str] | None = None,
) -> list[dict[str, Any]]:
    """The fields of a form as a page shows them; what was typed stays where `form` has it."""
    typed, faults, own = form or {}, wrong or {}, ShopSettings()
    fields = []
    for setting in group.settings:
        key, text = setting.key, shown(show, setting, value_of(now.settings, setting.key))
        fields.append(
            {
                "key": key,
                "id": key.replace(".", "-"),
                "label": setting.name(show),
                "kind": setting.kind,
                "unit": "" if setting.kind in ("text", "choice") else _scale(show, setting.kind)[3],
                "choices": [(c, CHOICE_NAMES.get(c, c)) for c in setting.choices],
                "text": typed.get(key, text),
                "was": typed.get(f"was:{key}", text),
                "back": f"own:{key}" in typed,
                "own": with_unit(show, setting, value_of(own, key)),
                "rests_on": rests_on(key),
                "is_said": key in now.said,
                "allowed": allowed(show, setting, limits_of(now.settings, key)),
                "wrong": faults.get(key, ""),
            }
        )
    return fields


def told_changes(show: Show, change: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """What an event changed in the settings: label, before, after; nothing where the event does not hold it."""
    try:
        before, after = (json.loads((change.get(side) or {}).get("said", "{}")) for side in ("before", "after"))
        own, told = ShopSettings(), []
        for key, setting in _BY_KEY.items():
            if before.get(key) != after.get(key):
                was, is_now = (held.get(key, value_of(own, key)) for held in (before, after))
                told.append((setting.name(show), with_unit(show, setting, was), with_unit(show, setting, is_now)))
        return told
    except (ValueError, TypeError, AttributeError):  # altered by hand
        return []
