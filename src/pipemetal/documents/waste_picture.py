"""The rack of a plan as a picture: where metal becomes no blank, on every sheet, and of which kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, fitted_text, text_width_mm
from pipemetal.layout.waste import SheetWaste, Waste
from pipemetal.words import Words

__all__ = ["WASTE_COLOURS", "waste_picture"]

WASTE_COLOURS: Final = {
    Waste.KERF: "#3a3a38",
    Waste.SHAPE: "#d9a441",
    Waste.NOTHING_FITS: "#7b5ea7",
    Waste.ROOM: "#c0392b",
    Waste.END: "#1f4e79",
    Waste.STRIP: "#5b8db8",
    Waste.CAST: "#e08a5b",
}
BLANK, KEPT = "#e9e5da", "#cfe3cf"
WIDTH_MM: Final = 300.0
COLUMNS: Final = 2
EDGE_MM, GAP_MM, LETTERS_MM, LINE_MM = 8.0, 6.0, 3.0, 5.5
LEAST_SHOWN_MM2: Final = 50.0
"""Smaller bits of the sheet are not drawn."""


def waste_picture(sheets: Sequence[SheetWaste], say: Words | None = None) -> Drawing:
    """All sheets in use to one scale, those that waste most first: blanks pale, what is kept green, waste by its kind.

    Kerfs are too thin to be drawn; what lies beside shapes shows through under them.
    """
    say = say or Words()
    longest = max((s.size_mm[0] for s in sheets), default=1000.0)
    wide = (WIDTH_MM - 2.0 * EDGE_MM - (COLUMNS - 1) * GAP_MM) / COLUMNS
    scale = wide / longest
    heights = [s.size_mm[1] * scale + LINE_MM + 2.0 for s in sheets]
    tall = [sum(heights[k] for k in range(len(heights)) if k % COLUMNS == c) for c in range(COLUMNS)]
    head = EDGE_MM + 8.0 + LINE_MM * len(_legend())
    title = say("Where the metal goes that becomes no blank")
    drawing = Drawing(WIDTH_MM, head + max(tall, default=0.0) + EDGE_MM, title)
    drawing.rectangle("paper", 0, 0, drawing.width_mm, drawing.height_mm, fill="#ffffff", stroke="none")
    top = drawing.height_mm - EDGE_MM - 4.0
    drawing.text("title", EDGE_MM, top, title, 5.0, bold=True)
    for number, (name, colour) in enumerate(_legend(), start=1):
        y = top - LINE_MM * number
        drawing.rectangle("legend", EDGE_MM, y - 0.6, 6.0, 3.2, fill=colour, width_mm=0.1)
        drawing.text("legend", EDGE_MM + 9.0, y, say(name), LETTERS_MM)
    at = [drawing.height_mm - head] * COLUMNS
    for k, sheet in enumerate(sheets):
        column = k % COLUMNS
        at[column] -= heights[k]
        _draw_sheet(drawing, sheet, (EDGE_MM + column * (wide + GAP_MM), at[column]), scale, say)
    return drawing


def _legend() -> list[tuple[str, str]]:
    shown = [(str(kind), colour) for kind, colour in WASTE_COLOURS.items() if kind is not Waste.KERF]
    return [("blanks", BLANK), ("kept for the rack", KEPT), *shown]


def _draw_sheet(drawing: Drawing, sheet: SheetWaste, corner: tuple[float, float], scale: float, say: Words) -> None:
    """One sheet with its line of text above it."""
    left, low = corner

    def box(layer: str, where: tuple[float, float, float, float], fill: str, title: str = "") -> None:
        x0, x1, y0, y1 = where
        place = (left + x0 * scale, low + y0 * scale, (x1 - x0) * scale, (y1 - y0) * scale)
        drawing.rectangle(layer, *place, fill=fill, stroke="none", title=title)

    length, width = sheet.size_mm
    box("sheet", (0.0, length, 0.0, width), "#f6f6f3")
    for kept in sheet.kept:
        box("kept", kept, KEPT, say("kept for the rack"))
    for around in sheet.boxes:
        box("beside shapes", around, WASTE_COLOURS[Waste.SHAPE])
    for kind, place in sheet.places:
        if kind is not Waste.KERF and (place[1] - place[0]) * (place[3] - place[2]) >= LEAST_SHOWN_MM2:
            box("waste", place, WASTE_COLOURS[kind], say(str(kind)))
    for corners in sheet.shapes:
        points = tuple((left + x * scale, low + y * scale) for x, y in corners)
        drawing.add(Polygon("blanks", points, fill=BLANK, stroke=INK, width_mm=0.08))
    drawing.rectangle("edge", left, low, length * scale, width * scale, fill="none", stroke=QUIET, width_mm=0.15)
    share = 100.0 * (1.0 - sheet.blanks_mm2 / sheet.consumed_mm2) if sheet.consumed_mm2 > 0.0 else 0.0
    told = say("{share} % waste", share=f"{share:.0f}")
    if sheet.is_new:
        told = say("to cast, {waste}", waste=told)
    name, size = fitted_text(f"{sheet.sheet}, {sheet.alloy}", length * scale * 0.6, LETTERS_MM, 2.2, bold=True)
    drawing.text("names", left, low + width * scale + 1.2, name, size, bold=True)
    drawing.text(
        "names", left + text_width_mm(name, size, bold=True) + 2.0, low + width * scale + 1.2, told, LETTERS_MM
    )
