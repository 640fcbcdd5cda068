"""The shop's settings: `shop.toml`, and the same values as the shop book keeps them. Every key has a default; only what is
different is said.

What a shop said is a flat table of keys and metric values, as {"pot.capacity_kg": 480.0}; all else is the program's own.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pipemetal import units
from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import FileFormatError, InputError, near
from pipemetal.files.toml_table import TomlTable, read_toml
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import LOT_KINDS
from pipemetal.pipes.mandrels import parse_mandrels
from pipemetal.planning.equipment import OwnedSettings
from pipemetal.planning.habits import DaySettings, HabitSettings
from pipemetal.planning.learned_lengths import LengthSettings
from pipemetal.planning.settings import CUT_FROM, CastingSettings, Limits, PotSettings, SheetSettings, ShopSettings
from pipemetal.planning.sureness import SAVE_METAL, SureSettings
from pipemetal.texts import Text

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

__all__ = [
    "CHOICES",
    "FILLED",
    "KEYS",
    "Said",
    "check_keys",
    "filled",
    "limits_of",
    "nested",
    "own_beside",
    "read_said",
    "read_shop",
    "said_of",
    "settings_of",
    "shop_toml",
    "value_of",
]

Said = dict[str, float | int | str]
"""What a shop says: keys with their table, and metric values."""

_BY_SUFFIX: dict[str, Callable[..., float]] = {
    "mm": units.parse_length_mm,
    "kg": units.parse_mass_kg,
    "c": units.parse_temperature_c,
}
T = TypeVar("T")
Base = TypeVar("Base", bound="DataclassInstance")
_ANY = 1e9
_CHOSEN: Final = {
    "lengths_in": ("mm", "in"),
    "masses_in": ("kg", "lb"),
    "temperatures_in": ("C", "F"),
    "language": ("en", "de"),
    "paper": ("a4", "letter"),
    "cut_from": CUT_FROM,
}
CHOICES: Final = {**{f"shop.{key}": named for key, named in _CHOSEN.items()}, "sure.save_metal": SAVE_METAL}
"""Settings that are chosen, and what there is to choose."""
_ATTRIBUTES: Final = {"lengths_in": "length_unit", "masses_in": "mass_unit", "temperatures_in": "temperature_unit"}
LONGEST_NAME, LONGEST_CURRENCY, LONGEST_LIST = 200, 20, 1000
_WORK: Final = (
    "emptying_costs_kg",
    "errand_costs_kg",
    "melt_costs_kg",
    "saw_costs_kg",
    "sled_costs_kg",
    "take_down_costs_kg",
    "working_costs_kg",
)
_SHOP_LIMITS: Final[Limits] = dict.fromkeys(_WORK, (0.0, 1000.0))
_LOSS_LIMITS: Final[Limits] = {
    **dict.fromkeys(LOT_KINDS, (0.0, 0.3)),
    "oxide_share": (0.0, 1.0),
    **dict.fromkeys([f"factor_{e}" for e in ELEMENTS], (0.0, 3.0)),
}
_NAMES: Final[dict[str, tuple[str, ...]]] = {
    "shop": ("name", "currency", *_CHOSEN, "mandrels", "crew", *_WORK),
    "sheets": tuple(f.name for f in dataclasses.fields(SheetSettings)),
    "pot": tuple(f.name for f in dataclasses.fields(PotSettings)),
    "casting": tuple(f.name for f in dataclasses.fields(CastingSettings)),
    "owned": tuple(f.name for f in dataclasses.fields(OwnedSettings)),
    "day": tuple(f.name for f in dataclasses.fields(DaySettings)),
    "habits": tuple(f.name for f in dataclasses.fields(HabitSettings)),
    "sure": tuple(f.name for f in dataclasses.fields(SureSettings)),
    "lengths": tuple(f.name for f in dataclasses.fields(LengthSettings)),
    "losses": tuple(_LOSS_LIMITS),
}
KEYS: Final = tuple(f"{table}.{name}" for table, names in _NAMES.items() for name in names)
"""Every setting, in the order in which a file says them."""


def read_shop(path: Path) -> ShopSettings:
    """The settings of a shop.

    Tables: [shop] name, currency, what work costs as metal, lengths_in, masses_in, temperatures_in, language, paper;
    [sheets], [pot], [casting], [owned], [day], [habits], [sure], [lengths] with the fields of the settings; [losses] dross
    shares by kind of lot, oxide_share, and factor_Sn ... by element.

    Errors: FileFormatError, PlanError, MeltError with table and key.
    """
    top = read_toml(path)
    settings = _settings(top)
    return dataclasses.replace(settings, said=frozenset(said_of(top.data, settings)))


def read_said(path: Path) -> Said:
    """What a shop.toml says, in metric units. Errors as `read_shop`."""
    top = read_toml(path)
    return said_of(top.data, _settings(top))


def said_of(data: Mapping[str, object], settings: ShopSettings) -> Said:
    """The values of those keys that the tables of a file name, each with or without its unit.

    >>> said_of({"casting": {"scoop": "25 lb"}}, ShopSettings())
    {'casting.scoop_kg': 11.3}
    """
    return {key: value_of(settings, key) for key in KEYS if _is_named(data, key)}


def _is_named(data: Mapping[str, object], key: str) -> bool:
    table, _, name = key.partition(".")
    held = data.get(table, {})
    if not isinstance(held, Mapping):
        return False
    base, _, suffix = name.rpartition("_")
    return name in held or (suffix in _BY_SUFFIX and base in held)


def settings_of(said: Mapping[str, object], where: str = "settings") -> ShopSettings:
    """The settings that a shop said, the program's own where it said nothing. Errors: as `read_shop`.

    >>> settings_of({"pot.capacity_kg": 480.0}).pot.capacity_kg, settings_of({}) == ShopSettings()
    (480.0, True)
    """
    check_keys(said, where)
    return dataclasses.replace(_settings(TomlTable(nested(said), where)), said=frozenset(said))


def check_keys(said: Iterable[str], where: str = "settings") -> None:
    """Refuse what is no setting. Errors: FileFormatError."""
    for key in said:
        if key not in KEYS:
            raise FileFormatError("is not a setting of a shop", field=key[:200], where=where, nearest=near(key, KEYS))


def nested(said: Mapping[str, object]) -> dict[str, object]:
    """The values by table, as a file has them.

    >>> nested({"pot.capacity_kg": 480.0, "shop.paper": "letter"})
    {'shop': {'paper': 'letter'}, 'pot': {'capacity_kg': 480.0}}
    """
    tables: dict[str, dict[str, object]] = {}
    for key in KEYS:
        if key in said:
            table, _, name = key.partition(".")
            tables.setdefault(table, {})[name] = said[key]
    return dict(tables)


def value_of(settings: ShopSettings, key: str) -> float | int | str:
    """The value of one setting.

    >>> [value_of(ShopSettings(), key) for key in ("losses.pig", "losses.factor_Sn", "shop.paper")]
    [0.008, 1.0, 'a4']
    """
    table, _, name = key.partition(".")
    held: Any = settings if table == "shop" else getattr(settings, table)
    if table == "losses" and name != "oxide_share":
        kind, _, element = name.partition("_")
        found = dict(held.element_factor).get(element, 1.0) if kind == "factor" else dict(held.dross_share)[name]
        return float(found)
    value: float | int | str = getattr(held, _ATTRIBUTES.get(name, name))
    return value


def own_beside(settings: ShopSettings) -> ShopSettings:
    """The program's own values beside what a shop said: what it takes of a pot goes with the pot's size.

    >>> own_beside(settings_of({"pot.capacity_kg": 90.0})).pot.heel_kg
    3.0
    """
    own = ShopSettings()
    pot = PotSettings.usual(settings.pot.capacity_kg)
    return dataclasses.replace(own, pot=dataclasses.replace(pot, capacity_kg=own.pot.capacity_kg))


def limits_of(settings: ShopSettings, key: str) -> tuple[float, float] | None:
    """The least and the most of a setting beside the others as they are; None for what is no number."""
    table, _, name = key.partition(".")
    by_table = {"shop": _SHOP_LIMITS, "losses": _LOSS_LIMITS}
    if table == "owned":
        return None
    limits: Limits = by_table[table] if table in by_table else getattr(settings, table).limits
    return limits.get(name)


def shop_toml(said: Mapping[str, object], own: ShopSettings | None = None) -> str:
    """A shop.toml that says this; with `own`, what it does not say follows as remarks with the program's values.

    >>> print(shop_toml({"pot.capacity_kg": 480.0, "shop.name": "a \\"shop\\""}), end="")
    [shop]
    name = "a \\"shop\\""
    <BLANKLINE>
    [pot]
    capacity_kg = 480.0
    """
    return "\n".join(_toml_lines(said, own))


def _toml_lines(said: Mapping[str, object], own: ShopSettings | None) -> Iterator[str]:
    first = True
    for table, names in _NAMES.items():
        shown = [n for n in names if own is not None or f"{table}.{n}" in said]
        if not shown:
            continue
        yield f"[{table}]" if first else f"\n[{table}]"
        first = False
        for name in shown:
            key = f"{table}.{name}"
            if key in said:
                yield f"{name} = {_toml_value(said[key])}"
            elif own is not None:
                yield f"# {name} = {_toml_value(value_of(own, key))}"
    yield ""


def _toml_value(value: object) -> str:
    # TOML's texts are JSON's but for the one sign that JSON lets stand
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F") if isinstance(value, str) else repr(value)


FILLED: Final[dict[str, DataclassInstance]] = {
    "sheets": SheetSettings(),
    "pot": PotSettings(),
    "casting": CastingSettings(),
    "owned": OwnedSettings(),
    "day": DaySettings(),
    "habits": HabitSettings(),
    "sure": SureSettings(),
    "lengths": LengthSettings(),
}


def _settings(top: TomlTable) -> ShopSettings:
    head = top.table("shop", TomlTable({}, f"{top.where} [shop]"))
    own = ShopSettings()
    said: dict[str, object] = {
        "name": _short(head, "name", own.name, LONGEST_NAME),
        "currency": _short(head, "currency", own.currency, LONGEST_CURRENCY),
        "mandrels": _mandrels(head),
        "crew": _short(head, "crew", "", LONGEST_NAME) if head.raw("crew") else "",
    }
    said |= {key: head.mass_kg(key.removesuffix("_kg"), *_SHOP_LIMITS[key], getattr(own, key)) for key in _WORK}
    said |= {_ATTRIBUTES.get(key, key): head.text(key, allowed[0], allowed) for key, allowed in _CHOSEN.items()}
    head.finish()
    said |= {key: filled(top, key, base) for key, base in FILLED.items()}
    losses = _losses(top)
    top.finish()
    try:
        changed: Callable[..., ShopSettings] = dataclasses.replace
        return changed(own, **said, losses=losses, source=top.where)
    except InputError as error:
        raise error.at(top.where) from None


def _short(table: TomlTable, key: str, default: T, longest: int) -> str | T:
    text = table.text(key, default)
    if not isinstance(text, str):
        return text
    if len(text) > longest or not text.isprintable():
        raise table.error("is not a name", key, text, Text("1 to {longest} printable letters", longest=longest))
    return text


def _mandrels(table: TomlTable) -> str:
    text = _short(table, "mandrels", "", LONGEST_LIST) if table.raw("mandrels") else ""
    try:
        parse_mandrels(text)
    except InputError as error:
        raise error.at(table.where) from None
    return text


def filled(top: TomlTable, key: str, base: Base) -> Base:
    """Settings with what a table says in place of `base`'s; each field is read as its name's unit says.

    Errors: FileFormatError, PlanError with table and key.
    """
    table: TomlTable = top.table(key, TomlTable({}, f"{top.where} [{key}]"))
    values: dict[str, object] = {}
    value: float | str | None
    for item in dataclasses.fields(base):
        name, _, suffix = item.name.rpartition("_")
        if suffix in _BY_SUFFIX:
            value = table.quantity(name, suffix, _BY_SUFFIX[suffix], -_ANY, _ANY, None)
        elif item.type == "str":
            value = "" if table.raw(item.name) == "" else _short(table, item.name, None, LONGEST_LIST)
        elif item.type == "int":
            value = table.whole(item.name, 0, 10_000, None)
        else:
            value = table.number(item.name, -_ANY, _ANY, None)
        if value is not None:
            values[item.name] = value
    table.finish()
    given: object = base
    capacity_kg = values.get("capacity_kg")
    if base == PotSettings() and isinstance(capacity_kg, float) and 0.0 < capacity_kg < _ANY:
        given = PotSettings.usual(capacity_kg)  # what is not said of a pot goes with its size
    try:
        changed: Callable[..., Base] = dataclasses.replace
        return changed(given, **values)
    except InputError as error:
        raise error.at(top.where) from None


def _losses(top: TomlTable) -> LossModel:
    default = LossModel()
    table: TomlTable = top.table("losses", TomlTable({}, f"{top.where} [losses]"))
    shares = dict(default.dross_share)
    for kind in LOT_KINDS:
        shares[kind] = table.ratio(kind, *_LOSS_LIMITS[kind], shares[kind])
    oxide = table.ratio("oxide_share", *_LOSS_LIMITS["oxide_share"], default.oxide_share)
    factors = [(e, table.number(f"factor_{e}", *_LOSS_LIMITS[f"factor_{e}"], None)) for e in ELEMENTS]
    table.finish()
    return LossModel(tuple(shares.items()), oxide, tuple((e, factor) for e, factor in factors if factor is not None))
