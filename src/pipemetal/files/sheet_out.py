"""Tables out: CSV, or XLSX with frozen headings, whose texts no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import datetime
import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipemetal.errors import FileFormatError
from pipemetal.files.outbox import write

__all__ = ["FORMULA_START", "OutTable", "csv_of", "workbook_of", "write_tables"]

FORMULA_START = ("=", "+", "-", "@", "\t", "\r")
_FIXED = datetime.datetime(2000, 1, 1)
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")
_FORMATS = (
    ("thickness_mm", "0.000"),
    ("mouth_mm", "0.000"),
    ("top_mm", "0.000"),
    ("_mm2", "0"),
    ("_mm", "0.0"),
    ("_kg", "0.000"),
    ("_c", "0"),
    ("_hz", "0.00"),
    ("_mpa", "0.00"),
    (" kg", "0.000"),
    (" mm", "0.00"),
)
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


@dataclass(frozen=True)
class OutTable:
    """A table to be written: headings carry their units, numbers are numbers, texts are texts."""

    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[object]]


def csv_of(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV; a text that begins like a formula has an apostrophe in front, numbers are left as they are.

    >>> csv_of(["note", "tin kg"], [["=1+1", -5]])
    "note,tin kg\\n'=1+1,-5\\n"
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(headings)
    for row in rows:
        writer.writerow([f"'{v}" if isinstance(v, str) and v.startswith(FORMULA_START) else v for v in row])
    return out.getvalue()


def write_tables(path: Path, tables: Sequence[OutTable]) -> None:
    """Write one table as .csv, or one or more as the sheets of an .xlsx.

    Errors: FileFormatError for another ending, or a place where nothing can be written.
    """
    ending = path.suffix.lower()
    if ending not in (".csv", ".xlsx") or (ending == ".csv" and len(tables) != 1):
        raise FileFormatError(
            "is not a kind of table", field="table", value=path.name, allowed=".xlsx, or .csv for one table"
        )
    write(path, csv_of(tables[0].headings, tables[0].rows) if ending == ".csv" else workbook_of(tables))


def workbook_of(tables: Sequence[OutTable]) -> bytes:
    """An XLSX workbook with one sheet for each table; the same tables give the same bytes."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook(write_only=True)
    for table in tables:
        sheet = book.create_sheet(re.sub(r"[\[\]:*?/\\]", "-", table.title)[:31] or "table")
        sheet.freeze_panes = "B2"
        widths = [len(h) for h in table.headings]
        for row in table.rows:
            widths = [max(w, min(len(str(v)), 60)) for w, v in zip(widths, row, strict=True)]
        for number, width in enumerate(widths, start=1):
            sheet.column_dimensions[get_column_letter(number)].width = width + 2
        formats = [_number_format(heading) for heading in table.headings]
        for line, row in enumerate([table.headings, *table.rows]):
            cells: list[WriteOnlyCell] = []
            for value in row:
                text = _NOT_IN_XML.sub(" ", value) if isinstance(value, str) else value
                cell = WriteOnlyCell(sheet, value=text if text is None or isinstance(text, int | float) else str(text))
                if isinstance(text, str):
                    cell.data_type = "s"  # a text stays one, whatever it begins with
                if line == 0:
                    cell.font = Font(bold=True)
                elif isinstance(text, float):
                    cell.number_format = formats[len(cells)]
                cells.append(cell)
            sheet.append(cells)
    book.properties.created = book.properties.modified = _FIXED
    held = io.BytesIO()
    book.save(held)
    book.close()
    return _same_bytes(held.getvalue())


def _same_bytes(workbook: bytes) -> bytes:
    """The workbook packed anew without the clock, so that the same tables give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook)) as packed, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as again:
        for name in packed.namelist():
            content = packed.read(name)
            if name == "docProps/core.xml":
                content = _MODIFIED.sub(rb"\g<1>2000-01-01T00:00:00Z\g<2>", content)
            again.writestr(zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _number_format(heading: str) -> str:
    """How a column's numbers are shown, by the unit that its heading ends in."""
    return next((fmt for unit, fmt in _FORMATS if heading.endswith(unit)), "General")
