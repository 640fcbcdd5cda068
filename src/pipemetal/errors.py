"""The one tree of errors: every room raises its own kind, and every kind says what, where and what is allowed.

PipemetalError                   base of all, never raised itself
├── InputError (ValueError)      something that a person gave cannot be used; exit code 2
│   ├── UnitError                a quantity that cannot be read
│   ├── FileFormatError          a file that does not have the form it should have
│   ├── AlloyError               composition, recipe, assay
│   ├── PipeError                organ, rank, scale, construction
│   ├── SheetError               readings, roll, remnant
│   ├── LayoutError              layout problem or plan
│   ├── MeltError                lot, charge, pot
│   ├── CastingError             gate, push, freezing, log
│   ├── PlanError                planning as a whole
│   └── BookError                the shop book
├── ConvergenceError             a numerical method did not reach its answer; never a silent number
└── ConflictError                somebody else changed the same thing meanwhile
"""

from __future__ import annotations

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
    "PipeError",
    "PipemetalError",
    "PlanError",
    "SheetError",
    "UnitError",
]


class PipemetalError(Exception):
    """Base of every error that this package raises on purpose."""


class InputError(PipemetalError, ValueError):
    """Something given cannot be used: says what is wrong, where it stands, its value and what is allowed.

    >>> print(InputError("is negative", field="thickness_mm", value=-1.2, allowed="0.2 to 8 mm", where="row 3"))
    row 3: thickness_mm is negative (got -1.2; allowed: 0.2 to 8 mm)
    """

    def __init__(
        self, problem: str, *, field: str = "", value: object = None, allowed: str = "", where: str = ""
    ) -> None:
        self.problem = problem
        self.field = field
        self.value = value
        self.allowed = allowed
        self.where = where
        super().__init__(problem)

    def __str__(self) -> str:
        notes = []
        if self.value is not None:
            shown = repr(self.value) if isinstance(self.value, str) else str(self.value)
            notes.append(f"got {shown if len(shown) <= 80 else shown[:77] + '...'}")
        if self.allowed:
            notes.append(f"allowed: {self.allowed}")
        head = f"{self.where}: " if self.where else ""
        subject = f"{self.field} " if self.field else ""
        tail = f" ({'; '.join(notes)})" if notes else ""
        return f"{head}{subject}{self.problem}{tail}"

    def at(self, where: str) -> InputError:
        """The same error with the place in front of the place it already names."""
        place = f"{where}, {self.where}" if self.where else where
        return type(self)(self.problem, field=self.field, value=self.value, allowed=self.allowed, where=place)


class UnitError(InputError):
    """A quantity that cannot be read: no unit, a wrong unit, or an ambiguous number."""


class FileFormatError(InputError):
    """A file that does not have the form it should have."""


class AlloyError(InputError):
    """A composition, recipe or assay that cannot be used."""


class PipeError(InputError):
    """An organ, a rank, a scale or a construction that cannot be used."""


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


class ConvergenceError(PipemetalError, ArithmeticError):
    """A numerical method did not reach its answer."""


class ConflictError(PipemetalError):
    """Somebody else changed the same thing meanwhile; nothing was overwritten."""
