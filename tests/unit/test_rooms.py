"""The house has one direction: a room imports only rooms above it in the list."""

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOMS = [
    "alloys",
    "pipes",
    "sound",
    "sheets",
    "layout",
    "melts",
    "casting",
    "planning",
    "plans",
    "restoration",
    "files",
    "shop",
    "documents",
    "web",
    "cli",
]
SHARED = {"errors", "given", "quantities", "texts", "linear", "executor", "strict_json"}
EDGE_ONLY = {
    "units": ["files", "shop", "documents", "web", "cli"],
    "words": ["documents", "web", "cli"],
    "logs": ["shop", "web", "cli"],
}
DOMAIN = [*ROOMS[:7], "restoration"]
FORBIDDEN_IN_DOMAIN = {"sqlalchemy", "fastapi", "jinja2", "click", "rich", "pydantic", "alembic", "csv", "tomllib"}
PACKAGE = Path(__file__).parents[2] / "src" / "pipemetal"


def imports_of(module: Path) -> list[tuple[int, str]]:
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}:{node.lineno} imports relatively; write pipemetal.<room>"
            if node.module in ("pipemetal", "pipemetal.shop"):
                found += [(node.lineno, f"{node.module}.{alias.name}") for alias in node.names]
            else:
                found.append((node.lineno, node.module or ""))
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_room_imports_only_rooms_above_it(room: str) -> None:
    allowed = set(ROOMS[: ROOMS.index(room) + 1]) | SHARED
    allowed |= {module for module, rooms in EDGE_ONLY.items() if room in rooms}
    for module in (PACKAGE / room).rglob("*.py"):
        for line, name in imports_of(module):
            if name.startswith("pipemetal."):
                target = name.split(".")[1]
                assert target in allowed or target.startswith("__"), f"{module}:{line}: {room} must not import {target}"


@pytest.mark.parametrize("room", DOMAIN)
def test_domain_rooms_are_pure(room: str) -> None:
    for module in (PACKAGE / room).rglob("*.py"):
        for line, name in imports_of(module):
            assert name.split(".")[0] not in FORBIDDEN_IN_DOMAIN, f"{module}:{line}: {room} must not import {name}"


def test_no_module_but_the_shop_knows_the_tables() -> None:
    for module in PACKAGE.rglob("*.py"):
        if "shop" in module.relative_to(PACKAGE).parts[:1]:
            continue
        for line, name in imports_of(module):
            assert name.split(".")[0] != "sqlalchemy", (
                f"{module}:{line} speaks to the database; ask a service of the book"
            )
            assert not name.startswith("pipemetal.shop.schema"), f"{module}:{line} knows the tables; ask a service"
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            private = isinstance(node, ast.Attribute) and node.attr in ("_writer", "reading", "writing")
            assert not private or "book" not in ast.unparse(node), (
                f"{module}:{node.lineno} opens a transaction of the book"
            )


def test_no_two_modules_of_the_shop_import_each_other() -> None:
    shop = PACKAGE / "shop"
    needs = {
        module.stem: {name.split(".")[2] for _, name in imports_of(module) if name.startswith("pipemetal.shop.")}
        for module in shop.glob("*.py")
    }
    while free := [name for name, needed in needs.items() if not needed & needs.keys()]:
        for name in free:
            del needs[name]
    assert not needs, f"these go in a circle: {sorted(needs)}"


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_exists_and_says_what_it_is(room: str) -> None:
    package = PACKAGE / room / "__init__.py"
    assert ast.get_docstring(ast.parse(package.read_text(encoding="utf-8")))


def test_the_pages_open_without_what_only_some_of_them_compute_with() -> None:
    heavy = ("numba", "alembic", "openpyxl", "ezdxf", "typst", "pipemetal.layout.core", "pipemetal.pipes.make")
    code = f"import sys, pipemetal.web.app; print(*[m for m in {heavy} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.split() == []


def test_what_the_pages_load_later_is_there() -> None:
    from pipemetal.web.app import COMPUTES

    for name in COMPUTES:
        importlib.import_module(name)
