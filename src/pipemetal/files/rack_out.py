"""A rack as its files: `rack.csv` and `readings.csv`, as `rack_file` reads them again."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Final

from pipemetal.sheets.roll import Roll

__all__ = ["rack_files"]

HEAD: Final = (
    "id",
    "alloy",
    "length_mm",
    "width_mm",
    "trim_mm",
    "place",
    "parent",
    "outline",
    "no_go",
    "thickness_start_mm",
    "thickness_end_mm",
)


def rack_files(rolls: Sequence[Roll]) -> dict[str, str]:
    """The text of `rack.csv` and `readings.csv`; lengths in mm, thicknesses in mm to a thousandth.

    >>> from pipemetal.sheets.field import ThicknessField
    >>> field = ThicknessField.from_grid([0.0, 900.0], [[1.0, 0.9]], width_mm=500.0)
    >>> print(rack_files([Roll("R1", "plain", 900.0, 500.0, 15.0, field)])["rack.csv"].splitlines()[1])
    R1,plain,900,500,15,,,,,1,0.9
    """
    rack, readings = [], list[Sequence[str]]()
    for roll in rolls:
        read = roll.field.readings
        grid = roll.field.thickness_mm
        ends = ("", "") if len(read) else tuple(_short(float(grid[:, k].mean())) for k in (0, -1))
        sizes = (_short(v) for v in (roll.length_mm, roll.width_mm, roll.trim_mm))
        outline = [roll.outline] if roll.outline is not None else []
        own = (roll.place, roll.parent or "", _corners(outline), _corners(roll.no_go))
        rack.append((roll.id, roll.alloy, *sizes, *own, *ends))
        readings += [(roll.id, *(_short(float(v)) for v in row)) for row in read]
    return {"rack.csv": _csv(HEAD, rack), "readings.csv": _csv(("roll", "x_mm", "y_mm", "thickness_mm"), readings)}


def _short(value: float) -> str:
    return f"{round(value, 3):.10g}"


def _corners(areas: Iterable[Sequence[tuple[float, float]]]) -> str:
    return " | ".join(", ".join(f"{_short(x)} {_short(y)}" for x, y in area) for area in areas)


def _csv(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue()
