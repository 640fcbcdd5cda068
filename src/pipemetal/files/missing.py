"""The error of a file that is not there: what lies beside it, which name was perhaps meant, and what writes such a file."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pipemetal.errors import FileFormatError, InputError, near, some_listed
from pipemetal.texts import Text

__all__ = ["no_such_file"]

MOST_LOOKED_AT: Final = 2000
"""Names of a folder among which the nearest is looked for."""
_WRITES: Final = (
    ("plan.json", Text("pipemetal plan ORGAN.toml --out FOLDER, which writes it")),
    (".json", Text("pipemetal plan ORGAN.toml --out FOLDER, which writes such files")),
    (".backup", Text("pipemetal book backup FILE, which writes one")),
    (".wav", Text("a recording of the pipe, saved as WAV")),
    (".jpg", Text("a photo as JPEG, PNG or WebP, or a PDF")),
    (".toml", Text("pipemetal demo FOLDER, which writes a file of each kind")),
    (".csv", Text("pipemetal demo FOLDER, which writes a file of each kind")),
    ("", ""),
)
"""Endings of file names, and what writes such a file."""


def no_such_file(path: Path, kind: type[InputError] = FileFormatError) -> InputError:
    """The error, of this kind, of a file that is not there.

    >>> print(no_such_file(Path("nowhere") / "plan.json"))
    nowhere/plan.json: does not exist, nor does its folder (for example pipemetal plan ORGAN.toml --out FOLDER, which writes it)
    """
    example = next(words for ending, words in _WRITES if path.name.lower().endswith(ending))
    names = _names(path.parent)
    if names is None:
        return kind("does not exist, nor does its folder", where=str(path), example=example)
    alike = [name for name in names if name.lower().endswith(path.suffix.lower())]
    beside = some_listed(path.name, alike)
    problem = Text("does not exist; beside it: {names}", names=beside) if alike else "does not exist"
    return kind(problem, where=str(path), nearest=_nearest(path, names, alike), example=example)


def _nearest(path: Path, names: list[str], alike: list[str]) -> str:
    """The file that was perhaps meant: alike in its stem, or but for its ending."""
    stems = {Path(name).stem: name for name in alike}
    found = stems.get(near(path.stem, list(stems)), "")
    return found or next((name for name in names if Path(name).stem == path.stem), "")


def _names(folder: Path) -> list[str] | None:
    """Names in a folder, in their order; None where there is no such folder."""
    try:
        found = [entry.name for _, entry in zip(range(MOST_LOOKED_AT), folder.iterdir(), strict=False)]
    except (OSError, ValueError):
        return None
    return sorted(found)
