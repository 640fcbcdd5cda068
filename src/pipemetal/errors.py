"""The one tree of errors: every room raises its own kind, and every kind says what, where and what is allowed.

PipemetalError                   base of all, never raised itself
├── InputError (ValueError)      something that a person gave cannot be used; exit code 2
│   ├── UnitError                a quantity that cannot be read
│   ├── FileFormatError          a file that does not have the form it should have
│   ├── AlloyError               composition, recipe, assay
│   ├── PipeError                organ, rank, scale, construction
│   ├── SoundError               recording, pitch of a pipe
│   ├── SheetError               readings, roll, remnant
│   ├── LayoutError              layout problem or plan
│   ├── MeltError                lot, charge, pot
│   ├── CastingError             gate, push, freezing, log
│   ├── PlanError                planning as a whole
│   └── BookError                the shop book
│       └── NotInBookError       nothing of this name is in it
├── ConvergenceError             a numerical method did not reach its answer; never a silent number
└── ConflictError                somebody else changed the same thing
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from copy import copy
from typing import Any, Final, Self

from pipemetal.texts import Amount, Text, Unit, Value, joined

__all__ = [
    "AlloyError",
    "BookError",
    "CastingError",
    "ConflictError",
    "ConvergenceError",
    "FileFormatError",
    "InputError",
    "LayoutError",
    "MeltError",
    "NotInBookError",
    "PipeError",
    "PipemetalError",
    "PlanError",
    "SheetError",
    "SoundError",
    "UnitError",
    "allowed_text",
    "near",
    "some_listed",
]


MOST_OF_VALUE, MOST_OF_NAME, MOST_OF_PROBLEM, MOST_OF_ALLOWED = 80, 300, 600, 1500
"""How many characters of each part a message shows: names and values come from files that anybody may have written."""


def _one_line(text: str, most: int) -> str:
    """Text that a terminal and a log can show: on one line, nothing that steers the terminal, not longer than it helps."""
    if not text.isprintable():
        text = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text[:most])
    return text if len(text) <= most else f"{text[: most - 3]}..."


def _shortened(text: str, most: int) -> str:
    """A text with values as it is where it is short and plain, else as `_one_line` makes it."""
    plain = _one_line(text, most)
    return text if plain == text else plain


def _value_text(value: object) -> str:
    try:
        return repr(value) if isinstance(value, str) else str(value)
    except (ValueError, RecursionError):  # thousands of digits, or lists in lists without end
        return f"a {type(value).__name__} too long to be shown"


_UNITS: Final[dict[str, Unit]] = {"mm": "mm", "kg": "kg", "C": "C", "c": "C", "m/s": "m/s"}


def _unit_of(unit: str, field: str = "") -> Unit:
    """The unit of a value that a reader may want in another, by its own or by what its field's name ends in."""
    return _UNITS.get(unit) or _UNITS.get(field.rpartition("_")[2], "")


def allowed_text(low: float, high: float, unit: str = "") -> Text:
    """The least and the greatest that may stand somewhere, in words.

    >>> print(allowed_text(0.5, 2000.0, "kg"))
    0.5 to 2000 kg
    """
    known = _unit_of(unit)
    least, most = Amount.short(float(low), known, bare=True), Amount.short(float(high), known)
    if known or not unit:
        return Text("{low} to {high}", low=least, high=most)
    return Text("{low} to {high} {unit}", low=least, high=most, unit=unit)


def _limits_of(
    limits: tuple[float, float] | tuple[float, float, str] | None,
) -> tuple[tuple[float, float] | None, str]:
    """The least and the greatest, and their unit."""
    if limits is None:
        return None, ""
    return (limits[0], limits[1]), limits[2].strip() if len(limits) == 3 else ""


LONGEST_WORD: Final = 80
MOST_LISTED: Final = 6
"""Known things that a message lists; the others are counted."""


_ALIKE: Final = str.maketrans("OoIl", "0011")
"""Letters that are read as digits."""


def near(word: str, known: Sequence[str], cutoff: float = 0.6) -> str:
    """The known word that was perhaps meant, or nothing.

    >>> near("heigth", ["height", "width"])
    'height'
    >>> near("R1O1", ["R117", "R101"])
    'R101'
    """
    if alike := [k for k in known if k.translate(_ALIKE) == word.translate(_ALIKE)]:
        return alike[0]
    close = difflib.get_close_matches(word, known, MOST_LISTED, cutoff) if len(word) <= LONGEST_WORD else []
    # of ids that begin so the first, as they are counted
    return min((k for k in close if k.startswith(word)), default=close[0] if close else "")


def some_listed(word: str, known: Sequence[str]) -> str:
    """Known words, those nearest to a word first, and how many others there are; nothing where none is known.

    >>> str(some_listed("R12", ["R123", "R124"])), str(some_listed("x", [f"A{k}" for k in range(9)]))
    ('R123, R124', 'A0, A1, A2, A3, A4, A5 and 3 more')
    """
    if len(known) <= MOST_LISTED:
        return ", ".join(known)
    close = difflib.get_close_matches(word, known, MOST_LISTED, 0.4) if len(word) <= LONGEST_WORD else []
    close.sort(key=lambda k: (not k.startswith(word), k if k.startswith(word) else ""))
    shown = [*close, *(k for k in known if k not in close)][:MOST_LISTED]
    return Text("{some} and {n} more", some=", ".join(shown), n=len(known) - len(shown))


class PipemetalError(Exception):
    """Base of every error that this package raises on purpose."""

    def __copy__(self) -> Self:
        """A copy of its own: a library that pickles errors teaches `copy` to share what an error holds."""
        made = type(self).__new__(type(self))
        made.args = self.args
        made.__dict__.update(self.__dict__)
        return made


