"""The files of the invented shop, as they are packaged."""

from __future__ import annotations

import shutil
from importlib import resources
from pathlib import Path

from pipemetal.errors import FileFormatError

__all__ = ["copy_demo_shop", "packaged_file"]


def packaged_file(name: str) -> Path:
    """The path of a packaged file of the invented shop.

    >>> packaged_file("recipes.toml").name
    'recipes.toml'
    """
    path = Path(str(resources.files("pipemetal.demo_shop"))) / name
    if not path.exists():
        raise FileFormatError("is not a file of the invented shop", value=name)
    return path


def copy_demo_shop(target: Path) -> list[Path]:
    """Copy the invented shop's files into a folder; files that are there already are left as they are.

    Errors: FileFormatError where the folder is a file.
    """
    if target.exists() and not target.is_dir():
        raise FileFormatError("is not a folder", where=str(target))
    target.mkdir(parents=True, exist_ok=True)
    source = Path(str(resources.files("pipemetal.demo_shop")))
    copied = []
    for path in sorted(source.iterdir()):
        if path.suffix in (".toml", ".csv", ".md"):
            if not (target / path.name).exists():
                shutil.copyfile(path, target / path.name)
            copied.append(target / path.name)
    return copied
