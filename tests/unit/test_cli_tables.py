"""Tables for people: no word or number is broken at any width, COLUMNS and NO_COLOR are kept, every command has its page."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.cli.common import print_table
from pipemetal.cli.main import COMMANDS, NOUNS, cli

ROOT = Path(__file__).parents[2]
number = st.decimals(-99999, 99999, places=3).map(str)
word = st.text("abcdefghijäöüß0123456789.-", min_size=1, max_size=14)
cell = st.one_of(number, word, st.lists(word, max_size=4).map(" ".join))


@settings(max_examples=150, deadline=None)
@given(
    width=st.integers(40, 120),
    table=st.integers(1, 9).flatmap(
        lambda n: st.tuples(
            st.lists(word, min_size=n, max_size=n),
            st.lists(st.lists(cell, min_size=n, max_size=n), min_size=1, max_size=4),
        )
    ),
)
def test_no_word_is_broken_and_nothing_is_wider_than_asked(
    width: int, table: tuple[list[str], list[list[str]]]
) -> None:
    headings, rows = table
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(width))
        out = _printed(headings, rows)
    words = set(out.split())
    for text in (*headings, *(c for row in rows for c in row)):
        assert set(text.split()) <= words, (text, out)
    # two words of fourteen letters beside each other are all that a table may need
    assert max(len(line.rstrip()) for line in out.splitlines()) <= width


def _printed(headings: list[str], rows: list[list[str]]) -> str:
    import contextlib
    import io

    held = io.StringIO()
    with contextlib.redirect_stdout(held):
        print_table("Title", headings, rows)
    return held.getvalue()


@pytest.mark.parametrize("columns", ["60", "80", "132"])
def test_a_pipe_honours_columns(columns: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipemetal", "alloy", "Sn 50 Pb bal"],
        env=os.environ | {"COLUMNS": columns},
        capture_output=True,
        text=True,
        check=True,
    )
    assert max(len(line.rstrip()) for line in done.stdout.splitlines()) <= int(columns)
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize(("no_color", "escapes"), [("1", False), ("", True)])
def test_no_color_leaves_no_escape_on_a_terminal(no_color: str, escapes: bool) -> None:
    ours, theirs = pty.openpty()
    env = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR")} | {"TERM": "xterm-256color"}
    words = [sys.executable, "-m", "pipemetal", "alloy", "Sn 50 Pb bal"]
    with subprocess.Popen(words, stdout=theirs, stderr=theirs, env=env | {"NO_COLOR": no_color}) as child:
        os.close(theirs)
        out = b""
        try:
            while part := os.read(ours, 65536):
                out += part
        except OSError:
            pass  # the terminal is gone with its child
    assert child.returncode == 0
    assert (b"\x1b" in out) is escapes


def test_a_reader_that_has_seen_enough_is_no_failure() -> None:
    words = f"{sys.executable} -m pipemetal organ pipes {ROOT}/src/pipemetal/demo_shop/organ.toml | head -1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", words], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "0", done.stdout + done.stderr


def test_every_command_and_every_one_below_it_is_on_the_page() -> None:
    page = (ROOT / "docs" / "commands.md").read_text()
    titles = set(re.findall(r"(?m)^##+ (.+)$", page))
    titled = {name: f"{noun} {verb}" for noun, held in NOUNS.items() for verb, name in held.verbs.items()}
    context = click.Context(cli)
    for name in COMMANDS:
        title = titled.get(name, name)
        command = (
            cli.get_command(context, titled[name].split()[0]) if name in titled else cli.get_command(context, name)
        )
        if name in titled:
            assert isinstance(command, click.Group)
            command = command.get_command(context, title.split()[1])
        assert title in titles
        if isinstance(command, click.Group):
            assert {f"{title} {held}" for held in command.commands} <= titles


def every_command(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """The words of every command, from the top down."""
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            under = command.get_command(context, name)
            if under is not None:
                yield from every_command(under, (*path, name))


@pytest.mark.parametrize("words", list(every_command(cli)), ids=lambda words: " ".join(words) or "pipemetal")
def test_help_fits_in_eighty_columns(words: tuple[str, ...]) -> None:
    told = CliRunner().invoke(cli, [*words, "--help"], terminal_width=80)
    assert told.exit_code == 0 and [line for line in told.output.splitlines() if len(line) > 80] == []
