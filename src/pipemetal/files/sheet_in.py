"""Tables as people have them: CSV, or the sheets of an XLSX workbook, with headings renamed to those of this program.

A workbook is looked at before it is opened: how large its parts say they are, and that they declare no document type.
It is then read row by row, with a limit on rows and columns.
"""

from __future__ import annotations

import datetime
import io
import itertools
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from pipemetal.errors import FileFormatError
from pipemetal.files.csv_table import CsvTable, csv_table_of, read_csv
from pipemetal.files.missing import no_such_file
from pipemetal.files.sheet_out import FORMULA_START
from pipemetal.texts import Text

__all__ = ["read_sheets", "sheets_of", "with_headings"]

MOST_UNPACKED_BYTES: Final = 200_000_000
MOST_RATIO: Final = 200
MOST_ROWS: Final = 200_000
MOST_COLUMNS: Final = 200
MOST_EMPTY: Final = 50_000
"""Of rows together: a few bytes can say that the next row is the millionth, and the library gives every one between."""


def read_sheets(path: Path, mapping: Mapping[str, str] | None = None) -> dict[str, CsvTable]:
    """The tables of a file by name: a CSV has one, named as the file; a workbook one for each sheet that is not empty.

    `mapping`: headings as they stand in the file to headings of this program. Errors: FileFormatError.
    """
    if path.suffix.lower() != ".xlsx":
        return {path.stem: with_headings(read_csv(path), mapping or {})}
    try:
        if path.stat().st_size > MOST_UNPACKED_BYTES:
            raise FileFormatError("is too large", where=path.name)
        content = path.read_bytes()
    except FileNotFoundError:
        raise no_such_file(path) from None
    except OSError:
        raise FileFormatError("is not an XLSX workbook", where=path.name) from None
    return sheets_of(content, path.name, mapping)


def sheets_of(content: bytes, name: str, mapping: Mapping[str, str] | None = None) -> dict[str, CsvTable]:
    """As read_sheets, of what a file of this name holds. Errors: FileFormatError."""
    stem, _, ending = name.rpartition(".")
    if ending.lower() != "xlsx":
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise FileFormatError("is not UTF-8 text", where=name) from None
        return {stem: with_headings(csv_table_of(text, name), mapping or {})}
    _check_workbook(content, name)
    tables = {title: with_headings(table, mapping or {}) for title, table in _workbook_tables(content, name).items()}
    if not tables:
        raise FileFormatError("holds no table", where=name, allowed="a row of headings and at least one row")
    return tables


def with_headings(table: CsvTable, mapping: Mapping[str, str]) -> CsvTable:
    """The table with headings renamed; those that the mapping does not name stay. Names are compared without case.

    A heading mapped to nothing is passed over.
    """
    wanted = {given.casefold().strip(): ours for given, ours in mapping.items()}
    new = [wanted.get(heading.casefold(), heading) for heading in table.headings]
    keep = [k for k, heading in enumerate(new) if heading]
    rows = [(line, [_unmarked(cells[k]) for k in keep]) for line, cells in table.numbered_rows()]
    return CsvTable(table.name, [new[k] for k in keep], rows, table.decimal_comma)


def _unmarked(cell: str) -> str:
    """A text without the apostrophe that an export put before it, so that no spreadsheet takes it for a formula."""
    return cell[1:] if cell[:1] == "'" and cell[1:].startswith(FORMULA_START) else cell


def _check_workbook(content: bytes, name: str) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            whole = sum(part.file_size for part in parts)
            if whole > MOST_UNPACKED_BYTES or whole > MOST_RATIO * max(len(content), 10_000):
                raise FileFormatError("is too large when unpacked", where=name, value=f"{whole} bytes")
            for part in parts:
                if part.filename.endswith((".xml", ".rels")):
                    with archive.open(part) as file:
                        if b"<!DOCTYPE" in file.read(4096).upper():
                            raise FileFormatError(
                                "declares a document type",
                                where=Text("{name} {filename}", name=name, filename=part.filename),
                            )
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError) as error:
        if isinstance(error, FileFormatError):
            raise
        raise FileFormatError("is not an XLSX workbook", where=name) from None


