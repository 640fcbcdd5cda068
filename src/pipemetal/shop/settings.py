"""The shop's settings in the book, and which settings count: one rule for the pages and for every command that takes a book.

A file that was given counts before the book, the book before shop.toml beside it, that before the program's own. They are never
mixed: what the one that counts does not say is the program's own.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from pipemetal.errors import BookError, InputError
from pipemetal.files.shop_file import KEYS, Said, check_keys, limits_of, own_beside, read_said, settings_of, value_of
from pipemetal.planning.settings import ShopSettings, rests_on
from pipemetal.shop.connect import sqlite_file
from pipemetal.shop.refusals import StaleSaveError
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import SettingsRow
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Writing, Written, dump, version_of
from pipemetal.texts import Text

__all__ = [
    "BESIDE",
    "BOOK",
    "GIVEN",
    "PROGRAM",
    "InEffect",
    "SaidFile",
    "Settings",
    "Told",
    "ToldSetting",
    "beside_book",
    "check_settings",
    "in_effect",
    "said_file",
]

GIVEN: Final = "a file given"
BOOK: Final = "the book"
BESIDE: Final = "shop.toml beside the book"
PROGRAM: Final = "the program's own"
ROW: Final = "shop"


@dataclass(frozen=True)
class SaidFile:
    """A shop.toml that was read."""

    name: str
    said: Said


@dataclass(frozen=True)
class ToldSetting:
    """A setting with its origin, the program's own value, what that rests on, and the limits where it has any; metric."""

    value: float | int | str
    origin: str
    own: float | int | str
    rests_on: str
    least: float | None
    most: float | None


@dataclass(frozen=True)
class Told:
    """All settings in effect by key, where they come from, and the version to save on."""

    origin: str
    source: str
    version: int
    values: dict[str, ToldSetting]


@dataclass(frozen=True)
class InEffect:
    """The settings that count, what of them the shop said, and where: GIVEN, BOOK, BESIDE or PROGRAM.

    `version` is that of the book's row, of a withdrawn one too; 0 where there never was one.
    """

    settings: ShopSettings
    said: Said
    origin: str
    version: int = 0

    def origin_of(self, key: str) -> str:
        """Where the value of one setting comes from."""
        return self.origin if key in self.said else PROGRAM

    def told(self) -> Told:
        """Every setting with its value, origin, the program's own value and what that rests on; metric."""
        own = own_beside(self.settings)
        values: dict[str, ToldSetting] = {}
        for key in KEYS:
            low, high = limits_of(self.settings, key) or (None, None)
            value = value_of(self.settings, key)
            values[key] = ToldSetting(value, self.origin_of(key), value_of(own, key), rests_on(key), low, high)
        return Told(self.origin, self.settings.source, self.version, values)


class Settings:
    """What the shop says of itself, kept in the book: one row, so that values which hang together change together."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def kept(self) -> tuple[Said | None, int]:
        """What the book says, None where it says nothing, and the version to save on. Errors: BookError."""
        row = next((r for r in self._writer.rows(SettingsRow, withdrawn=True) if r.id == ROW), None)
        if row is None or row.withdrawn:
            return None, row.version if row else 0
        return _said(row.said), row.version

    def change(
        self, changes: Mapping[str, float | int | str | None], version: int | None = None, base: Said | None = None
    ) -> Written[None]:
        """Change some values, None for the program's own again.

        `base` is what counted before, taken over where the book kept nothing yet. All of it is checked together.
        Errors: StaleSaveError with the values in question, PlanError, MeltError, FileFormatError with the setting, BookError
        where nothing would change.
        """
        check_keys(changes)
        with self._writer.writing(Action.SETTINGS_CHANGED, f"settings:{ROW}") as w:
            held, now = _row(w)
            before = _said(held.said) if held is not None else dict(base or {})
            if version is not None and version != now:
                own = ShopSettings()
                theirs = {k: before.get(k, value_of(own, k)) for k in changes}
                by = w.changed_last("settings", ROW)
                mine = {k: "" if v is None else v for k, v in changes.items()}
                raise StaleSaveError("the shop's settings", mine, theirs, by=by, own=bool(by) and by == w.who)
            after = {k: v for k, v in {**before, **changes}.items() if v is not None}
            if after == before:
                raise BookError("would change nothing", field="settings")
            if held is None and before:
                # first what counted, then the change, so that the history tells one from the other
                _write(w, None, before)
                held = _row(w)[0]
            _write(w, held, after)
            return w.written()

    def keep(self, said: Said) -> Written[None]:
        """Keep these values and no others. Errors: as `change`."""
        with self._writer.writing(Action.SETTINGS_CHANGED, f"settings:{ROW}") as w:
            _write(w, _row(w)[0], said)
            return w.written()

    def forget(self) -> Written[None]:
        """Keep no settings any more. Errors: BookError where none are kept."""
        with self._writer.writing(Action.SETTINGS_FORGOTTEN, f"settings:{ROW}") as w:
            w.change("settings", ROW, None, withdrawn=True)
            return w.written()


def _row(w: Writing) -> tuple[SettingsRow | None, int]:
    """What is kept, and the version to save on, of a row that was withdrawn too."""
    row = w.row("settings", ROW)
    return (None if row is None or row["withdrawn"] else SettingsRow.of(row)), (version_of(row) if row else 0)


def _write(w: Writing, held: SettingsRow | None, said: Said) -> None:
    checked = settings_of(said)
    # as the reader understood them, so that a text with a unit becomes a number
    text = dump({key: value_of(checked, key) for key in said})
    if held is None:
        w.add("settings", ROW, said=text)
    else:
        w.change("settings", ROW, held.version, said=text)


def _said(text: str) -> Said:
    try:
        held = json.loads(text)
    except (ValueError, RecursionError):
        held = None
    if not isinstance(held, dict):
        raise BookError(
            "cannot be read", field="settings", where="the book", allowed="pipemetal book settings keep FILE"
        )
    return held


def check_settings(text: str) -> list[str]:
    """What is wrong with the settings that a book keeps."""
    try:
        settings_of(_said(text))
    except InputError as error:
        return [f"settings: {error}"]
    return []


def in_effect(kept_in_book: Settings | None, given: SaidFile | None, beside: SaidFile | None) -> InEffect:
    """The settings that count. Errors: BookError, PlanError where the book's cannot be used."""
    kept, version = kept_in_book.kept() if kept_in_book is not None else (None, 0)
    if given is not None:
        return _effect(given.said, GIVEN, f"{given.name}, given", version)
    if kept is not None:
        return _effect(kept, BOOK, Text("the book, version {version}", version=version), version)
    if beside is not None:
        return _effect(beside.said, BESIDE, f"{beside.name} beside the book", version)
    return _effect({}, PROGRAM, PROGRAM, version)


def _effect(said: Said, origin: str, source: str, version: int) -> InEffect:
    return InEffect(replace(settings_of(said, source), source=source), dict(said), origin, version)


def said_file(path: Path) -> SaidFile:
    """A shop.toml, read. Errors: FileFormatError, PlanError, MeltError with table and key."""
    return SaidFile(path.name, read_said(path))


def beside_book(target: str) -> SaidFile | None:
    """shop.toml in the folder of a book that is a file; None where there is none. Errors: as `said_file`."""
    file = sqlite_file(target)
    path = file.parent / "shop.toml" if file is not None else None
    return said_file(path) if path is not None and path.is_file() else None
