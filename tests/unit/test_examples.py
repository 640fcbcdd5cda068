"""The examples run as they stand, and so do the blocks that the README shows."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("example", sorted((ROOT / "examples").glob("*.py")), ids=lambda p: p.name)
def test_example_runs(example: Path) -> None:
    done = subprocess.run([sys.executable, str(example)], capture_output=True, text=True, timeout=3600, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() and ("faults" not in done.stdout or "0 faults" in done.stdout)


def test_the_three_lines_of_python_in_the_readme_run() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"The same in Python:\n\n((?:    .+\n)+)", text)
    assert block is not None
    done = subprocess.run(
        [sys.executable, "-c", re.sub(r"(?m)^    ", "", block[1])],
        capture_output=True,
        text=True,
        timeout=3600,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "temperature_c=211." in done.stdout


def test_every_command_stands_in_the_readme() -> None:
    from pipemetal.cli.main import NOUNS, SECTIONS

    text = (ROOT / "README.md").read_text(encoding="utf-8").partition("## The commands")[2]
    for noun in (name for names in SECTIONS.values() for name in names):
        row = next(
            (line for line in text.splitlines() if re.match(rf"\| `pipemetal .*{noun}`|.*, `{noun}`.* \|", line)), ""
        )
        assert row, f"{noun} is not in the README"
        for verb in NOUNS[noun].verbs if noun in NOUNS else ():
            assert f"`{verb}`" in row, f"{noun} {verb} is not in the README"


def test_links_between_the_documents_lead_somewhere() -> None:
    for page in [ROOT / "README.md", ROOT / "CONTRIBUTING.md", *sorted((ROOT / "docs").glob("*.md"))]:
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name} points to {target}, which is not there"
