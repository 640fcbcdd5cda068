"""The rack of a plan as a picture: where metal becomes no blank, on every sheet, and of which kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, fitted_text, text_width_mm
from pipemetal.layout.waste import Box, SheetWaste, Waste
from pipemetal.words import Words

__all__ = ["WASTE_COLOURS", "small_waste_picture", "waste_legend", "waste_on_screen", "waste_picture"]

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
SMALL_MM, SMALL_GAP_MM, MOST_COLUMNS = 150.0, 3.0, 6
SMALL_TALL: Final = 1.4
"""Of its width: so high a small picture may be, so that its sheets are as large as they can be."""
WIDE, NARROW = (180.0, 2, 1.0), (64.0, 1, 1.0)
"""Width, columns and edge on a screen: letters are 17 px high on a tablet of 1024 px and on a phone of 390 px."""
TITLE: Final = "Where the metal goes that becomes no blank"
LEAST_SHOWN_MM2: Final = 50.0
"""Smaller bits of the sheet are not drawn."""
LEAST_SEEN_MM2: Final = 0.1
LEAST_SMALL_MM2: Final = 1.0
"""On a screen, and in a small picture, what is smaller in the drawing itself is not drawn."""


def waste_picture(sheets: Sequence[SheetWaste], say: Words | None = None) -> Drawing:
    """All sheets in use to one scale, those that waste most first: blanks pale, what is kept green, waste by its kind.

    Kerfs are too thin to be drawn; what lies beside shapes shows through under them.
    """
    say = say or Words()
    head = EDGE_MM + 8.0 + LINE_MM * len(waste_legend())
    drawing = _drawn(sheets, say, (WIDTH_MM, COLUMNS, EDGE_MM), head, titled=True)
    top = drawing.height_mm - EDGE_MM - 4.0
    drawing.text("title", EDGE_MM, top, drawing.title, 5.0, bold=True)
    for number, (name, colour) in enumerate(waste_legend(), start=1):
        y = top - LINE_MM * number
        drawing.rectangle("legend", EDGE_MM, y - 0.6, 6.0, 3.2, fill=colour, width_mm=0.1)
        drawing.text("legend", EDGE_MM + 9.0, y, say(name), LETTERS_MM)
    return drawing


def waste_on_screen(sheets: Sequence[SheetWaste], say: Words, *, narrow: bool) -> Drawing:
    """The same sheets without title and legend, their names large enough for a screen: in two columns, or in one on a phone."""
    return _drawn(sheets, say, NARROW if narrow else WIDE, 0.0, titled=False)


def _drawn(
    sheets: Sequence[SheetWaste], say: Words, across: tuple[float, int, float], head: float, *, titled: bool
) -> Drawing:
    """A drawing of sheets with their names; `across`: its width, columns and edge, `head`: what stays free above, all in mm;
    `titled`: each place names itself."""
    wide, columns, edge = across
    places, scale, tall = _in_columns(sheets, wide - 2.0 * edge, columns, LINE_MM + 2.0)
    room = (wide - 2.0 * edge - (columns - 1) * GAP_MM) / columns
    drawing = Drawing(wide, head + tall + max(edge, 1.0), say(TITLE))
    drawing.rectangle("paper", 0, 0, drawing.width_mm, drawing.height_mm, fill="#ffffff", stroke="none")
    for sheet, (x, down) in zip(sheets, places, strict=True):
        corner = edge + x, drawing.height_mm - head - down
        _draw_sheet(drawing, sheet, corner, scale, say if titled else None)
        _name_sheet(drawing, sheet, corner, room, scale, say)
    return drawing


def small_waste_picture(sheets: Sequence[SheetWaste], say: Words | None = None) -> Drawing:
    """The same in small, without a word: as few columns as keep it from being much higher than wide."""
    say = say or Words()
    for columns in range(1, MOST_COLUMNS + 1):
        places, scale, tall = _in_columns(sheets, SMALL_MM, columns, SMALL_GAP_MM)
        if tall <= SMALL_TALL * SMALL_MM:
            break
    drawing = Drawing(SMALL_MM, max(tall, 1.0), say(TITLE))
    drawing.rectangle("paper", 0, 0, drawing.width_mm, drawing.height_mm, fill="#ffffff", stroke="none")
    for sheet, (x, down) in zip(sheets, places, strict=True):
        _draw_sheet(drawing, sheet, (x, drawing.height_mm - down), scale, None, LEAST_SMALL_MM2)
    return drawing


def _in_columns(
    sheets: Sequence[SheetWaste], wide_mm: float, columns: int, above_mm: float
) -> tuple[list[tuple[float, float]], float, float]:
    """Where each sheet's lower left corner is, from the left and from the top, each next one in the shortest column; the scale,
    and how far down it goes. `above_mm` is free above each."""
    longest = max((s.size_mm[0] for s in sheets), default=1000.0)
    gap = min(GAP_MM, above_mm)
    one = (wide_mm - (columns - 1) * gap) / columns
    scale, down = one / longest, [0.0] * columns
    places = []
    for sheet in sheets:
        column = down.index(min(down))
        down[column] += sheet.size_mm[1] * scale + above_mm
        places.append((column * (one + gap), down[column]))
    return places, scale, max(down)


def waste_legend() -> list[tuple[str, str]]:
    """What each colour of a picture of waste is, by its English words."""
    shown = [(str(kind), colour) for kind, colour in WASTE_COLOURS.items() if kind is not Waste.KERF]
    return [("blanks", BLANK), ("kept for the rack", KEPT), *shown]


def _draw_sheet(
    drawing: Drawing,
    sheet: SheetWaste,
    corner: tuple[float, float],
    scale: float,
    say: Words | None,
    seen_mm2: float = LEAST_SEEN_MM2,
) -> None:
    """One sheet with its waste, each place named where there are words; without, nothing that is smaller in the drawing than
    `seen_mm2`."""
    left, low = corner
    least_mm2 = LEAST_SHOWN_MM2 if say is not None else seen_mm2 / scale**2

    def box(layer: str, where: Box, fill: str, title: str = "") -> None:
        x0, x1, y0, y1 = where
        place = (left + x0 * scale, low + y0 * scale, (x1 - x0) * scale, (y1 - y0) * scale)
        drawing.rectangle(layer, *place, fill=fill, stroke="none", title=say(title) if say is not None else "")

    length, width = sheet.size_mm
    # blanks that are too small to be seen are pale as all others
    box("sheet", (0.0, length, 0.0, width), "#f6f6f3" if say is not None else BLANK)
    for kept in sheet.kept:
        box("kept", kept, KEPT, "kept for the rack")
    seen = [k for k, around in enumerate(sheet.boxes) if say is not None or _area_mm2(around) >= least_mm2]
    for k in seen:
        box("beside shapes", sheet.boxes[k], WASTE_COLOURS[Waste.SHAPE])
    for kind, place in sheet.places:
        if kind is not Waste.KERF and _area_mm2(place) >= least_mm2:
            box("waste", place, WASTE_COLOURS[kind], str(kind))
    for k in seen:
        points = tuple((left + x * scale, low + y * scale) for x, y in sheet.shapes[k])
        drawing.add(Polygon("blanks", points, fill=BLANK, stroke=INK, width_mm=0.08))
    drawing.rectangle("edge", left, low, length * scale, width * scale, fill="none", stroke=QUIET, width_mm=0.15)


def _area_mm2(box: Box) -> float:
    return (box[1] - box[0]) * (box[3] - box[2])


def _name_sheet(
    drawing: Drawing, sheet: SheetWaste, corner: tuple[float, float], room_mm: float, scale: float, say: Words
) -> None:
    """The line of text above a sheet, within `room_mm`."""
    left, low = corner
    at = low + sheet.size_mm[1] * scale + 1.2
    share = 100.0 * (1.0 - sheet.blanks_mm2 / sheet.consumed_mm2) if sheet.consumed_mm2 > 0.0 else 0.0
    told = say("{share} % waste", share=f"{share:.0f}")
    if sheet.is_new:
        told = say("to cast, {waste}", waste=told)
    name, size = fitted_text(f"{sheet.sheet}, {sheet.alloy}", room_mm * 0.5, LETTERS_MM, 2.2, bold=True)
    drawing.text("names", left, at, name, size, bold=True)
    beside = text_width_mm(name, size, bold=True) + 2.0
    drawing.text("names", left + beside, at, *fitted_text(told, room_mm - beside, LETTERS_MM, 2.2))
