"""The files of the invented shop, as they are packaged."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from pipemetal.errors import FileFormatError
from pipemetal.files.outbox import write_all

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
    source = Path(str(resources.files("pipemetal.demo_shop")))
    packaged = [path for path in sorted(source.iterdir()) if path.suffix in (".toml", ".csv", ".md")]
    write_all(target, {path.name: path.read_bytes() for path in packaged if not (target / path.name).exists()})
    return [target / path.name for path in packaged]
