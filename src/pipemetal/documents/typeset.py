"""Sheets set as PDF by typst, with the fonts of this package: the same sheets give the same bytes on any machine.

Source: typst 0.15 (typst.app/docs), whose PDF is deterministic for a fixed timestamp. Nothing is read from outside the
package, and nothing of the system's fonts.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any, Final

from pipemetal.documents.drawing import Drawing
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
    paper_mm,
)
from pipemetal.documents.svg import to_svg

__all__ = ["compiled", "drawing_pages", "text_literal", "to_pdf"]

MARGIN_MM: Final = 12.0
FOOT_MM: Final = 14.0
HEAD: Final = """#set document(title: {title}, date: none)
#set text(font: "DejaVu Sans", size: 9pt, fill: rgb("#1d1d1b"), lang: {language}, hyphenate: false)
#set par(leading: 0.55em, spacing: 0.8em)
#set table(stroke: (x, y) => (bottom: 0.3pt + rgb("#8d8775")), inset: (x: 3pt, y: 2.6pt))
#let quiet = rgb("#5d594f")
#let tick = box(width: 3.6mm, height: 3.6mm, stroke: 0.6pt, baseline: 0.6mm)
#let write(label) = block(width: 100%, height: 12mm, above: 0mm, below: 3.5mm)[
  #place(top + left, text(size: 7.5pt, fill: quiet, label))
  #place(bottom + left, line(length: 100%, stroke: 0.5pt))
]
#let cautions(title, items) = block(width: 100%, stroke: 1.2pt + rgb("#8c2f39"), inset: 6pt, radius: 2pt, below: 10pt)[
  #text(weight: "bold", fill: rgb("#8c2f39"), size: 10pt, title)
  #for item in items [ #block(above: 4pt, below: 0pt, text(size: 8pt, item)) ]
]
"""


def text_literal(text: str) -> str:
    """A text as a literal of the typesetter, whatever is in it.

    >>> print(text_literal('a "b" # \\\\n'))
    "a \\"b\\" # \\\\n"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\r", "").replace("\t", " ")
    return '"' + "".join(c for c in escaped if c.isprintable() or c == " ") + '"'


class _Source:
    """The source of a document while it is written, with the pictures that it names."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}

    def picture(self, drawing: Drawing) -> str:
        name = f"p{len(self.files)}.svg"
        self.files[name] = to_svg(drawing).encode()
        return f'image("{name}", width: {drawing.width_mm:.4f}mm, height: {drawing.height_mm:.4f}mm)'

    def block(self, block: Block) -> str:
        match block:
            case Heading(text):
                return f'#block(above: 12pt, below: 6pt, text(size: 12pt, weight: "bold", {text_literal(text)}))\n'
            case Paragraph():
                return _paragraph(block)
            case Cautions(title, texts):
                items = "".join(f"{text_literal(t)}, " for t in texts)
                return f"#cautions({text_literal(title)}, ({items}))\n"
            case Table():
                return _table(block)
            case Columns(count, blocks):
                inner = "".join(self.block(b) for b in blocks)
                return f"#columns({count}, gutter: 5mm)[\n{inner}]\n"
            case Picture(drawing):
                return f"#block(above: 6pt, below: 6pt, {self.picture(drawing)})\n"
            case Lines(labels, columns):
                cells = "".join(f"write({text_literal(label)}), " for label in labels)
                return f"#grid(columns: (1fr,) * {columns}, column-gutter: 6mm, row-gutter: 3mm, {cells})\n"
            case NewPage():
                return "#pagebreak(weak: true)\n"

    def sheet(self, sheet: Sheet, paper: str) -> str:
        width, height = paper_mm(paper)
        if sheet.landscape:
            width, height = height, width
        foot = f"text(size: 7pt, fill: quiet, {text_literal(sheet.foot)})"
        page = (
            'context text(size: 7pt, fill: quiet, counter(page).display() + " / " + str(counter(page).final().at(0)))'
        )
        head = (
            f"#set page(width: {width}mm, height: {height}mm, margin: (x: {MARGIN_MM}mm, top: {MARGIN_MM}mm, "
            f"bottom: {FOOT_MM}mm), footer: grid(columns: (1fr, auto), {foot}, {page}))\n"
        )
        title = (
            f'#block(below: 7pt, text(size: 17pt, weight: "bold", {text_literal(sheet.title)}))\n'
            if sheet.title
            else ""
        )
        if sheet.subtitle:
            title += f"#block(below: 8pt, text(size: 9.5pt, fill: quiet, {text_literal(sheet.subtitle)}))\n"
        return head + title + "".join(self.block(b) for b in sheet.blocks)


def _paragraph(block: Paragraph) -> str:
    style = ['size: 28pt, weight: "bold"'] if block.large else []
    style += ['weight: "bold"'] if block.strong and not block.large else []
    style += ["fill: quiet, size: 8pt"] if block.quiet else []
    return f"#block(above: 7pt, below: 7pt, text({', '.join([*style, text_literal(block.text)])}))\n"


def _table(table: Table) -> str:
    shares = table.shares or (0.0,) * len(table.headings)
    widths = ", ".join(f"{share:g}fr" if share else "auto" for share in shares)
    aligns = ", ".join("right" if i in table.right else "left" for i in range(len(table.headings)))
    heads = ", ".join(f'text(weight: "bold", fill: quiet, {text_literal(h)})' for h in table.headings)
    cells = ",\n".join(", ".join("tick" if cell == TICK else text_literal(cell) for cell in row) for row in table.rows)
    room = ", inset: (x: 3pt, y: 6pt)" if table.tall else ""
    return (
        f"#[#set text(size: {table.size_pt}pt)\n#table(columns: ({widths},), align: ({aligns},){room}, "
        f"table.header({heads}),\n{cells})]\n"
    )


TICK: Final = "\u2610"
"""In a table's cell: a box to tick."""


def to_pdf(sheets: Sequence[Sheet], paper: str = "a4", language: str = "en") -> bytes:
    """Sheets as one PDF, each beginning on a page of its own.

    >>> from pipemetal.documents.sheet import Sheet
    >>> to_pdf([Sheet("Weighing list")])[:5]
    b'%PDF-'

    Raises: UnitError for a paper that is not known.
    """
    source = _Source()
    title = sheets[0].title if sheets else ""
    parts = [source.sheet(sheet, paper) for sheet in sheets]
    return compiled(
        HEAD.format(title=text_literal(title), language=text_literal(language))
        + "#pagebreak(weak: true)\n".join(parts),
        source.files,
    )


def drawing_pages(drawings: Sequence[Drawing], title: str) -> bytes:
    """Drawings as a PDF, each a page of its own size: labels of a roll printer, tiles of a pattern."""
    source = _Source()
    pages = "".join(
        f"#page(width: {d.width_mm:.4f}mm, height: {d.height_mm:.4f}mm, margin: 0mm)[#{source.picture(d)}]\n"
        for d in drawings
    )
    return compiled(HEAD.format(title=text_literal(title), language='"en"') + pages, source.files)


def compiled(text: str, files: dict[str, bytes]) -> bytes:
    """A document of the typesetter as PDF; its pictures by name."""
    import typst

    fonts = Path(str(resources.files("pipemetal.documents") / "fonts"))
    sources: Any = {"main": text.encode(), **files}  # a document with its pictures, which the library's types leave out
    return bytes(typst.compile(sources, font_paths=[str(fonts)], ignore_system_fonts=True, timestamp=0, pdf_tags=False))
