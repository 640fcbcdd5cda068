"""What rooms say: every text stands in the catalogue of every language, and nothing is decided by what a message says."""

import ast
import pickle
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipemetal.texts import Amount, Text, joined
from pipemetal.units import UnitSystem
from pipemetal.words import LANGUAGES, Words, catalogue

PACKAGE = Path(__file__).parents[2] / "src" / "pipemetal"
MODULES = sorted(PACKAGE.rglob("*.py"))


NO_WORDS = re.compile(r"\{\w+\}|\b(mm|kg|cm3|Hz)\b")
WORDS = re.compile(r"[a-z]{2}")


def texts_of(module: Path) -> Iterator[str]:
    """What a module says in texts and errors: given outright, by a condition, or by a local name."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    named = {
        target.id: node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = _name(node)
            if ast.unparse(node.func) == "_LOG.error":  # the log speaks English
                continue
            for given in node.args[:1] if name in ("Text", "Said") else _of_errors(name, node):
                yield from _constants(given, named)


def _name(call: ast.Call) -> str:
    return call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")


NO_INPUT = {
    "AssertionError",
    "AttributeError",
    "ConvergenceError",
    "KeyError",
    "RuntimeError",
    "TypeError",
    "ValueError",
}
"""Errors that are no answer to what somebody gave."""


def _of_errors(name: str, call: ast.Call) -> list[ast.expr]:
    """What an error says: the problem, what is allowed, where. A reader's own `error` takes what is allowed fourth."""
    if name in NO_INPUT or not (name.endswith("Error") or name == "error"):
        return []
    said = [k.value for k in call.keywords if k.arg in ("problem", "allowed", "where")]
    return [*call.args[:1], *(call.args[3:4] if name == "error" else ()), *said]


def _constants(node: ast.expr, named: dict[str, ast.expr]) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from _constants(node.body, named)
        yield from _constants(node.orelse, named)
    elif isinstance(node, ast.Name) and isinstance(named.get(node.id), ast.Constant | ast.IfExp):
        yield from _constants(named[node.id], named)


@pytest.mark.parametrize("language", [x for x in LANGUAGES if x != "en"])
def test_no_text_of_a_room_is_missing(language: str) -> None:
    held = catalogue(language)
    modules = [m for m in MODULES if "cli" not in m.parts]  # the command line speaks English
    texts = {text for module in modules for text in texts_of(module) if WORDS.search(NO_WORDS.sub("", text))}
    assert len(texts) > 900
    assert sorted(texts - set(held)) == []


@pytest.mark.parametrize(
    "module", [m for m in MODULES if "cli" not in m.parts], ids=lambda m: str(m.relative_to(PACKAGE))
)
def test_no_error_is_a_finished_sentence(module: Path) -> None:
    """A sentence that is put together at once can be neither translated nor shown in a reader's units."""
    calls = [node for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    said = [
        given for call in calls if ast.unparse(call.func) != "_LOG.error" for given in _of_errors(_name(call), call)
    ]
    assert [ast.unparse(given) for given in said if isinstance(given, ast.JoinedStr)] == []


MESSAGES = re.compile(
    r"\.(problem|allowed|reason|words|told)\s*(==|!=|\bin\b)|\b(str\((error|e|problem)\)|message)\s*(==|!=|\bin\b|\.startswith|\.endswith)"
    r"|(==|!=)\s*(error|e|problem)\.(problem|allowed)|\bre\.\w+\([^)]*\b(str\(error\)|error\.|\.problem|\.reason|\.words)"
    r"|\bin (str\(error\)|error\.(problem|allowed))"
)


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_nothing_is_decided_by_what_a_message_says(module: Path) -> None:
    found = [line.strip() for line in module.read_text(encoding="utf-8").splitlines() if MESSAGES.search(line)]
    assert found == []


def test_a_text_goes_to_another_process_and_back_with_its_values() -> None:
    told = Text("from {a} to {b}", a=Amount(2.54, "mm", 1, bare=True), b=Text("{c}", c=3))
    again = pickle.loads(pickle.dumps(told))
    assert again == told == "from 2.5 to 3"
    assert (again.template, again.values) == (told.template, told.values)


def test_a_text_in_a_text_is_read_in_the_reader_s_units() -> None:
    length = Text("{a} long", a=Amount(254.0, "mm"))
    told = joined([length, Text("{b} heavy, {c} hot", b=Amount(1.0, "kg", 1), c=Amount(100.0, "°C"))])
    assert Words().read(told, UnitSystem("in", "lb", "F", comma=True)) == "10,0 in long; 2,2 lb heavy, 212 °F hot"


def test_braces_in_a_name_stay_as_they_are() -> None:
    told = Text("roll {roll} is full", roll="{R7} {0}")
    assert told == Words().read(told) == "roll {R7} {0} is full"
    assert Text("{R7}") == Words().read(Text("{R7}")) == "{R7}"
