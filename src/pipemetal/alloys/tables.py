"""The data tables that come with the room: every row has a value, a unit, a source and a status."""

from __future__ import annotations

from functools import cache
from importlib import resources

__all__ = ["read_rows", "read_text"]


@cache
def read_text(name: str) -> str:
    """The text of one packaged data file.

    >>> read_text("elements.csv").startswith("element,")
    True
    """
    return (resources.files("pipemetal.alloys") / "data" / name).read_text(encoding="utf-8")


@cache
def read_rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of one packaged comma-separated file, by column name; lines that begin with # are notes.

    >>> read_rows("elements.csv")[0]["element"]
    'Pb'
    """
    lines = [line for line in read_text(name).splitlines() if line.strip() and not line.startswith("#")]
    header = _cells(lines[0])
    return tuple(dict(zip(header, _cells(line), strict=True)) for line in lines[1:])


def _cells(line: str) -> list[str]:
    """Split at commas outside double quotes; the packaged tables hold no quote inside a cell."""
    cells = [""]
    quoted = False
    for character in line:
        if character == '"':
            quoted = not quoted
        elif character == "," and not quoted:
            cells.append("")
        else:
            cells[-1] += character
    return [cell.strip() for cell in cells]
