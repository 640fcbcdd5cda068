"""What the program has, the documents name: commands, settings, columns, pages of the site."""

from __future__ import annotations

import ast
import dataclasses
import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import COMMANDS, NOUNS, SECTIONS, cli
from pipemetal.planning.settings import CastingSettings, PotSettings, SheetSettings

ROOT = Path(__file__).parents[2]
DOCS = {path.name: path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md")}
ALL = "\n".join(DOCS.values()) + (ROOT / "README.md").read_text(encoding="utf-8")


def bench(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, ROOT / "bench" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_of_commands_is_not_stale() -> None:
    commands = bench("commands")
    assert DOCS["commands.md"] == commands.page(), "run `make docs` and commit docs/commands.md"


def test_the_page_of_quantities_is_not_stale() -> None:
    assert DOCS["quantities.md"] == bench("quantities_page").page(), "run `make docs` and commit docs/quantities.md"


def test_every_command_has_words_of_help() -> None:
    page = DOCS["commands.md"]
    titles = {name: f"{noun} {verb}" for noun, held in NOUNS.items() for verb, name in held.verbs.items()}
    assert set(titles) | {n for names in SECTIONS.values() for n in names} >= set(COMMANDS)
    for name in COMMANDS:
        section = re.split(rf"\n##+ {titles.get(name, name)}\n", page)[1].partition("\n##")[0]
        assert len(section.split()) > 12, name


def test_the_help_names_fourteen_nouns_at_most_and_every_command_under_one() -> None:
    shown = [name for names in SECTIONS.values() for name in names]
    assert len(shown) == len(set(shown)) <= 14
    verbs = [name for noun in NOUNS.values() for name in noun.verbs.values()]
    assert sorted({*verbs, *(n for n in shown if n not in NOUNS)}) == sorted(COMMANDS)
    for text in (CliRunner().invoke(cli, ["--help"]).output, CliRunner().invoke(cli, ["book", "--help"]).output):
        assert max(len(line) for line in text.splitlines()) <= 80


def test_a_verb_is_the_same_with_its_noun_and_without() -> None:
    words = ["alloy", "Sn 50 Pb bal", "--json"]
    alone, within = (CliRunner().invoke(cli, args).output for args in (words, ["metal", *words]))
    assert alone == within and alone.startswith("{")
    # the usual verb takes its options before its file
    for args in (
        ["plan", "--seed", "1", "--out", "x", "no.toml"],
        ["plan", "make", "--seed", "1", "--out", "x", "no.toml"],
    ):
        refused = CliRunner().invoke(cli, args)
        assert "no.toml" in str(refused.exception)


@pytest.mark.parametrize("settings", [SheetSettings, PotSettings, CastingSettings])
def test_every_setting_of_a_shop_is_documented(settings: type) -> None:
    missing = [field.name for field in dataclasses.fields(settings) if f"`{field.name}`" not in DOCS["shop-files.md"]]
    assert not missing


def columns_read() -> dict[str, set[str]]:
    """The columns that each reader of a CSV file allows: the texts in the lists handed to `check`."""
    found: dict[str, set[str]] = {}
    for path in (ROOT / "src" / "pipemetal" / "files").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            is_check = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "check"
            if is_check and node.args:  # type: ignore[union-attr]
                texts = [n.value for a in node.args for n in ast.walk(a) if isinstance(n, ast.Constant)]  # type: ignore[union-attr]
                found.setdefault(path.name, set()).update(
                    t for t in texts if isinstance(t, str) and re.fullmatch(r"[a-z][a-z_]*[a-z]", t)
                )
    return found


def test_every_column_of_every_table_is_documented() -> None:
    named = set(re.findall(r"`([a-z_]+)`", ALL))
    missing = {name: sorted(columns - named) for name, columns in columns_read().items() if columns - named}
    assert not missing


def test_every_document_stands_in_the_site() -> None:
    site = (ROOT / "mkdocs.yml").read_text(encoding="utf-8")
    assert [name for name in DOCS if name not in site] == []


def test_the_numbers_of_the_page_of_benchmarks_come_from_one_run() -> None:
    page = DOCS["benchmarks.md"]
    assert "Written by `make bench` on" in page
    for script in (
        "alloys_bench",
        "casting_bench",
        "melts_bench",
        "shop_bench",
        "documents_bench",
        "growth",
        "layout_bench",
        "layout_peers",
    ):
        assert f"\n-- {script}.py\n" in page, script


def test_the_results_in_the_readme_are_those_of_the_page_of_benchmarks() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = readme.partition("$ make demo\n")[2].partition("\n\n`demo-shop")[0]
    lines = [line.strip() for line in block.splitlines() if line.strip() and not line.rstrip().endswith("...")]
    printed = {line.strip() for line in DOCS["benchmarks.md"].splitlines()}
    assert len(lines) > 12
    assert [line for line in lines if line not in printed] == []


def test_what_documents_type_are_the_commands_of_the_help() -> None:
    """A noun of `pipemetal --help`, then its verb: nobody looks for a command that the help does not show."""
    shown = {name for names in SECTIONS.values() for name in names}
    pages = {name: text for name, text in DOCS.items() if name not in ("commands.md", "benchmarks.md", "validation.md")}
    pages |= {path.name: path.read_text(encoding="utf-8") for path in (ROOT / "docs" / "how-to").glob("*.md")}
    pages["README.md"] = (ROOT / "README.md").read_text(encoding="utf-8")
    for page, text in pages.items():
        typed = re.findall(r"(?:`|^ {4,}(?:\$ )?)pipemetal ([a-z][a-z-]+)(?: ([a-z-]+))?", text, re.MULTILINE)
        assert [noun for noun, _ in typed if noun not in shown] == [], page
        verbs = {noun: set(NOUNS[noun].verbs) for noun in NOUNS}
        assert [(n, v) for n, v in typed if n in verbs and v and not NOUNS[n].usual and v not in verbs[n]] == [], page
