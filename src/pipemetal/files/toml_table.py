"""Strict reading of TOML: every key is asked for once, what was not asked for is an error that names what is allowed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from types import EllipsisType
from typing import Final, TypeVar

from pipemetal import units
from pipemetal.errors import FileFormatError, InputError, allowed_text, near
from pipemetal.files.missing import no_such_file
from pipemetal.files.plain import hidden_mark
from pipemetal.quantities import Quantity, unit_of
from pipemetal.texts import Amount, Text

__all__ = ["TomlTable", "near", "numbers_of", "parsed_toml", "read_toml", "texts_of", "toml_of"]

T = TypeVar("T")
Parsed = TypeVar("Parsed")
MAX_BYTES = 5_000_000
MAX_TOML_BYTES = 1_000_000
"""An organ's file has some ten thousand; the slowest that so many bytes can hold takes two seconds."""
MOST_DOTS = 20
"""A longer word is no slip of the pen: nothing near it is looked for."""
# Starts where a word starts and never goes back, so that it is read once however long the text.
_DOTTED = re.compile(rf"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{MOST_DOTS + 1}}}""")

_WITH_COMMA = re.compile(r"([\w-]+)\s*=\s*([-+]?\d+),(\d+)")


def read_toml(path: Path) -> TomlTable:
    """The top table of a TOML file.

    Errors: FileFormatError for a file that is missing, too large, not text, empty or not TOML (with its line).
    """
    return toml_of(read_text(path, MAX_TOML_BYTES), path.name)


def toml_of(text: str, name: str) -> TomlTable:
    """The top table of a TOML text; `name` is how messages call it. Errors: FileFormatError, as read_toml."""
    if len(text) > MAX_TOML_BYTES:
        raise FileFormatError(
            "is too large", where=name, allowed=Text("up to {max_toml_bytes} letters", max_toml_bytes=MAX_TOML_BYTES)
        )
    try:
        data = parsed_toml(text)
    except ValueError as error:
        if (comma := _decimal_comma(text, str(error), name)) is not None:
            raise comma from None
        raise FileFormatError(
            Text("is not TOML: {error}", error=str(error)), where=name, example='name = "M1"'
        ) from None
    if not data:
        raise FileFormatError("is empty", where=name)
    return TomlTable(data, name)


def _decimal_comma(text: str, why: str, name: str) -> FileFormatError | None:
    """The error of a number with a decimal comma in the line that the parser stopped at; None where it is something else."""
    at, lines = re.search(r"at line (\d+)", why), text.splitlines()
    line = lines[int(at[1]) - 1] if at is not None and 0 < int(at[1]) <= len(lines) else ""
    found = _WITH_COMMA.search(line)
    if found is None:
        return None
    key, whole, part = found.groups()
    return FileFormatError(
        "has a decimal comma: decimals need a point, or the value quotes",
        field=key,
        value=f"{whole},{part}",
        where=Text("{place} line {number}", place=name, number=at[1] if at else ""),
        # three digits after a comma may be thousands
        example=f"{key} = {whole}.{part} or {key} = " + (f"{whole}{part}" if len(part) == 3 else f'"{whole},{part}"'),
    )


def parsed_toml(text: str) -> dict[str, object]:
    """The tables of a TOML text, refused where it is nested or numbered beyond what any shop writes.

    >>> parsed_toml("a = [1, 2]")
    {'a': [1, 2]}

    Errors: ValueError that says why.
    """
    # The parser takes time and memory by the square of a dotted key's parts.
    if _DOTTED.search(text):
        raise ValueError(f"a key has more than {MOST_DOTS} dots")
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    _check_numbers(data)
    return data


def _check_numbers(data: dict[str, object]) -> None:
    """Refuse whole numbers beyond 64 bits: TOML promises no more, and no measure of a shop needs them."""
    waiting: list[object] = [data]
    while waiting:
        held = waiting.pop()
        if isinstance(held, dict | list):
            waiting += held.values() if isinstance(held, dict) else held
        elif isinstance(held, int) and not -(2**63) <= held < 2**63:
            raise ValueError("a whole number is beyond 64 bits")


def read_text(path: Path, most_bytes: int = MAX_BYTES) -> str:
    """The text of a file of reasonable size, UTF-8 with or without a byte order mark."""
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise FileFormatError("is a folder, a file is wanted", where=str(path))
        if size > most_bytes:
            raise FileFormatError(
                "is too large",
                where=path.name,
                value=f"{size} bytes",
                allowed=Text("up to {most_bytes}", most_bytes=most_bytes),
            )
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise no_such_file(path) from None
    except PermissionError:
        raise FileFormatError("cannot be read: permission denied", where=str(path)) from None
    except UnicodeDecodeError:
        raise FileFormatError("is not UTF-8 text", where=path.name) from None
    except (OSError, ValueError) as error:  # a name that is too long, or with a zero in it
        if isinstance(error, FileFormatError):
            raise
        raise FileFormatError("cannot be read", where=str(path)) from None


