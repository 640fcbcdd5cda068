"""The shop's settings: `shop.toml`. Every key has a default; the file says only what is different."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipemetal import units
from pipemetal.alloys.composition import ELEMENTS
from pipemetal.errors import InputError
from pipemetal.files.toml_table import TomlTable, read_toml
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import LOT_KINDS
from pipemetal.planning.settings import CastingSettings, PotSettings, SheetSettings, ShopSettings

__all__ = ["filled", "read_shop"]

_BY_SUFFIX: dict[str, Callable[..., float]] = {
    "mm": units.parse_length_mm,
    "kg": units.parse_mass_kg,
    "c": units.parse_temperature_c,
}
_ANY = 1e9
SHOWN_IN = {
    "lengths_in": ("mm", "in"), "masses_in": ("kg", "lb"), "temperatures_in": ("C", "F"), "language": ("en", "de"),
    "paper": ("a4", "letter"),
}  # fmt: skip


def read_shop(path: Path) -> ShopSettings:
    """The settings of a shop.

    Tables: [shop] name, currency, lengths_in, masses_in, temperatures_in, language, paper; [sheets], [pot], [casting] with the
    fields of the settings; [losses] dross shares by kind of lot, oxide_share, and factor_Sn ... by element.

    Errors: FileFormatError, PlanError, MeltError with table and key.
    """
    top = read_toml(path)
    head = top.table("shop", TomlTable({}, f"{path.name} [shop]"))
    name, currency = head.text("name", "a shop"), head.text("currency", "EUR")
    emptying = head.mass_kg("emptying_costs", 0.0, 1000.0, 20.0)
    length, mass, temperature, language, paper = (
        head.text(key, allowed[0], allowed) for key, allowed in SHOWN_IN.items()
    )
    head.finish()
    settings = ShopSettings(
        name, currency, length, mass, temperature, language, paper, filled(top, "sheets", SheetSettings()),
        filled(top, "pot", PotSettings()),
        filled(top, "casting", CastingSettings()), _losses(top), emptying,
    )  # fmt: skip
    top.finish()
    return settings


def filled(top: TomlTable, key: str, base: Any) -> Any:
    """Settings with what a table says in place of `base`'s; each field is read as its name's unit says.

    Errors: FileFormatError, PlanError with table and key.
    """
    table: TomlTable = top.table(key, TomlTable({}, f"{top.where} [{key}]"))
    values: dict[str, Any] = {}
    for item in dataclasses.fields(base):
        name, _, suffix = item.name.rpartition("_")
        if suffix in _BY_SUFFIX:
            value = table.quantity(name, suffix, _BY_SUFFIX[suffix], -_ANY, _ANY, None)
        elif item.type == "int":
            value = table.whole(item.name, 0, 10_000, None)
        else:
            value = table.number(item.name, -_ANY, _ANY, None)
        if value is not None:
            values[item.name] = value
    table.finish()
    try:
        return dataclasses.replace(base, **values)
    except InputError as error:
        raise error.at(top.where) from None


def _losses(top: TomlTable) -> LossModel:
    default = LossModel()
    table: TomlTable = top.table("losses", TomlTable({}, f"{top.where} [losses]"))
    shares = dict(default.dross_share)
    for kind in LOT_KINDS:
        shares[kind] = table.ratio(kind, 0.0, 0.3, shares[kind])
    oxide = table.ratio("oxide_share", 0.0, 1.0, default.oxide_share)
    factors = [(element, table.number(f"factor_{element}", 0.0, 3.0, None)) for element in ELEMENTS]
    table.finish()
    return LossModel(tuple(shares.items()), oxide, tuple((e, factor) for e, factor in factors if factor is not None))
