"""What a metal is made of, in percent by mass, read and written the way people write it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import AlloyError
from pipemetal.given import given
from pipemetal.texts import Amount, Text

__all__ = ["ATOMIC_WEIGHTS_G_MOL", "ELEMENTS", "SUM_TOLERANCE_WT_PCT", "Composition", "mix"]

ELEMENTS = ("Pb", "Sn", "Sb", "Bi", "Cu", "Ag", "As")

# IUPAC standard atomic weights (abridged), in the order of ELEMENTS.
ATOMIC_WEIGHTS_G_MOL = (207.2, 118.71, 121.76, 208.98, 63.546, 107.87, 74.922)

SUM_TOLERANCE_WT_PCT = 0.05

_ALLOWED_ELEMENTS = ", ".join(ELEMENTS)
_BALANCE_WORDS = ("bal", "balance", "rest", "remainder")
_WRITING_ORDER = ("Sn", "Sb", "Bi", "Cu", "Ag", "As", "Pb")
_SYMBOLS = {symbol.lower(): symbol for symbol in ELEMENTS}
_TOKEN = re.compile(
    r"(?P<number>[+-]?\d+(?:[.,]\d+)?)|(?P<unit>wt\.?\s*-?%|%)|(?P<word>[^\W\d_]+)|(?P<gap>[\s,;:=/|&+]+)|(?P<other>.)"
)
# Fractions are kept to this many decimals so that text and number are the same thing.
_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class Composition:
    """A composition: mass fractions in the order of ``ELEMENTS``, summing to one.

    Make one with :meth:`parse` or :meth:`from_wt_pct`. Fractions are rounded to 1e-9 (1 microgram in a kilogram), so
    that two compositions written alike are equal and may serve as keys.

    Arguments:
        fractions: seven mass fractions, each 0 to 1, sum 1 within 0.0005.
    Raises:
        AlloyError: a fraction is negative or not finite, or the sum is off.

    >>> Composition.parse("Sn 52 Sb 0.4 Bi 0.2 Pb bal").wt_pct("Pb")
    47.4
    """

    fractions: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.fractions) != len(ELEMENTS):
            raise AlloyError(
                "must hold one fraction per element", field="fractions", value=self.fractions, allowed=_ALLOWED_ELEMENTS
            )
        for element, fraction in zip(ELEMENTS, self.fractions, strict=True):
            _refuse_bad_percentage(element, fraction * 100.0)
        total = math.fsum(self.fractions)
        if abs(total - 1.0) > SUM_TOLERANCE_WT_PCT / 100.0 + 1e-12:
            raise _sum_error(total * 100.0)
        object.__setattr__(self, "fractions", _settled([fraction / total for fraction in self.fractions]))

    @classmethod
    @given
    def from_wt_pct(cls, mapping: Mapping[str, float]) -> Composition:
        """The composition with these percentages by mass; elements not named are absent.

        Arguments:
            mapping: element symbol (any case) to percent by mass; must sum to 100 within 0.05.
        Raises:
            AlloyError: unknown or repeated element, a value that is negative or not finite, or a sum that is off.

        >>> Composition.from_wt_pct({"Sn": 63, "Pb": 37}).text()
        'Sn 63 Pb bal'
        """
        parts: dict[str, float] = {}
        for name, value in mapping.items():
            symbol = _symbol(str(name))
            if symbol in parts:
                raise AlloyError("is given twice", field=symbol)
            parts[symbol] = float(value)
            _refuse_bad_percentage(symbol, parts[symbol])
        total = math.fsum(parts.values())
        if abs(total - 100.0) > SUM_TOLERANCE_WT_PCT + 1e-9:
            raise _sum_error(total)
        return cls(tuple(parts.get(symbol, 0.0) / total for symbol in ELEMENTS))

    @classmethod
    def parse(cls, text: str) -> Composition:
        """The composition that a line of text states.

        One element may be the balance: ``Pb bal``, or just ``Pb``. Any case, a decimal comma, percent signs
        and the number before the symbol are all understood.

        Arguments:
            text: e.g. ``Sn 52 Sb 0.4 Bi 0.2 Pb bal``, ``Sn50Pb50``, ``63Sn37Pb``, ``Sn 52,5 % Pb rest``.
        Raises:
            AlloyError: nothing readable, unknown or repeated element, two balances, or a sum that is off.

        >>> Composition.parse("sn50pb50").text()
        'Sn 50 Pb bal'
        """
        amounts = _pairs(text)
        balances = [symbol for symbol, amount in amounts.items() if amount is None]
        if len(balances) > 1:
            raise AlloyError(
                Text("has two elements without an amount ({names})", names=" and ".join(balances)),
                field="composition",
                value=text,
                allowed="one balance",
            )
        stated = {symbol: amount for symbol, amount in amounts.items() if amount is not None}
        for symbol, amount in stated.items():
            _refuse_bad_percentage(symbol, amount)
        if balances:
            rest = 100.0 - math.fsum(stated.values())
            if rest < -SUM_TOLERANCE_WT_PCT - 1e-9:
                raise _sum_error(100.0 - rest, f"leaves nothing for the balance of {balances[0]}")
            stated[balances[0]] = max(rest, 0.0)
        return cls.from_wt_pct(stated)

    def wt_pct(self, element: str) -> float:
        """Percent by mass of one element.

        >>> Composition.parse("Sn 63 Pb bal").wt_pct("Sb")
        0.0
        """
        return round(self.fractions[ELEMENTS.index(_symbol(element))] * 100.0, _DECIMALS - 2)

    def as_wt_pct(self) -> dict[str, float]:
        """Percent by mass of every element, in the order of ``ELEMENTS``, absent ones as zero."""
        return {element: self.wt_pct(element) for element in ELEMENTS}

    def present(self) -> tuple[str, ...]:
        """The elements that are there at all, in the order of ``ELEMENTS``."""
        return tuple(e for e, fraction in zip(ELEMENTS, self.fractions, strict=True) if fraction > 0.0)

    def mole_fractions(self) -> tuple[float, ...]:
        """Mole fractions in the order of ``ELEMENTS``, summing to one."""
        moles = [w / weight for w, weight in zip(self.fractions, ATOMIC_WEIGHTS_G_MOL, strict=True)]
        total = math.fsum(moles)
        return tuple(n / total for n in moles)

    def text(self) -> str:
        """The composition as people write it; ``parse`` reads it back to an equal composition."""
        present = [e for e in _WRITING_ORDER if e in self.present()]
        if len(present) > 1 and present[-1] == "Pb":
            return " ".join(f"{e} {_plain(self.wt_pct(e))}" for e in present[:-1]) + " Pb bal"
        return " ".join(f"{e} {_plain(self.wt_pct(e))}" for e in present)

    def __str__(self) -> str:
        return self.text()

    @staticmethod
    def mixed(parts: Iterable[tuple[float, Composition]]) -> Composition:
        """The composition of these masses melted together; see :func:`mix`."""
        return mix(parts)


def mix(parts: Iterable[tuple[float, Composition]]) -> Composition:
    """The composition of several masses melted together, nothing lost.

    Arguments:
        parts: pairs of mass in kg (0 or more) and composition; the masses must not all be zero.
    Raises:
        AlloyError: no mass at all, or a mass that is negative or not finite.

    >>> mix([(30, Composition.parse("Sn 100")), (70, Composition.parse("Pb 100"))]).text()
    'Sn 30 Pb bal'
    """
    held = list(parts)
    for mass_kg, _ in held:
        if not math.isfinite(mass_kg) or mass_kg < 0.0:
            raise AlloyError("must be a number, zero or more", field="mass_kg", value=mass_kg)
    total_kg = math.fsum(mass_kg for mass_kg, _ in held)
    if total_kg <= 0.0:
        raise AlloyError("has no mass to mix", field="parts", value=total_kg, allowed="at least one mass above zero")
    return Composition(tuple(math.fsum(m * c.fractions[i] for m, c in held) / total_kg for i in range(len(ELEMENTS))))


def _settled(fractions: list[float]) -> tuple[float, ...]:
    """Round all fractions to the kept decimals and let the largest take up the difference."""
    rounded = [round(fraction, _DECIMALS) for fraction in fractions]
    largest = max(range(len(rounded)), key=lambda i: rounded[i])
    others = math.fsum(value for i, value in enumerate(rounded) if i != largest)
    rounded[largest] = round(1.0 - others, _DECIMALS)
    return tuple(rounded)


def _pairs(text: str) -> dict[str, float | None]:
    """Element to stated amount, in reading order; an element without an amount maps to None."""
    if not isinstance(text, str) or not text.strip():
        raise AlloyError("is empty", field="composition", value=text, example=_EXAMPLE)
    tokens = _tokens(text)
    amount_first = not isinstance(tokens[0], str)
    amounts: dict[str, float | None] = {}
    position = 0
    while position < len(tokens):
        pair = tokens[position : position + 2]
        symbol, amount = (pair[1] if len(pair) == 2 else None, pair[0]) if amount_first else (pair[0], None)
        step = 2 if amount_first else 1
        if not amount_first and len(pair) == 2 and not isinstance(pair[1], str):
            amount, step = pair[1], 2
        if not isinstance(symbol, str) or isinstance(amount, str):
            raise AlloyError("has an amount without its element", field="composition", value=text, example=_EXAMPLE)
        if symbol in amounts:
            raise AlloyError("is given twice", field=symbol, value=text, example=_EXAMPLE)
        amounts[symbol] = None if amount is None or math.isinf(amount) else amount
        position += step
    return amounts


def _tokens(text: str) -> list[str | float]:
    """Symbols as text, amounts as numbers; a word for the balance becomes infinity."""
    tokens: list[str | float] = []
    for match in _TOKEN.finditer(text):
        if match["number"]:
            tokens.append(float(match["number"].replace(",", ".")))
        elif match["word"]:
            word = match["word"].lower()
            head = next((word[: -len(b)] for b in _BALANCE_WORDS if word.endswith(b)), None)
            if word in ("nan", "inf", "infinity"):
                raise AlloyError(
                    "holds an amount that is not a number", field="composition", value=text, example=_EXAMPLE
                )
            if head is None or word in _SYMBOLS:
                tokens.append(_symbol(match["word"]))
            else:
                tokens.extend([_symbol(head), math.inf] if head else [math.inf])
        elif match["other"]:
            raise AlloyError(
                Text("cannot be read at {other}", other=repr(match["other"])),
                field="composition",
                value=text,
                example=_EXAMPLE,
            )
    if not tokens:
        raise AlloyError("names no element", field="composition", value=text, allowed=_ALLOWED_ELEMENTS)
    return tokens


_EXAMPLE: Final = "Sn 50 Sb 0.5 Pb bal"
_ELEMENT_WORDS: Final = {
    **dict.fromkeys(("tin", "zinn"), "Sn"),
    **dict.fromkeys(("lead", "blei"), "Pb"),
    **dict.fromkeys(("antimony", "antimon"), "Sb"),
    **dict.fromkeys(("bismuth", "wismut", "bismut"), "Bi"),
    **dict.fromkeys(("copper", "kupfer"), "Cu"),
    **dict.fromkeys(("silver", "silber"), "Ag"),
    **dict.fromkeys(("arsenic", "arsen"), "As"),
}


def _symbol(name: str) -> str:
    symbol = _SYMBOLS.get(name.strip().lower())
    if symbol is None:
        raise AlloyError(
            "is not an element that this model knows",
            field="element",
            value=name,
            allowed=_ALLOWED_ELEMENTS,
            nearest=_ELEMENT_WORDS.get(name.strip().lower(), ""),
            example=_EXAMPLE,
        )
    return symbol


def _refuse_bad_percentage(element: str, value: float) -> None:
    if not math.isfinite(value) or not 0.0 <= value <= 100.0 + SUM_TOLERANCE_WT_PCT:
        raise AlloyError("is not a percentage", field=f"{element.lower()}_wt_pct", value=value, allowed="0 to 100")


def _sum_error(total: float, what: str = "does not add up to 100") -> AlloyError:
    return AlloyError(
        what,
        field="composition",
        value=f"{total:.4g} % in all",
        allowed=Text(
            "100 within {sum_tolerance_wt_pct}; name the balance, e.g. Pb bal",
            sum_tolerance_wt_pct=Amount.short(SUM_TOLERANCE_WT_PCT),
        ),
    )


def _plain(value: float) -> str:
    return f"{value:.{_DECIMALS - 2}f}".rstrip("0").rstrip(".")
