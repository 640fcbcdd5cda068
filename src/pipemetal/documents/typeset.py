"""Sheets set as PDF by typst, with the fonts of this package: the same sheets give the same bytes on any machine.

Source: typst 0.15 (typst.app/docs), whose PDF is deterministic for a fixed timestamp. Nothing is read from outside the
package, and nothing of the system's fonts.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any, Final, TypedDict

from pipemetal.documents.drawing import Drawing, Text, printable
from pipemetal.documents.sheet import (
    Block,
    Cautions,
    Columns,
    Heading,
    Lines,
    NewPage,
    Paragraph,
    Picture,
    Sheet,
    Table,
    Together,
    paper_mm,
)
from pipemetal.documents.svg import to_svg
from pipemetal.words import Words

__all__ = ["compiled", "drawing_images", "drawing_pages", "pages_taken", "text_literal", "to_pdf"]

MARGIN_MM: Final = 10.0
FOOT_MM: Final = 12.0
LEAST_PT: Final = 6.0
"""Smaller letters are not printed."""
LEAST_FILLED: Final = 1.0 / 3.0
"""A sheet's last page is filled so far, or the sheet is set a little smaller or larger."""
LEAST_SCALE: Final = 0.69
MOST_SCALE: Final = 1.25
"""So much smaller or larger its letters are set at most."""
HEAD: Final = """#set document(title: {title}, date: {date})
#set text(font: "DejaVu Sans", size: 9pt, fill: rgb("#1d1d1b"), lang: {language}, hyphenate: false)
#set par(leading: 0.55em, spacing: 0.8em)
#set table(stroke: (x, y) => (bottom: 0.3pt + rgb("#8d8775")))
#let quiet = rgb("#5d594f")
#let tick = box(width: 1.05em, height: 1.05em, stroke: 0.6pt, baseline: 0.2em)
#let write(label, size) = block(width: 100%, height: 12mm, above: 0mm, below: 3.5mm)[
  #place(top + left, text(size: size, fill: quiet, label))
  #place(bottom + left, line(length: 100%, stroke: 0.5pt))
]
#let cautions(title, items, head, size) = block(
  width: 100%, stroke: 1.2pt + rgb("#8c2f39"), inset: 6pt, radius: 2pt, below: 10pt
)[
  #text(weight: "bold", fill: rgb("#8c2f39"), size: head, title)
  #for item in items [ #block(above: 4pt, below: 0pt, text(size: size, item)) ]
]
#let mark(number, what) = context [#metadata((
  sheet: number, what: what, page: here().page(), y: here().position().y / 1mm, high: page.height / 1mm
)) <mark>]
#let running(words) = text(size: 8pt, fill: quiet, words)
"""


