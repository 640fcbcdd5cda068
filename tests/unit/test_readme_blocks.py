"""The README's own blocks: what it tells people to type is there to be typed."""

from __future__ import annotations

import re
from pathlib import Path

from pipemetal.cli.main import COMMANDS, NOUNS

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
