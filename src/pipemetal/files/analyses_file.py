"""Analyses: a table of readings of one piece, and a shop's own library of analysed metal."""

from __future__ import annotations

from pathlib import Path

from pipemetal.alloys.assay import Reading
from pipemetal.alloys.composition import ELEMENTS
from pipemetal.alloys.library import HistoricAnalysis, analysis_of_row
from pipemetal.errors import AlloyError
from pipemetal.files.csv_table import CsvRow, read_csv

__all__ = ["read_library", "read_readings"]

# Without a plus-minus: 2 % of the value and at least 0.05 % (common practice, no source).
_SHARE, _LEAST_WT_PCT = 0.02, 0.05
# An analysis states a half-width of 95 %; one standard uncertainty is wanted.
_SIGMAS_IN_95 = 1.96


def read_readings(path: Path) -> list[Reading]:
    """The readings of one piece: columns element, wt_pct, and optionally plus_minus (95 % half-width) and method.

    An element may stand in several rows (two methods, several places). ``<0.05`` in wt_pct is a detection limit.

    Errors: FileFormatError, AlloyError.
    """
    table = read_csv(path)
    table.check(["element", "wt_pct"], ["plus_minus", "method"])
    readings = []
    for row in table:
        element = row.text("element")
        if element not in ELEMENTS:
            raise row.error("is not an element of pipe metal", "element", element, ", ".join(ELEMENTS))
        method = row.text("method", "")
        text = row.text("wt_pct")
        if text.startswith("<"):
            readings.append(_below(row, element, text, method))
            continue
        percent, half = row.number("wt_pct", 0.0, 100.0), row.maybe_number("plus_minus", 0.001, 50.0)
        sigma = max(_LEAST_WT_PCT, _SHARE * percent) if half is None else half / _SIGMAS_IN_95
        readings.append(Reading(element, percent, sigma, method=method))
    return readings


def _below(row: CsvRow, element: str, text: str, method: str) -> Reading:
    row.cells["wt_pct"] = text[1:].strip()
    limit = row.number("wt_pct", 0.0001, 100.0)
    return Reading(element, limit, limit, below_limit=True, method=method)


def read_library(path: Path) -> tuple[HistoricAnalysis, ...]:
    """A shop's own analyses: columns object and source, one for each element, optionally others, note and status.

    Errors: FileFormatError, AlloyError.
    """
    table = read_csv(path)
    table.check(["object", "source"], [*ELEMENTS, "others", "note", "status"])
    found = []
    for row in table:
        try:
            found.append(analysis_of_row(row.cells))
        except AlloyError as error:
            raise error.at(row.where) from None
    return tuple(found)
