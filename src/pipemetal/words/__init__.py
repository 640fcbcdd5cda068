"""What is said to people, in their language: English in the code, other languages from a catalogue beside this module.

A catalogue is a TOML table of the English text and its translation; places for values stand in braces in both. A text that
a catalogue lacks is shown in English, and a test names it.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Final

from pipemetal.errors import UnitError
from pipemetal.texts import Amount, Text, Value
from pipemetal.units import UnitSystem

__all__ = ["LANGUAGES", "Words", "catalogue"]

LANGUAGES: Final = ("en", "de")
WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@cache
def catalogue(language: str) -> Mapping[str, str]:
    """All texts of a language by their English; empty for English itself.

    >>> catalogue("en")
    {}
    """
    if language == "en":
        return {}
    text = (resources.files("pipemetal.words") / f"{language}.toml").read_text(encoding="utf-8")
    found: dict[str, str] = {}
    for section in tomllib.loads(text).values():
        found |= section
    return found


class Words:
    """Says a text in one language.

    >>> print(Words("de")("Day {day}", day=3), "or", Words()("Day {day}", day=3))
    Tag 3 or Day 3

    Raises: UnitError for a language that there is no catalogue of.
    """

    def __init__(self, language: str = "en") -> None:
        if language not in LANGUAGES:
            raise UnitError("is not a language", field="language", value=language, allowed=" or ".join(LANGUAGES))
        self.language = language
        self._texts = catalogue(language)

    def read(self, text: str, units: UnitSystem | None = None) -> str:
        """A text of a room in this language, its amounts in the reader's units; a plain `str` as the catalogue has it.

        >>> from pipemetal.texts import Amount, Text
        >>> told = Text("gate from {a} to {b}", a=Amount(2.5, "mm", 1, bare=True), b=Amount(2.7, "mm", 1))
        >>> print(Words("de").read(told, UnitSystem(comma=True)))
        Spalt von 2,5 auf 2,7 mm
        """
        if not isinstance(text, Text):
            return self._texts.get(text, text)
        units = units or UnitSystem(comma=self.language != "en")
        said = self._texts.get(text.template, text.template)
        if not text.values:
            return said
        return said.format(**{name: self._shown(value, units) for name, value in text.values.items()})

    def _shown(self, value: Value, units: UnitSystem) -> str:
        if isinstance(value, Amount):
            return units.show_amount(value)
        return self.read(value, units) if isinstance(value, str) else str(value)

    def date(self, iso: str) -> str:
        """A date with its day of the week, as people of this language write it; what is no date stays.

        >>> print(Words().date("2026-12-07"), "or", Words("de").date("2026-12-07"))
        Mon 2026-12-07 or Mo 07.12.2026
        """
        try:
            day = dt.date.fromisoformat(iso)
        except ValueError:
            return iso
        name = self(WEEKDAYS[day.weekday()])
        return f"{name} {day:%d.%m.%Y}" if self.language == "de" else f"{name} {iso}"

    def __call__(self, text: str, /, **values: object) -> str:
        said = self._texts.get(text, text)
        return said.format(**values) if values else said