def _workbook_tables(content: bytes, name: str) -> dict[str, CsvTable]:
    from openpyxl import load_workbook

    try:
        values = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        formulas = load_workbook(io.BytesIO(content), read_only=True) if _has_formulas(content) else None
    except Exception:  # whatever a damaged workbook makes the library raise
        raise FileFormatError("is not an XLSX workbook", where=name) from None
    tables = {}
    try:
        for sheet in values.worksheets:
            place = f"{name} sheet {sheet.title!r}"
            asked = formulas[sheet.title] if formulas is not None else None
            table = _sheet_table(place, sheet, asked)
            if table is not None:
                tables[sheet.title] = table
    finally:
        values.close()
        if formulas is not None:
            formulas.close()
    return tables


def _has_formulas(content: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = [n for n in archive.namelist() if n.startswith("xl/worksheets/")]
        return any(re.search(rb"<f[ >]", archive.read(part)) for part in parts)


def _sheet_table(place: str, sheet: Any, formulas: Any) -> CsvTable | None:
    headings: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    asked = formulas.iter_rows(max_col=MOST_COLUMNS, values_only=True) if formulas is not None else None
    for number, cells in _rows_of(sheet, place):
        written = next(asked, None) if asked is not None else None
        if written is not None:
            _refuse_uncounted(place, number, cells, written)
        if not any(value is not None for value in cells):
            continue
        texts = [_text(value, place, number) for value in cells]
        if not any(texts) or texts[0].startswith("#"):
            continue
        if not headings:
            headings = [text.strip() for text in texts]
            while headings and not headings[-1]:
                headings.pop()
            continue
        if any(texts[len(headings) :]):
            raise FileFormatError(
                "has more cells than headings", where=Text("{place} row {number}", place=place, number=number)
            )
        if len(rows) >= MOST_ROWS:
            raise FileFormatError(
                "has too many rows", where=place, allowed=Text("up to {most_rows}", most_rows=MOST_ROWS)
            )
        rows.append((number, (texts + [""] * len(headings))[: len(headings)]))
    return CsvTable(place, headings, rows, decimal_comma=True) if rows else None


def _rows_of(sheet: Any, place: str) -> Iterator[tuple[int, Sequence[object]]]:
    """The rows of a sheet with their numbers; what a damaged one makes the library raise is one clear message."""
    rows = sheet.iter_rows(max_col=MOST_COLUMNS, values_only=True)
    last = 0
    for number in itertools.count(1):
        if number > last + MOST_EMPTY:
            raise FileFormatError(
                "has too many empty rows together",
                where=Text("{place} from row {value}", place=place, value=last + 1),
                allowed=Text("up to {most_empty}", most_empty=MOST_EMPTY),
            )
        try:
            cells = next(rows)
        except StopIteration:
            return
        except Exception:  # whatever a damaged sheet makes the library raise
            raise FileFormatError(
                "is not a sheet that can be read", where=Text("{place} row {number}", place=place, number=number)
            ) from None
        if any(value is not None for value in cells):
            last = number
        yield number, cells


def _refuse_uncounted(place: str, number: int, cells: Any, written: Any) -> None:
    for column, (value, formula) in enumerate(zip(cells, written, strict=False), start=1):
        if value is None and isinstance(formula, str) and formula.startswith("="):
            from openpyxl.utils import get_column_letter

            raise FileFormatError(
                "is a formula that was never calculated",
                field=f"cell {get_column_letter(column)}{number}",
                value=formula,
                where=place,
                allowed="open the workbook, save it, and try again",
            )


def _text(value: object, place: str, number: int) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime.datetime | datetime.date):
        return value.isoformat()[:10]
    if isinstance(value, float):
        return f"{value:.15g}"
    try:
        return str(value)
    except ValueError:  # a whole number of thousands of digits
        raise FileFormatError(
            "holds a number that is too long", where=Text("{place} row {number}", place=place, number=number)
        ) from None
