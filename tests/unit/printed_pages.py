"""What stands on the pages of a PDF: every run of text with its box and the size of its letters, and how far a page is filled."""

from __future__ import annotations

import ctypes
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pypdfium2
import pypdfium2.raw as raw

POINT_MM = 25.4 / 72.0
ANY_INK = 200


@dataclass(frozen=True)
class Run:
    """Letters side by side: left, bottom, right, top of their ink in mm, and their size in points."""

    text: str
    box: tuple[float, float, float, float]
    size_pt: float


@dataclass(frozen=True)
class Page:
    """A page: its size in mm, its text, its runs, the box of all its ink, and how far down it is filled, 0 to 1."""

    size_mm: tuple[float, float]
    text: str
    runs: tuple[Run, ...]
    ink_mm: tuple[float, float, float, float] | None
    filled: float


def pages_of(pdf: bytes, dpi: float = 60.0) -> Iterator[Page]:
    """Every page."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        for index in range(len(document)):
            yield _page(document[index], dpi)
    finally:
        document.close()


def _page(page: pypdfium2.PdfPage, dpi: float) -> Page:
    size = (page.get_width() * POINT_MM, page.get_height() * POINT_MM)
    held = page.get_textpage()
    text = held.get_text_bounded()
    grey = np.asarray(page.render(scale=dpi / 72.0).to_pil().convert("L"))
    rows, columns = np.flatnonzero((grey < ANY_INK).any(axis=1)), np.flatnonzero((grey < ANY_INK).any(axis=0))
    dot = 25.4 / dpi
    ink = None
    if rows.size:
        ink = (columns[0] * dot, size[1] - (rows[-1] + 1) * dot, (columns[-1] + 1) * dot, size[1] - rows[0] * dot)
    # above the foot, where the page's number stands
    body = rows[rows * dot < size[1] - 14.0]
    filled = float((body[-1] + 1) * dot / (size[1] - 14.0)) if body.size else 0.0
    return Page(size, text, tuple(_runs(held)), ink, filled)


def _runs(held: pypdfium2.PdfTextPage) -> Iterator[Run]:
    """Letters joined while they stand side by side on one line in one size."""
    letters: list[tuple[str, tuple[float, float, float, float], float]] = []
    for index in range(held.count_chars()):
        sign = chr(raw.FPDFText_GetUnicode(held, index))
        tight = [ctypes.c_double() for _ in range(4)]
        raw.FPDFText_GetCharBox(held, index, tight[0], tight[1], tight[2], tight[3])
        left, right, bottom, top = (value.value * POINT_MM for value in tight)
        matrix = raw.FS_MATRIX()
        raw.FPDFText_GetMatrix(held, index, matrix)
        size = float(raw.FPDFText_GetFontSize(held, index)) * math.hypot(matrix.c, matrix.d)
        if sign.isspace() or right - left <= 0.0 or top - bottom <= 0.0:
            if letters:
                yield _joined(letters)
            letters = []
            continue
        box = (left, bottom, right, top)
        if letters and not _beside(letters[-1], box, size):
            yield _joined(letters)
            letters = []
        letters.append((sign, box, size))
    if letters:
        yield _joined(letters)


def _beside(last: tuple[str, tuple[float, float, float, float], float], box: tuple[float, ...], size: float) -> bool:
    _, before, size_before = last
    near = 0.6 * size * POINT_MM
    apart = max(box[0] - before[2], before[0] - box[2], box[1] - before[3], before[1] - box[3])
    return abs(size - size_before) < 0.2 and apart < near


def _joined(letters: list[tuple[str, tuple[float, float, float, float], float]]) -> Run:
    boxes = [box for _, box, _ in letters]
    whole = (min(b[0] for b in boxes), min(b[1] for b in boxes), max(b[2] for b in boxes), max(b[3] for b in boxes))
    return Run("".join(sign for sign, _, _ in letters), whole, max(size for _, _, size in letters))


def lying_on_each_other(page: Page) -> list[tuple[str, str]]:
    """Pairs of words whose ink shares more than a tenth of the smaller one's box."""
    found = []
    runs = sorted(page.runs, key=lambda run: run.box[0])
    for index, one in enumerate(runs):
        for other in runs[index + 1 :]:
            if other.box[0] >= one.box[2]:
                break
            wide = min(one.box[2], other.box[2]) - max(one.box[0], other.box[0])
            high = min(one.box[3], other.box[3]) - max(one.box[1], other.box[1])
            if wide <= 0.0 or high <= 0.0:
                continue
            areas = [(b[2] - b[0]) * (b[3] - b[1]) for b in (one.box, other.box)]
            if wide * high > 0.1 * min(areas):
                found.append((one.text, other.text))
    return found
