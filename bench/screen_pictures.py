"""Write docs/pictures/screen/*.svg, what the how-tos' commands print, and a page of the dossier: `bench/screen_pictures.py`.

The how-tos are typed one after the other in the folder of the invented shop, so that pictures show what a reader sees.
"""

from __future__ import annotations

import html
import os
import re
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

import pypdfium2

from pipemetal.files.demo_files import copy_demo_shop

ROOT = Path(__file__).parents[1]
HOW_TO, OUT = ROOT / "docs" / "how-to", ROOT / "docs" / "pictures"
SHOWN = {"what-if": "pipemetal plan variants", "move": "pipemetal book doctor"}
"""The page, and the command of it whose answer is shown."""
LETTER, LINE, EDGE, MOST = 8.4, 19.0, 16.0, 100
"""Width of a letter, height of a line and the edge, in pixels; letters of a line at most."""


def blocks(page: str) -> list[str]:
    """What a how-to tells people to type."""
    text = (HOW_TO / f"{page}.md").read_text(encoding="utf-8")
    found = re.findall(r"(?<=\n\n)((?: {8}[^\n]*\n|\n(?= {8}))+)", text)
    return [textwrap.dedent(block).strip("\n") for block in found]


def screen(command: str, said: str) -> str:
    """A command and its answer as a picture."""
    kept = [f"$ {command}", *said.rstrip("\n").splitlines()]
    lines = [
        part
        for line in kept
        for part in (textwrap.wrap(line, MOST, subsequent_indent="    ") if len(line) > MOST else [line])
    ]
    width = max(map(len, lines)) * LETTER + 2 * EDGE
    height = len(lines) * LINE + 2 * EDGE
    texts = "\n".join(
        f'<text x="{EDGE}" y="{EDGE + LINE * (k + 0.75):.0f}" xml:space="preserve">{html.escape(line.rstrip())}</text>'
        for k, line in enumerate(lines)
        if line.strip()
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}">\n'
        f'<rect width="100%" height="100%" fill="#16211f" rx="4"/>\n'
        f'<g font-family="ui-monospace, DejaVu Sans Mono, monospace" font-size="14" fill="#f8faf7">\n{texts}\n</g>\n</svg>\n'
    )


def typed(script: str, folder: Path) -> str:
    """What a script prints in a folder."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    env = os.environ | {"PATH": path, "PIPEMETAL_BY": "apprentice", "COLUMNS": "92"}
    env.pop("PIPEMETAL_SHOP", None)
    done = subprocess.run(["bash", "-c", script], cwd=folder, env=env, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def main() -> None:
    (OUT / "screen").mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "shop"
        copy_demo_shop(folder)
        for page in ("racks", "plan", "what-if", "old-rank", "move"):
            for block in blocks(page):
                said = typed(block, folder)
                if block.startswith(SHOWN.get(page, "-")):
                    (OUT / "screen" / f"{page}.svg").write_text(screen(block, said), encoding="utf-8")
        dossier = next(iter(folder.rglob("*dossier*.pdf")))
        pypdfium2.PdfDocument(str(dossier))[0].render(scale=1.5).to_pil().crop((0, 0, 893, 760)).save(
            OUT / "paper" / "dossier.png", optimize=True
        )


if __name__ == "__main__":
    main()
