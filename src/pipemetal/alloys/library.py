"""Published analyses of old pipe metal, and how near an analysis comes to each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from pipemetal.alloys.assay import Miss, Reading, combine_readings
from pipemetal.alloys.composition import ELEMENTS
from pipemetal.alloys.tables import read_rows
from pipemetal.errors import AlloyError

__all__ = ["HistoricAnalysis", "Likeness", "analysis_of_row", "historic_analyses", "likest"]


@dataclass(frozen=True, slots=True)
class HistoricAnalysis:
    """One published analysis.

    ``ranges_wt_pct`` holds element, lowest and highest percent by mass; what was not published is not there. ``others``
    are elements that pipe metal is not reckoned with, in words. ``status`` says what of the publication was read.
    """

    name: str
    ranges_wt_pct: tuple[tuple[str, float, float], ...]
    others: str
    note: str
    source: str
    status: str

    def range(self, element: str) -> tuple[float, float] | None:
        """Lowest and highest percent of an element, or None where nothing was published."""
        return next(((low, high) for name, low, high in self.ranges_wt_pct if name == element), None)


@dataclass(frozen=True, slots=True)
class Likeness:
    """An old metal against an analysis: distance in standard uncertainties, and each element that both have."""

    analysis: HistoricAnalysis
    distance: float
    misses: tuple[Miss, ...]


def analysis_of_row(row: Mapping[str, str]) -> HistoricAnalysis:
    """An analysis from a row of text: element columns hold a number, a range ``0..4``, ``rest``, or nothing.

    Raises:
        AlloyError: a cell that is none of these, a row without a name or source, two rests, more than 100 % in all.

    >>> row = {"object": "a pipe", "Sn": "0..4", "Pb": "rest", "source": "own analysis"}
    >>> analysis_of_row(row).ranges_wt_pct
    (('Pb', 96.0, 100.0), ('Sn', 0.0, 4.0))
    """
    for needed in ("object", "source"):
        if not row.get(needed, "").strip():
            raise AlloyError("is empty", field=needed)
    ranges: dict[str, tuple[float, float]] = {}
    rests = []
    for element in ELEMENTS:
        cell = row.get(element, "").strip()
        if cell.casefold() == "rest":
            rests.append(element)
        elif cell:
            ranges[element] = _range(element, cell)
    least = math.fsum(low for low, _ in ranges.values()) + _in_words(row.get("others", ""))
    if len(rests) > 1:
        raise AlloyError("is the rest twice", field=rests[1])
    if least > 100.05:
        raise AlloyError("adds up to more than 100", field=row["object"], value=f"{least:g} % at the least")
    if rests:
        most = math.fsum(high for _, high in ranges.values()) + _in_words(row.get("others", ""))
        ranges[rests[0]] = (max(100.0 - most, 0.0), 100.0 - least)
    ordered = tuple((e, *ranges[e]) for e in ELEMENTS if e in ranges)
    text = {key: row.get(key, "").strip() for key in ("object", "others", "note", "source", "status")}
    return HistoricAnalysis(text["object"], ordered, text["others"], text["note"], text["source"], text["status"])


def _range(element: str, cell: str) -> tuple[float, float]:
    low, _, high = cell.partition("..")
    try:
        edges = float(low), float(high or low)
    except ValueError:
        edges = (math.nan, math.nan)
    if not 0.0 <= edges[0] <= edges[1] <= 100.0:
        raise AlloyError("is no percentage", field=element, value=cell, allowed="13, 0..4 or rest")
    return edges


def _in_words(others: str) -> float:
    """Percent of the elements named in words, as in ``Zn 0.25``."""
    return math.fsum(float(word) for word in others.split() if word.replace(".", "", 1).isdecimal())


@cache
def historic_analyses() -> tuple[HistoricAnalysis, ...]:
    """The published analyses that come with the room; few rows, each with its source.

    >>> historic_analyses()[0].range("Cu")
    (0.9, 0.9)
    """
    return tuple(analysis_of_row(row) for row in read_rows("historic.csv"))


def likest(readings: Sequence[Reading], library: Sequence[HistoricAnalysis] | None = None) -> list[Likeness]:
    """Old metals in the order of likeness to readings; only elements that both have count, so few may say little.

    >>> likest([Reading("Sn", 2.5, 0.3)])[0].analysis.name
    'pipes of northern Europe, 16th to 18th century'
    """
    measured = combine_readings(readings)
    found = []
    for held in historic_analyses() if library is None else library:
        misses = []
        for reading in measured:
            edges = held.range(reading.element)
            if edges is None:
                continue
            outside = max(edges[0] - reading.wt_pct, reading.wt_pct - edges[1], 0.0)
            sigmas = outside / reading.uncertainty_wt_pct
            misses.append(Miss(reading.element, reading.wt_pct, *edges, outside, sigmas))
        if misses:
            distance = math.sqrt(sum(miss.sigmas**2 for miss in misses))
            found.append(Likeness(held, distance, tuple(sorted(misses, key=lambda miss: -miss.sigmas))))
    # Of those that fit alike the narrower says more.
    return sorted(found, key=lambda one: (one.distance, sum(m.high_wt_pct - m.low_wt_pct for m in one.misses)))
