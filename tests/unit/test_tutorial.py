"""The tutorial is typed block by block, in an empty folder, as a new user would."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import textwrap
from pathlib import Path

import click
import pytest

from pipemetal import demo_shop
from pipemetal.cli.main import cli

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "first-organ.md").read_text(encoding="utf-8")
DOCS = [*sorted((ROOT / "docs").glob("*.md")), ROOT / "README.md"]


ONE_RANK = """
from pathlib import Path

file = Path("chapel.toml")
head, *ranks = file.read_text().split("[[rank]]")
file.write_text("[[rank]]".join([head, *(r for r in ranks if 'name = "Flute 2"' in r)]))
"""


def blocks(text: str) -> list[str]:
    """Indented blocks between empty lines, without what belongs to a list."""
    found = re.findall(r"(?:(?<=\n\n)|\A)((?: {4}[^\n]*\n|\n(?= {4}))+)", text)
    return [textwrap.dedent(block).strip("\n") for block in found]


def test_what_the_tutorial_types_is_a_command_with_its_options() -> None:
    typed = re.findall(r"^    pipemetal (.+)$", PAGE, re.MULTILINE)
    assert len(typed) >= 9
    for line in typed:
        room: click.Command = cli
        words = shlex.split(line)
        while isinstance(room, click.Group) and words:
            # a noun's usual verb need not be typed
            _, held, words = room.resolve_command(click.Context(room), words)
            assert held is not None, line
            room = held
        room.make_parser(click.Context(room)).parse_args(words)


@pytest.mark.long
def test_the_tutorial_can_be_followed_from_an_empty_folder(tmp_path: Path) -> None:
    typed, python = PAGE.split("## In Python")
    script = "\n".join(blocks(typed))
    assert script.count("pipemetal ") >= 9 and "--iterations 1000" in script and "iterations=200" in python
    # a short search finds a place for every pipe too; how good it is, other tests ask
    script = script.replace("--iterations 1000", "--iterations 20")
    # an organ of two ranks lies there already and is left as it is; the copy is cut down to one
    (tmp_path / "my-shop").mkdir()
    own = Path(demo_shop.__file__).parent / "organ.toml"
    head, *ranks = own.read_text(encoding="utf-8").split("[[rank]]")
    kept = [rank for rank in ranks if 'name = "Flute 2"' in rank or 'name = "Octave 4"' in rank]
    (tmp_path / "my-shop" / "organ.toml").write_text("[[rank]]".join([head, *kept]))
    assert "cp organ.toml chapel.toml\n" in script
    script = script.replace("cp organ.toml chapel.toml\n", "cp organ.toml chapel.toml\npython ../one_rank.py\n")
    (tmp_path / "one_rank.py").write_text(ONE_RANK)
    python = python.replace("iterations=200", "iterations=20").replace('"organ.toml"', '"chapel.toml"')
    folder = Path(sys.executable).parent
    env = os.environ | {"PATH": f"{folder}{os.pathsep}{os.environ['PATH']}", "PIPEMETAL_BY": "apprentice"}
    env.pop("PIPEMETAL_SHOP", None)
    (tmp_path / "in.py").write_text("\n".join(blocks(python)))
    # as a person at a shell: each line runs where the one before left off, and stops at the first that fails
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f"{script}\npython ../in.py"],
        cwd=tmp_path,
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert "112 of 112" in done.stdout and "56 of 56" in done.stdout.splitlines()[-1]
    assert (tmp_path / "my-shop" / "ours.sqlite").exists() and (tmp_path / "my-shop" / "scales.svg").exists()


@pytest.mark.parametrize("page", DOCS, ids=lambda page: page.name)
def test_every_file_that_a_page_names_is_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for link in re.findall(r"\]\((?!https?:|#|mailto:)([^)#]+)", text):
        assert (page.parent / link).exists(), f"{page.name}: {link}"
    for path in re.findall(r"\b(?:docs|src|tests|bench|examples)/[\w./-]+\.(?:md|py|toml|csv|json|sh)\b", text):
        assert (ROOT / path).exists(), f"{page.name}: {path}"


def test_every_file_that_the_shipped_examples_name_is_there() -> None:
    for file in (ROOT / "src" / "pipemetal" / "demo_shop").iterdir():
        if file.suffix in (".toml", ".csv"):
            for path in re.findall(r"\b(?:docs|src|examples)/[\w./-]+", file.read_text(encoding="utf-8")):
                assert (ROOT / path.rstrip(".")).exists(), f"{file.name}: {path}"
