"""The shop's settings as fields of a form: in the trade's words and a person's units, read back without drift.

A field that is sent as it was shown is not touched, whatever its rounding; so nothing drifts through a person's units.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import InputError, PlanError
from pipemetal.files.shop_file import limits_of, own_beside, settings_of, value_of
from pipemetal.planning.settings import ShopSettings, rests_on
from pipemetal.shop.rows import Change
from pipemetal.shop.settings import InEffect
from pipemetal.units import MASS_KG, parse_number
from pipemetal.web.setting_groups import BY_KEY, Group, Setting
from pipemetal.web.show import Show

__all__ = [
    "FieldView",
    "fault_words",
    "fields_of",
    "read_form",
    "shown",
    "told_changes",
    "typed_number",
    "with_unit",
]

Value = float | int | str
CHOICE_NAMES: Final = {"C": "°C", "F": "°F", "en": "English", "de": "Deutsch", "a4": "A4", "letter": "Letter"}


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
        return _choice(show, str(value))
    unit = _scale(show, setting.kind)[3] if setting.kind != "text" else ""
    return f"{shown(show, setting, value)} {unit}".strip()


def _choice(show: Show, name: str) -> str:
    return CHOICE_NAMES.get(name) or show.say(name)


def allowed(show: Show, setting: Setting, limits: tuple[float, float] | None) -> str:
    """What may be typed, rounded inwards so that what is told is taken.

    >>> allowed(Show(), BY_KEY["pot.capacity_kg"], (5.0, 5000.0))
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
    # 99.9 % is 0.999, not the float a hair above it
    return float(f"{(number - added) / factor:.12g}")


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
            setting = BY_KEY.get(key)
            told = error.allowed
            if setting is not None and error.limits is not None:
                # the limits beside the values that were typed, where the error is of these
                limits = error.limits if isinstance(error, PlanError) else limits_of(now.settings, key)
                told = allowed(show, setting, limits)
            wrong[key] = fault_words(show, error.problem, told)
            if tried.pop(key, None) is None:
                return


def _key_of(error: InputError) -> str:
    if error.field in BY_KEY:
        return error.field
    table = re.search(r"\[(\w+)\]", error.where)
    named = f"{table[1]}.{error.field}" if table else error.field
    # a quantity is named without its unit where it was given as a text
    return named if named in BY_KEY else next((k for k in BY_KEY if k.startswith(f"{named}_")), named)


def fault_words(show: Show, problem: str, told: str = "") -> str:
    """What is wrong with a field that is named already, and what may stand there."""
    words = show.read(problem)
    return f"{words} ({show.say('allowed')}: {show.read(told)})" if told else words


@dataclass(frozen=True)
class FieldView:
    """A setting as a field of a form: `text` stands in it, `was` is what was shown, `back` asks for the program's own."""

    key: str
    label: str
    kind: str
    unit: str
    choices: tuple[tuple[str, str], ...]
    text: str
    was: str
    back: bool
    own: str
    rests_on: str
    is_said: bool
    allowed: str
    wrong: str

    @property
    def id(self) -> str:
        """Its name in the page."""
        return self.key.replace(".", "-")


def fields_of(
    show: Show,
    group: Group,
    now: InEffect,
    form: Mapping[str, str] | None = None,
    wrong: Mapping[str, str] | None = None,
) -> list[FieldView]:
    """The fields of a form as a page shows them; what was typed stays where `form` has it."""
    typed, faults, own = form or {}, wrong or {}, own_beside(now.settings)
    fields = []
    for setting in group.settings:
        key, text = setting.key, shown(show, setting, value_of(now.settings, setting.key))
        fields.append(
            FieldView(
                key,
                setting.name(show),
                setting.kind,
                "" if setting.kind in ("text", "choice") else _scale(show, setting.kind)[3],
                tuple((c, _choice(show, c)) for c in setting.choices),
                typed.get(key, text),
                typed.get(f"was:{key}", text),
                f"own:{key}" in typed,
                with_unit(show, setting, value_of(own, key)),
                rests_on(key),
                key in now.said,
                allowed(show, setting, limits_of(now.settings, key)),
                faults.get(key, ""),
            )
        )
    return fields


def told_changes(show: Show, change: Change) -> list[tuple[str, str, str]]:
    """What an event changed in the settings: label, before, after; nothing where the event does not hold it."""
    try:
        before, after = (
            json.loads(str((held or {}).get("said", "{}"))) for held in (change["before"], change["after"])
        )
        own, told = ShopSettings(), []
        for key, setting in BY_KEY.items():
            if before.get(key) != after.get(key):
                was, is_now = (held.get(key, value_of(own, key)) for held in (before, after))
                told.append((setting.name(show), with_unit(show, setting, was), with_unit(show, setting, is_now)))
        return told
    except (ValueError, TypeError, AttributeError):  # altered by hand
        return []