def numbers_of(value: object, count: int | None = None) -> tuple[float, ...] | None:
    """The numbers of an array, None where it is no array of numbers or not of so many.

    >>> numbers_of([1, 2.5]), numbers_of([1, True]), numbers_of([1, 2], 3)
    ((1.0, 2.5), None, None)
    """
    items = value if isinstance(value, list) else [None]
    found = tuple(float(v) for v in items if isinstance(v, int | float) and not isinstance(v, bool))
    return found if len(found) == len(items) == (len(items) if count is None else count) else None


def texts_of(value: object) -> tuple[str, ...] | None:
    """The texts of an array, None where something else stands in it.

    >>> texts_of(["a", "b"]), texts_of(["a", 1])
    (('a', 'b'), None)
    """
    items = value if isinstance(value, list) else [None]
    found = tuple(v for v in items if isinstance(v, str))
    return found if len(found) == len(items) else None


_PARSERS: Final[Mapping[str, Callable[..., float]]] = {
    "mm": units.parse_length_mm,
    "kg": units.parse_mass_kg,
    "c": units.parse_temperature_c,
}


def _some_number(low: float, high: float) -> str:
    """A number that may stand between two limits, as it is written in a file.

    >>> _some_number(0.0, 100.0), _some_number(300.0, 600.0)
    ('12.5, or "12,5" in quotes', '450.5, or "450,5" in quotes')
    """
    middle = 12.5 if low <= 12.5 <= high else float(f"{(low + high) / 2.0:.3g}")
    shown = f"{middle + 0.5 if middle.is_integer() and middle + 0.5 <= high else middle:g}"
    return f'{shown}, or "{shown.replace(".", ",")}" in quotes' if "." in shown else shown


