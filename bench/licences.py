"""Writes docs/licences.md: what is installed with the program, and under which licence, as the packages say it themselves."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "licences.md"
LOCK = ROOT / "release" / "lock.txt"
HEAD = """# Licences

Pipemetal is under the Apache License 2.0 (`LICENSE`). Installing it brings these libraries, under licences of their own.
The list is written by `make docs`, from what the packages say of themselves; versions are those of `release/lock.txt`.
The typefaces in `src/pipemetal/documents` and `web/static/fonts` stand beside their own licences.

| library | version | licence |
|---|---|---|
"""


def licence_of(name: str) -> str:
    """What a package says its licence is, on one line."""
    try:
        told = distribution(name).metadata
    except PackageNotFoundError:
        return "installed on other systems only"
    named = told.get("License-Expression") or ""
    if not named:
        classes = [c.rpartition(" :: ")[2] for c in told.get_all("Classifier") or () if c.startswith("License ::")]
        named = ", ".join(classes) or (told.get("License") or "").strip().splitlines()[0][:80]
    return named.replace("|", "/") or "see the package"


def page() -> str:
    """The whole page."""
    locked = re.findall(r"(?m)^([A-Za-z0-9_.-]+)==([^ ;\\]+)", LOCK.read_text(encoding="utf-8"))
    rows = [f"| {name} | {version} | {licence_of(name)} |" for name, version in dict(locked).items()]
    return HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
