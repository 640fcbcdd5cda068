"""What a room has to say: a template and its values, until somebody reads it.

A room makes a `Text`; the edge shows it in the reader's language and units (`pipemetal.words`). A text reads as plain
metric English wherever nobody asks for anything else, so it may stand in a message, a table or a JSON file as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, Self, TypeAlias

__all__ = ["Amount", "Text", "Unit", "Value", "clock_text", "joined"]

Unit = Literal["", "mm", "m", "m²", "m/s", "kg", "C", "°C", "K"]
"""The units that a reader may want otherwise; none for a plain number."""


@dataclass(frozen=True)
class Amount:
    """A quantity in a text.

    Parameters
    ----------
    value : in `unit`
    unit : a metric unit, or none for a plain number
    decimals : how many are shown
    bare : shown without its unit, because another amount of the same unit follows
    signed : shown with a plus where it is not negative

    >>> str(Amount(2.26, "mm", 1)), str(Amount(370.4, "°C")), str(Amount(2.0, "m/s", 1, bare=True))
    ('2.3 mm', '370 °C', '2.0')
    """

    value: float
    unit: Unit = ""
    decimals: int = 0
    bare: bool = False
    signed: bool = False

    @classmethod
    def short(cls, value: float, unit: Unit = "", *, bare: bool = False) -> Self:
        """An amount with as many decimals as it needs, six figures at most.

        >>> str(Amount.short(1.36, "mm")), str(Amount.short(12.0))
        ('1.36 mm', '12')
        """
        _, _, decimals = f"{value:.6g}".partition(".")
        return cls(value, unit, len(decimals) if decimals.isdecimal() else 0, bare)

    def __str__(self) -> str:
        number = f"{self.value:{'+' if self.signed else ''}.{self.decimals}f}"
        return number if self.bare or not self.unit else f"{number} {self.unit}"


Value: TypeAlias = Amount | str | int


class Text(str):
    """A template with places in braces, and what stands there. As a `str` it is the plain English.

    Values are texts themselves, amounts, names or whole numbers; a number with decimals comes as an `Amount`, so that
    the reader's decimal sign and unit can be used.

    >>> told = Text("gate from {a} to {b}", a=Amount(2.5, "mm", 1, bare=True), b=Amount(2.7, "mm", 1))
    >>> print(told), told.template, told.values["a"].value
    gate from 2.5 to 2.7 mm
    (None, 'gate from {a} to {b}', 2.5)
    """

    template: str
    values: Mapping[str, Value]

    def __new__(cls, template: str, /, **values: Value) -> Self:
        made = super().__new__(cls, template.format(**{k: str(v) for k, v in values.items()}) if values else template)
        made.template = template
        made.values = values
        return made

    def __reduce__(self) -> tuple[object, ...]:
        return _again, (self.template, dict(self.values))

    @property
    def outline(self) -> str:
        """What is said whatever the values are: texts of one outline say the same of different things.

        >>> Text("{a}; {b}", a=Text("it misses by {miss}", miss=Amount(0.1, "mm", 1)), b="R7").outline
        'it misses by {miss}; {b}'
        """
        inner = {k: v.outline if isinstance(v, Text) else f"{{{k}}}" for k, v in self.values.items()}
        return self.template.format(**inner) if inner else self.template


def _again(template: str, values: Mapping[str, Value]) -> Text:
    return Text(template, **values)


def joined(parts: Iterable[Value], between: str = "; ") -> Text:
    """Several texts in a row.

    >>> print(joined([Text("hot"), Text("slush")], ", "))
    hot, slush
    """
    values = {f"_{i}": part for i, part in enumerate(parts)}
    return Text(between.join(f"{{{name}}}" for name in values), **values)


def clock_text(minutes: float) -> str:
    """Minutes since midnight as a time of day.

    >>> clock_text(594.4), clock_text(1500.0)
    ('9:54', '25:00')
    """
    whole = round(minutes)
    return f"{whole // 60}:{whole % 60:02d}"