class TomlTable:
    """One table of a TOML file with its place in the file; `finish()` refuses keys that nobody asked for."""

    def __init__(self, data: dict[str, object], where: str) -> None:
        self.data, self.where = data, where
        self._known: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def _take(self, key: str) -> object:
        if key not in self._known:
            self._known.append(key)
        return self.data.get(key)

    def error(
        self, problem: str, key: str, value: object = None, allowed: str = "", nearest: str = "", example: str = ""
    ) -> FileFormatError:
        """An error at a key of this table."""
        return FileFormatError(
            problem, field=key, value=value, allowed=allowed, where=self.where, nearest=nearest, example=example
        )

    def out_of_range(self, key: str, value: float, low: float, high: float, unit: str = "") -> FileFormatError:
        """The error of a number beyond its limits."""
        return FileFormatError("is out of range", field=key, value=value, where=self.where, limits=(low, high, unit))

    def _required(self, key: str, what: str) -> object:
        value = self._take(key)
        if value is None:
            self.refuse_slip(key)
            raise self.error("is missing", key, allowed=what)
        return value

    def refuse_slip(self, key: str) -> None:
        """Refuse a key that was probably meant for one that is missing."""
        for written in self.data:
            if written not in self._known and near(key, [written], 0.75):
                raise self.error("is not a key of this table", written, nearest=key)

    def text(self, key: str, default: T | EllipsisType = ..., choices: Sequence[str] = ()) -> str | T:
        """A text; one of `choices` where given."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, ", ".join(choices))
        if not isinstance(value, str) or not value.strip():
            raise self.error("is not a text", key, value, ", ".join(choices))
        value = value.strip()
        if mark := hidden_mark(value):
            raise self.error(Text("holds a hidden mark, {mark}", mark=mark), key, value, "letters that are seen")
        if choices and value not in choices:
            raise self.error("is not known", key, value, ", ".join(choices), near(value, choices))
        return value

    def flag(self, key: str, default: T | EllipsisType = ...) -> bool | T:
        """true or false."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, "true or false")
        if not isinstance(value, bool):
            raise self.error("is not true or false", key, value)
        return value

    def number(self, key: str, low: float, high: float, default: T | EllipsisType = ...) -> float | T:
        """A number between two limits, in the unit that its key names."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, allowed_text(low, high))
        return self._within(key, self._parsed(key, value, units.parse_number, _some_number(low, high)), low, high)

    def whole(self, key: str, low: int, high: int, default: T | EllipsisType = ...) -> int | T:
        """A whole number between two limits."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, allowed_text(low, high))
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error("is not a whole number", key, value, allowed_text(low, high))
        if not low <= value <= high:
            raise self.out_of_range(key, value, low, high)
        return value

    def _within(self, key: str, value: float, low: float, high: float, unit: str = "") -> float:
        if not low <= value <= high:
            raise self.out_of_range(key, value, low, high, unit.strip())
        return value

    def _parsed(self, key: str, value: object, parse: Callable[..., Parsed], example: str = "") -> Parsed:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise self.error("is not a quantity", key, value)
        try:
            return parse(value, field=key)
        except InputError as error:
            error.example = example or error.example
            raise error.at(self.where) from None

    def quantity(
        self,
        base: str,
        suffix: str,
        parse: Callable[..., float],
        low: float,
        high: float,
        default: T | EllipsisType = ...,
    ) -> float | T:
        """A quantity: `base_suffix` as a number in that unit, or `base` as a text with its unit."""
        plain, with_unit = self._take(f"{base}_{suffix}"), self._take(base)
        if plain is not None and with_unit is not None:
            raise self.error(Text("is given twice, as {base} and as {key}", base=base, key=f"{base}_{suffix}"), base)
        key = f"{base}_{suffix}" if with_unit is None else base
        if plain is None and with_unit is None:
            if isinstance(default, EllipsisType):
                self.refuse_slip(key)
                raise self.error(
                    "is missing",
                    key,
                    allowed=Text(
                        "{low} to {high} {unit_of}, or {base} with a unit",
                        low=Amount.short(low),
                        high=Amount.short(high),
                        unit_of=unit_of(suffix),
                        base=base,
                    ),
                )
            return default
        given, reader = (plain, units.parse_number) if with_unit is None else (with_unit, parse)
        value = self._parsed(key, given, reader, _some_number(low, high) if with_unit is None else "")
        return self._within(key, value, low, high, f" {unit_of(suffix)}")

    def given(self, quantity: Quantity, default: T | EllipsisType = ..., *, base: str = "") -> float | T:
        """A quantity by its name, which may be given as a text with a unit; `base` is its name here without the unit."""
        _, _, suffix = quantity.name.rpartition("_")
        parse = _PARSERS.get(suffix)
        if parse is None:
            return self.number(base or quantity.name, *quantity.limits, default)
        base = base or quantity.name.removesuffix(f"_{suffix}")
        return self.quantity(base, suffix, parse, *quantity.limits, default)

    def length_mm(self, base: str, low: float, high: float, default: T | EllipsisType = ...) -> float | T:
        """A length as `base_mm = 200` or `base = "8 in"`."""
        return self.quantity(base, "mm", units.parse_length_mm, low, high, default)

    def mass_kg(self, base: str, low: float, high: float, default: T | EllipsisType = ...) -> float | T:
        """A mass as `base_kg = 25` or `base = "55 lb"`."""
        return self.quantity(base, "kg", units.parse_mass_kg, low, high, default)

    def temperature_c(self, base: str, low: float, high: float, default: T | EllipsisType = ...) -> float | T:
        """A temperature as `base_c = 18` or `base = "64 F"`."""
        return self.quantity(base, "c", units.parse_temperature_c, low, high, default)

    def ratio(self, key: str, low: float, high: float, default: T | EllipsisType = ...) -> float | T:
        """A share of something: 0.25, "1/4" or "25 %"."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, f'a share such as "1/4", {low:g} to {high:g}')
        return self._within(key, self._parsed(key, value, units.parse_ratio), low, high)

    def footage(self, key: str, value: object) -> Fraction:
        """A footage such as "2 2/3'"."""
        return self._parsed(key, value, units.parse_footage)

    def raw(self, key: str) -> object:
        """A value as it stands, for the caller to look into."""
        return self._take(key)

    def array(self, key: str, default: T | EllipsisType = ...) -> list[object] | T:
        """An array as it stands."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, "an array [...]")
        if not isinstance(value, list):
            raise self.error("is not an array", key, value)
        return value

    def table(self, key: str, default: T | EllipsisType = ...) -> TomlTable | T:
        """A table inside this one."""
        if not isinstance(default, EllipsisType) and self._take(key) is None:
            return default
        value = self._required(key, f"a table [{key}]")
        if not isinstance(value, dict):
            raise self.error("is not a table", key, value)
        return TomlTable(value, f"{self.where} [{key}]")

    def tables(self, key: str) -> list[TomlTable]:
        """An array of tables, each with its number and name in its place."""
        value = self._take(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error("is not an array of tables", key, allowed=Text("[[{key}]]", key=key))
        found = []
        for number, item in enumerate(value, start=1):
            name = item.get("name", item.get("from", ""))
            label = f" {name!r}" if isinstance(name, str) and name else ""
            found.append(TomlTable(item, f"{self.where} [[{key}]] {number}{label}"))
        return found

    def named_tables(self, key: str) -> dict[str, TomlTable]:
        """Tables [key.name], by their names."""
        value = self._take(key)
        if value is None:
            return {}
        if not isinstance(value, dict) or not all(isinstance(item, dict) for item in value.values()):
            raise self.error("is not a set of tables", key, allowed=Text("[{key}.name]", key=key))
        return {name: TomlTable(item, f"{self.where} [{key}.{name}]") for name, item in value.items()}

    def finish(self) -> None:
        """Refuse keys that were not asked for."""
        for key in self.data:
            if key not in self._known:
                hint = near(key, self._known, 0.75)
                raise self.error("is not a key of this table", key, allowed=", ".join(self._known), nearest=hint)
