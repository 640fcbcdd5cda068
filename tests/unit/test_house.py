"""Code to hand over: short functions and modules, few arguments, and no record of anything."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "src" / "pipemetal"
MODULES = [m for m in sorted(PACKAGE.rglob("*.py")) if "migrations" not in m.parts]
MOST_LINES, MOST_ARGUMENTS, MOST_OF_MODULE = 60, 8, 400
COMPILED = (
    "layout/core.py",
    "layout/ruin.py",
    "layout/windows.py",
    "layout/shelf.py",
    "layout/solve.py",
    "sheets/fitness.py",
)
"""Loops that are compiled and what calls them: their arguments and lengths are still to be brought down."""
ANYTHING = re.compile(r"\b(dict|Dict|Mapping|MutableMapping|list|Sequence|tuple)\[[^\]\n]*\bAny\b")
FRAMEWORK = {"Answers: TypeAlias = dict[int | str, dict[str, Any]]"}
"""What a framework's own types ask for."""


def functions(module: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def lines_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines without the docstring."""
    held = ast.get_docstring(function, clean=False) is not None
    words = function.body[0]
    return (
        (function.end_lineno or 0) - function.lineno + 1 - (((words.end_lineno or 0) - words.lineno + 1) if held else 0)
    )


def arguments_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    given = [*function.args.posonlyargs, *function.args.args]
    own = bool(given) and given[0].arg in ("self", "cls")
    return len(given) + len(function.args.kwonlyargs) - own


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_functions_and_modules_are_short_and_take_little(module: Path) -> None:
    name = module.relative_to(PACKAGE).as_posix()
    text = module.read_text(encoding="utf-8")
    if name in COMPILED:
        return
    # a command of the command line has an argument for each of its options
    least = (MOST_LINES + 5, 99) if name.startswith("cli/") else (MOST_LINES, MOST_ARGUMENTS)
    long = [(f.name, lines_of(f)) for f in functions(module) if lines_of(f) > least[0]]
    many = [(f.name, arguments_of(f)) for f in functions(module) if arguments_of(f) > least[1]]
    assert (long, many, text.count("\n") > MOST_OF_MODULE) == ([], [], False)


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_no_record_of_anything_is_passed_on(module: Path) -> None:
    """A record has a type; what comes from a file or the network is an object until a reader has narrowed it."""
    if module.relative_to(PACKAGE).as_posix() == "layout/proof.py":  # talks to a library without types
        return
    lines = [line.strip() for line in module.read_text(encoding="utf-8").splitlines()]
    assert [line for line in lines if ANYTHING.search(line) and line not in FRAMEWORK] == []


def test_every_command_that_opens_a_book_says_who_writes_in_it() -> None:
    """--by is an option of every command with --shop: none may take it and drop it."""
    for module in MODULES:
        if module.parent.name != "cli":
            continue
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("Book.open", "Book.open_or_make"):
                assert "who" in {k.arg for k in node.keywords}, f"{module.name}: {ast.unparse(node)}"