def text_literal(text: str) -> str:
    """A text as a literal of the typesetter, whatever is in it.

    >>> print(text_literal('a "b" # \\\\n'))
    "a \\"b\\" # \\\\n"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\r", "").replace("\t", " ")
    return '"' + "".join(c for c in printable(escaped) if c.isprintable() or c in " \u00a0") + '"'


class _Source:
    """The source of a document while it is written, with the pictures that it names; `scale` is that of its letters."""

    def __init__(self, say: Words) -> None:
        self.files: dict[str, bytes] = {}
        self.scale = 1.0
        self.say = say

    def pt(self, size_pt: float, least_pt: float = LEAST_PT) -> str:
        """A size as this sheet is set, that of letters where no other least is given."""
        return f"{max(least_pt, size_pt * self.scale):g}pt"

    def picture(self, drawing: Drawing) -> str:
        name = f"p{len(self.files)}.svg"
        shapes = [replace(s, text=printable(s.text)) if isinstance(s, Text) else s for s in drawing.shapes]
        self.files[name] = to_svg(replace(drawing, shapes=shapes)).encode()
        return f'image("{name}", width: {drawing.width_mm:.4f}mm, height: {drawing.height_mm:.4f}mm)'

    def blocks(self, blocks: Sequence[Block]) -> str:
        return "".join(self.block(block) for block in blocks)

    def block(self, block: Block) -> str:
        match block:
            case Heading(text):
                style = f'size: {self.pt(12)}, weight: "bold"'
                return f"#block(above: 12pt, below: 6pt, sticky: true, text({style}, {text_literal(text)}))\n"
            case Paragraph():
                return self.paragraph(block)
            case Cautions(title, texts):
                items = "".join(f"{text_literal(t)}, " for t in texts)
                return f"#cautions({text_literal(title)}, ({items}), {self.pt(10)}, {self.pt(8)})\n"
            case Table():
                return self.table(block)
            case Columns(count, blocks):
                return f"#columns({count}, gutter: 5mm)[\n{self.blocks(blocks)}]\n"
            case Together(blocks):
                return f"#block(breakable: false, width: 100%)[\n{self.blocks(blocks)}]\n"
            case Picture(drawing):
                return f"#block(above: 6pt, below: 6pt, {self.picture(drawing)})\n"
            case Lines(labels, columns):
                cells = "".join(f"write({text_literal(label)}, {self.pt(7.5)}), " for label in labels)
                grid = f"grid(columns: (1fr,) * {columns}, column-gutter: 6mm, row-gutter: 3mm, {cells})"
                return f"#block(breakable: false, width: 100%, {grid})\n"
            case NewPage():
                return "#pagebreak(weak: true)\n"

    def sheet(self, sheet: Sheet, paper: str, number: int, scale: float) -> str:
        """The source of one sheet, with marks where it begins and ends."""
        self.scale = scale
        width, height = paper_mm(paper)
        if sheet.landscape:
            width, height = height, width
        foot = f"text(size: 7pt, fill: quiet, {text_literal(sheet.foot)})"
        before, between, after = (
            self.say("page {page} of {pages}", page="\0", pages="\1").replace("\1", "\0").split("\0")
        )
        page = (
            f"context text(size: 7pt, fill: quiet, {text_literal(before)} + counter(page).display() + "
            f"{text_literal(between)} + str(counter(page).final().at(0)) + {text_literal(after)})"
        )
        name = sheet.running or sheet.title
        if not sheet.named:
            name = self.say("{title}, continued", title=name)
        first = "0" if sheet.named else f"query(<begin{number}>).first().location().page()"
        head = (
            f"#set page(width: {width}mm, height: {height}mm, margin: (x: {MARGIN_MM}mm, top: {MARGIN_MM}mm, "
            f"bottom: {FOOT_MM}mm), header: context {{ if here().page() > {first} {{ running({text_literal(name)}) }} }}, "
            f"header-ascent: 2mm, footer: grid(columns: (1fr, auto), {foot}, {page}))\n"
            f'#metadata("") <begin{number}>\n#mark({number}, "begin")\n'
        )
        title = ""
        if sheet.title:
            style = f'size: {self.pt(17)}, weight: "bold"'
            title = f"#block(below: 7pt, text({style}, {text_literal(sheet.title)}))\n"
        if sheet.subtitle:
            style = f"size: {self.pt(9.5)}, fill: quiet"
            title += f"#block(below: 8pt, text({style}, {text_literal(sheet.subtitle)}))\n"
        return head + title + self.blocks(sheet.blocks) + f'#mark({number}, "end")\n'

    def paragraph(self, block: Paragraph) -> str:
        size = 28.0 if block.large else 8.0 if block.quiet else 9.0
        style = [f"size: {self.pt(size)}"]
        style += ['weight: "bold"'] if block.strong or block.large else []
        style += ["fill: quiet"] if block.quiet else []
        return f"#block(above: 7pt, below: 7pt, text({', '.join([*style, text_literal(block.text)])}))\n"

    def table(self, table: Table) -> str:
        shares = table.shares or (0.0,) * len(table.headings)
        widths = ", ".join(f"{share:g}fr" if share else "auto" for share in shares)
        aligns = ", ".join("right" if i in table.right else "left" for i in range(len(table.headings)))
        small = self.pt(table.size_pt - 1.0)
        heads = ", ".join(
            f'text(weight: "bold", size: {small}, fill: quiet, {text_literal(h)})' for h in table.headings
        )
        cells = ",\n".join(
            ", ".join("tick" if cell == TICK else text_literal(cell) for cell in row) for row in table.rows
        )
        room = (6.0 if table.tall else 2.6) * min(self.scale, 1.0) ** 2 * max(self.scale, 1.0)
        return (
            f"#[#set text(size: {self.pt(table.size_pt)})\n#table(columns: ({widths},), align: ({aligns},), "
            f"inset: (x: {self.pt(3.0, 2.0)}, y: {room:g}pt), table.header({heads}),\n{cells})]\n"
        )


TICK: Final = "\u2610"
"""In a table's cell: a box to tick."""


