"""What is said to people, in their language: English in the code, other languages from a catalogue beside this module.

A catalogue is a TOML table of the English text and its translation; places for values stand in braces in both. A text that
a catalogue lacks is shown in English, and a test names it.
"""

from __future__ import annotations

import re
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
_PLACE: Final = re.compile(r"\{(\w+)\}")
_DECIMAL: Final = re.compile(r"(?<![\d.])(\d+)\.(\d+)(?!\.?\d)")


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


@cache
def _patterns(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Texts with places for values, as patterns; those with most letters of their own first: the most particular answers."""
    found = []
    for text, said in sorted(catalogue(language).items(), key=lambda pair: -len(_PLACE.sub("", pair[0]))):
        if _PLACE.search(text):
            parts = _PLACE.split(text)
            pattern = "".join(f"(?P<{p}>.+?)" if i % 2 else re.escape(p) for i, p in enumerate(parts))
            found.append((re.compile(pattern), said))
    return tuple(found)


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

    def made(self, text: str) -> str:
        """A text that was made elsewhere, with values in it: matched by a text of the catalogue with places; else as it is.

        >>> print(Words("de").made("push and jet differ (1.46; gentle is 0.7 to 1.4)"))
        Zug und Strahl sind verschieden schnell (1,46; sanft ist 0,7 bis 1,4)
        """
        if isinstance(text, Text):
            return self.read(text)
        if text in self._texts or self.language == "en":
            return self._texts.get(text, text)
        for pattern, said in _patterns(self.language):
            match = pattern.fullmatch(text)
            if match is not None:
                return said.format(**{name: self.made(value) for name, value in match.groupdict().items()})
        return _DECIMAL.sub(r"\1,\2", text)

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

    def __call__(self, text: str, /, **values: object) -> str:
        said = self._texts.get(text, text)
        return said.format(**values) if values else said
