"""Names that pipe metal goes by, from its tin content: naming, not a standard."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.tables import read_rows
from pipemetal.errors import AlloyError

__all__ = ["MetalName", "loth", "metal_names", "names_of", "tin_of_name"]

# Sixteen loth are pure tin: the old assayers' scale of half ounces in the mark.
_LOTH_IN_PURE_TIN = 16.0


@dataclass(frozen=True, slots=True)
class MetalName:
    """A name, the tin in percent by mass that it is used for, what else is said of it, and who says so."""

    name: str
    sn_wt_pct_low: float
    sn_wt_pct_high: float
    note: str
    source: str


@cache
def metal_names() -> tuple[MetalName, ...]:
    """All names that come with the room.

    >>> metal_names()[0].name
    '16-lötig, fine tin'
    """
    return tuple(
        MetalName(row["name"], float(row["Sn_low"]), float(row["Sn_high"]), row["note"], row["source"])
        for row in read_rows("names.csv")
    )


def names_of(comp: Composition) -> tuple[MetalName, ...]:
    """What a metal of this tin content is called; empty where no name is known. The other elements do not count.

    >>> [name.name for name in names_of(Composition.parse("Sn 50 Pb bal"))]
    ['8-lötig, Naturguss', 'spotted metal']
    """
    tin = comp.wt_pct("Sn")
    return tuple(name for name in metal_names() if name.sn_wt_pct_low - 1e-9 <= tin <= name.sn_wt_pct_high + 1e-9)


def loth(comp: Composition) -> float:
    """Tin on the scale of sixteen loth: 16 is pure tin, 8 half tin.

    Sources: German encyclopaedia, table 'Orgelmetall' (16, 14, 12, 10, 8, 6 and 4 loth).

    >>> loth(Composition.parse("Sn 75 Pb bal"))
    12.0
    """
    return _LOTH_IN_PURE_TIN * comp.wt_pct("Sn") / 100.0


def tin_of_name(name: str) -> tuple[float, float]:
    """Lowest and highest percent of tin that a name is used for; ``11-lötig`` and its like by the scale, 1 % either way.

    Raises:
        AlloyError: a name that is not known.

    >>> tin_of_name("spotted metal"), tin_of_name("11-loetig")
    ((45.0, 55.0), (67.75, 69.75))
    """
    asked = name.strip().casefold().replace("oe", "ö")
    for known in metal_names():
        if asked in (part.strip().casefold() for part in (known.name, *known.name.split(","))):
            return known.sn_wt_pct_low, known.sn_wt_pct_high
    scale = re.fullmatch(r"(\d{1,2}(?:[.,]\d)?)[\s-]*(?:lötig|loth?)", asked)
    if scale and 0.0 <= float(scale[1].replace(",", ".")) <= _LOTH_IN_PURE_TIN:
        tin = 100.0 * float(scale[1].replace(",", ".")) / _LOTH_IN_PURE_TIN
        return max(tin - 1.0, 0.0), min(tin + 1.0, 100.0)
    raise AlloyError(
        "is not a name that is known",
        field="name",
        value=name,
        allowed="; ".join(known.name for known in metal_names()),
    )
