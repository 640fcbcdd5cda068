"""What a shop owns to cast with: its sleds and tables, as a person lists them in one line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PlanError
from pipemetal.texts import Amount, Text

__all__ = [
    "OwnedPlane",
    "OwnedPot",
    "OwnedSettings",
    "OwnedSled",
    "OwnedTable",
    "carrying_table",
    "parse_planes",
    "parse_pots",
    "parse_sleds",
    "parse_tables",
]

MOST_SLEDS, MOST_TABLES = 12, 12
SLEDS_EXAMPLE: Final = "name, inner length x width in mm, empty weight: wide 250 x 900, 16 kg; narrow 250 x 600, 11 kg"
TABLES_EXAMPLE: Final = "name, length x width in mm, level or its fall, stone or sand: long 5500 x 1000 level stone"
MM: Final = {"": 1.0, "mm": 1.0, "in": 25.4}
KG: Final = {"kg": 1.0, "lb": 0.45359237}
_SIZE: Final = r"(?P<a>\d+(?:\.\d+)?)\s*(?:mm|in)?\s*[x×]\s*(?P<b>\d+(?:\.\d+)?)\s*(?P<unit>mm|in|)"
_SLED: Final = re.compile(
    rf"(?P<name>[^\W\d][^;,]*?)[\s:,]+{_SIZE}(?:[\s,]+(?P<mass>\d+(?:\.\d+)?)\s*(?P<heavy>kg|lb))?"
)
POTS_EXAMPLE: Final = "name, capacity, burner: small 60 kg 8 kW; hand 15 kg 3 kW"
_POT: Final = re.compile(
    r"(?P<name>[^\W\d][^;,]*?)[\s:,]+(?P<mass>\d+(?:\.\d+)?)\s*(?P<heavy>kg|lb)[\s,]+(?P<power>\d+(?:\.\d+)?)\s*kW"
)
PLANES_EXAMPLE: Final = "name, widest sheet, thinnest to thickest in mm: long 650 0.4-2.5; hand 1000 0.8-5"
_PLANE: Final = re.compile(
    r"(?P<name>[^\W\d][^;,]*?)[\s:,]+(?P<width>\d+(?:\.\d+)?)(?:\s*mm)?[\s,]+(?P<thin>\d+(?:\.\d+)?)\s*-\s*"
    r"(?P<thick>\d+(?:\.\d+)?)(?:\s*mm)?"
)
_TABLE: Final = re.compile(
    rf"(?P<name>[^\W\d][^;,]*?)[\s:,]+{_SIZE}(?:[\s,]+(?:level|(?P<fall>\d+(?:\.\d+)?)\s*mm/m))?(?:[\s,]+(?P<bed>stone|sand))?"
)


@dataclass(frozen=True)
class OwnedSled:
    """A sled: its name, inner length along the push and inner width, and what it weighs empty (None: not said).

    `narrowest_mm` is under the width where its bars can be set to any width between, as a shop is taken to work that names no
    sled.
    """

    name: str
    length_mm: float
    width_mm: float
    empty_kg: float | None = None
    narrowest_mm: float | None = None

    def can_cast(self, width_mm: float) -> bool:
        """Whether it casts this width.

        >>> OwnedSled("wide", 250.0, 900.0).can_cast(600.0)
        False
        """
        least = self.width_mm if self.narrowest_mm is None else self.narrowest_mm
        return least - 0.1 <= width_mm <= self.width_mm + 0.1


@dataclass(frozen=True)
class OwnedTable:
    """A casting table: its name, usable length and width, its fall in the direction of the push, its bed."""

    name: str
    length_mm: float
    width_mm: float
    slope_mm_m: float = 0.0
    bed: str = "stone"


@dataclass(frozen=True)
class OwnedPlane:
    """A plane: its name, the widest sheet that it takes, and the thinnest and thickest finished sheet."""

    name: str
    width_mm: float
    thinnest_mm: float
    thickest_mm: float

    def takes(self, width_mm: float, thinnest_mm: float, thickest_mm: float) -> bool:
        """Whether it planes a sheet of this width, from this thickness to that.

        >>> OwnedPlane("long", 650.0, 0.4, 2.5).takes(600.0, 0.9, 1.2)
        True
        """
        return width_mm <= self.width_mm + 0.1 and self.thinnest_mm <= thinnest_mm and thickest_mm <= self.thickest_mm


@dataclass(frozen=True)
class OwnedPot:
    """A further pot, which is ladled or tipped empty after every melt: its name, what it holds, and its burner."""

    name: str
    capacity_kg: float
    burner_kw: float


def _rows(text: str) -> Iterator[str]:
    return (row for row in (piece.strip() for piece in re.split(r"[;\n]", text)) if row)


def _once(names: Sequence[str], field: str) -> None:
    for name in names:
        if names.count(name) > 1:
            raise PlanError("is named twice", field=field, value=name, allowed="a name of its own")


def _within(value: float, low: float, high: float, field: str, name: str, unit: str = "mm") -> float:
    if not low <= value <= high:
        raise PlanError("is out of range", field=field, value=value, limits=(low, high, unit), where=name)
    return value


def parse_sleds(text: str) -> tuple[OwnedSled, ...]:
    """A shop's sleds, the widest first; none from an empty text.

    >>> [(s.name, s.width_mm, s.empty_kg) for s in parse_sleds("narrow 250 x 600, 11 kg; wide 10 x 36 in")]
    [('wide', 914.4, None), ('narrow', 600.0, 11.0)]

    Errors: PlanError that names the words which are no sled, a name or a width given twice, a size that cannot be.
    """
    field = "owned.sleds"
    found = []
    for row in _rows(text):
        match = _SLED.fullmatch(row)
        if match is None:
            raise PlanError("is not a sled", field=field, value=row[:60], allowed=SLEDS_EXAMPLE)
        name, to_mm = match["name"].strip(), MM[match["unit"]]
        length = _within(float(match["a"]) * to_mm, 50.0, 1000.0, field, name)
        width = _within(float(match["b"]) * to_mm, 60.0, 2500.0, field, name)
        mass = (
            _within(float(match["mass"]) * KG[match["heavy"]], 0.5, 200.0, field, name, "kg") if match["mass"] else None
        )
        found.append(OwnedSled(name, length, round(width, 3), mass))
    _once([s.name for s in found], field)
    for sled in found:
        if sum(abs(other.width_mm - sled.width_mm) < 1.0 for other in found) > 1:
            raise PlanError("are of one width", field=field, value=f"{sled.width_mm:g} mm", allowed="one sled a width")
    if len(found) > MOST_SLEDS:
        raise PlanError(
            "are too many", field=field, value=len(found), allowed=Text("up to {most_sleds}", most_sleds=MOST_SLEDS)
        )
    return tuple(sorted(found, key=lambda s: -s.width_mm))


def parse_pots(text: str) -> tuple[OwnedPot, ...]:
    """A shop's further pots, the smallest first; none from an empty text.

    >>> [(p.name, p.capacity_kg, p.burner_kw) for p in parse_pots("small 60 kg, 8 kW; hand 15 kg 3 kW")]
    [('hand', 15.0, 3.0), ('small', 60.0, 8.0)]

    Errors: PlanError that names the words which are no pot, a name given twice, a size that cannot be.
    """
    field = "owned.pots"
    found = []
    for row in _rows(text):
        match = _POT.fullmatch(row)
        if match is None:
            raise PlanError("is not a pot", field=field, value=row[:60], allowed=POTS_EXAMPLE)
        name = match["name"].strip()
        mass = _within(float(match["mass"]) * KG[match["heavy"]], 5.0, 5000.0, field, name, "kg")
        found.append(OwnedPot(name, mass, _within(float(match["power"]), 0.5, 500.0, field, name, "kW")))
    _once([p.name for p in found], field)
    if len(found) > MOST_TABLES:
        raise PlanError(
            "are too many", field=field, value=len(found), allowed=Text("up to {most_tables}", most_tables=MOST_TABLES)
        )
    return tuple(sorted(found, key=lambda p: p.capacity_kg))


def parse_planes(text: str) -> tuple[OwnedPlane, ...]:
    """A shop's planes; none from an empty text.

    >>> parse_planes("long 650 0.4-2.5; hand 1000 0.8-5")[1]
    OwnedPlane(name='hand', width_mm=1000.0, thinnest_mm=0.8, thickest_mm=5.0)

    Errors: PlanError that names the words which are no plane, a name given twice, a size that cannot be.
    """
    field = "owned.planes"
    found = []
    for row in _rows(text):
        match = _PLANE.fullmatch(row)
        if match is None:
            raise PlanError("is not a plane", field=field, value=row[:60], allowed=PLANES_EXAMPLE)
        name = match["name"].strip()
        width = _within(float(match["width"]), 50.0, 3000.0, field, name)
        thin = _within(float(match["thin"]), 0.1, 12.0, field, name)
        found.append(OwnedPlane(name, width, thin, _within(float(match["thick"]), thin, 12.0, field, name)))
    _once([p.name for p in found], field)
    if len(found) > MOST_TABLES:
        raise PlanError(
            "are too many", field=field, value=len(found), allowed=Text("up to {most_tables}", most_tables=MOST_TABLES)
        )
    return tuple(found)


def parse_tables(text: str) -> tuple[OwnedTable, ...]:
    """A shop's casting tables, the longest first; none from an empty text.

    >>> parse_tables("old 4000 x 800, 3 mm/m sand; long 5500 x 1000 level stone")[1]
    OwnedTable(name='old', length_mm=4000.0, width_mm=800.0, slope_mm_m=3.0, bed='sand')

    Errors: PlanError that names the words which are no table, a name given twice, a size that cannot be.
    """
    field = "owned.tables"
    found = []
    for row in _rows(text):
        match = _TABLE.fullmatch(row)
        if match is None:
            raise PlanError("is not a casting table", field=field, value=row[:60], allowed=TABLES_EXAMPLE)
        name, to_mm = match["name"].strip(), MM[match["unit"]]
        length = _within(float(match["a"]) * to_mm, 500.0, 20_000.0, field, name)
        width = _within(float(match["b"]) * to_mm, 100.0, 5000.0, field, name)
        fall = _within(float(match["fall"] or 0.0), 0.0, 60.0, field, name, "mm/m")
        found.append(OwnedTable(name, length, width, fall, match["bed"] or "stone"))
    _once([t.name for t in found], field)
    if len(found) > MOST_TABLES:
        raise PlanError(
            "are too many", field=field, value=len(found), allowed=Text("up to {most_tables}", most_tables=MOST_TABLES)
        )
    return tuple(sorted(found, key=lambda t: (t.slope_mm_m, -t.length_mm)))


def carrying_table(
    tables: Sequence[OwnedTable], width_mm: float, length_mm: float, run_up_mm: float
) -> OwnedTable | None:
    """The table for a sheet: the first that is long and wide enough, level ones before sloped; None where there is none.

    >>> tables = parse_tables("a 3000 x 1000; b 5500 x 1000")
    >>> carrying_table(tables, 900.0, 4000.0, 300.0).name
    'b'
    """
    return next(
        (t for t in tables if width_mm <= t.width_mm + 0.1 and length_mm + run_up_mm <= t.length_mm + 0.1), None
    )


@dataclass(frozen=True)
class OwnedSettings:
    """The sleds and tables that a shop owns, each list in one line; empty: one sled and one table as the other settings say.

    `pots` are those beside the pot of the settings, smaller ones that are emptied after every melt. `planes` say which sheets
    can be planed; any can where none is named.
    """

    sleds: str = ""
    tables: str = ""
    pots: str = ""
    planes: str = ""

    def __post_init__(self) -> None:
        sleds, tables = parse_sleds(self.sleds), parse_tables(self.tables)
        parse_pots(self.pots)
        parse_planes(self.planes)
        for sled in sleds if tables else ():
            if all(sled.width_mm > table.width_mm for table in tables):
                widest = max(table.width_mm for table in tables)
                raise PlanError(
                    "is wider than every table",
                    field="owned.sleds",
                    value=sled.name,
                    allowed=Text("up to {widest}", widest=Amount.short(widest, "mm")),
                )
