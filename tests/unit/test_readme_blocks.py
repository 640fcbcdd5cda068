"""The README's own blocks: what it tells people to type is there to be typed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import COMMANDS, NOUNS, cli

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")


def test_two_commands_do_all_setting_up_and_stand_in_the_makefile() -> None:
    block = README.partition("## Two commands")[2].partition("\n## ")[0]
    commands = re.findall(r"^    make (\w+)", block, re.MULTILINE)
    assert commands == ["demo", "test"]
    for command in commands:
        assert re.search(rf"^{command}:", MAKEFILE, re.MULTILINE)


def test_every_command_that_the_readme_types_is_one_of_ours() -> None:
    typed = re.findall(r"(?:^|\$ |`)(?:\S*/bin/)?pipemetal ([a-z-]+)", README, re.MULTILINE)
    assert typed
    assert set(typed) <= {*COMMANDS, *NOUNS}


def test_the_machine_of_its_own_runs_the_same_block() -> None:
    script = (ROOT / "tests" / "fresh" / "fresh_machine.sh").read_text(encoding="utf-8")
    assert "## Two commands" in script


def lines_of(text: str) -> list[str]:
    """What is printed, without the blanks that columns are filled with."""
    return [" ".join(line.split()) for line in text.splitlines() if line.strip()]


@pytest.mark.parametrize("command", ["metal alloy", "rolls"])
def test_what_the_readme_shows_is_what_is_printed(
    command: str, shop_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shop_folder.rename(tmp_path / "demo-shop")
    typed = re.search(rf"^    \$ pipemetal ({command} .*)\n((?:    .*\n|\n)+)", README, re.MULTILINE)
    assert typed is not None
    words = re.findall(r'"[^"]+"|\S+', typed[1])
    if command == "rolls":
        made = CliRunner().invoke(cli, ["book", "import", "demo-shop", "--shop", words[-1]])
        assert made.exit_code == 0, made.output
    told = CliRunner().invoke(cli, [word.strip('"') for word in words], env={"COLUMNS": "200"})
    shown = lines_of(typed[2].partition("    $ ")[0])
    assert [line for line in lines_of(told.stdout) if line in shown] == shown
