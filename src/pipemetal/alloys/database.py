"""Reads the packaged database of Gibbs energies: a small subset of the TDB format.

Understood: ``ELEMENT``, ``FUNCTION``, ``PHASE``, ``CONSTITUENT`` and ``PARAMETER`` statements whose expressions are
sums of ``T``, ``T**n``, ``T*LN(T)``, ``EXP(c*T)``, numbers and named functions. Other statements are passed over; an
expression that cannot be read is an error, never a guess.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

from pipemetal.alloys.tables import read_text
from pipemetal.errors import FileFormatError
from pipemetal.texts import Text

__all__ = ["Database", "Expression", "Parameter", "Phase", "packaged_database", "parse_tdb"]

# What an expression is a weighted sum of: T**power (with LN(T) if logarithmic), or EXP(rate*T).
Basis = tuple[str, float]
Terms = dict[Basis, float]

_FACTOR = re.compile(
    r"(?P<ln>LN\(T\))|EXP\((?P<rate>[^()*]+)\*T\)|(?P<power>T\*\*\(?(?P<exponent>[+-]?\d+)\)?)|(?P<t>T(?![A-Z0-9_]))"
    r"|(?P<name>[A-Z][A-Z0-9_]*)#|(?P<number>(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)"
)
_SUBSTITUTION = re.compile(r"[GL]\((?P<phase>[A-Z0-9_]+),(?P<sites>[^;]+);(?P<order>\d+)\)")


MOST_PIECES = 200
"""Of one expression. Functions that name functions add up their pieces; assessed metals have fewer than twenty."""


@dataclass(frozen=True)
class Expression:
    """A function of temperature in pieces: each holds up to its own highest temperature, in K."""

    pieces: tuple[tuple[float, Terms], ...]

    def at(self, temperature_k: float) -> Terms:
        """The terms of the piece that holds at a temperature; the last piece beyond the end."""
        for high_k, terms in self.pieces:
            if temperature_k <= high_k:
                return terms
        return self.pieces[-1][1]


@dataclass(frozen=True)
class Parameter:
    """One parameter of a phase: the constituents on each sublattice, the order of the term, its expression in J/mol."""

    sites: tuple[tuple[str, ...], ...]
    order: int
    expression: Expression


@dataclass(frozen=True)
class Phase:
    """One phase: sites per sublattice, the constituents each sublattice admits, and the parameters."""

    name: str
    site_ratios: tuple[float, ...]
    constituents: tuple[tuple[str, ...], ...]
    parameters: tuple[Parameter, ...]


@dataclass(frozen=True)
class Database:
    """A database as read: atomic weights in g/mol and phases by name."""

    atomic_weights_g_mol: dict[str, float]
    phases: dict[str, Phase]


@cache
def packaged_database() -> Database:
    """The lead-tin database that comes with the room; its sources stand in the file's footer.

    >>> sorted(packaged_database().phases)[:3]
    ['AG3SN', 'BCT_A5', 'CU3SN']
    """
    return parse_tdb(read_text("pbsn_pipe.tdb"), where="pbsn_pipe.tdb")


def parse_tdb(text: str, where: str = "TDB") -> Database:
    """Read the text of a database.

    Arguments:
        text: the whole file.
        where: its name, for messages.
    Raises:
        FileFormatError: a statement that cannot be read, or a function or phase that is not defined.

    >>> parse_tdb(" ELEMENT PB FCC_A1 207.2 6878.5 64.785 ! ").atomic_weights_g_mol
    {'PB': 207.2}
    """
    statements = _statements(text)
    found = _Read(where)
    # functions first: a parameter may name one that stands after it
    for statement in sorted(statements, key=lambda s: not s.startswith("FUNCTION")):
        try:
            found.take(statement)
        except FileFormatError:
            raise
        except (ValueError, IndexError):
            raise FileFormatError("cannot be read", field="statement", value=statement[:60], where=where) from None
    return found.database()


class _Read:
    """What the statements read so far have told."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.functions: dict[str, Expression] = {}
        self.weights: dict[str, float] = {}
        self.phases: dict[str, tuple[float, ...]] = {}
        self.constituents: dict[str, tuple[tuple[str, ...], ...]] = {}
        self.parameters: dict[str, list[Parameter]] = {}

    def take(self, statement: str) -> None:
        """Read one statement. Errors: FileFormatError, ValueError or IndexError where it is not whole."""
        words = statement.split()
        if words[0].startswith("FUNCTION"):
            _, name, body = statement.split(maxsplit=2)
            self.functions[name] = _expression(body, self.functions, f"{self.where}, function {name}")
        elif words[0] == "ELEMENT":
            self.weights[words[1]] = _finite(words[3])
        elif words[0] == "PHASE":
            self.phases[words[1]] = tuple(_finite(ratio) for ratio in words[4 : 4 + int(words[3])])
        elif words[0] == "CONSTITUENT":
            sites = "".join(words[2:]).strip(":").split(":")
            self.constituents[words[1]] = tuple(tuple(site.split(",")) for site in sites)
        elif words[0] == "PARAMETER":
            phase, parameter = _parameter(statement, self.functions, self.where)
            self.parameters.setdefault(phase, []).append(parameter)

    def database(self) -> Database:
        """The whole. Errors: FileFormatError for a phase that is not told whole."""
        named, told = set(self.parameters) | set(self.constituents), set(self.phases)
        unknown = sorted((named - told) or (told - set(self.constituents)))
        if unknown:
            raise FileFormatError("has a phase without definition", field=str(unknown), where=self.where)
        return Database(
            {element: weight for element, weight in self.weights.items() if weight > 0.0},
            {
                n: Phase(n, ratios, self.constituents[n], tuple(self.parameters.get(n, ())))
                for n, ratios in self.phases.items()
            },
        )


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError
    return number