def to_pdf(
    sheets: Sequence[Sheet], paper: str = "a4", say: Words | None = None, *, title: str = "", archive: str = ""
) -> bytes:
    """Sheets as one PDF, each beginning on a page of its own; no last page of a sheet stays nearly empty where letters a little
    smaller or larger prevent it. With a date YYYY-MM-DD in `archive` it is PDF/A-2b (ISO 19005-2), to be kept, of that date.

    >>> from pipemetal.documents.sheet import Sheet
    >>> to_pdf([Sheet("Weighing list")])[:5]
    b'%PDF-'

    Raises: UnitError for a paper that is not known.
    """
    say = say or Words()
    scales = _fitting(sheets, paper, say)
    source, files = _document(sheets, range(len(sheets)), scales, paper, say, title, archive)
    return compiled(source, files, archive=bool(archive))


def pages_taken(sheet: Sheet, paper: str, say: Words) -> int:
    """How many pages a sheet takes as it is printed."""
    pages, _ = _filled([sheet], [0], _fitting([sheet], paper, say), paper, say)[0]
    return pages


def _document(
    sheets: Sequence[Sheet],
    numbers: Sequence[int],
    scales: Mapping[int, float],
    paper: str,
    say: Words,
    title: str = "",
    date: str = "",
) -> tuple[str, dict[str, bytes]]:
    """The source of some of the sheets, and its pictures."""
    source = _Source(say)
    parts = [source.sheet(sheets[n], paper, n, scales.get(n, 1.0)) for n in numbers]
    named = text_literal(title or (sheets[0].title or sheets[0].running if sheets else ""))
    head = HEAD.format(title=named, language=text_literal(say.language), date=_date(date))
    return head + "#pagebreak(weak: true)\n".join(parts), source.files


def _date(iso: str) -> str:
    """A day as the typesetter writes it."""
    if not iso:
        return "none"
    day = dt.date.fromisoformat(iso)
    return f"datetime(year: {day.year}, month: {day.month}, day: {day.day})"


def _fitting(sheets: Sequence[Sheet], paper: str, say: Words) -> dict[int, float]:
    """The scale of the letters of every sheet that does not fill its last page well at the usual one."""
    found: dict[int, float] = {}
    set_anew = [n for n, sheet in enumerate(sheets) if not all(isinstance(b, Picture | NewPage) for b in sheet.blocks)]
    at_first = _filled(sheets, set_anew, {}, paper, say)
    tries = {n: _tries(sheets[n], *filled) for n, filled in at_first.items() if not _good(sheets[n], *filled)}
    while tries := {n: scales for n, scales in tries.items() if scales and n not in found}:
        now = {n: scales.pop(0) for n, scales in tries.items()}
        tried = _filled(sheets, list(now), now, paper, say)
        found |= {n: now[n] for n, filled in tried.items() if _good(sheets[n], *filled)}
        found |= {n: LEAST_SCALE for n in tried if n not in found and sheets[n].one and not tries[n]}
    return found


