"""A printed sheet in parts: title, tables, texts, pictures in true millimetres, boxes to tick and lines to write on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from pipemetal.documents.drawing import Drawing
from pipemetal.errors import UnitError

__all__ = [
    "PAPERS_MM",
    "Block",
    "Cautions",
    "Columns",
    "Heading",
    "Lines",
    "NewPage",
    "Paragraph",
    "Picture",
    "Sheet",
    "Table",
    "Together",
    "paper_mm",
    "table",
]

PAPERS_MM: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


def paper_mm(name: str) -> tuple[float, float]:
    """Width and height of a paper, standing.

    >>> paper_mm("letter")
    (215.9, 279.4)

    Raises: UnitError for a paper that is not known.
    """
    if name not in PAPERS_MM:
        raise UnitError("is not a paper", field="paper", value=name, allowed=" or ".join(PAPERS_MM))
    return PAPERS_MM[name]


@dataclass(frozen=True)
class Heading:
    """A heading within a sheet."""

    text: str


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; `strong` is for what must not be missed, `large` for what is read at three metres."""

    text: str
    strong: bool = False
    quiet: bool = False
    large: bool = False


@dataclass(frozen=True)
class Cautions:
    """What can hurt, on top of a sheet and framed."""

    title: str
    texts: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A table. `shares` are the columns' widths in parts, zero for as wide as needed; columns in `right` stand to the right;
    `tall` gives rows room to write in."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...] = ()
    right: frozenset[int] = field(default_factory=frozenset)
    tall: bool = False
    size_pt: float = 9.0


@dataclass(frozen=True)
class Columns:
    """Blocks set in newspaper columns."""

    count: int
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Together:
    """Blocks that stay on one page."""

    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Picture:
    """A drawing at its true size: a millimetre of it is a millimetre of paper."""

    drawing: Drawing


@dataclass(frozen=True)
class Lines:
    """Lines to write on, each with what is to be written there."""

    labels: tuple[str, ...]
    columns: int = 2


@dataclass(frozen=True)
class NewPage:
    """What follows begins on a new page."""


Block = Heading | Paragraph | Cautions | Table | Columns | Together | Picture | Lines | NewPage


@dataclass(frozen=True)
class Sheet:
    """A sheet of one or more pages.

    `foot` stands at the bottom of every page beside the page number; `running`, or the title, at the top of every page but the
    first, and of that too where the sheet is `named` by it alone. One that is to stay on `one` page is set smaller until it does.
    """

    title: str
    subtitle: str = ""
    blocks: tuple[Block, ...] = ()
    landscape: bool = False
    foot: str = ""
    running: str = ""
    named: bool = False
    one: bool = False


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    shares: Sequence[float] = (),
    tall: bool = False,
    size_pt: float = 9.0,
) -> Table:
    """A table of texts, numbers to the right: a column is one of numbers where every cell begins with a digit or a sign, and
    none is a size of two sides.

    >>> table(["lot", "kg"], [("P1", "12.5"), ("S 2", "3.0")]).right
    frozenset({1})
    """
    held = tuple(tuple("" if cell is None else str(cell) for cell in row) for row in rows)
    right = frozenset(
        i
        for i in range(len(headings))
        if any(row[i] for row in held)
        and all(not row[i] or (row[i][0] in "0123456789-−+.," and " x " not in row[i]) for row in held)
    )
    return Table(tuple(headings), held, tuple(shares), right, tall, size_pt)