class InputError(PipemetalError, ValueError):
    """Something given cannot be used: says what is wrong, where it stands, its value and what is allowed.

    Parameters
    ----------
    problem : what is wrong, as the rest of a sentence whose subject is the field
    field : the name of what was given
    value : what was given, an Amount where it has a unit
    allowed : what may stand there
    where : the file, the table, the row
    limits : the least and the greatest that may stand there, and their unit where they have one; `allowed` is made of them
        where it is not given
    example : what could stand there
    nearest : the known word that was perhaps meant

    >>> print(InputError("is negative", field="thickness_mm", value=-1.2, limits=(0.2, 8.0, "mm"), where="row 3"))
    row 3: thickness_mm is negative (got -1.2; allowed: 0.2 to 8 mm)
    """

    def __init__(
        self,
        problem: str,
        *,
        field: str = "",
        value: object = None,
        allowed: str = "",
        where: str = "",
        limits: tuple[float, float] | tuple[float, float, str] | None = None,
        example: str = "",
        nearest: str = "",
    ) -> None:
        self.problem = problem
        self.field = field
        self.value = value
        self.allowed = allowed
        self.where = where
        self.limits, self.unit = _limits_of(limits)
        self.example = example
        self.nearest = nearest
        if not nearest and isinstance(value, str) and ", " in allowed and value not in allowed.split(", "):
            self.nearest = near(value, allowed.split(", "))
        if self.limits and not allowed:
            self.allowed = allowed_text(*self.limits, self.unit)
        super().__init__(problem)

    def __str__(self) -> str:
        return str(self.text())

    def text(self) -> Text:
        """The message as a text, for a reader's own language."""
        problem = _shortened(self.problem, MOST_OF_PROBLEM)
        if self.nearest:
            meant = _one_line(repr(self.nearest), MOST_OF_NAME)
            problem = Text("{problem}; did you mean {nearest}?", problem=problem, nearest=meant)
        values: dict[str, Value] = {"problem": problem}
        template = "{problem}"
        if self.field:
            values["field"] = _one_line(self.field, MOST_OF_NAME)
            template = "{field} {problem}"
        if self.where:
            values["where"] = _shortened(self.where, MOST_OF_NAME)
            template = f"{{where}}: {template}"
        notes: list[Value] = []
        unit = _unit_of(self.unit, self.field)
        if isinstance(self.value, float) and unit and math.isfinite(self.value):
            notes.append(Text("got {value}", value=Amount.short(self.value, unit, bare=True)))
        elif self.value is not None:
            shown = self.value if isinstance(self.value, Amount) else _one_line(_value_text(self.value), MOST_OF_VALUE)
            notes.append(Text("got {value}", value=shown))
        if self.allowed:
            notes.append(Text("allowed: {allowed}", allowed=_shortened(self.allowed, MOST_OF_ALLOWED)))
        if self.example:
            notes.append(Text("for example {example}", example=_one_line(self.example, MOST_OF_ALLOWED)))
        if notes:
            values["notes"] = joined(notes)
            template += " ({notes})"
        return Text(template, **values)

    def at(self, where: str) -> InputError:
        """The same error with the place in front of the place it already names; a place that it names already stands once."""
        found = copy(self)
        if str(self.where) == str(where):
            return found
        found.where = Text("{outer}, {inner}", outer=where, inner=self.where) if self.where else where
        return found


class UnitError(InputError):
    """A quantity that cannot be read: no unit, a wrong unit, or an ambiguous number."""


class FileFormatError(InputError):
    """A file that does not have the form it should have."""


class AlloyError(InputError):
    """A composition, recipe or assay that cannot be used."""


class PipeError(InputError):
    """An organ, a rank, a scale or a construction that cannot be used."""


class SoundError(InputError):
    """A recording that cannot be measured. `code` says why in one word, for programs."""

    def __init__(self, problem: str, *, code: str = "", **said: Any) -> None:
        super().__init__(problem, **said)
        self.code = code


class SheetError(InputError):
    """Readings, a roll or a remnant that cannot be used."""


class LayoutError(InputError):
    """A layout problem or plan that cannot be used."""


class MeltError(InputError):
    """A lot, a charge or a pot that cannot be used."""


class CastingError(InputError):
    """A gate, a push, a table or a casting log that cannot be used."""


class PlanError(InputError):
    """A plan that cannot be made from what was given."""


class BookError(InputError):
    """An entry of the shop book, or a book file, that cannot be used."""


class NotInBookError(BookError):
    """What was asked for is not in the book.

    `known`: the ids of this kind that are, of which the nearest are named.

    >>> print(NotInBookError(field="roll", value="R7", known=["R71", "R72", "T1"]))
    roll is not in the book; did you mean 'R71'? (got 'R7'; allowed: R71, R72, T1)
    """

    def __init__(
        self,
        *,
        field: str,
        value: object,
        known: Sequence[str] | None = None,
        allowed: str = "",
        where: str = "",
        example: str = "",
    ) -> None:
        there = Text("none is there yet") if known is not None and not known else some_listed(str(value), known or ())
        super().__init__(
            "is not in the book",
            field=field,
            value=value,
            allowed=allowed or there,
            where=where,
            example=example,
            nearest=near(str(value), known or ()),
        )


class ConvergenceError(PipemetalError, ArithmeticError):
    """A numerical method did not reach its answer."""


class ConflictError(PipemetalError):
    """Somebody else changed the same thing meanwhile; nothing was overwritten."""
