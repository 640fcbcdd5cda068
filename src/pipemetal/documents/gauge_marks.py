"""Places of a sheet worth one more reading, as they stand on a picture: a small open circle with its number."""

from __future__ import annotations

from typing import Final

import numpy as np

from pipemetal.documents.drawing import Drawing, Polygon

__all__ = ["GAUGE_HERE", "gauge_mark"]

GAUGE_HERE: Final = "{number}: one more reading tells most here"
GAUGE_INK: Final = "#1f4e79"
_CIRCLE: Final = tuple((float(np.cos(a)), float(np.sin(a))) for a in np.linspace(0.0, 2 * np.pi, 24, endpoint=False))


def gauge_mark(drawing: Drawing, x_mm: float, y_mm: float, number: int, words: str, size_mm: float = 1.8) -> None:
    """An open circle about a place of the drawing, its number in it; `words` are its title."""
    corners = tuple((x_mm + size_mm * a, y_mm + size_mm * b) for a, b in _CIRCLE)
    drawing.add(Polygon("gauge", corners, "#ffffff", GAUGE_INK, 0.35, words))
    drawing.text(
        "gauge", x_mm, y_mm - 0.36 * 1.2 * size_mm, str(number), 1.2 * size_mm, anchor="middle", fill=GAUGE_INK
    )