def _statements(text: str) -> list[str]:
    lines = [line.split("$")[0] for line in text.upper().splitlines()]
    return [" ".join(part.split()) for part in "\n".join(lines).split("!") if part.strip()]


def _parameter(statement: str, functions: dict[str, Expression], where: str) -> tuple[str, Parameter]:
    _, head, body = statement.split(maxsplit=2)
    match = _SUBSTITUTION.fullmatch(head)
    if match is None:
        raise FileFormatError("cannot be read", field="PARAMETER", value=head, where=where)
    sites = tuple(tuple(site.split(",")) for site in match["sites"].split(":"))
    order = int(match["order"])
    for site in sites:
        if list(site) != sorted(site):
            raise FileFormatError("must name its constituents in alphabetical order", field=head, where=where)
    return match["phase"], Parameter(sites, order, _expression(body, functions, f"{where}, {head}"))


def _expression(body: str, functions: dict[str, Expression], where: str) -> Expression:
    """Read ``low expr; high Y expr; high N``, with the functions it names written out."""
    low, rest = body.split(maxsplit=1)
    _finite(low)
    segments = rest.split(";")
    pieces: list[tuple[float, Terms]] = []
    floor_k = 0.0
    for number, (text, tail) in enumerate(pairwise(segments)):
        high_k = _finite(tail.split()[0])
        formula = text.split(maxsplit=2)[2] if number else text
        own, references = _terms(formula.replace(" ", ""), where)
        edges = {high_k} | {
            edge for name in references for edge, _ in _known(functions, name, where).pieces if floor_k < edge < high_k
        }
        for edge in sorted(edges):
            terms = dict(own)
            for name, weight in references.items():
                for basis, value in _known(functions, name, where).at(edge).items():
                    terms[basis] = terms.get(basis, 0.0) + weight * value
            pieces.append((edge, terms))
        if len(pieces) > MOST_PIECES:
            raise FileFormatError(
                "has too many pieces",
                field="expression",
                allowed=Text("up to {most_pieces}", most_pieces=MOST_PIECES),
                where=where,
            )
        floor_k = high_k
    if not pieces:
        raise FileFormatError("has no temperature range", field="expression", value=body[:60], where=where)
    return Expression(tuple(pieces))


def _known(functions: dict[str, Expression], name: str, where: str) -> Expression:
    if name not in functions:
        raise FileFormatError(
            "names a function that is not defined before it", field="expression", value=name, where=where
        )
    return functions[name]


def _terms(formula: str, where: str) -> tuple[Terms, dict[str, float]]:
    """The weighted sum that a formula is, and the weights of the functions that it names."""
    own: Terms = {}
    references: dict[str, float] = {}
    position = 0
    while position < len(formula):
        sign = 1.0
        while position < len(formula) and formula[position] in "+-":
            sign = -sign if formula[position] == "-" else sign
            position += 1
        weight, power, kind, name = sign, 0.0, "T", ""
        while True:
            match = _FACTOR.match(formula, position)
            if match is None:
                raise FileFormatError("cannot be read", field="expression", value=formula[position:][:40], where=where)
            position = match.end()
            if match["number"]:
                weight *= _finite(match["number"])
            elif match["name"]:
                name = match["name"]
            elif match["rate"]:
                kind, power = "EXP", _finite(match["rate"])
            elif match["ln"]:
                kind = "LN"
            else:
                power += float(match["exponent"]) if match["power"] else 1.0
            if not formula.startswith("*", position):
                break
            position += 1
        if name:
            references[name] = references.get(name, 0.0) + weight
        else:
            own[kind, power] = own.get((kind, power), 0.0) + weight
    return own, references
