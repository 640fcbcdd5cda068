"""The how-tos are typed block by block, one after the other, in the folder of the invented shop."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "docs" / "how-to"
ORDER = ("racks", "plan", "melt", "cast", "cut", "what-if", "old-rank", "move")

NOT_TYPED = ("install",)
"""What asks for a PIN, a server's rights or other machines; tests of its own hold it."""


def typed(page: str) -> str:
    """What a page tells people to type: blocks of four spaces, or of eight in a list."""
    text = (FOLDER / f"{page}.md").read_text(encoding="utf-8")
    blocks = re.findall(r"(?<=\n\n)((?: {8}[^\n]*\n|\n(?= {8}))+)", text)
    return "\n".join(textwrap.dedent(block) for block in blocks)


def test_every_how_to_is_followed_and_shows_a_picture() -> None:
    assert {p.stem for p in FOLDER.glob("*.md")} == {*ORDER, *NOT_TYPED}
    for page in ORDER:
        text = (FOLDER / f"{page}.md").read_text(encoding="utf-8")
        assert "pipemetal " in typed(page) and "At the end" in text
        for picture in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text):
            assert (FOLDER / picture).exists(), picture
        assert "![" in text, page


@pytest.mark.long
def test_the_how_tos_can_be_followed_one_after_the_other(shop_folder: Path) -> None:
    # `pipemetal demo` leaves a book beside the files
    script = "pipemetal book import . --shop shop.sqlite\n" + "\n".join(typed(page) for page in ORDER)
    assert script.count("pipemetal ") >= 20
    env = os.environ | {
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
        "PIPEMETAL_BY": "apprentice",
    }
    env.pop("PIPEMETAL_SHOP", None)
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        cwd=shop_folder,
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert "25 of 25" in done.stdout
    for name in ("chapel/index.html", "papers/weighing.pdf", "papers/cutting.pdf", "label.pdf", "moved.sqlite"):
        assert (shop_folder / name).exists(), name
