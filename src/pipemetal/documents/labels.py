"""Labels for rolls, remnants, lots and blanks: a QR code for the scanner, lines that are read at two metres.

Source: QR codes by ISO/IEC 18004 at error correction Q (a quarter of a code may be scratched or painted over), with the quiet
zone of four modules that the standard asks for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

import segno

from pipemetal.documents.drawing import Drawing, text_width_mm
from pipemetal.documents.sheet import paper_mm
from pipemetal.documents.typeset import drawing_images, drawing_pages
from pipemetal.errors import UnitError
from pipemetal.texts import Amount, Text

__all__ = [
    "DOTS_PER_INCH",
    "Label",
    "LabelSheet",
    "label_drawing",
    "label_images",
    "label_pdf",
    "label_sheets",
    "test_page_pdf",
]

QUIET_MODULES: Final = 4
PAD_MM: Final = 2.0
EDGE_MM: Final = 5.0
"""So far from the edges of a sheet a printer may not reach."""
DOTS_PER_INCH: Final = (203, 300, 600)
"""What label printers have."""
MOST_OFFSET_MM: Final = 20.0
QUIET: Final = "#5d594f"


@dataclass(frozen=True)
class Label:
    """What a label says: the code that a scanner types, and its lines, the first the largest."""

    code: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class LabelSheet:
    """Where labels lie on a sheet, or the size of a roll's label; millimetres."""

    name: str
    page_mm: tuple[float, float]
    columns: int
    rows: int
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    across_mm: float
    down_mm: float

    @property
    def count(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows


@cache
def label_sheets() -> dict[str, LabelSheet]:
    """All sheets and rolls that are known, by name.

    >>> label_sheets()["a4 2x7"].count, label_sheets()["roll 90x50"].page_mm
    (14, (90.0, 50.0))
    """
    data = tomllib.loads((resources.files("pipemetal.documents") / "label_sheets.toml").read_text(encoding="utf-8"))
    found = {
        name: LabelSheet(
            name,
            paper_mm(s["paper"]),
            s["columns"],
            s["rows"],
            s["width"],
            s["height"],
            s["left"],
            s["top"],
            s["across"],
            s["down"],
        )
        for name, s in data["sheets"].items()
    }
    for name, (width, height) in data["rolls"].items():
        found[f"roll {name}"] = LabelSheet(
            f"roll {name}", (width, height), 1, 1, width, height, 0.0, 0.0, width, height
        )
    return found


def label_sheet(name: str) -> LabelSheet:
    """A sheet or roll by its name.

    Raises: UnitError for one that is not known.
    """
    if name not in label_sheets():
        raise UnitError("is not a label sheet", field="sheet", value=name, allowed=", ".join(label_sheets()))
    return label_sheets()[name]


def label_drawing(label: Label, width_mm: float, height_mm: float) -> Drawing:
    """One label: the code at the left as large as it goes, the lines beside it as large as they go.

    >>> label_drawing(Label("R101", ("R101", "spotted-50")), 90.0, 50.0).title
    'R101'
    """
    drawing = Drawing(width_mm, height_mm, label.code)
    _draw(drawing, label, 0.0, 0.0, width_mm, height_mm)
    return drawing


def _inside(sheet: LabelSheet, left: float, bottom: float) -> tuple[float, float, float, float]:
    """The part of a label at (left, bottom) that any printer reaches: its left edge, its lower edge, its width and its height."""
    edge = EDGE_MM - PAD_MM if sheet.count > 1 else 0.0
    x0, y0 = max(left, edge), max(bottom, edge)
    x1 = min(left + sheet.width_mm, sheet.page_mm[0] - edge)
    y1 = min(bottom + sheet.height_mm, sheet.page_mm[1] - edge)
    return x0, y0, x1 - x0, y1 - y0


def _draw(drawing: Drawing, label: Label, left: float, bottom: float, width_mm: float, height_mm: float) -> None:
    code_mm = min(height_mm - 2 * PAD_MM, 0.42 * width_mm)
    _code(drawing, label.code, left + PAD_MM, bottom + (height_mm - code_mm) / 2.0, code_mm)
    x = left + PAD_MM + code_mm + PAD_MM
    room = left + width_mm - PAD_MM - x
    weights = [2.4, *([1.15] * (len(label.lines) - 1))]
    unit = (height_mm - 2 * PAD_MM) / (1.18 * sum(weights)) if label.lines else 0.0
    y = bottom + height_mm - PAD_MM
    for index, (line, weight) in enumerate(zip(label.lines, weights, strict=True)):
        bold = index < 2
        size = min(unit * weight, unit * weight * room / max(text_width_mm(line, unit * weight, bold=bold), 0.1))
        y -= unit * weight
        drawing.text("label", x, y + 0.18 * unit * weight, line, size, bold=bold)
        y -= 0.18 * unit * weight


def _code(drawing: Drawing, code: str, left: float, bottom: float, side_mm: float) -> None:
    """The QR code with its quiet zone in a square, dark modules joined along each row."""
    matrix = [list(row) for row in segno.make(code, error="q", micro=False, boost_error=False).matrix]
    module = side_mm / (len(matrix) + 2 * QUIET_MODULES)
    for index, row in enumerate(matrix):
        y = bottom + side_mm - (index + 1 + QUIET_MODULES) * module
        start: int | None = None
        for place, dark in enumerate([*row, 0]):
            if dark and start is None:
                start = place
            elif not dark and start is not None:
                x = left + (start + QUIET_MODULES) * module
                drawing.rectangle("code", x, y, (place - start) * module, module, fill="#000000", stroke="none")
                start = None


def label_pages(
    labels: Sequence[Label], sheet: LabelSheet, *, first: int = 1, right_mm: float = 0.0, down_mm: float = 0.0
) -> list[Drawing]:
    """Labels on sheets, beginning at position `first` (counted along rows from the top left), moved by the printer's own offset.

    Raises: UnitError for a position that the sheet does not have, or an offset of more than 20 mm.
    """
    _check(sheet, first, right_mm, down_mm)
    pages: list[Drawing] = []
    for number, label in enumerate(labels, start=first - 1):
        if number % sheet.count == 0 or not pages:
            pages.append(Drawing(*sheet.page_mm, "labels"))
        left, bottom = _place(sheet, number % sheet.count, right_mm, down_mm)
        _draw(pages[-1], label, *_inside(sheet, left, bottom))
    return pages


def _check(sheet: LabelSheet, first: int, right_mm: float, down_mm: float) -> None:
    if not 1 <= first <= sheet.count:
        raise UnitError(
            "is not a position on the sheet",
            field="first",
            value=first,
            allowed=Text("1 to {count}", count=sheet.count),
        )
    for name, value in (("right_mm", right_mm), ("down_mm", down_mm)):
        if not abs(value) <= MOST_OFFSET_MM:
            raise UnitError(
                "moves too far",
                field=name,
                value=value,
                allowed=Text(
                    "-{low} to {high}",
                    low=Amount.short(MOST_OFFSET_MM, "mm", bare=True),
                    high=Amount.short(MOST_OFFSET_MM, "mm"),
                ),
            )


def _place(sheet: LabelSheet, position: int, right_mm: float, down_mm: float) -> tuple[float, float]:
    row, column = divmod(position, sheet.columns)
    left = sheet.left_mm + column * sheet.across_mm + right_mm
    top = sheet.top_mm + row * sheet.down_mm + down_mm
    return left, sheet.page_mm[1] - top - sheet.height_mm


def label_pdf(
    labels: Sequence[Label], sheet_name: str, *, first: int = 1, right_mm: float = 0.0, down_mm: float = 0.0
) -> bytes:
    """Labels as PDF, to be printed without scaling. Arguments and errors as `label_pages`."""
    sheet = label_sheet(sheet_name)
    return drawing_pages(label_pages(labels, sheet, first=first, right_mm=right_mm, down_mm=down_mm), "labels")


def label_images(labels: Sequence[Label], sheet_name: str, dots_per_inch: int = 203) -> list[bytes]:
    """Labels of a roll as PNG pictures in black and white, each as large as its label at these dots.

    Raises: UnitError for a sheet of many labels, or dots that no label printer has.
    """
    sheet = label_sheet(sheet_name)
    if sheet.count > 1:
        rolls = ", ".join(name for name, one in label_sheets().items() if one.count == 1)
        raise UnitError("is a sheet of many labels", field="sheet", value=sheet_name, allowed=rolls)
    if dots_per_inch not in DOTS_PER_INCH:
        allowed = ", ".join(str(dots) for dots in DOTS_PER_INCH)
        raise UnitError("is not what label printers have", field="dots", value=dots_per_inch, allowed=allowed)
    return drawing_images(label_pages(labels, sheet), dots_per_inch)


def test_page_pdf(sheet_name: str, *, right_mm: float = 0.0, down_mm: float = 0.0) -> bytes:
    """A page to lay on a label sheet against the light: every label's frame with its position, and a line of 50 mm."""
    sheet = label_sheet(sheet_name)
    _check(sheet, 1, right_mm, down_mm)
    page = Drawing(*sheet.page_mm, "test page")
    for position in range(sheet.count):
        left, bottom = _place(sheet, position, right_mm, down_mm)
        page.rectangle(
            "frame", left + 0.1, bottom + 0.1, sheet.width_mm - 0.2, sheet.height_mm - 0.2, width_mm=0.2, stroke=QUIET
        )
        size = min(8.0, sheet.height_mm / 3.0)
        page.text(
            "frame",
            left + sheet.width_mm / 2.0,
            bottom + sheet.height_mm / 2.0,
            str(position + 1),
            size,
            anchor="middle",
        )
    left, bottom = _place(sheet, 0, right_mm, down_mm)
    length = min(50.0, sheet.width_mm - 8.0)
    page.line("check", [(left + 4.0, bottom + 4.0), (left + 4.0 + length, bottom + 4.0)], width_mm=0.3)
    page.text("check", left + 4.0, bottom + 5.0, f"{length:g} mm", 2.6)
    return drawing_pages([page], "test page")


test_page_pdf.__test__ = False  # type: ignore[attr-defined]  # a printed page, no test