def _tries(sheet: Sheet, pages: int, filled: float) -> list[float]:
    """Scales worth a try: those by which the last page vanishes, then those by which it is filled well enough."""
    whole = pages - 1 + filled
    fewer = 1 if sheet.one else pages - 1
    smaller = [max(slack * fewer / whole, LEAST_SCALE) for slack in (1.0, 0.94, 0.87)]
    larger = [min(slack * (pages - 1 + LEAST_FILLED) / whole, MOST_SCALE) for slack in (1.03, 1.1)]
    wanted = [s for s in smaller if s > LEAST_SCALE] or [LEAST_SCALE]
    return [round(scale, 3) for scale in dict.fromkeys([*wanted, *([] if sheet.one else larger)])]


def _good(sheet: Sheet, pages: int, filled: float) -> bool:
    return pages == 1 or (filled >= LEAST_FILLED and not sheet.one)


def _filled(
    sheets: Sequence[Sheet], numbers: Sequence[int], scales: Mapping[int, float], paper: str, say: Words
) -> dict[int, tuple[int, float]]:
    """How many pages each of these sheets takes, and how far its last one is filled."""
    if not numbers:
        return {}
    text, files = _document(sheets, numbers, scales, paper, say)
    marks = _marks(text, files)
    begins = {m["sheet"]: m for m in marks if m["what"] == "begin"}
    return {
        m["sheet"]: (
            m["page"] - begins[m["sheet"]]["page"] + 1,
            (m["y"] - MARGIN_MM) / (m["high"] - MARGIN_MM - FOOT_MM),
        )
        for m in marks
        if m["what"] == "end"
    }


def drawing_pages(drawings: Sequence[Drawing], title: str) -> bytes:
    """Drawings as a PDF, each a page of its own size: labels of a roll printer, tiles of a pattern."""
    source = _Source(Words())
    pages = "".join(
        f"#page(width: {d.width_mm:.4f}mm, height: {d.height_mm:.4f}mm, margin: 0mm)[#{source.picture(d)}]\n"
        for d in drawings
    )
    return compiled(HEAD.format(title=text_literal(title), language='"en"', date="none") + pages, source.files)


def drawing_images(drawings: Sequence[Drawing], dots_per_inch: int) -> list[bytes]:
    """Drawings as PNG pictures, a dot of a printer being a dot of theirs."""
    import typst

    found = []
    for drawing in drawings:
        source = _Source(Words())
        size = f"width: {drawing.width_mm:.4f}mm, height: {drawing.height_mm:.4f}mm, margin: 0mm"
        text = HEAD.format(title='""', language='"en"', date="none") + f"#page({size})[#{source.picture(drawing)}]\n"
        sources: Any = {"main": text.encode(), **source.files}
        made = typst.compile(
            sources, format="png", ppi=dots_per_inch, font_paths=_font_paths(), ignore_system_fonts=True, timestamp=0
        )
        found.append(bytes(made))
    return found


class _Mark(TypedDict):
    """Where a sheet begins or ends: its page, how far down in mm, and how high the page is."""

    sheet: int
    what: str
    page: int
    y: float
    high: float


def _marks(text: str, files: dict[str, bytes]) -> list[_Mark]:
    """Where the sheets of a document begin and end."""
    import typst

    sources: Any = {"main": text.encode(), **files}
    found: list[_Mark] = json.loads(
        typst.query(sources, "<mark>", field="value", font_paths=_font_paths(), ignore_system_fonts=True)
    )
    return found


def compiled(text: str, files: dict[str, bytes], *, archive: bool = False) -> bytes:
    """A document of the typesetter as PDF; its pictures by name."""
    import typst

    sources: Any = {"main": text.encode(), **files}  # a document with its pictures, which the library's types leave out
    return bytes(
        typst.compile(
            sources,
            font_paths=_font_paths(),
            ignore_system_fonts=True,
            timestamp=0,
            pdf_tags=False,
            pdf_standards=["a-2b"] if archive else [],
        )
    )


def _font_paths() -> list[str | Path]:
    return [str(Path(str(resources.files("pipemetal.documents") / "fonts")))]
